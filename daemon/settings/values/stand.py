"""The kind of setting that says what grows in a field."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from daemon.domain.farm import Units
from daemon.settings.text.literals import parse_number, round_significant, toml_literal
from daemon.settings.values.kinds import Choice, Kind, Number, OptionUnit

_SHARE: Final = Number(0.001, 100.0, OptionUnit(""))


@dataclass(frozen=True)
class Stand(Kind[Mapping[str, float]]):
    """One species, or a mix as a table of shares that add up to 1 or to 100."""

    species: Sequence[str] = field(default=())

    def _species_choice(self) -> Choice[str]:
        return Choice({name: name for name in self.species})

    def allowed(self, units: Units) -> str:
        """Return the species and how a mix is written."""
        names = ", ".join(self.species)
        return f"one species, or a mix such as {{ timothy = 60, alfalfa = 40 }} that adds up to 100, of: {names}"

    def read(self, value: object, units: Units) -> Mapping[str, float]:
        """Return the share of each species, adding up to 1."""
        names_kind = self._species_choice()
        if isinstance(value, str):
            return {names_kind.read(value, units): 1.0}
        if not isinstance(value, dict) or not value:
            raise ValueError
        shares = {names_kind.read(name, units): _SHARE.read(share, units) for name, share in value.items()}
        if len(shares) < len(value):  # a species named twice
            raise ValueError
        total = sum(shares.values())
        whole = 1.0 if total < 2.0 else 100.0
        if not math.isclose(total, whole, rel_tol=0.005):
            raise ValueError
        return {name: share / total for name, share in shares.items()}

    def write(self, value: Mapping[str, float], units: Units) -> str:
        """Return the species, or the shares in percent."""
        if len(value) == 1:
            return toml_literal(next(iter(value)))
        percents = {name: round_significant(100.0 * share, 6) for name, share in value.items()}
        return _inline_table(f"{toml_literal(name)} = {percent:g}" for name, percent in percents.items())

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the stand with its names corrected and its shares scaled to add up to 100."""
        names_kind = self._species_choice()
        if not isinstance(value, dict):
            return names_kind.nearest(value, units)
        names = [names_kind.nearest(name, units) for name in value]
        percents = _scale_to_100(value.values())
        if not percents or None in names or len(set(names)) < len(names):
            return None
        return _inline_table(f"{name} = {percent:.3g}" for name, percent in zip(names, percents, strict=True))


def _scale_to_100(values: Iterable[object]) -> list[float] | None:
    """Return the shares that are meant, scaled to add up to 100; None if a share is no number above 0."""
    shares: list[float] = []
    for value in values:
        share = parse_number(value)
        if share is None or share <= 0.0:
            return None
        shares.append(share)
    total = sum(shares)
    return [100.0 * share / total for share in shares]


def _inline_table(pairs: Iterable[str]) -> str:
    return f"{{ {', '.join(pairs)} }}"

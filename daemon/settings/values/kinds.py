"""The kinds of value a setting can hold: each reads one from TOML, says what is allowed and finds the nearest fix."""

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Final, Generic, TypeVar, cast

from pydantic_core import PydanticCustomError, core_schema

from daemon.domain.farm import Units
from daemon.settings.problems import nearest_word
from daemon.settings.text.dates import parse_date
from daemon.settings.text.literals import parse_number, round_significant, toml_literal
from daemon.system.secrets import SecretUnavailable, is_reference, resolve

T = TypeVar("T")


class Kind(Generic[T]):
    """Base of the kinds; an instance stands in ``Annotated`` beside the type of an option."""

    secret = False

    def allowed(self, units: Units) -> str:
        """Return what may be given, in words."""
        raise NotImplementedError

    def read(self, value: object, units: Units) -> T:
        """Return the value in SI units; raises ValueError when it is not allowed."""
        raise NotImplementedError

    def write(self, value: T, units: Units) -> str:
        """Return the value as it is written in a settings file of these units."""
        return toml_literal(value)

    def unit(self, units: Units) -> str:
        """Return the unit, empty if there is none."""
        return ""

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the allowed TOML value nearest to one that is not, None if nothing comes near."""
        return None

    def __get_pydantic_core_schema__(self, source: object, handler: object) -> core_schema.CoreSchema:
        """Let pydantic read the option through this kind; the context is the units of the file."""
        return core_schema.with_info_plain_validator_function(self._validate)

    def _validate(self, value: object, info: "core_schema.ValidationInfo[Units]") -> T:
        units: Units = info.context or Units.US
        try:
            given = resolve(value) if self.secret else value
            return cast(T, given) if self.secret and is_reference(given) else self.read(given, units)
        except SecretUnavailable as why:
            named: dict[str, object] = {"allowed": why.allowed, "fix": None, "given": why.given, "way_out": why.fix}
            raise PydanticCustomError("not_allowed", "not allowed", named) from None
        except (ValueError, OverflowError) as error:
            said = {"allowed": self.allowed(units), "fix": self.nearest(value, units), "secret": self.secret}
            raise PydanticCustomError("not_allowed", "not allowed", said) from error


@dataclass(frozen=True)
class OptionUnit:
    """A unit of the settings file: its name and what one of it is in the program's unit."""

    name: str
    factor: float = 1.0


@dataclass(frozen=True)
class Number(Kind[float]):
    """A number with its limits in SI; it is read, and its limits are said, in the unit of the file."""

    low: float
    high: float
    us: OptionUnit
    metric: OptionUnit | None = None  # None: the same in both

    def _unit_in(self, units: Units) -> OptionUnit:
        return self.metric if self.metric is not None and units is Units.METRIC else self.us

    def limits(self, units: Units) -> tuple[float, float]:
        """Return the limits in the unit of the file, as they are said and held to."""
        factor = self._unit_in(units).factor
        return round_significant(self.low / factor), round_significant(self.high / factor)

    def allowed(self, units: Units) -> str:
        """Return the limits with their unit."""
        low, high = self.limits(units)
        return f"a number from {low:g} to {high:g} {self.unit(units)}".rstrip()

    def read(self, value: object, units: Units) -> float:
        """Return the number in SI units."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError
        low, high = self.limits(units)
        if not low <= value <= high:  # not-a-number fails here too
            raise ValueError
        return float(value) * self._unit_in(units).factor

    def write(self, value: float, units: Units) -> str:
        """Return the number in the unit of the file, with four digits, or six where a place needs them."""
        digits = 6 if self.us.name == "degrees" else 4
        return f"{round_significant(value / self._unit_in(units).factor, digits):g}"

    def unit(self, units: Units) -> str:
        """Return the unit's name."""
        return self._unit_in(units).name

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the number meant; never a limit, which nobody meant who is beyond it and which may do harm."""
        number = parse_number(value)
        low, high = self.limits(units)
        return None if number is None or not low <= number <= high else f"{number:g}"


@dataclass(frozen=True)
class WholeNumber(Kind[int]):
    """A whole number within limits."""

    low: int
    high: int

    def allowed(self, units: Units) -> str:
        """Return the limits."""
        return f"a whole number from {self.low} to {self.high}"

    def read(self, value: object, units: Units) -> int:
        """Return the number; true and false are no numbers."""
        if isinstance(value, bool) or not isinstance(value, int) or not self.low <= value <= self.high:
            raise ValueError
        return value

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the number meant, and never a limit."""
        number = parse_number(value)
        return None if number is None or not self.low <= number <= self.high else str(round(number))


@dataclass(frozen=True)
class Choice(Kind[T]):
    """One of a few words, whatever their case."""

    words: Mapping[str, T]

    def allowed(self, units: Units) -> str:
        """Return the words."""
        return "one of " + ", ".join(toml_literal(word) for word in self.words)

    def read(self, value: object, units: Units) -> T:
        """Return what the word stands for."""
        folded = {word.casefold(): meaning for word, meaning in self.words.items()}
        if not isinstance(value, str) or value.strip().casefold() not in folded:
            raise ValueError
        return folded[value.strip().casefold()]

    def write(self, value: T, units: Units) -> str:
        """Return the word."""
        return next(
            (toml_literal(word) for word, meaning in self.words.items() if meaning == value), toml_literal(str(value))
        )

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the word most like the one given."""
        word = nearest_word(str(value), list(self.words))
        return None if word is None else toml_literal(word)


@dataclass(frozen=True)
class Text(Kind[str]):
    """Words on one line; control characters would break messages and web headers."""

    max_length: int = 80
    pattern: str = ""
    meaning: str = ""
    secret: bool = False

    def allowed(self, units: Units) -> str:
        """Return what the text must look like."""
        return self.meaning or f"text in quotes, one line of 1 to {self.max_length} characters"

    def read(self, value: object, units: Units) -> str:
        """Return the text without spaces at its ends."""
        if not isinstance(value, str) or not value.strip().isprintable():
            raise ValueError
        text = value.strip()
        if not 0 < len(text) <= self.max_length or not re.search(self.pattern, text):
            raise ValueError
        return text

    def nearest(self, value: object, units: Units) -> str | None:
        """Return a number or a date put in quotes, where that is all that is missing."""
        plain = isinstance(value, int | float | date) and not isinstance(value, bool) and not self.pattern
        return toml_literal(str(value)) if plain else None


@dataclass(frozen=True)
class FreeText(Kind[str]):
    """Free text, empty or of several lines."""

    max_length: int = 2000

    def allowed(self, units: Units) -> str:
        """Return the length allowed."""
        return f"text in quotes of at most {self.max_length} characters"

    def read(self, value: object, units: Units) -> str:
        """Return the text."""
        if not isinstance(value, str) or len(value) > self.max_length:
            raise ValueError
        return value.strip()


@dataclass(frozen=True)
class TimeOfDay(Kind[time]):
    """A time of day on the farm's clock, as 07:00:00 or "07:00"."""

    low: time = time(0, 0)
    high: time = time(23, 59)

    def allowed(self, units: Units) -> str:
        """Return the limits."""
        return f'a time from "{self.low:%H:%M}" to "{self.high:%H:%M}"'

    def read(self, value: object, units: Units) -> time:
        """Return the time, to the minute."""
        clock = time.fromisoformat(value.strip()) if isinstance(value, str) else value
        if not isinstance(clock, time) or clock.tzinfo is not None:
            raise ValueError
        clock = clock.replace(second=0, microsecond=0)
        if not self.low <= clock <= self.high:
            raise ValueError
        return clock

    def nearest(self, value: object, units: Units) -> str | None:
        """Return a time written another way, such as 7 or "7:30 pm", and never a limit."""
        match = re.fullmatch(r"\s*(\d{1,2})(?:[:.h](\d{1,2}))?(?::\d\d)?\s*(am|pm)?\s*", str(value).lower())
        if match is None or isinstance(value, float):
            return None
        hour, minute = int(match[1]), int(match[2] or 0)
        if match[3] is not None:
            hour = hour % 12 + (12 if match[3] == "pm" else 0)
        is_time = hour <= 23 and minute <= 59
        return toml_literal(time(hour, minute)) if is_time and self.low <= time(hour, minute) <= self.high else None


@dataclass(frozen=True)
class Day(Kind[date]):
    """A calendar day."""

    def allowed(self, units: Units) -> str:
        """Return how a day is written."""
        return "a day such as 2026-05-20, from 1900 to 2099"

    def read(self, value: object, units: Units) -> date:
        """Return the day; a day with a time on it is something else."""
        day = date.fromisoformat(value.strip()) if isinstance(value, str) else value
        if not isinstance(day, date) or isinstance(day, datetime) or not 1900 <= day.year <= 2099:
            raise ValueError
        return day

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the day without its time, or one that is written as people do."""
        words = value.strip() if isinstance(value, str) else ""
        day = value.date() if isinstance(value, datetime) else parse_date(words, month_first=units is Units.US)
        return day.isoformat() if day is not None and 1900 <= day.year <= 2099 else None


@dataclass(frozen=True)
class Flag(Kind[bool]):
    """True or false."""

    def allowed(self, units: Units) -> str:
        """Return both."""
        return "true or false"

    def read(self, value: object, units: Units) -> bool:
        """Return it; a number is no flag."""
        if not isinstance(value, bool):
            raise ValueError
        return value

    def nearest(self, value: object, units: Units) -> str | None:
        """Return what yes, no, 1 and 0 stand for."""
        said = str(value).strip().casefold()
        return (
            "true" if said in ("yes", "true", "1", "on") else "false" if said in ("no", "false", "0", "off") else None
        )


@dataclass(frozen=True)
class SetOf(Kind[frozenset[T]]):
    """A list of values of one kind, each once."""

    item_kind: Kind[T]
    min_items: int = 0

    def allowed(self, units: Units) -> str:
        """Return what each item may be."""
        return f"a list in brackets{' of at least one' if self.min_items else ''}, each {self.item_kind.allowed(units)}"

    def read(self, value: object, units: Units) -> frozenset[T]:
        """Return the set of them."""
        if not isinstance(value, list) or len(value) < self.min_items:
            raise ValueError
        return frozenset(self.item_kind.read(item, units) for item in value)

    def write(self, value: Iterable[T], units: Units) -> str:
        """Return the list, in order."""
        return f"[{', '.join(self.item_kind.write(item, units) for item in sorted(value))}]"  # type: ignore[type-var]

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the list with each item put right, None if one cannot be."""
        items = value if isinstance(value, list) else [value]
        fixed = [self._fix_item(item, units) for item in items]
        known = list(dict.fromkeys(item for item in fixed if item is not None))
        return f"[{', '.join(known)}]" if known and len(fixed) >= self.min_items and None not in fixed else None

    def _fix_item(self, item: object, units: Units) -> str | None:
        try:
            return self.item_kind.write(self.item_kind.read(item, units), units)
        except ValueError:
            return self.item_kind.nearest(item, units)


@dataclass(frozen=True)
class OneOrMore(Kind[tuple[T, ...]]):
    """A value of one kind, or a list of some in their order, each once."""

    item_kind: Kind[T]

    def allowed(self, units: Units) -> str:
        """Return what each may be."""
        return f"{self.item_kind.allowed(units)}, or a list of some in brackets, each once"

    def read(self, value: object, units: Units) -> tuple[T, ...]:
        """Return them in order."""
        items = value if isinstance(value, list) else [value]
        found = tuple(self.item_kind.read(item, units) for item in items)
        if not found or len(set(found)) < len(found):
            raise ValueError
        return found

    def write(self, value: tuple[T, ...], units: Units) -> str:
        """Return a lone one bare, more of them as a list."""
        words = [self.item_kind.write(item, units) for item in value]
        return words[0] if len(words) == 1 else f"[{', '.join(words)}]"

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the list with each item put right, None if one cannot be."""
        items = value if isinstance(value, list) else [value]
        fixed = list(dict.fromkeys(self._fix_item(item, units) for item in items))
        if not fixed or None in fixed:
            return None
        words = [str(word) for word in fixed]
        return words[0] if len(words) == 1 else f"[{', '.join(words)}]"

    def _fix_item(self, item: object, units: Units) -> str | None:
        try:
            return self.item_kind.write(self.item_kind.read(item, units), units)
        except ValueError:
            return self.item_kind.nearest(item, units)


@dataclass(frozen=True)
class Stand(Kind[Mapping[str, float]]):
    """One species, or a mix as a table of shares that add up to 1 or to 100."""

    species: Sequence[str] = field(default=())

    def allowed(self, units: Units) -> str:
        """Return the species and how a mix is written."""
        names = ", ".join(self.species)
        return f"one species, or a mix such as {{ timothy = 60, alfalfa = 40 }} that adds up to 100, of: {names}"

    def read(self, value: object, units: Units) -> Mapping[str, float]:
        """Return the share of each species, adding up to 1."""
        named = Choice({name: name for name in self.species})
        if isinstance(value, str):
            return {named.read(value, units): 1.0}
        if not isinstance(value, dict) or not value:
            raise ValueError
        shares = {named.read(name, units): _SHARE.read(share, units) for name, share in value.items()}
        total = sum(shares.values())
        whole = 1.0 if total < 2.0 else 100.0
        if len(shares) < len(value) or not math.isclose(total, whole, rel_tol=0.005):
            raise ValueError
        return {name: share / total for name, share in shares.items()}

    def write(self, value: Mapping[str, float], units: Units) -> str:
        """Return the species, or the shares in percent."""
        if len(value) == 1:
            return toml_literal(next(iter(value)))
        return (
            "{ "
            + ", ".join(
                f"{toml_literal(name)} = {round_significant(100.0 * share, 6):g}" for name, share in value.items()
            )
            + " }"
        )

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the stand with its names put right and its shares brought to 100."""
        named = Choice({name: name for name in self.species})
        if not isinstance(value, dict):
            return named.nearest(value, units)
        names = [named.nearest(name, units) for name in value]
        shares = [parse_number(share) for share in value.values()]
        total = sum(share for share in shares if share is not None)
        if None in names or len(set(names)) < len(names) or not 0.0 < total < math.inf:
            return None
        if any(share is None or share <= 0.0 for share in shares):
            return None
        parts = [
            f"{name} = {100.0 * float(share or 0.0) / total:.3g}" for name, share in zip(names, shares, strict=True)
        ]
        return "{ " + ", ".join(parts) + " }"


_SHARE: Final = Number(0.001, 100.0, OptionUnit(""))

"""What every section of the settings file has in common."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ConfigDict

from daemon.domain.farm import Units
from daemon.settings.text.lines import KeyPath
from daemon.settings.values.kinds import Kind


@dataclass(frozen=True)
class Conflict:
    """Options that are each allowed but not together: where it is reported, and the other keys that take part."""

    key_path: KeyPath
    given: str
    allowed: str
    fix: str
    other_keys: tuple[str, ...] = ()


class Section(BaseModel):
    """A table of the settings file; a key that is not an option is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield what does not go together in this section."""
        yield from ()


def nested_tables(section: type[Section]) -> dict[str, type[Section]]:
    """Return the lists of tables that a section holds."""
    found = {key: get_args(option.annotation) for key, option in section.model_fields.items()}
    return {
        key: args[0]
        for key, args in found.items()
        if args and isinstance(args[0], type) and issubclass(args[0], Section)
    }


def owner_of(section: type[Section], loc: KeyPath) -> type[Section]:
    """Return the section, or the table within it, that the last key of a path belongs to."""
    return nested_tables(section)[str(loc[0])] if len(loc) > 2 else section


def option_kind(section: type[Section], key: str) -> Kind[Any] | None:
    """Return the kind of an option, None if it is a list of tables."""
    return next((part for part in section.model_fields[key].metadata if isinstance(part, Kind)), None)


def duplicate_indices(names: Sequence[str]) -> Iterator[int]:
    """Yield the places at which a name stands that has stood before, whatever its case.

    >>> list(duplicate_indices(["Hill", "Creek", "hill"]))
    [2]
    """
    before: set[str] = set()
    for index, name in enumerate(names):
        if name.casefold() in before:
            yield index
        before.add(name.casefold())

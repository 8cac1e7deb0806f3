"""Base class of the sections of the settings file, and how to find out about their options."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ConfigDict

from daemon.domain.farm import Units
from daemon.settings.text.lines import KeyPath
from daemon.settings.values.kinds import Kind


@dataclass(frozen=True)
class Conflict:
    """Options that are each allowed but not together: the key at which to report it, and the other keys in it."""

    key_path: KeyPath
    given: str
    allowed: str
    fix: str
    other_keys: tuple[str, ...] = ()


class Section(BaseModel):
    """A table of the settings file; a key that is no option is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True)

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield the conflicts between the options of this section."""
        yield from ()


def nested_tables(section: type[Section]) -> dict[str, type[Section]]:
    """Return the section of each option that is a list of tables, by the option's key."""
    tables = {}
    for key, option in section.model_fields.items():
        item_type, *_ = get_args(option.annotation) or (None,)
        if isinstance(item_type, type) and issubclass(item_type, Section):
            tables[key] = item_type
    return tables


def owner_of(section: type[Section], path: KeyPath) -> type[Section]:
    """Return the section, or the table in it, that the last key of a path belongs to."""
    return nested_tables(section)[str(path[0])] if len(path) > 2 else section


def option_kind(section: type[Section], key: str) -> Kind[Any] | None:
    """Return the kind of an option, None if the option is a list of tables."""
    return next((item for item in section.model_fields[key].metadata if isinstance(item, Kind)), None)


def duplicate_indices(names: Sequence[str]) -> Iterator[int]:
    """Yield the index of each name that is the same as an earlier one, regardless of case.

    >>> list(duplicate_indices(["Hill", "Creek", "hill"]))
    [2]
    """
    earlier: set[str] = set()
    for index, name in enumerate(names):
        if name.casefold() in earlier:
            yield index
        earlier.add(name.casefold())

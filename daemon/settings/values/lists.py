"""The kinds of setting that hold several values of another kind."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

from daemon.domain.farm import Units
from daemon.settings.values.kinds import Kind

T = TypeVar("T")


@dataclass(frozen=True)
class SetOf(Kind[frozenset[T]]):
    """A list of values of one kind, each once."""

    item_kind: Kind[T]
    min_items: int = 0

    def allowed(self, units: Units) -> str:
        """Return what each item may be."""
        at_least = " of at least one" if self.min_items else ""
        return f"a list in brackets{at_least}, each {self.item_kind.allowed(units)}"

    def read(self, value: object, units: Units) -> frozenset[T]:
        """Return the items as a set."""
        if not isinstance(value, list) or len(value) < self.min_items:
            raise ValueError
        return frozenset(self.item_kind.read(item, units) for item in value)

    def write(self, value: Iterable[T], units: Units) -> str:
        """Return the items as a list, in order."""
        return _list_literal(self.item_kind.write(item, units) for item in sorted(value))  # type: ignore[type-var]

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the list with each item corrected, None if an item cannot be."""
        items = _fix_items(self.item_kind, value, units)
        if items is None or len(items) < self.min_items:
            return None
        return _list_literal(dict.fromkeys(items)) if items else None


@dataclass(frozen=True)
class OneOrMore(Kind[tuple[T, ...]]):
    """A value of one kind, or a list of several in their order, each once."""

    item_kind: Kind[T]

    def allowed(self, units: Units) -> str:
        """Return what each item may be."""
        return f"{self.item_kind.allowed(units)}, or a list of some in brackets, each once"

    def read(self, value: object, units: Units) -> tuple[T, ...]:
        """Return the items in order."""
        items = tuple(self.item_kind.read(item, units) for item in _items_of(value))
        if not items or len(set(items)) < len(items):
            raise ValueError
        return items

    def write(self, value: tuple[T, ...], units: Units) -> str:
        """Return a single item bare, several as a list."""
        return _bare_or_list([self.item_kind.write(item, units) for item in value])

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the list with each item corrected, None if an item cannot be."""
        items = _fix_items(self.item_kind, value, units)
        return _bare_or_list(list(dict.fromkeys(items))) if items else None


def _items_of(value: object) -> list[object]:
    return value if isinstance(value, list) else [value]


def _fix_items(item_kind: Kind[T], value: object, units: Units) -> list[str] | None:
    """Return the items of a list, or a bare value, as corrected TOML, None if an item cannot be corrected."""
    fixed_items = []
    for item in _items_of(value):
        fixed = _fix_item(item_kind, item, units)
        if fixed is None:
            return None
        fixed_items.append(fixed)
    return fixed_items


def _fix_item(item_kind: Kind[T], item: object, units: Units) -> str | None:
    try:
        return item_kind.write(item_kind.read(item, units), units)
    except ValueError:
        return item_kind.nearest(item, units)


def _bare_or_list(items: list[str]) -> str:
    return items[0] if len(items) == 1 else _list_literal(items)


def _list_literal(items: Iterable[str]) -> str:
    return f"[{', '.join(items)}]"

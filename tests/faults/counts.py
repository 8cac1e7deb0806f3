"""How often a fault was seen, and how often it may be all the same."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Count:
    """How often something that must not be was seen in how many cases."""

    what: str
    seen: int
    of: int

    @property
    def bound(self) -> float | None:
        """Return what its share is below with 95 % confidence, None if it was seen: the rule of three.

        >>> Count("a message lost", 0, 1000).bound
        0.003
        """
        return 3.0 / self.of if self.seen == 0 and self.of else None

    def __str__(self) -> str:
        verdict = "FAULT" if self.bound is None else f"below {100.0 * self.bound:.2g} % (95 %)"
        return f"{self.what:<60}{self.seen:>6} of {self.of:<8}{verdict}"


def report(counts: Iterable[Count]) -> int:
    """Print what was counted and return the exit code: 1 if any fault was seen or nothing was tried."""
    all_of_them = tuple(counts)
    for count in all_of_them:
        print(count)
    return int(any(count.bound is None for count in all_of_them))

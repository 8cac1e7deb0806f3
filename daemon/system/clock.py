"""The only module that reads the time; everything else is handed it."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Whatever can say what time it is."""

    def now(self) -> datetime:
        """Return the time as an aware datetime in UTC."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        """Return the time as an aware datetime in UTC."""
        return datetime.now(UTC)


@dataclass(frozen=True)
class FixedClock:
    """A clock that stands still, for ``--now``.

    Parameters
    ----------
    at : datetime
        The time that it shows, aware.

    Raises
    ------
    ValueError
        If `at` has no offset: it would mean another instant on another machine.

    Examples
    --------
    >>> FixedClock(datetime.fromisoformat("2026-06-01T05:00-04:00")).now().isoformat()
    '2026-06-01T09:00:00+00:00'
    """

    at: datetime

    def __post_init__(self) -> None:
        if self.at.utcoffset() is None:
            raise ValueError(f"clock: {self.at.isoformat()} has no offset; write it as 2026-06-01T05:00-04:00")

    def now(self) -> datetime:
        """Return the time as an aware datetime in UTC."""
        return self.at.astimezone(UTC)

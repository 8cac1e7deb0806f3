"""The clocks; this is the only module that reads the time, all others are handed a clock or a time."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """An object that says what time it is."""

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
    """A clock that always shows the same time, for ``--now``.

    Parameters
    ----------
    at : datetime
        The aware time that it shows.

    Raises
    ------
    ValueError
        If `at` has no UTC offset: it would mean a different instant on another machine.

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

"""The one thing that is made up for tests: the time."""

from dataclasses import dataclass
from datetime import datetime, timedelta


@dataclass
class HandClock:
    """A clock that is set by hand."""

    at: datetime

    def now(self) -> datetime:
        return self.at

    def wait(self, minutes: float) -> None:
        self.at += timedelta(minutes=minutes)

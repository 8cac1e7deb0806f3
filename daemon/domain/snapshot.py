"""A farm at one moment: its newest morning, its messages, and what is wrong."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from daemon.domain.advice import Morning
from daemon.domain.farm import Farm
from daemon.domain.message import QueuedMessage


@dataclass(frozen=True)
class Snapshot:
    """All that the page is made from; `problems` are sentences, none when all is well."""

    farm: Farm
    morning: Morning | None
    messages: tuple[QueuedMessage, ...]
    now: datetime
    problems: tuple[str, ...]

    @property
    def today(self) -> date:
        """The local day."""
        return self.now.astimezone(self.farm.place.timezone).date()

    @property
    def in_season(self) -> bool:
        """Whether this month is one in which the farm makes baleage."""
        return self.today.month in self.farm.season


def data_age(morning: Morning, now: datetime) -> timedelta | None:
    """Return how old the weather of a pass is by now, None if it had none."""
    weather = morning.prospect.weather
    return None if weather is None else timedelta(hours=weather.age_hours) + (now - morning.prospect.at)

"""What is advised and how it stands through the day."""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from daemon.domain.causes import Cause
from daemon.domain.prospect import AreaOdds, Band, FieldDay, LeftOvernight, Prospect, Reason, WorkHours


class AdviceKind(StrEnum):
    """What is advised for a field today."""

    MOW = "mow"
    WAIT = "wait"
    NONE = "none"  # no advice: something needed is not known


@dataclass(frozen=True)
class Advice:
    """What is advised for one field on a day: its kind, area [ha], reason, and the numbers behind it."""

    field: str
    kind: AdviceKind
    area: float
    reason: Reason | None
    day: FieldDay | None
    cause: Cause | None = None  # of the reason, where more is known of it

    @property
    def plan(self) -> WorkHours | None:
        """The hours of the work, None where nothing is to be mown."""
        return None if self.day is None else self.day.plan


class WatchState(StrEnum):
    """How a field stands in the day, against what was said of it last."""

    ON_TRACK = "on track"
    BALE_SOONER = "bale sooner"
    WILL_NOT_MAKE_IT = "will not make it"
    DONE = "done"  # wrapped or left uncut, or the working day is over


@dataclass(frozen=True)
class WatchedField:
    """A field that is watched through the day as if it had been mown as advised, or that was noted as cut.

    `at` is the moment of the reckoning and `odds` are those that all of `area` [ha], mown from `start` on, is wrapped
    today. Where it will not be, the hours are those of what still can be: `still_wrappable`, of what is cut by now, and
    `left` is what becomes of the rest. `last_told_bale_from` and `last_told_odds` are the hour and the odds that were
    said last. Times are local.
    """

    field: str
    state: WatchState
    at: datetime
    start: datetime
    area: float
    odds: float | None
    rake_from: datetime | None
    bale_from: datetime | None
    wrapped_by: datetime | None
    last_told_bale_from: datetime | None = None
    last_told_odds: float | None = None
    moisture: Band | None = None  # of what is cut, at that moment [wet basis]
    still_wrappable: AreaOdds | None = None
    left: LeftOvernight | None = None
    reason: Reason | None = None
    rain_at: datetime | None = None  # in the middle of the members that have rain before the end of the day
    noted: bool = False  # in the diary as cut today
    timed: bool = False  # there with its hour, which is `start`


@dataclass(frozen=True)
class AnnouncedField:
    """An area [ha] of a field that the evening before called likely for the day, and its odds."""

    field: str
    area: float
    odds: float


@dataclass(frozen=True)
class Morning:
    """The advice for one day for the whole farm, in the order in which the fields should be taken.

    `watched` is how the fields stand that are mown, or held for mown, by now; `announced` is what was said of the day
    in the evening before.
    """

    date: date
    advices: tuple[Advice, ...]
    prospect: Prospect
    watched: tuple[WatchedField, ...] = ()
    announced: tuple[AnnouncedField, ...] = ()

    @property
    def mows(self) -> tuple[Advice, ...]:
        """The fields advised to be mown, in order."""
        return tuple(advice for advice in self.advices if advice.kind is AdviceKind.MOW)

    @property
    def is_unknown(self) -> bool:
        """Whether nothing can be known of any field."""
        return all(advice.kind is AdviceKind.NONE for advice in self.advices)

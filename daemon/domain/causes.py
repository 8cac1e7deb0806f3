"""What stands behind an unknown, as data; `daemon.words.causes` puts it into words.

Each class has a `kind` of its own, by which a cause that was kept as JSON is read again as what it was.
"""

from dataclasses import dataclass
from datetime import date
from typing import Literal

from daemon.domain.refusal import UNREACHED, Refusal
from models.degree_days import UnknownCause


@dataclass(frozen=True)
class StatedCause:
    """A text that came with it: of the diary's file or of an error."""

    text: str
    kind: Literal["stated"] = "stated"


@dataclass(frozen=True)
class WeatherRefused:
    """No source gave weather that can be used: why each of them did not."""

    refusals: tuple[Refusal, ...]
    kind: Literal["refused"] = "refused"

    @property
    def is_unreached(self) -> bool:
        """Whether nothing was wrong but that nobody was there to answer."""
        return bool(self.refusals) and all(refusal.kind in UNREACHED for refusal in self.refusals)


@dataclass(frozen=True)
class PassFailure:
    """An error that nobody foresaw, with its type."""

    error: str
    kind: Literal["failure"] = "failure"


@dataclass(frozen=True)
class WeatherTooOld:
    """A forecast that is older than the settings allow; both ages in hours."""

    age: float
    oldest: float
    kind: Literal["too old"] = "too old"


@dataclass(frozen=True)
class TooFewMembers:
    """A forecast with fewer usable members than the settings need."""

    members: int
    needed: int
    kind: Literal["too few members"] = "too few members"


@dataclass(frozen=True)
class DayNotCovered:
    """The weather does not cover the whole of a day."""

    day: date
    kind: Literal["not covered"] = "not covered"


@dataclass(frozen=True)
class TodayNotAhead:
    """The forecast does not cover the day of the advice."""

    kind: Literal["not ahead"] = "not ahead"


@dataclass(frozen=True)
class SeasonNotBegun:
    """No growth has begun this season."""

    kind: Literal["not begun"] = "not begun"


@dataclass(frozen=True)
class GrowthGap:
    """What keeps a growth from being known, and the day of it."""

    cause: UnknownCause
    day: date
    kind: Literal["growth"] = "growth"


@dataclass(frozen=True)
class ImpossibleLook:
    """A look that cannot be true of its day: a stage, a height [m] or both.

    It would fit from `first` to `last`, None where nobody knows the end, and on no day so far where both are None.
    """

    day: date
    stage: str | None
    height: float | None
    is_height_wrong: bool  # else its stage is
    first: date | None
    last: date | None
    kind: Literal["look"] = "look"


GrowthCause = GrowthGap | ImpossibleLook
WeatherCause = WeatherTooOld | TooFewMembers | DayNotCovered | TodayNotAhead | SeasonNotBegun
Cause = StatedCause | WeatherRefused | PassFailure | WeatherCause | GrowthCause

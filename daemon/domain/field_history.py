"""What settings, diary and samples tell of a field, as data; `daemon.words.field_history` puts it into words."""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Literal

from daemon.domain.causes import GrowthCause, StatedCause


@dataclass(frozen=True)
class NotedCut:
    """A part [ha] of a field that was cut on a day, and the number of the note."""

    area: float
    day: date
    note: int


@dataclass(frozen=True)
class NotedLook:
    """What was seen in a field on a day, and the number of the note; `height` in m."""

    day: date
    note: int
    stage: str | None = None
    height: float | None = None
    ground: str | None = None
    is_lodged: bool = False


@dataclass(frozen=True)
class CutHistory:
    """The last whole cut of a field and the cuts of the growth that stands there now.

    `last_cut_notes` are the notes that tell of the last cut, none where only the settings do; `cut_in_settings` is what
    the settings themselves say.
    """

    last_cut: date | None
    last_cut_notes: tuple[int, ...]
    cut_in_settings: date | None
    parts: tuple[NotedCut, ...]
    standing: float  # [ha]


class SampleFlawKind(StrEnum):
    """Why a sample teaches nothing."""

    NO_HOUR = "its hour is not noted"
    NO_CUT = "no cut is noted for it"
    BEFORE_MOWING = "taken before mowing began"
    TOO_SOON = "taken too soon after mowing began"
    TOO_DRY = "drier than any crop can be by then"
    TOO_LITTLE_DRIED = "too little has dried"
    DAY_GONE = "the weather of the day of mowing is gone"
    HOURS_GONE = "the weather of its hours is gone"
    NOT_BEGUN = "the season had not begun"
    TOO_THICK = "the swath lay too thick"


@dataclass(frozen=True)
class SampleFlaw:
    """Why a sample teaches nothing, with the local time or the span that it speaks of."""

    flaw: SampleFlawKind
    at: datetime | None = None
    until: datetime | None = None
    day: date | None = None
    kind: Literal["flaw"] = "flaw"


@dataclass(frozen=True)
class ModelWater:
    """The water [wet basis] that the model had at the time of a sample, of a crop mown at `mown` (local)."""

    water: float
    mown: datetime
    is_mown_day_before: bool
    is_hour_noted: bool  # else `mown` is the earliest start
    kind: Literal["model"] = "model"


@dataclass(frozen=True)
class KeptFactor:
    """The factor was fitted when the weather of the sample was at hand."""

    kind: Literal["kept"] = "kept"


SampleBasis = ModelWater | KeptFactor | SampleFlaw | GrowthCause | StatedCause


@dataclass(frozen=True)
class SampleReport:
    """A measured sample and what came of it.

    `factor` is the drying factor that it tells, and `moved` the field's before and after it. A sample without `moved`
    is set aside: for what `basis` says, or because its factor is outside the `expected` range.
    """

    note: int
    water: float  # as it was read [wet basis]
    at: datetime  # local
    basis: SampleBasis
    factor: float | None = None
    expected: tuple[float, float] | None = None
    moved: tuple[float, float] | None = None
    is_old: bool = False


@dataclass(frozen=True)
class DryingSummary:
    """The drying factor of a field, how uncertain it is, and the number of samples behind it."""

    factor: float
    spread: float
    own: int
    others: int


@dataclass(frozen=True)
class SamplesOfField:
    """The samples of a field and what they and those of the other fields come to, None where there are none."""

    samples: tuple[SampleReport, ...] = ()
    drying: DryingSummary | None = None


@dataclass(frozen=True)
class PriorReport:
    """By how much last season's looks set the clock of one kind of plant forward [degC d]."""

    plants: str
    offset: float


@dataclass(frozen=True)
class FieldHistory:
    """All that settings, diary and samples tell of a field."""

    cuts: CutHistory
    looks: tuple[NotedLook, ...] = ()  # at the growth that stands now
    ground: NotedLook | None = None  # the last one
    priors: tuple[PriorReport, ...] = ()
    samples: SamplesOfField = SamplesOfField()

"""What one pass over the farm finds and what it is advised: the types that travel from prospect to the page."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from typing import Final

import numpy as np

from daemon.domain.causes import Cause
from daemon.domain.farm import UNCORRECTED_DRYING, Drying, Look
from daemon.domain.field_history import FieldHistory
from daemon.domain.record_summary import RecordSummary
from daemon.domain.units import HOUR
from models.cautions import Caution
from models.coefficients import RIPE_HALF_WIDTH
from models.growth import DECILE_Z, DoubtKind
from models.looks import Prior
from models.quality import Figure

RIPE_SOON_DAYS: Final = 5  # days before ripeness from which the ripe mornings are told of


@dataclass(frozen=True)
class OfficialWarning:
    """A warning in force, in the words of who issued it; `ends` is None where that is not told."""

    event: str
    issuer: str
    begins: datetime
    ends: datetime | None
    headline: str = ""


class Ripeness(StrEnum):
    """Where the stand is against the fibre it should be cut at."""

    GROWING = "growing"
    RIPE = "ripe"
    PAST = "past"


class Reason(StrEnum):
    """Why a day or a field is not for mowing; the sentence for each stands in wording.py."""

    NOT_RIPE = "not ripe"
    RAIN = "rain"
    WILL_NOT_DRY = "will not dry"
    TOO_LITTLE_TIME = "too little time"
    ODDS_TOO_LOW = "odds too low"
    DAY_OFF = "a day off"
    TOO_LATE_TODAY = "too late to start today"
    DAY_IS_FULL = "the day is full with other fields"
    OUT_OF_SEASON = "out of season"
    BETTER_LATER = "a better day is likely"
    CROP_LIES = "a crop lies"
    CALLED_OFF = "called off today"
    LEFT_UNCUT = "left uncut today"
    DATA_MISSING = "weather data missing"
    DATA_STALE = "weather data too old"
    FEW_MEMBERS = "too few forecast members"
    DIARY_UNREADABLE = "the diary cannot be read"
    GROWTH_UNKNOWN = "growth not known"
    GROUND_SOFT = "ground too soft"
    TOO_THICK = "swath too thick"
    OUT_OF_RANGE = "outside what the models cover"


@dataclass(frozen=True)
class Unknown:
    """Why nothing can be said, and what stands behind that where more is known of it."""

    reason: Reason
    cause: Cause | None = None


@dataclass(frozen=True)
class Band:
    """A quantity with its 10, 50 and 90 % points."""

    low: float
    mid: float
    high: float


@dataclass(frozen=True)
class AreaOdds:
    """An area [ha] and the odds (0.03 to 0.97) that all of it is wrapped the same day."""

    area: float
    odds: float


@dataclass(frozen=True)
class LeftOvernight:
    """What becomes of strips that are not wrapped in the evening.

    `moisture` (wet basis) is theirs towards noon of the next day if it stays dry, `rain` [1] the odds of rain before.
    """

    moisture: Band
    rain: float
    rain_loss: Figure | None = None  # what that rain would take [% of DM]


@dataclass(frozen=True)
class DryingPicture:
    """A day's drying of the first strip mown, hour by hour from `begins` on (local, a whole hour).

    `water` (wet basis) stands at the ends of the hours, None before the strip is mown; `rain` [1], the share of the
    forecast in which an hour is wet, and `sun` [W/m2] are of the hours. `water_at_mowing` is the water at mowing.
    """

    date: date
    begins: datetime
    mown: datetime
    water: tuple[Band | None, ...]
    rain: tuple[float, ...]
    sun: tuple[float, ...]
    water_at_mowing: Band | None = None


class Urgency(StrEnum):
    """Why a field that may be mown comes before the others, whatever they lose by waiting."""

    LODGED = "lodged"
    STORM = "storm"


@dataclass(frozen=True)
class TimedCaution:
    """What to beware of in a day's work, and in which hours of it, if not all day; times are local."""

    caution: Caution
    begins: datetime | None = None
    ends: datetime | None = None
    likely: bool = False  # rather than possible: in half of the forecast or more


@dataclass(frozen=True)
class WorkHours:
    """The work of a day in a field that is to be mown: its local hours, its bales and what delay would cost.

    `hour_later` is what is left when mowing begins an hour later: the area at the odds needed, and the odds of the
    day's area; None where another field comes first.
    """

    start: datetime
    mow_until: datetime
    rake_from: datetime
    bale_from: datetime
    wrapped_by: datetime
    moisture_at_baling: Band
    bales: int
    film_rolls: int
    too_dry_share: float = 0.0  # share of the area that is drier than wanted when raked
    hour_later: AreaOdds | None = None
    if_left: LeftOvernight | None = None
    respiration_loss: Figure | None = None  # by the crop from mowing to baling [% of DM]
    cautions: tuple[TimedCaution, ...] = ()  # of today's work, all of them, the gravest first


@dataclass(frozen=True)
class PlaceInDay:
    """Why a field comes where it does among the fields of a day, or waits for another day."""

    after: str | None = None  # the field that is mown before this one
    lost_by_waiting: float | None = None  # [t/ha as good as at the target]
    urgency: Urgency | None = None
    storm_at: datetime | None = None  # when it may begin, with `urgency` for it
    better_in_days: int | None = None  # days until the day that is waited for


@dataclass(frozen=True)
class FieldDay:
    """One field on one day: how much of it can be mown and wrapped, when, how sure, or why not.

    `area` [ha] is the largest area at the odds needed, 0 if none; `odds` belong to it, or to the least area worth
    hitching up for when `area` is 0 (None when they cannot be known); `raw_odds` are the same before the farm's own
    record has its say. `curve` holds areas against odds. There is a `plan` where the field is to be mown.
    """

    date: date
    ripeness: Ripeness
    ndf: Band
    days_left: float  # until past its best, negative when past
    ground_firm_share: float | None = None  # share of the forecast in which the ground is firm enough for the baler
    area: float = 0.0
    odds: float | None = None
    raw_odds: float | None = None
    curve: tuple[AreaOdds, ...] = ()
    reason: Reason | None = None
    hindered_share: float | None = None  # share of the forecast in which the reason strikes
    plan: WorkHours | None = None
    place: PlaceInDay = PlaceInDay()

    def odds_for_area(self, area: float) -> AreaOdds | None:
        """Return the odds of the least area that is no smaller than `area` [ha], or of the whole of a smaller field."""
        enough = (one for one in self.curve if one.area >= area - 1e-6)
        return next(enough, self.curve[-1] if self.curve else None)

    def without_plan(self, reason: Reason, hindered_share: float | None = None) -> "FieldDay":
        """Return the day with nothing to be mown and the reason; its odds stay, for they are still true."""
        bare = FieldDay(self.date, self.ripeness, self.ndf, self.days_left, self.ground_firm_share)
        return replace(
            bare, odds=self.odds, raw_odds=self.raw_odds, curve=self.curve, reason=reason, hindered_share=hindered_share
        )


@dataclass(frozen=True)
class Quality:
    """A standing crop as feed."""

    ndf: Figure  # [% of DM]
    digestibility: Figure  # [% of DM]
    protein: Figure  # [% of DM]


@dataclass(frozen=True)
class Waiting:
    """What mowing on the day after instead changes, but for the weather; what falls is below zero."""

    ndf: Figure  # [% of DM]
    digestibility: Figure  # [% of DM]
    dry_matter: Figure  # [t/ha]
    worth: Figure  # with what the season loses by a later next cut [t/ha as good as at the target]


@dataclass(frozen=True)
class PlantKindToday:
    """One kind of plant in a stand, grasses or legumes, by its own stage clock.

    `look` is the last that corrected the clock, and `share` [1] how much of the way to it the clock went, None where
    the look only limits it.
    """

    kind: str
    stage: str  # of its leading species, in the trade's words
    clock: float  # [degC d]
    look: Look | None = None
    share: float | None = None


@dataclass(frozen=True)
class StandDoubt:
    """What must be doubted of a growth, with the species, the day or the number of days that it speaks of."""

    kind: DoubtKind
    species: str = ""
    day: date | None = None
    days: int = 0


@dataclass(frozen=True)
class StandToday:
    """The growth that stands in a field today."""

    ripeness: Ripeness
    stage: str  # in the trade's words
    ndf: Band  # [% of DM]
    ndf_target: float  # [% of DM]
    days_left: float  # until past its best, negative when past
    dry_matter: Figure  # [t/ha]
    clock: float  # temperature sum since the season's start or the last cut [degC d]
    clock_spread: float  # its standard deviation [degC d]
    clock_from: date | None
    kinds: tuple[PlantKindToday, ...] = ()  # the grasses and the legumes that stand there
    quality: Quality | None = None
    waiting: Waiting | None = None  # from today to tomorrow
    doubts: tuple[StandDoubt, ...] = ()


@dataclass(frozen=True)
class FieldProspect:
    """One field today and over the coming days; `unknown` says why nothing can be said, if so."""

    name: str
    area: float  # [ha]
    days: tuple[FieldDay, ...]
    stand: StandToday | None  # None where its growth is not known
    expected_yield: float | None = None  # by the settings [t/ha]
    unknown: Unknown | None = None
    history: FieldHistory | None = None
    drying: Drying = UNCORRECTED_DRYING
    soil_factor: float | None = None  # of today's ground on drying [1]
    ground: str | None = None  # this morning: firm, soft or ruts under the baler
    firm_from: date | None = None  # the first day on which it should be firm, None: not in the days ahead
    standing: float | None = None  # [ha] not yet cut in this growth
    last_cut: date | None = None  # of this season
    lodged: date | None = None  # when its crop was seen to lie flat
    drying_picture: DryingPicture | None = None  # of the first day on which it may be mown, else of today


@dataclass(frozen=True)
class WeatherFacts:
    """Where the weather came from and how old it is."""

    source: str
    model: str
    issued_at: datetime
    fetched_at: datetime
    age_hours: float
    members: int
    credit: str
    note: str = ""
    is_recorded: bool = False  # recorded hours, of which nothing is uncertain
    synthetic: bool = False  # members drawn from the chances of one forecast


@dataclass(frozen=True)
class ForecastCase:
    """The odds that a field was given for a day, reckoned alone, and what it takes to run that day again.

    The crop is its middle; `drying_spread` is what is not known of its drying.
    """

    field: str
    day: date
    lead: int  # [day]
    odds: float  # before the farm's own record has its say
    rain: float  # of the forecast for the hours of work, see models.odds.root_rain [mm1/2]
    area: float  # [ha] that they belong to
    start: datetime  # of mowing, in UTC
    dry_matter: float  # [t/ha]
    start_moisture: float  # when cut, without dew [wet basis]
    crop_factor: float
    soil_factor: float
    drying_factor: float
    drying_spread: float


@dataclass(frozen=True)
class Prospect:
    """All that one pass found. `weather` is None when none could be had; `trouble` then says why.

    `forecast_cases` and `next_season_priors`, which is what the looks at fields in their first growth say of the next
    season's, are for the farm's own record; a morning that is kept goes without.
    """

    farm: str
    at: datetime
    weather: WeatherFacts | None
    fields: tuple[FieldProspect, ...]
    trouble: Unknown | None = None
    forecast_cases: tuple[ForecastCase, ...] = ()
    next_season_priors: Mapping[str, Mapping[str, Prior]] = field(default_factory=dict)
    warnings: tuple[OfficialWarning, ...] = ()  # in force at the farm now or later
    record_summary: RecordSummary | None = None


def reason_of(unknown: Unknown | None) -> Reason | None:
    """Return the reason of an unknown, None where nothing is unknown."""
    return None if unknown is None else unknown.reason


def ripe_fibre_range(target: float) -> tuple[float, float]:
    """Return the span of fibre [% of DM] in which a stand is ripe."""
    return target - RIPE_HALF_WIDTH, target + RIPE_HALF_WIDTH


def picture_day(field: FieldProspect) -> FieldDay | None:
    """Return the day of a field's drying picture if it may be mown on it."""
    shown = field.drying_picture
    return next((day for day in field.days if shown and day.date == shown.date and day.area > 0.0), None)


def water_at(picture: DryingPicture, at: datetime) -> Band | None:
    """Return the water of a swath at a time of the day that is drawn, None where it is not mown or drawn then.

    Notes
    -----
    A straight line between the hours that are drawn; before the first of them after mowing, that one.
    """
    hours = (at - picture.begins) / HOUR
    drawn = [(end, band) for end, band in enumerate(picture.water, 1) if band is not None]
    if not drawn or at < picture.mown or hours > drawn[-1][0]:
        return None
    ends, bands = [end for end, _ in drawn], [(band.low, band.mid, band.high) for _, band in drawn]
    return Band(*(float(np.interp(hours, ends, points)) for points in zip(*bands, strict=True)))


def yield_today(field: FieldProspect) -> float | None:
    """Return the yield that stands in a field [t/ha], what the settings expect where its growth is not known."""
    return field.expected_yield if field.stand is None else field.stand.dry_matter.mid


def stage_clock_band(stand: StandToday) -> Band:
    """Return the stage clock of a stand [degC d]."""
    unsure = DECILE_Z * stand.clock_spread
    return Band(max(stand.clock - unsure, 0.0), stand.clock, stand.clock + unsure)


def days_left_band(stand: StandToday) -> Band | None:
    """Return the days until a stand is past its best: as its fibre is unsure, at the pace of its fibre.

    Notes
    -----
    The pace is that of tomorrow, on which the fibre rises in a straight line.
    """
    if stand.waiting is None or stand.waiting.ndf.mid <= 0.0:
        return None
    sooner, later = ((end - stand.ndf.mid) / stand.waiting.ndf.mid for end in (stand.ndf.high, stand.ndf.low))
    return Band(stand.days_left - sooner, stand.days_left, stand.days_left - later)


def is_ripe_soon(field: FieldProspect) -> bool:
    """Return whether a field is ripe, or will be within days."""
    near = field.days[: RIPE_SOON_DAYS + 1]
    return any(day.ripeness is not Ripeness.GROWING and day.reason is not Reason.OUT_OF_SEASON for day in near)

"""The farm as the program sees it: typed, checked and in SI units, whatever units its settings file is in."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from enum import StrEnum
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from models import coefficients as c
from models.cautions import MonthDay, YearlySpan
from models.degree_days import season_origin
from models.looks import Prior
from models.species import Species, species_table
from models.stages import Purpose


class Units(StrEnum):
    """The units a farm reads and writes; the program itself works in SI."""

    US = "us"
    METRIC = "metric"


class Channel(StrEnum):
    """How a person is reached."""

    TEXT = "text"
    EMAIL = "email"


class Subscription(StrEnum):
    """What a person wants to be told."""

    MOW_DAYS = "mow days"
    RIPE_MORNINGS = "ripe mornings"


class Traction(StrEnum):
    """What pulls the mower."""

    HORSES = "horses"
    TRACTOR = "tractor"


@dataclass(frozen=True)
class Place:
    """Where the farm lies: latitude [deg north], longitude [deg east], elevation [m] and its clock."""

    latitude: float
    longitude: float
    elevation: float
    timezone: ZoneInfo

    @property
    def is_southern(self) -> bool:
        """Whether the season's year turns on 1 July."""
        return self.latitude < 0.0

    def season_origin(self, day: date) -> date:
        """Return the first day of the season's year that a day lies in."""
        origin: date = season_origin(np.datetime64(day, "D"), self.is_southern).astype(date)
        return origin


@dataclass(frozen=True)
class WeatherSource:
    """Where the weather comes from and how far it is trusted."""

    sources: tuple[str, ...]  # by name, in the order in which they are asked
    forecast_model: str  # model of the single forecast and of the past hours
    ensemble_model: str
    forecast_address: str
    ensemble_address: str
    history_address: str  # past hours beyond the 92 days that the forecast service keeps
    weather_gov_address: str
    met_no_address: str
    api_key: str | None
    contact: str  # for the User-Agent header
    path: Path | None  # of the CSV file with the source "file", or of the file or folder with "netcdf"
    oldest: float  # [h] a forecast older than this leads to no advice
    least_members: int  # fewer usable members than this lead to no advice
    wet_hour: float  # [mm] rain that makes an hour wet
    wet_step: float  # [mm] rain that makes a 3- or 6-hour step wet


@dataclass(frozen=True)
class Work:
    """What the farm gets done: rates per hour of work, people and the ends of the day."""

    mown_per_hour: float  # [ha/h]
    raked_per_hour: float  # [ha/h]
    bales_per_hour: float | None  # None: from the next three
    baler_intake: float  # [t DM/h]
    bale_cycle: float  # [min] to tie and drop a bale
    baled_per_hour: float  # [ha/h] that the baler drives over at most
    wraps_per_hour: float
    wrap_within: float  # [h] from baling to wrapping
    bale_dry_matter: float  # [t]
    bales_per_roll: float  # of film
    rake_lead: float  # [h] from raking a strip to baling it
    travel: float  # [h] from one field to the next
    hands: int  # people able to work at once
    earliest_start: time
    latest_start: time
    finish_by: time
    after_dark: bool  # whether work goes on after sunset
    break_at: time | None
    break_hours: float
    days_off: frozenset[int]  # weekdays, Monday is 0
    least_area: float  # [ha] less than this is not worth hitching up for
    traction: Traction


@dataclass(frozen=True)
class Baleage:
    """What the crop is made into: moistures are fractions of the fresh weight (wet basis)."""

    aim: float
    wettest: float
    driest: float
    swath_share: float  # swath width as share of the cut width
    conditioned: bool
    stubble: float  # [m]


@dataclass(frozen=True)
class Person:
    """Somebody who gets messages; `address` is an Apprise URL and a secret."""

    name: str
    channel: Channel
    address: str
    hears: Subscription
    second: "Person | None" = None  # the same by another way, for what the first does not deliver


@dataclass(frozen=True)
class Alerts:
    """When and whom to tell, and how sure to be before saying mow."""

    morning: time
    evening: time
    odds_needed: float  # fraction, 0.5 to 0.9
    people: tuple[Person, ...]
    quiet_from: time = time(21, 0)  # nothing goes out from here
    quiet_until: time = time(5, 0)  # to here
    most_a_day: int = 8  # messages to a person, but for what to mow and what is called off
    second_after: float = 20.0  # [min] after which a message goes by the second way
    alive_address: str | None = None  # called once the morning's messages went out, a secret
    trouble_address: str | None = None  # called with the reason when they did not, a secret

    @property
    def second_ways(self) -> tuple[Person, ...]:
        """The second ways of those who have one."""
        return tuple(person.second for person in self.people if person.second)


@dataclass(frozen=True)
class PageAddress:
    """Where the status page listens, and the public address under which links of it for answers are reached."""

    host: str
    port: int
    address: str | None = None  # None: there are no such links


@dataclass(frozen=True)
class Look:
    """What the farmer saw in a field on a day: a stage word or a height [m]."""

    on: date
    stage: str | None = None
    height: float | None = None


@dataclass(frozen=True)
class Drying:
    """How fast a field's crop dries against the model, as far as measured samples have told."""

    factor: float = 1.0
    spread: float = c.K400_SPREAD  # relative standard deviation of what is still unknown [1]
    samples: int = 0  # of this field


UNCORRECTED_DRYING: Final = Drying()


@dataclass(frozen=True)
class Field:
    """One field as the settings describe it; its stand is shares of species that add up to 1."""

    name: str
    area: float  # [ha]
    stand: Mapping[str, float]
    soil: str
    drainage: str
    expected_yield: float | None  # [t DM/ha], None: the growth model's at the day's stage
    last_cut: date | None
    looks: tuple[Look, ...]
    notes: str
    purpose: Purpose = Purpose.MILK
    cut_at_fibre: float | None = None  # NDF to cut at [% of DM], None: by the stand and the purpose


@dataclass(frozen=True)
class Estimates:
    """Figures of the house that nobody has measured, or that hold elsewhere, in place of which a farm may know better.

    Notes
    -----
    All are estimates but `horses_rest_at` and `horses_stop_at`, which are published, `firm_deficit`, which is
    remembered, and `spoiled_loss`, which is derived.
    """

    thunder_from: float = c.THUNDER_CHANCE  # [1] chance of thunder in the work block from which it is told of
    fawns: YearlySpan | None = None  # days on which they lie in tall grass, None: by the latitude
    nests: YearlySpan | None = None  # the same
    killing_frost: MonthDay | None = None  # its mean day, None: by the latitude
    horses_rest_at: float = c.HORSE_SUM_WARM  # [degF + %]
    horses_stop_at: float = c.HORSE_SUM_STOP  # [degF + %]
    firm_below: float = c.WETNESS_BALER  # [1 = field capacity] of the topsoil that carries the baler
    firm_deficit: float = c.DEFICIT_FIRM  # [mm] that the root zone lacks where it does
    spoiled_loss: float = c.SPOILED_LOSS  # [1] of a crop's worth if it is not wrapped in time
    next_window: float = c.NEXT_WINDOW  # [d] from the end of a forecast to the next day that will do
    worth_waiting: float = c.MIN_WAITING_GAIN  # [1] that a later day must bring more to be waited for
    storm_gust: float = c.STORM_GUST  # [m/s] that lays a tall ripe crop flat
    storm_rain: float = c.STORM_RAIN  # [mm] with it
    carried_share: float = c.CARRIED_SHARE  # [1] of what looks told of a year's clock that holds next year


DEFAULT_ESTIMATES: Final = Estimates()


@dataclass(frozen=True)
class Farm:
    """Everything the settings file says, in SI units."""

    name: str
    place: Place
    units: Units
    season: frozenset[int]  # months, January is 1
    weather: WeatherSource
    work: Work
    baleage: Baleage
    alerts: Alerts
    page: PageAddress
    fields: tuple[Field, ...]
    horses_fed: bool = False  # with the bales
    cows_kept: bool = False  # for milk
    estimates: Estimates = DEFAULT_ESTIMATES
    # That stands may name: the house's and its own.
    species: Mapping[str, Species] = dataclasses.field(default_factory=species_table)

    def next_season_month(self, month: int) -> int:
        """Return the first month of the season from one on, that one too; the month itself if there is no season."""
        return min(self.season, key=lambda one: (one - month) % 12, default=month)


PriorsByKind = Mapping[str, Prior]  # of the clocks of a field's first growth, from last season's looks
PriorsByField = Mapping[str, PriorsByKind]


@dataclass(frozen=True)
class Calibration:
    """How the models are fitted to the fields, by their names: by measured samples and by last season's looks."""

    drying: Mapping[str, Drying] = dataclasses.field(default_factory=dict)
    priors: PriorsByField = dataclasses.field(default_factory=dict)


UNCALIBRATED: Final = Calibration()


@dataclass(frozen=True)
class FieldState:
    """A field as it stands: its settings with what is cut, what was seen there and what was learnt about it."""

    field: Field
    last_cut: date | None
    looks: tuple[Look, ...]
    standing: float | None = None  # [ha] of it not yet cut in this growth, None: all of it
    lodged: date | None = None  # when its crop was seen to lie flat, None: it stands
    ground_looks: tuple[tuple[date, str], ...] = ()  # how firm its ground was seen to be: firm, soft or ruts
    drying: Drying = UNCORRECTED_DRYING
    priors: PriorsByKind = dataclasses.field(default_factory=dict)

    @property
    def name(self) -> str:
        """The name of the field."""
        return self.field.name

    @property
    def standing_area(self) -> float:
        """The area [ha] that is not yet cut."""
        return self.field.area if self.standing is None else self.standing


@dataclass(frozen=True)
class FarmToday:
    """A farm's settings and the states of its fields, in the same order."""

    farm: Farm
    fields: tuple[FieldState, ...]

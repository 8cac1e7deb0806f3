"""The cautions that apply to a day of work, with their hours, the gravest first.

None of them blocks work; that is for the farm to decide. Local rules, the vet and one's own eye take precedence, and
the absence of a caution is no all-clear.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c
from models.heat import CowHeat, Hours, cow_heat, enclosing_spell, horse_hours, hours_from, people_hours

Array = NDArray[np.float64]
MonthDay = tuple[int, int]

DAYS_PER_YEAR: Final = 365.25  # [d]


class Caution(StrEnum):
    """A caution, in order of harm: what may kill today, then what may kill later, then what costs money."""

    THUNDER = "thunder"
    THUNDER_ON_TEAMS = "thunder on working horses"
    THUNDER_UNKNOWN = "thunder unknown"  # the forecast tells nothing of it
    PEOPLE_STOP = "people stop in the heat"
    HORSES_STOP = "horses stop in the heat"
    MACHINE = "machine"
    PEOPLE_REST = "people rest in the heat"
    HORSES_REST = "horses rest in the heat"
    BOTULISM = "botulism"
    BALED_WET = "baled too wet"
    WRAPPED_TOO_LATE = "wrapped too late"  # past being baleage
    HOT_BALES = "hot bales"
    NITRATE = "nitrate"
    WRAPPED_LATE = "wrapped late"
    BALED_DRY = "baled too dry"
    COWS = "cows in the heat"
    FAWNS = "fawns"
    NESTS = "nests"
    FALL_REST = "fall rest of alfalfa"
    EIGHT_LAYERS = "eight layers of film"
    SIX_LAYERS = "six layers of film"


SEVERITY_RANK: Final[Mapping[Caution, int]] = {caution: rank for rank, caution in enumerate(Caution)}


class YearlySpan(NamedTuple):
    """A span of days in every year, from the first to the last (month, day); it may cross the turn of the year."""

    first: MonthDay
    last: MonthDay

    def contains(self, on: date) -> bool:
        """Return whether a day is one of them.

        >>> span = YearlySpan((11, 20), (1, 10))
        >>> span.contains(date(2026, 1, 10)), span.contains(date(2026, 1, 11))
        (True, False)
        """
        day = (on.month, on.day)
        if self.first <= self.last:
            return self.first <= day <= self.last
        return day >= self.first or day <= self.last


@dataclass(frozen=True)
class LocalFigures:
    """Figures that a farm may know better than the defaults: limits of cautions, and local dates.

    `thunder_chance` is the probability in the work block from which thunder is told of [1], `horses_rest_at` and
    `horses_stop_at` are working-horse sums [degF + %]. `fawns` and `nests` are the days on which they are about, and
    `killing_frost` is its mean day: each replaces what goes by the latitude, which is taken where it is None.
    """

    thunder_chance: float = c.THUNDER_CHANCE
    fawns: YearlySpan | None = None
    nests: YearlySpan | None = None
    killing_frost: MonthDay | None = None
    horses_rest_at: float = c.HORSE_SUM_WARM
    horses_stop_at: float = c.HORSE_SUM_STOP


DEFAULT_FIGURES: Final = LocalFigures()


class BaledMoisture(NamedTuple):
    """The moisture of the bales [wet basis]: the 10, 50 and 90 % points of the cases."""

    driest: float
    middle: float
    wettest: float


@dataclass(frozen=True)
class DayOfWork:
    """The conditions of a day on which a field is mown, baled and wrapped.

    `air_temperature` [degC], `relative_humidity` [1] and `thunder`, the probability of it [1], cover the hours from the
    first mowing to the last wrapping, shape (member, hour); the members of `thunder` need not be those of the others,
    NaN is an hour of which a member tells nothing, and None is no information at all. `latitude` [deg north],
    `alfalfa_share` the share of it in the crop [1], `moisture` of what will be baled, `stemmy` whether the crop is past
    its best, `film_wait` from baling to wrapping [h]. `drought_days` is how long growth stood still in the newest
    drought [d] and `days_since_drought` how long ago good rain ended it, 0 while it lasts. `horses_work`, `horses_fed`
    and `has_cows` say whom it touches.
    """

    on: date
    latitude: float
    alfalfa_share: float
    air_temperature: Array
    relative_humidity: Array
    thunder: Array | None
    moisture: BaledMoisture
    stemmy: bool
    film_wait: float
    drought_days: int
    days_since_drought: int
    horses_work: bool
    horses_fed: bool
    has_cows: bool

    def __post_init__(self) -> None:
        air, humidity = self.air_temperature.shape, self.relative_humidity.shape
        thunder = air if self.thunder is None else self.thunder.shape
        has_hours = all(len(shape) == 2 and 0 not in shape for shape in (air, thunder))
        if not has_hours or air != humidity or air[1] != thunder[1]:
            raise ValueError(
                f"hours of DayOfWork: shapes {air}, {humidity} and {thunder} of air temperature, humidity and thunder "
                "given, allowed (member, hour) with the same hours, one or more; cut all of them to the work block"
            )


@dataclass(frozen=True)
class CautionHours:
    """A caution and the hours of the work block to which it applies, None for the whole day."""

    caution: Caution
    hours: Hours | None = None


def rank_cautions(
    day: DayOfWork, figures: LocalFigures = DEFAULT_FIGURES, *, max_count: int = c.MAX_CAUTIONS
) -> tuple[CautionHours, ...]:
    """Return the cautions for a day of work, the gravest first.

    Parameters
    ----------
    day : DayOfWork
    figures : LocalFigures
        The figures that the farm knows better than the defaults.
    max_count : int
        How many cautions at most.

    Notes
    -----
    Their order is an estimate. The machine applies to every day, and botulism to every day where horses work or are
    fed, because no animal tolerates less of it; both come early enough in the order that the usual `max_count` always
    includes them. NaN counts as the worst case, except in the chances of thunder: those come from the members that
    have a value, and without any thunder is unknown.

    Examples
    --------
    >>> day = DayOfWork(
    ...     date(2026, 6, 3), 43.0, 0.0, np.full((1, 9), 24.0), np.full((1, 9), 0.6), np.zeros((1, 9)),
    ...     BaledMoisture(0.44, 0.50, 0.56), stemmy=False, film_wait=2.0, drought_days=0, days_since_drought=90,
    ...     horses_work=True, horses_fed=True, has_cows=False,
    ... )
    >>> [item.caution.value for item in rank_cautions(day)]
    ['machine', 'horses rest in the heat', 'botulism', 'fawns', 'nests', 'six layers of film']
    """
    all_day = [Caution.MACHINE, *_feed_cautions(day), *_wrapping_cautions(day), *_field_cautions(day, figures)]
    cautions = [*_thunder_cautions(day, figures.thunder_chance), *_heat_cautions(day, figures)]
    cautions += [CautionHours(caution) for caution in all_day]
    return tuple(sorted(cautions, key=lambda item: SEVERITY_RANK[item.caution])[:max_count])


def has_fawns(on: date, latitude: float, local_span: YearlySpan | None = None) -> bool:
    """Return whether fawns may lie in tall grass.

    Parameters
    ----------
    on : date
    latitude : float
        [deg north].
    local_span : YearlySpan, optional
        The days of the place on its own calendar; where they are known, the latitude tells nothing more.

    Notes
    -----
    An estimate around the peak of births, late May to early June, half a year later in the south. Births are spread
    wider towards the equator. Local rules and a walk through the field come first.

    Examples
    --------
    >>> has_fawns(date(2026, 6, 3), 45.0), has_fawns(date(2026, 6, 3), -45.0)
    (True, False)
    """
    return local_span.contains(on) if local_span else _is_wildlife_season(on, latitude, c.FAWNS_FIRST, c.FAWNS_LAST)


def has_nests(on: date, latitude: float, local_span: YearlySpan | None = None) -> bool:
    """Return whether birds may nest on the ground in tall grass.

    Parameters
    ----------
    on : date
    latitude : float
        [deg north].
    local_span : YearlySpan, optional
        The days of the place on its own calendar; where they are known, the latitude tells nothing more.

    Notes
    -----
    An estimate around New York's window of harm from 14 May to 22 July, half a year later in the south, wider towards
    the equator. Local rules come first: on mild coasts some birds nest from March on.

    Examples
    --------
    >>> has_nests(date(2026, 7, 22), 43.0), has_nests(date(2026, 9, 1), 43.0)
    (True, False)
    """
    return local_span.contains(on) if local_span else _is_wildlife_season(on, latitude, c.NESTS_FIRST, c.NESTS_LAST)


def needs_fall_rest(on: date, latitude: float, killing_frost: MonthDay | None = None) -> bool:
    """Return whether alfalfa that is cut on a day may go into winter without having restored its root reserves.

    Parameters
    ----------
    on : date
    latitude : float
        [deg north].
    killing_frost : tuple of int, optional
        Its mean month and day at the place, on its own calendar; None is by the latitude.

    Notes
    -----
    The rest before the mean killing frost is published as 450 degC d above 5 degC or about six weeks (Ontario) and as
    500 degC d (Wisconsin, 900 degF d); the longer is used, in days. When that frost comes is an estimate from the
    latitude alone: elevation and sea move it by weeks.

    Examples
    --------
    >>> needs_fall_rest(date(2026, 9, 10), 43.0), needs_fall_rest(date(2026, 8, 10), 43.0)
    (True, False)
    """
    if killing_frost is not None:
        return (_day_number(killing_frost) - _day_of_year(on)) % DAYS_PER_YEAR <= c.FALL_REST_DAYS
    if abs(latitude) < c.FROST_FREE_LATITUDE:
        return False
    later = c.KILLING_FROST_DAYS_PER_DEGREE * (c.KILLING_FROST_LATITUDE - abs(latitude))
    return (_day_number(c.KILLING_FROST_DAY) + later - _season_day(on, latitude)) % DAYS_PER_YEAR <= c.FALL_REST_DAYS


def _thunder_cautions(day: DayOfWork, min_chance: float) -> Iterator[CautionHours]:
    """Yield thunder if it is likely enough in the work block, else that it is unknown if an hour has no value.

    A member's chance is that of its worst hour: exact for members that say yes or no, and a lower bound for a single
    forecast in per cent. Members without any value are left out, because they would dilute the others.
    """
    probability = np.full((1, 1), np.nan) if day.thunder is None else day.thunder
    is_known = ~np.isnan(probability)
    chances = np.where(is_known, probability, 0.0)
    informative = is_known.any(axis=1)
    if informative.any() and chances[informative].max(axis=1).mean() >= min_chance:
        by_hour = chances.sum(axis=0) / np.maximum(is_known.sum(axis=0), 1)
        is_near = by_hour >= min(min_chance, by_hour.max() / 2.0)
        caution = Caution.THUNDER_ON_TEAMS if day.horses_work else Caution.THUNDER
        yield CautionHours(caution, Hours(enclosing_spell(by_hour >= c.LIKELY_SHARE), enclosing_spell(is_near)))
    elif not is_known.any(axis=0).all():
        yield CautionHours(Caution.THUNDER_UNKNOWN)


def _heat_cautions(day: DayOfWork, figures: LocalFigures) -> Iterator[CautionHours]:
    """Yield who should rest and who should stop, in the worst tenth of the members."""
    air, humidity = day.air_temperature, day.relative_humidity
    people = people_hours(air, humidity)
    hours_by_caution = {Caution.PEOPLE_STOP: people.stop, Caution.PEOPLE_REST: people.rest}
    if day.horses_work:
        horses = horse_hours(air, humidity, rest_at=figures.horses_rest_at, stop_at=figures.horses_stop_at)
        hours_by_caution |= {Caution.HORSES_STOP: horses.stop, Caution.HORSES_REST: horses.rest}
    if day.has_cows:
        hours_by_caution[Caution.COWS] = hours_from(CowHeat.SLIGHT, cow_heat(air, humidity))
    for caution, hours in hours_by_caution.items():
        if hours.possible:
            yield CautionHours(caution, hours)


def _feed_cautions(day: DayOfWork) -> Iterator[Caution]:
    """Yield what may spoil the feed or poison the animals that eat it."""
    if day.horses_work or day.horses_fed:
        yield Caution.BOTULISM
    yield from _moisture_cautions(day.moisture)
    if day.drought_days >= c.NITRATE_DROUGHT_DAYS and day.days_since_drought <= c.NITRATE_WAIT_DAYS:
        yield Caution.NITRATE


def _moisture_cautions(moisture: BaledMoisture) -> Iterator[Caution]:
    """Yield what the moisture of the bales may do; each condition is negated, so that NaN raises a caution."""
    if not (moisture.middle <= c.BALE_MOISTURE_WET and moisture.wettest < c.BALE_MOISTURE_TOO_WET):
        yield Caution.BALED_WET
    if not moisture.driest >= c.BALE_MOISTURE_TOO_DRY:
        yield Caution.HOT_BALES
    if not moisture.middle >= c.BALE_MOISTURE_DRY:
        yield Caution.BALED_DRY


def _wrapping_cautions(day: DayOfWork) -> Iterator[Caution]:
    """Yield a late wrapping, and how many layers of film the bales need."""
    if not day.film_wait <= c.WRAP_TOO_LATE:
        yield Caution.WRAPPED_TOO_LATE
    elif day.film_wait > c.WRAP_LATE:
        yield Caution.WRAPPED_LATE
    is_easy_crop = not day.stemmy and day.moisture.middle >= c.BALE_MOISTURE_DRY
    yield Caution.SIX_LAYERS if is_easy_crop else Caution.EIGHT_LAYERS


def _field_cautions(day: DayOfWork, figures: LocalFigures) -> Iterator[Caution]:
    """Yield the wildlife that may be in the field, and the rest that its alfalfa needs in fall."""
    if has_fawns(day.on, day.latitude, figures.fawns):
        yield Caution.FAWNS
    if has_nests(day.on, day.latitude, figures.nests):
        yield Caution.NESTS
    if day.alfalfa_share >= c.MIN_ALFALFA_SHARE and needs_fall_rest(day.on, day.latitude, figures.killing_frost):
        yield Caution.FALL_REST


def _is_wildlife_season(on: date, latitude: float, first: MonthDay, last: MonthDay) -> bool:
    """Return whether a day lies in a northern window of the year, in the south half a year later."""
    begins, ends = _day_number(first), _day_number(last)
    wider = c.WILDLIFE_DAYS_PER_DEGREE * max(c.WILDLIFE_LATITUDE - abs(latitude), 0.0)
    from_middle = _season_day(on, latitude) - (begins + ends) / 2.0
    # The same day of the year before or after may be nearer to the middle.
    nearest = abs((from_middle + DAYS_PER_YEAR / 2.0) % DAYS_PER_YEAR - DAYS_PER_YEAR / 2.0)
    return nearest <= (ends - begins) / 2.0 + wider


def _day_number(day: MonthDay) -> int:
    return _day_of_year(date(2025, *day))


def _season_day(on: date, latitude: float) -> int:
    """Return the day of the year on which the northern hemisphere has the season of the place."""
    return _day_of_year(on if latitude >= 0.0 else on + timedelta(days=DAYS_PER_YEAR / 2.0))


def _day_of_year(on: date) -> int:
    return on.timetuple().tm_yday

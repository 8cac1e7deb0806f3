"""Heat and those who bear it: horses at work, people at work, and cows; from when until when to rest or to stop."""

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c

Array = NDArray[np.float64]
Words = NDArray[np.str_]


class HorseHeat(StrEnum):
    """How well a horse at work cools itself, from best to worst."""

    COOLS_WELL = "cools itself well"
    COOLS_LESS = "cools itself less well"
    COOLS_BADLY = "cools itself badly"
    NO_WORK = "no work"


class CowHeat(StrEnum):
    """What the heat does to a milking cow, from least to most."""

    LITTLE = "little"
    SLIGHT = "slight stress"
    STRESS = "stress"
    DANGER = "danger"
    EMERGENCY = "emergency"


class PeopleHeat(StrEnum):
    """How the weather service calls the heat for people, from least to most."""

    BELOW_CAUTION = "below caution"
    CAUTION = "caution"
    EXTREME_CAUTION = "extreme caution"
    DANGER = "danger"
    EXTREME_DANGER = "extreme danger"


class Spell(NamedTuple):
    """Hours of a work block, counted from 0: it begins with the hour `first` and is over when the hour `end` begins."""

    first: int
    end: int


class Hours(NamedTuple):
    """From when until when something is so: in half of the members or more, and in a tenth or more; None is never."""

    likely: Spell | None
    possible: Spell | None


class HeatHours(NamedTuple):
    """The hours in which those at work need rests, and those of them in which they stop."""

    rest: Hours
    stop: Hours


def horse_sum(air_temperature: Array, relative_humidity: Array) -> Array:
    """Return the working-horse sum: air temperature in degF plus relative humidity in per cent.

    Parameters
    ----------
    air_temperature : array [degC]
    relative_humidity : array [1]

    Notes
    -----
    Under 130 a horse cools itself well, up to 150 less well, above it badly, and above 180 work can kill (Nadeau,
    University of Connecticut Extension). A low sum in dry heat is no all-clear.

    Examples
    --------
    >>> horse_sum(np.array([30.0]), np.array([0.6])).round(1).tolist()
    [146.0]
    """
    return _fahrenheit(air_temperature) + 100.0 * relative_humidity


def horse_heat(
    air_temperature: Array,
    relative_humidity: Array,
    *,
    rest_at: float = c.HORSE_SUM_WARM,
    stop_at: float = c.HORSE_SUM_STOP,
) -> Words:
    """Return how well a horse at work cools itself.

    Parameters
    ----------
    air_temperature : array [degC]
    relative_humidity : array [1]
    rest_at, stop_at : float
        The working-horse sum from which it cools itself less well, and from which it does no work [degF + %].

    Returns
    -------
    array of str
        Values of `HorseHeat`.

    Notes
    -----
    Departures from `horse_sum`'s source: each limit counts with what is above it; the sum is heeded from 21 degC on,
    for a cool dawn in fog has a high one and harms no horse; and from 35 degC on there is no work, however dry the air
    (an estimate). Horses that are fat, unfit or do not sweat stop earlier; the driver's eye and the vet's word come
    before any figure. Where a farm rests or stops its horses at other sums, 150 stays the limit of cooling badly as far
    as it lies between the two. What is not a number counts as the worst.

    Examples
    --------
    >>> horse_heat(np.array([12.0, 24.0, 36.0]), np.array([1.0, 0.6, 0.2])).tolist()
    ['cools itself well', 'cools itself less well', 'no work']
    """
    total = horse_sum(air_temperature, relative_humidity)
    hard = min(max(c.HORSE_SUM_HARD, rest_at), stop_at)
    words = _band_words(HorseHeat, total, [rest_at, hard, stop_at])
    words = np.where(air_temperature < c.HORSE_COOL, HorseHeat.COOLS_WELL, words)
    return np.where(air_temperature >= c.HORSE_HOT, HorseHeat.NO_WORK, words)


def team_pace(
    air_temperature: Array,
    relative_humidity: Array,
    *,
    rest_at: float = c.HORSE_SUM_WARM,
    stop_at: float = c.HORSE_SUM_STOP,
) -> Array:
    """Return the share of its usual pace [1] at which a team mows, 0 where it should not be asked to.

    Parameters
    ----------
    air_temperature : array [degC]
    relative_humidity : array [1]
    rest_at, stop_at : float
        The working-horse sum from which it breathes more often, and from which it stops [degF + %].

    Notes
    -----
    By the bands of `horse_heat`: a team that cools itself less well breathes about 6 minutes in 40, one that does so
    badly about 10 (5 to 10 minutes in each 30 to 45, remembered).

    Examples
    --------
    >>> team_pace(np.array([12.0, 24.0, 30.0, 33.0, 36.0]), np.array([1.0, 0.6, 0.7, 0.95, 0.2])).tolist()
    [1.0, 0.85, 0.75, 0.0, 0.0]
    """
    heat = horse_heat(air_temperature, relative_humidity, rest_at=rest_at, stop_at=stop_at)
    bands = [HorseHeat.COOLS_WELL, HorseHeat.COOLS_LESS, HorseHeat.COOLS_BADLY]
    return np.select([heat == band for band in bands], [1.0, c.TEAM_PACE_WARM, c.TEAM_PACE_HARD], 0.0)


def cow_thi(air_temperature: Array, relative_humidity: Array) -> Array:
    """Return the temperature-humidity index of cows [1].

    Parameters
    ----------
    air_temperature : array [degC]
    relative_humidity : array [1]

    Notes
    -----
    NRC (1971), remembered: (1.8 T + 32) - (0.55 - 0.0055 RH) (1.8 T - 26), RH in per cent.

    References
    ----------
    Dikmen & Hansen 2009, J. Dairy Sci. 92:109-116, doi:10.3168/jds.2008-1370.

    Examples
    --------
    >>> cow_thi(np.array([25.0]), np.array([0.5])).round(1).tolist()
    [71.8]
    """
    return _fahrenheit(air_temperature) - 0.55 * (1.0 - relative_humidity) * (1.8 * air_temperature - 26.0)


def cow_heat(air_temperature: Array, relative_humidity: Array) -> Words:
    """Return what the heat does to milking cows, values of `CowHeat`.

    Parameters
    ----------
    air_temperature : array [degC]
    relative_humidity : array [1]

    Notes
    -----
    Stress from a THI of 72, slight from 68 (newer work); danger from 79 and emergency from 84 are those of livestock on
    the road, remembered. What is not a number counts as the worst.

    Examples
    --------
    >>> cow_heat(np.array([18.0, 24.0, 28.0]), np.array([0.6, 0.6, 0.6])).tolist()
    ['little', 'slight stress', 'stress']
    """
    limits = [c.COW_SLIGHT, c.COW_STRESS, c.COW_DANGER, c.COW_EMERGENCY]
    return _band_words(CowHeat, cow_thi(air_temperature, relative_humidity), limits)


def heat_index(air_temperature: Array, relative_humidity: Array) -> Array:
    """Return how warm it feels to people in the shade [degC].

    Parameters
    ----------
    air_temperature : array [degC]
    relative_humidity : array [1]

    Notes
    -----
    Rothfusz (1990) with the adjustments of the US weather service for very dry and very damp air. Where the simple
    form, which is the mean of the air temperature and a line, stays below 79 degF it holds alone, as in Anderson et al.
    (2013); up to 40 degF it is the air temperature. The service says 80, and means the same in practice. Full sun adds
    up to 8 degC (remembered).

    References
    ----------
    Rothfusz 1990, NWS Southern Region Technical Attachment SR 90-23.
    Anderson, Bell & Peng 2013, Environ. Health Perspect. 121:1111-1119, doi:10.1289/ehp.1206273.

    Examples
    --------
    >>> heat_index(np.array([20.0, 32.0, 35.0]), np.array([0.5, 0.7, 0.2])).round(1).tolist()
    [19.4, 40.4, 33.0]
    """
    warmth, percent = _fahrenheit(air_temperature), 100.0 * relative_humidity
    simple = 0.5 * (warmth + 61.0 + 1.2 * (warmth - 68.0) + 0.094 * percent)
    full = np.polynomial.polynomial.polyval2d(warmth, percent, c.ROTHFUSZ) + _adjustment(warmth, percent)
    felt = np.where(simple < 79.0, simple, full)
    celsius: Array = (np.where(warmth <= 40.0, warmth, felt) - 32.0) / 1.8
    return celsius


def people_heat(air_temperature: Array, relative_humidity: Array) -> Words:
    """Return how the weather service calls the heat for people, values of `PeopleHeat`.

    Parameters
    ----------
    air_temperature : array [degC]
    relative_humidity : array [1]

    Notes
    -----
    By the heat index, from 80, 90, 103 and 125 degF on (remembered). What is not a number counts as the worst.

    Examples
    --------
    >>> people_heat(np.array([20.0, 28.0, 32.0]), np.array([0.5, 0.5, 0.7])).tolist()
    ['below caution', 'caution', 'danger']
    """
    limits = [c.PEOPLE_CAUTION, c.PEOPLE_EXTREME_CAUTION, c.PEOPLE_DANGER, c.PEOPLE_EXTREME_DANGER]
    return _band_words(PeopleHeat, heat_index(air_temperature, relative_humidity), limits)


def horse_hours(
    air_temperature: Array,
    relative_humidity: Array,
    *,
    rest_at: float = c.HORSE_SUM_WARM,
    stop_at: float = c.HORSE_SUM_STOP,
) -> HeatHours:
    """Return when a team needs rests in a work block, and when it stops.

    Parameters
    ----------
    air_temperature : array [degC], shape (member, hour)
    relative_humidity : array [1], shape (member, hour)
    rest_at, stop_at : float
        The working-horse sum from which it does so [degF + %].

    Examples
    --------
    >>> horse_hours(np.array([[20.0, 27.0, 31.0, 35.5, 30.0]]), np.array([[0.9, 0.6, 0.4, 0.2, 0.3]])).stop.likely
    Spell(first=3, end=4)
    """
    heat = horse_heat(air_temperature, relative_humidity, rest_at=rest_at, stop_at=stop_at)
    return HeatHours(hours_from(HorseHeat.COOLS_LESS, heat), hours_from(HorseHeat.NO_WORK, heat))


def people_hours(
    air_temperature: Array,
    relative_humidity: Array,
    *,
    rest: PeopleHeat = PeopleHeat.EXTREME_CAUTION,
    stop: PeopleHeat = PeopleHeat.DANGER,
) -> HeatHours:
    """Return when people need rests in a work block, and when they stop.

    Parameters
    ----------
    air_temperature : array [degC], shape (member, hour)
    relative_humidity : array [1], shape (member, hour)
    rest, stop : PeopleHeat
        The first band in which they do so; which band that is, is an estimate.

    Examples
    --------
    >>> people_hours(np.array([[26.0, 31.0, 34.0]]), np.array([[0.8, 0.6, 0.5]])).rest.likely
    Spell(first=1, end=3)
    """
    heat = people_heat(air_temperature, relative_humidity)
    return HeatHours(hours_from(rest, heat), hours_from(stop, heat))


def hours_from(band: StrEnum, heat: Words) -> Hours:
    """Return when the heat has reached a band.

    Parameters
    ----------
    band : StrEnum
        `HorseHeat`, `CowHeat` or `PeopleHeat`.
    heat : array of str, shape (member, hour)
        Values of the same.

    Examples
    --------
    >>> hours_from(CowHeat.STRESS, np.array([["little", "stress", "danger", "slight stress"]])).likely
    Spell(first=1, end=3)
    """
    order = list(type(band))
    return hours_where(np.isin(heat, order[order.index(band) :]))


def hours_where(holds: NDArray[np.bool_]) -> Hours:
    """Return the hours from the first to the last in which something holds.

    Parameters
    ----------
    holds : array of bool, shape (member, hour)

    Raises
    ------
    ValueError
        If there is no member or no hour.

    Notes
    -----
    A lull between two spells counts with them.

    Examples
    --------
    >>> hours_where(np.array([[True, False, True, False], [False, False, False, False]]))
    Hours(likely=Spell(first=0, end=3), possible=Spell(first=0, end=3))
    """
    if holds.ndim != 2 or holds.size == 0:
        raise ValueError(
            f"hours of hours_where: shape {holds.shape} given, allowed (member, hour) with one or more each"
        )
    share = holds.mean(axis=0)
    return Hours(enclosing_spell(share >= c.LIKELY_SHARE), enclosing_spell(share >= c.POSSIBLE_SHARE))


def enclosing_spell(holds: NDArray[np.bool_]) -> Spell | None:
    """Return the hours from the first to the last that holds, shape (hour,), or None."""
    found = np.flatnonzero(holds)
    return Spell(int(found[0]), int(found[-1]) + 1) if found.size else None


def _fahrenheit(celsius: Array) -> Array:
    return 1.8 * celsius + 32.0


def _band_words(band_type: type[StrEnum], index: Array, limits: Sequence[float]) -> Words:
    """Return the word of each value: one more band for each limit that it has reached, all of them for NaN."""
    words: Words = np.array(list(band_type))[np.digitize(index, limits)]
    return words


def _adjustment(warmth: Array, percent: Array) -> Array:
    """Return what the weather service adds to the regression [degF]: less in very dry air, more in very damp air."""
    dry = (percent < 13.0) & (warmth >= 80.0) & (warmth <= 112.0)
    damp = (percent > 85.0) & (warmth >= 80.0) & (warmth <= 87.0)
    less = (13.0 - percent) / 4.0 * np.sqrt(np.maximum(17.0 - np.abs(warmth - 95.0), 0.0) / 17.0)
    more = (percent - 85.0) / 10.0 * (87.0 - warmth) / 5.0
    return np.select([dry, damp], [-less, more], 0.0)

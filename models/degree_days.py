"""Degree-days, the day from which they count, and what stops them: drought and frost.

The start of the season is the weakest part of every temperature sum; a look at the field mends it (looks.py).
"""

from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models import coefficients as c

Array = NDArray[np.float64]
Days = NDArray[np.datetime64]

PENTAD: Final = 5  # [d]

# What the rules of green-up are called.
WARM_PENTADS: Final = "three 5-day means above 5 degC"
SUM_REACHED: Final = "temperature sum of 200 degC d"
WARM_DAYS: Final = "five days above 5.6 degC"
WARM_HIGHS: Final = "five highs of 5 degC from spring on"


class UnknownCause(StrEnum):
    """Why the stage of a stand is unknown; each is a sentence about the day named with it."""

    PAST_SHORT = "the past weather must reach back to it but begins later"
    DAY_MISSING = "its temperature is missing"
    DAY_WRONG = "its highest temperature is below its lowest"
    STRESS_WRONG = "its water stress factor must be 0 to 1 but is not"
    CUT_AHEAD = "the last cut lies after the last day of the weather"
    LOOK_AHEAD = "the look of it lies after the last day of the weather"
    LOOK_WRONG = "the look of it is too far from the temperature sum"
    NEXT_DAY_UNKNOWN = "the crop of it and of the day after must be known to tell what waiting costs"


class GrowthUnknown(Exception):
    """The stage of a stand is unknown; `day` is the date that causes it."""

    def __init__(self, cause: UnknownCause, day: np.datetime64) -> None:
        super().__init__(f"{day}: {cause}")
        self.cause = cause
        self.day = day


@dataclass(frozen=True)
class DailyTemperature:
    """The days that one growth needs, without a gap, their extremes [degC] and their water stress factor Ks [1]."""

    day: Days
    high: Array
    low: Array
    stress: Array

    @property
    def daily_mean(self) -> Array:
        """Return the mean of the extremes of each day [degC]."""
        return (self.high + self.low) / 2


def degree_days(daily_max: ArrayLike, daily_min: ArrayLike, base: float, cap: float | None = None) -> Array:
    """Return the degree-days of each day by method 1: the mean of the extremes, then floored at the base.

    Parameters
    ----------
    daily_max, daily_min : array_like
        Highest and lowest temperature of the day [degC], same shape.
    base : float
        Temperature above which is counted [degC].
    cap : float, optional
        Temperature to which both extremes are cut before averaging [degC].

    Returns
    -------
    Array
        Degree-days [degC d], the shape of the input.

    Notes
    -----
    ``max(0, (Tmax + Tmin) / 2 - base)``. The thresholds in ``species.toml`` belong to this method;
    flooring each extreme, a sine or hourly sums count more on cool days and must not be used with them.

    References
    ----------
    McMaster & Wilhelm 1997, Agric. For. Meteorol. 87:291-300, doi 10.1016/S0168-1923(97)00027-0.

    Examples
    --------
    >>> degree_days([12.0, 33.0], [-2.0, 20.0], 5.0, cap=30.0)
    array([ 0., 20.])
    """
    ceiling = inf if cap is None else cap
    mean = (np.minimum(daily_max, ceiling) + np.minimum(daily_min, ceiling)) / 2
    return np.asarray(np.maximum(mean - base, 0.0), dtype=float)


def season_origin(day: np.datetime64, southern: bool) -> np.datetime64:
    """Return the 1 January, or in the south the 1 July, on or before a day.

    Examples
    --------
    >>> season_origin(np.datetime64("2026-05-20"), southern=True)
    np.datetime64('2025-07-01')
    """
    month = day.astype("datetime64[M]")
    late = (month - month.astype("datetime64[Y]").astype("datetime64[M]")).astype(int)
    back = (late - 6) % 12 if southern else late
    first: np.datetime64 = (month - np.timedelta64(int(back), "M")).astype("datetime64[D]")
    return first


def legume_origin(origin: np.datetime64) -> np.datetime64:
    """Return the 1 March, or in the south the 1 September, that follows a season's origin."""
    return _months_after(origin, 2)


def _months_after(origin: np.datetime64, months: int) -> np.datetime64:
    first: np.datetime64 = (origin.astype("datetime64[M]") + np.timedelta64(months, "M")).astype("datetime64[D]")
    return first


def season_start(
    daily_mean: ArrayLike,
    day: Days,
    *,
    southern: bool = False,
    min_mean: float = c.SEASON_START_MEAN,
    min_sum: float = c.SEASON_START_SUM,
) -> int | None:
    """Return the index of the first day that counts for grasses, or None while the season has not started.

    Parameters
    ----------
    daily_mean : array_like
        Mean of the highest and lowest temperature [degC], shape (days,).
    day : NDArray[datetime64[D]]
        The days, contiguous, reaching back to 1 January (in the south 1 July).
    southern : bool
        Whether the farm lies south of the equator.
    min_mean : float
        What each of three consecutive 5-day means must exceed [degC].
    min_sum : float
        Sum of the positive daily means since the origin that must be reached [degC d].

    Returns
    -------
    int or None
        The first of the 15 days, or the day that reaches the sum, whichever is later.

    Raises
    ------
    GrowthUnknown
        If the days do not reach back to the origin, or one of them since then is missing.

    Notes
    -----
    The Norwegian advisers' rule asks besides for 1 degC in the soil at 0.1 m; the temperature sum of 200
    stands in for it (departure). The start of spring is the weakest part of every temperature sum: look
    at the grass.
    """
    rules = green_up(daily_mean, day, southern=southern, min_mean=min_mean, min_sum=min_sum)
    pentads, summed = rules[WARM_PENTADS], rules[SUM_REACHED]
    return None if pentads is None or summed is None else max(pentads, summed)


def green_up(
    daily_mean: ArrayLike,
    day: Days,
    *,
    southern: bool = False,
    min_mean: float = c.SEASON_START_MEAN,
    min_sum: float = c.SEASON_START_SUM,
    min_day_mean: float = c.SEASON_START_DAY,
) -> dict[str, int | None]:
    """Return the index of the day of green-up by each rule, or None while its day has not come.

    Parameters
    ----------
    daily_mean, day, southern, min_mean, min_sum
        As in `season_start`, which counts from the later of the first two rules.
    min_day_mean : float
        What each of five consecutive daily means must exceed in the third rule [degC].

    Raises
    ------
    GrowthUnknown
        As `season_start`.

    Notes
    -----
    The first of three 5-day means above 5 degC (Norwegian advisers), a sum of positive daily means of 200 degC d since
    the origin (Oregon and others), and the first of five days above 5.6 degC (used in Britain), all published. The
    third is told beside the others to show how far apart such rules lie; nothing counts from it.
    """
    mean = np.asarray(daily_mean, dtype=float)
    temperature = required_days(day, mean, mean, season_origin(day[-1], southern))
    since, mean = day.size - temperature.day.size, temperature.daily_mean
    holds_by_rule = {SUM_REACHED: np.cumsum(np.maximum(mean, 0)) >= min_sum}
    if mean.size >= PENTAD:
        five_days = np.lib.stride_tricks.sliding_window_view(mean, PENTAD)
        is_warm = five_days.mean(axis=-1) > min_mean
        holds_by_rule[WARM_PENTADS] = is_warm[: -2 * PENTAD] & is_warm[PENTAD:-PENTAD] & is_warm[2 * PENTAD :]
        holds_by_rule[WARM_DAYS] = five_days.min(axis=-1) > min_day_mean
    index_by_rule: dict[str, int | None] = dict.fromkeys((WARM_PENTADS, SUM_REACHED, WARM_DAYS))
    for rule, holds in holds_by_rule.items():
        if holds.any():
            index_by_rule[rule] = since + int(holds.argmax())
    return index_by_rule


def killing_frost(
    daily_min: ArrayLike, day: Days, *, southern: bool, lethal_low: float = c.KILLING_FROST
) -> int | None:
    """Return the index of the day whose frost ends the growth of legumes, or None where there was none.

    Parameters
    ----------
    daily_min : array_like
        Lowest temperature of the day [degC], shape (days,).
    day : NDArray[datetime64[D]]
        The days of one growth, contiguous.
    southern : bool
        Whether the farm lies south of the equator.
    lethal_low : float
        A low of this or less kills [degC].

    Notes
    -----
    Looked for from 1 August (in the south 1 February): alfalfa cut down by a frost of spring grows again. Published
    limits lie between -2 and -4 degC for some hours; the lowest is taken, and the day's low for those hours.
    Cool-season grasses grow on after such a night.
    """
    autumn = _months_after(season_origin(day[-1], southern), c.MONTHS_TO_AUTUMN)
    is_killing = (np.asarray(daily_min, dtype=float) <= lethal_low) & (day >= autumn)
    return int(is_killing.argmax()) if is_killing.any() else None


def legume_start(
    daily_max: ArrayLike, day: Days, *, southern: bool = False, min_high: float = c.LEGUME_START_HIGH
) -> int | None:
    """Return the index of the first day that counts for legumes, or None while it has not come.

    Parameters
    ----------
    daily_max : array_like
        Highest temperature of the day [degC], shape (days,).
    day : NDArray[datetime64[D]]
        The days, contiguous, reaching back to 1 March (in the south 1 September) of the season.
    southern : bool
        Whether the farm lies south of the equator.
    min_high : float
        What the highs of five consecutive days must reach [degC].

    Raises
    ------
    GrowthUnknown
        If the days do not reach back far enough, or one of them since then is missing.

    Notes
    -----
    The first of five consecutive days from 1 March on: both published rules (from 1 March; five highs at
    41 degF) at once, whichever is later. The two hardly differ, for colder days add next to nothing.
    """
    spring = legume_origin(season_origin(day[-1], southern))
    if day[-1] < spring:
        return None
    highs = np.asarray(daily_max, dtype=float)
    temperature = required_days(day, highs, highs, spring)
    if temperature.day.size < PENTAD:
        return None
    is_warm = np.lib.stride_tricks.sliding_window_view(temperature.high, PENTAD).min(axis=-1) >= min_high
    return int(day.size - temperature.day.size + is_warm.argmax()) if is_warm.any() else None


def required_days(
    day: Days, high: Array, low: Array, since: np.datetime64, stress: Array | None = None
) -> DailyTemperature:
    """Return the days from `since` on, none of which may be unknown; without `stress` they are never dry.

    Raises
    ------
    GrowthUnknown
        If the days begin later, or one is missing, has a maximum below its minimum or a stress factor outside 0 to 1.
    """
    if day[0] > since:
        raise GrowthUnknown(UnknownCause.PAST_SHORT, since)
    is_needed = day >= since
    ks = np.ones(day.shape) if stress is None else stress
    temperature = DailyTemperature(day[is_needed], high[is_needed], low[is_needed], ks[is_needed])
    for bad, cause in (
        (~np.isfinite(temperature.daily_mean), UnknownCause.DAY_MISSING),
        (temperature.high < temperature.low, UnknownCause.DAY_WRONG),
        (~((temperature.stress >= 0) & (temperature.stress <= 1)), UnknownCause.STRESS_WRONG),
    ):
        if bad.any():
            raise GrowthUnknown(cause, temperature.day[bad.argmax()])
    return temperature


def latest_drought(stress: Array, *, drought_ks: float = c.DROUGHT_KS) -> tuple[int, int]:
    """Return the length of the latest drought [d] and the days since its end [d].

    Parameters
    ----------
    stress : array, shape (day,)
        Ks of the days that are over [1].
    drought_ks : float
        Below it nothing grows [1], estimate.

    Returns
    -------
    tuple of int
        The second is 0 while the drought lasts; without any, the first is 0 and the second all of the days.

    Examples
    --------
    >>> latest_drought(np.array([0.1, 0.9, 0.1, 0.1, 0.1, 0.8, 1.0]))
    (3, 2)
    """
    since = next((ago for ago, share in enumerate(stress[::-1]) if share < drought_ks), stress.size)
    growing = next((ago for ago, share in enumerate(stress[::-1][since:]) if share >= drought_ks), stress.size - since)
    return growing, since

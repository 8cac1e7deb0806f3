"""Degree-days and the day from which they count.

The start of the season is the weakest part of every temperature sum; a look at the field mends it (looks.py).
"""

from dataclasses import dataclass
from math import inf
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models import coefficients as c

Array = NDArray[np.float64]
Days = NDArray[np.datetime64]

PENTAD: Final = 5  # [d]


class GrowthUnknown(Exception):
    """The stage of a stand cannot be known; `day` is the date that stands in the way."""

    def __init__(self, reason: str, day: np.datetime64) -> None:
        super().__init__(f"{reason} ({day})")
        self.reason = reason
        self.day = day


@dataclass(frozen=True)
class Weather:
    """The days that one growth needs, without a gap, and their extremes [degC]."""

    day: Days
    high: Array
    low: Array

    @property
    def mean(self) -> Array:
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
    first: np.datetime64 = (origin.astype("datetime64[M]") + np.timedelta64(2, "M")).astype("datetime64[D]")
    return first


def season_start(
    daily_mean: ArrayLike,
    day: Days,
    *,
    southern: bool = False,
    warm: float = c.SEASON_START_MEAN,
    least_sum: float = c.SEASON_START_SUM,
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
    warm : float
        What each of three consecutive 5-day means must exceed [degC].
    least_sum : float
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
    mean = np.asarray(daily_mean, dtype=float)
    weather = needed(day, mean, mean, season_origin(day[-1], southern))
    if weather.day.size < 3 * PENTAD:
        return None
    pentads = np.lib.stride_tricks.sliding_window_view(weather.mean, PENTAD).mean(axis=-1) > warm
    warm_runs = pentads[: -2 * PENTAD] & pentads[PENTAD:-PENTAD] & pentads[2 * PENTAD :]
    summed = np.cumsum(np.maximum(weather.mean, 0)) >= least_sum
    if not (warm_runs.any() and summed.any()):
        return None
    return int(day.size - weather.day.size + max(warm_runs.argmax(), summed.argmax()))


def legume_start(
    daily_max: ArrayLike, day: Days, *, southern: bool = False, high: float = c.LEGUME_START_HIGH
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
    high : float
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
    weather = needed(day, highs, highs, spring)
    if weather.day.size < PENTAD:
        return None
    runs = np.lib.stride_tricks.sliding_window_view(weather.high, PENTAD).min(axis=-1) >= high
    return int(day.size - weather.day.size + runs.argmax()) if runs.any() else None


def needed(day: Days, high: Array, low: Array, since: np.datetime64) -> Weather:
    """Return the days from `since` on, all of them known.

    Raises
    ------
    GrowthUnknown
        If they begin later, or one is missing or has its highest below its lowest temperature.
    """
    if day[0] > since:
        raise GrowthUnknown(f"the past weather must reach back to {since} but begins later", day[0])
    kept = day >= since
    weather = Weather(day[kept], high[kept], low[kept])
    for bad, reason in (
        (~np.isfinite(weather.mean), "a day's temperature is missing"),
        (weather.high < weather.low, "a day's highest temperature is below its lowest"),
    ):
        if bad.any():
            raise GrowthUnknown(reason, weather.day[bad.argmax()])
    return weather

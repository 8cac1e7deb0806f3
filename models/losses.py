"""What a crop loses while it lies: to its own breath and to rain."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models import coefficients as c
from models.quality import BandSeries, Figure
from models.species import Array
from models.swath import wet_basis

RESPIRATION_SOURCE: Final = c.CONSTANTS["RESPIRATION"].provenance
RAIN_LOSS_SOURCE: Final = (
    f"{c.CONSTANTS['RAIN_LOSS'].mark} for alfalfa: {c.CONSTANTS['RAIN_LOSS'].source}; "
    f"grass and fresh crops: {c.CONSTANTS['RAIN_LOSS_FRESH'].mark}"
)


def respiration_loss(
    moisture: ArrayLike, temperature: ArrayLike, *, rate: float = c.RESPIRATION, q10: float = c.RESPIRATION_Q10
) -> BandSeries:
    """Return what a lying crop breathes away in an hour [% of DM].

    Parameters
    ----------
    moisture : array_like
        Of the crop [wet basis].
    temperature : array_like
        Of the crop [degC]; that of the air stands for it.
    rate : float
        Of a fresh crop at 15 degC [% of DM per hour].
    q10 : float
        Times for 10 degC more [1].

    Notes
    -----
    ``0.10 2^((T - 15) / 10)`` times a share that falls in a straight line from 1 at 75 % water to 0 at 37 %: an
    estimate within Robson's range for ryegrass in the dark. Each hour may be half or twice as much.

    Examples
    --------
    >>> float(respiration_loss(0.8, 15.0).mid)
    0.1
    """
    warm = np.minimum(np.asarray(temperature, dtype=float), c.RESPIRATION_CAP)
    share = np.interp(np.asarray(moisture, dtype=float), [c.RESPIRATION_NONE, c.RESPIRATION_FULL], [0.0, 1.0])
    return _loss_band(rate * q10 ** ((warm - 15.0) / 10.0) * share, RESPIRATION_SOURCE)


def rain_loss(rain: ArrayLike, hours: ArrayLike, moisture: ArrayLike, grass_share: float) -> BandSeries:
    """Return what rain takes from a lying crop [% of DM].

    Parameters
    ----------
    rain : array_like
        Of one shower [mm].
    hours : array_like
        That it lasts [h].
    moisture : array_like
        Of the crop when it begins [wet basis].
    grass_share : float
        Share of grass in the stand [1].

    Notes
    -----
    Alfalfa loses 0.1 % for each mm that falls at 18 mm an hour, and 18 mm take 1.1 % more for each hour over which
    they are spread (Rotz, Davis & Abrams 1991). Departures: the second is taken in proportion to the rain; grass loses
    half of it, after near-dry orchardgrass; a crop just cut loses 0.3 of it, one at 65 % water and less all. The middle
    is held at 25 %. Worse is printed too: 22 against 6 % after 25 mm on a crop that had dried for a day (Collins),
    hence the wide band.

    References
    ----------
    Rotz, Davis & Abrams 1991, Trans. ASAE 34(4):1583-1591.

    Examples
    --------
    >>> rain_loss(18.0, [1.0, 7.0], 0.6, 0.0).mid.round(1)
    array([1.8, 8.4])
    """
    fallen, lasting = np.asarray(rain, dtype=float), np.asarray(hours, dtype=float)
    slower = c.RAIN_LOSS_PER_HOUR / c.RAIN_LOSS_INTENSITY * np.maximum(lasting - fallen / c.RAIN_LOSS_INTENSITY, 0.0)
    stand = grass_share * c.RAIN_LOSS_GRASS + 1.0 - grass_share
    dried = np.interp(np.asarray(moisture, dtype=float), c.RAIN_LOSS_MOISTURES, [1.0, c.RAIN_LOSS_FRESH])
    most = c.MAX_RAIN_LOSS / c.LOSS_RANGE[1]
    return _loss_band(np.minimum(fallen * (c.RAIN_LOSS + slower) * stand * dried, most), RAIN_LOSS_SOURCE)


def respiration_between(water: Array, air: Array, mown: Array, baled: Array) -> Figure:
    """Return what strips breathe away, mean of all and of all cases [% of DM].

    Parameters
    ----------
    water : array [kg/kg DM], shape (hour + 1, strip, case)
        Moisture at the ends of the hours; until a strip is mown, what it is mown with.
    air : array [degC], shape (hour, case)
    mown, baled : array [h], shape (strip,)
        From the beginning of the first hour on.

    Notes
    -----
    Each hour breathes by the mean of its moistures, the hour of mowing and that of baling for their part of it.

    Examples
    --------
    >>> wet = np.full((4, 1, 1), 4.0)  # 80 % of its weight
    >>> figure = respiration_between(wet, np.full((3, 1), 25.0), np.array([0.5]), np.array([2.0]))
    >>> round(figure.mid, 6), round(figure.high, 6)  # an hour and a half at 0.2 %
    (0.3, 0.6)
    """
    hour = np.arange(air.shape[0])[:, None]
    lying = np.clip(np.minimum(baled, hour + 1.0) - np.maximum(mown, hour), 0.0, 1.0)
    hourly = respiration_loss(wet_basis((water[:-1] + water[1:]) / 2.0), air[:, None])
    return _mean_figure(hourly, lambda each: (lying * each.mean(axis=2)).sum(axis=0).mean())


def rain_loss_after_work(
    water: Array, rain: Array, wet: NDArray[np.bool_], grass_share: float, *, work_end_hour: int
) -> Figure | None:
    """Return what the rain after the end of work takes from what lies.

    Parameters
    ----------
    water : array [kg/kg DM], shape (hour + 1, member, draw)
        Moisture of what lies at the ends of the hours.
    rain : array [mm], shape (member, hour)
    wet : array of bool, shape (member, hour)
        Hours that count as wet.
    grass_share : float
        Share of grass in the stand [1].
    work_end_hour : int
        The hour in which work ends.

    Returns
    -------
    Figure or None
        Mean of the members that have rain from then on [% of DM]; None where none has.

    Notes
    -----
    The rain of a member counts as one shower. How far the crop had dried is told by the driest it had been: dew that
    lies on it when the rain begins does not make it fresh again.
    """
    later = wet & (np.arange(wet.shape[1]) >= work_end_hour)
    members = np.flatnonzero(later.any(axis=1))
    if members.size == 0:
        return None
    driest = np.minimum.accumulate(water)[later[members].argmax(axis=1), members]
    fallen, lasting = (np.where(later, each, 0.0).sum(axis=1)[members, None] for each in (rain, later))
    return _mean_figure(rain_loss(fallen, lasting, wet_basis(driest), grass_share), np.mean)


def _loss_band(mid: Array, source: str) -> BandSeries:
    low, high = (factor * mid for factor in c.LOSS_RANGE)
    return BandSeries(low, mid, high, "% of DM", source)


def _mean_figure(loss: BandSeries, mean: Callable[[Array], np.floating[Any]]) -> Figure:
    low, mid, high = (float(mean(end)) for end in (loss.low, loss.mid, loss.high))
    return Figure(low, mid, high, loss.unit, loss.source)

"""What limits the working day: the pace of mowing and baling, when strips are dry enough, and rain."""

import numpy as np
from numpy.typing import NDArray

from models.workday import NEVER, SLOTS_PER_HOUR, TOLERANCE, Array, Slots


def baling_hours(
    dry_matter: Array, area: float, *, bale_mass: float, intake: float, bale_cycle: float, area_per_hour: float
) -> Array:
    """Return what baling an area takes [h].

    Parameters
    ----------
    dry_matter : array [t/ha]
        Yield, above 0.
    area : float [ha]
    bale_mass : float [t DM]
        What a bale holds.
    intake : float [t DM/h]
        Most that the baler takes in.
    bale_cycle : float [h]
        To tie and drop a bale.
    area_per_hour : float [ha/h]
        Most that the baler drives over: in a light crop this holds it up, and not its intake.

    Notes
    -----
    Tying and dropping halve what a round baler reaches in a heavy crop, so yield, intake and cycle all count (Grisso et
    al. 2020, AgriEngineering 2:447-457, as summarised; the formula is derived).

    Examples
    --------
    >>> hours = baling_hours(np.array([4.0]), 1.0, bale_mass=0.228, intake=9.0, bale_cycle=0.015, area_per_hour=4.0)
    >>> round(float(4.0 / 0.228 / hours[0]), 1)  # bales an hour
    24.8
    """
    return area * dry_matter * (1.0 / np.minimum(intake, dry_matter * area_per_hour) + bale_cycle / bale_mass)


def mowing_slots(pace: Array, starts: Slots, count: int) -> Slots:
    """Return the slots in which strips are finished that are mown one after another from each start on.

    Parameters
    ----------
    pace : array [strips per slot], shape (slot,)
        What the mower gets done in each slot: 1 at full pace, less while a team must breathe, 0 in a break.
    starts : int array, shape (start,)
        First slots.
    count : int
        Number of strips.

    Returns
    -------
    int array, shape (count, start)
        NEVER for a strip that the day has no slot for.

    Examples
    --------
    >>> mowing_slots(np.array([1.0, 1.0, 0.0, 0.5, 0.5, 1.0]), np.array([1, 4]), 4).T.tolist()
    [[1, 4, 5, 10000], [5, 10000, 10000, 10000]]
    """
    mown = np.cumsum(pace)
    before = np.concatenate([[0.0], mown])[starts]
    slot = np.searchsorted(mown, before + np.arange(1, count + 1)[:, None] - TOLERANCE)
    return np.asarray(np.where(slot < mown.size, slot, NEVER), dtype=np.int64)


def baling_window(water: Array, max_water: float) -> tuple[Slots, Slots]:
    """Return the slots from which a swath is dry enough to bale and from which it is too wet again.

    Parameters
    ----------
    water : array [kg water/kg DM], shape (hour + 1, ...)
        Water in and on the crop at the start and the end of each hour.
    max_water : float [kg water/kg DM]
        Most water at which the crop may be baled.

    Returns
    -------
    ready, closes : int arrays, shape (...)
        Slots, rounded to the late and to the early side; NEVER where it does not come to that. Once closed, a window
        stays closed for the day.

    Notes
    -----
    Moisture runs straight between the ends of an hour. A swath whose moisture is not known to the end is never ready.
    """
    last = water.shape[0] - 1
    dry = (water <= max_water) & ~np.isnan(water[-1])
    first_dry = _first_index(dry)
    ready = np.ceil(_crossing_time(water, first_dry, max_water) * SLOTS_PER_HOUR - TOLERANCE)
    ready = np.where(first_dry <= last, ready, NEVER).astype(np.int64)
    if (dry.sum(axis=0) == last + 1 - first_dry).all():
        return ready, np.full(ready.shape, NEVER)
    after = np.arange(last + 1).reshape(-1, *[1] * (water.ndim - 1)) > first_dry
    first_wet = _first_index(~dry & after)
    closes = np.floor(_crossing_time(water, first_wet, max_water) * SLOTS_PER_HOUR + TOLERANCE)
    return ready, np.where(first_wet <= last, closes, NEVER).astype(np.int64)


def _first_index(event: NDArray[np.bool_]) -> Slots:
    """Return the first index along axis 0 at which the event holds, or one past the end."""
    return np.asarray(np.where(event.any(axis=0), event.argmax(axis=0), event.shape[0]))


def _crossing_time(water: Array, hour: Slots, level: float) -> Array:
    """Return the time [h] at which water crosses the level on its way to the end of the given hour."""
    end = np.clip(hour, 0, water.shape[0] - 1)
    start = np.maximum(end - 1, 0)
    before = np.take_along_axis(water, start[None], axis=0)[0]
    after = np.take_along_axis(water, end[None], axis=0)[0]
    change = after - before
    way = np.divide(level - before, change, out=np.zeros_like(change), where=change != 0.0)
    return np.asarray(start + np.clip(way, 0.0, 1.0))


def first_rain_slot(wet: NDArray[np.bool_], starts: Slots) -> Slots:
    """Return the slot at which rain first falls at or after each start, shape (start, member); NEVER where it does not.

    Parameters
    ----------
    wet : array of bool, shape (member, hour)
        Hours that count as wet. Rain of an hour is taken to fall at its beginning.
    starts : int array, shape (start,)
        Slots.
    """
    hours = np.where(wet.T, np.arange(wet.shape[1])[:, None] * SLOTS_PER_HOUR, NEVER)
    following = np.minimum.accumulate(hours[::-1])[::-1]
    return np.asarray(np.maximum(following[starts // SLOTS_PER_HOUR], starts[:, None]))


def wet_hours(
    rain: Array, step: NDArray[np.int64], hour_begins: NDArray[np.int64], *, wet_hour: float, wet_step: float
) -> NDArray[np.bool_]:
    """Return which hours count as wet.

    Parameters
    ----------
    rain : array [mm], shape (member, hour)
        Sum of each hour.
    step : array of int [h], shape (hour,)
        The source's own step that each hour lies in: 1, or more where the hour is only a share of a longer sum.
    hour_begins : array of int [h], shape (hour,)
        When each hour begins, counted from a midnight in UTC, from which the steps are counted too.
    wet_hour, wet_step : float [mm]
        Rain that makes an hour of an hourly source wet, and a whole step of a coarse one.

    Notes
    -----
    The rain of a coarse step may fall in any of its hours, so all of them are wet.

    Examples
    --------
    >>> wet_hours(np.full((1, 3), 0.4), np.array([1, 3, 3]), np.array([2, 3, 4]), wet_hour=0.5, wet_step=1.0)
    array([[False,  True,  True]])
    """
    changes = (np.diff(hour_begins // step) != 0) | (np.diff(step) != 0)
    block = np.concatenate([[0], np.cumsum(changes)])
    sums = np.stack([np.bincount(block, weights=member) for member in rain])[:, block]
    # A step cut short by the edge of the window is judged by its share, lest rain at the edge goes unseen.
    share = np.bincount(block)[block] / step
    wet: NDArray[np.bool_] = np.where(step == 1, rain >= wet_hour, sums >= wet_step * share)
    return wet

"""The working day in quarter-hours: how much can be mown, raked, baled and wrapped by the people there are.

Time is counted in slots of a quarter of an hour from the start of the day's first hour. A strip is what is mown in one
slot. A case is one weather member with one draw of the crop; every case gets an answer of its own.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Slots = NDArray[np.int64]

SLOTS_PER_HOUR = 4
NEVER = 10_000  # a slot beyond any day
CRUMB = 1e-9  # of a strip: less than this is rounding


@dataclass(frozen=True)
class Crew:
    """People and machines: how many hands, and what each job does in a slot when one of them is at it."""

    hands: int
    raked: float  # [strips per slot]
    baled: float  # [bales per slot]
    wrapped: float  # [bales per slot]
    rake_lead: int  # [slots] from raking a strip to baling it
    finish: int  # slot at which everything is wrapped and work ends


@dataclass(frozen=True)
class Strips:
    """Strips in the order in which they are mown and taken up; every array has the shape (strip, case).

    `mown` is the slot in which a strip is cut; `ready` and `closes` are the slots from which it is dry enough to rake
    and from which it is too wet again; `bales` is what it yields.
    """

    mown: Slots
    ready: Slots
    closes: Slots
    bales: Array

    def of(self, cases: NDArray[np.bool_]) -> "Strips":
        """Return the same strips for some of the cases."""
        return Strips(self.mown[:, cases], self.ready[:, cases], self.closes[:, cases], self.bales[:, cases])


@dataclass(frozen=True)
class Run:
    """How a day went, per case: whether all was wrapped in time, and the slot in which the last wrap ended.

    `begin` is the first slot that was followed; `raked` and `baled` (slot, case) are the strips done by its end.
    """

    done: NDArray[np.bool_]
    wrapped_at: Slots
    begin: int
    raked: Array
    baled: Array

    def raking_slot(self, strips: int) -> Slots:
        """Return the slot in which the raking of each strip began, shape (strip, case); past the end if never."""
        return self._began(self.raked, strips)

    def baling_slot(self, strips: int) -> Slots:
        """Return the slot in which the baling of each strip began, shape (strip, case); past the end if never."""
        return self._began(self.baled, strips)

    def _began(self, progress: Array, strips: int) -> Slots:
        number = np.arange(strips)[:, None, None]
        return self.begin + np.asarray((progress[None] <= number + CRUMB).sum(axis=1))


def baling_window(water: Array, wettest: float) -> tuple[Slots, Slots]:
    """Return the slots from which a swath is dry enough to bale and from which it is too wet again.

    Parameters
    ----------
    water : array [kg water/kg DM], shape (hour + 1, ...)
        Water in and on the crop at the start and the end of each hour.
    wettest : float [kg water/kg DM]
        Most water at which the crop may be baled.

    Returns
    -------
    ready, closes : int arrays, shape (...)
        Slots, rounded to the late and to the early side; NEVER where it does not come to that. Once closed, a window
        stays closed for the day.

    Notes
    -----
    Moisture runs straight between the ends of an hour.
    """
    last = water.shape[0] - 1
    dry = water <= wettest
    first_dry = _first(dry)
    after = np.arange(last + 1).reshape(-1, *[1] * (water.ndim - 1)) > first_dry
    first_wet = _first(~dry & after)
    ready = np.ceil(_crossing(water, first_dry, wettest) * SLOTS_PER_HOUR - CRUMB)
    closes = np.floor(_crossing(water, first_wet, wettest) * SLOTS_PER_HOUR + CRUMB)
    return (
        np.where(first_dry <= last, ready, NEVER).astype(np.int64),
        np.where(first_wet <= last, closes, NEVER).astype(np.int64),
    )


def _first(event: NDArray[np.bool_]) -> Slots:
    """Return the first index along axis 0 at which the event holds, or one past the end."""
    return np.asarray(np.where(event.any(axis=0), event.argmax(axis=0), event.shape[0]))


def _crossing(water: Array, hour: Slots, level: float) -> Array:
    """Return the time [h] at which water crosses the level on its way to the end of the given hour."""
    end = np.clip(hour, 0, water.shape[0] - 1)
    start = np.maximum(end - 1, 0)
    before = np.take_along_axis(water, start[None], axis=0)[0]
    after = np.take_along_axis(water, end[None], axis=0)[0]
    change = after - before
    way = np.divide(level - before, change, out=np.zeros_like(change), where=change != 0.0)
    return np.asarray(start + np.clip(way, 0.0, 1.0))


def rain_wall(wet: NDArray[np.bool_], start: int) -> Slots:
    """Return the slot at which rain first falls at or after `start`, per member; NEVER where it stays dry.

    Parameters
    ----------
    wet : array of bool, shape (member, hour)
        Hours that count as wet. Rain of an hour is taken to fall at its beginning.
    start : int
        Slot.
    """
    first = _first(wet.T[start // SLOTS_PER_HOUR :])
    slot = (first + start // SLOTS_PER_HOUR) * SLOTS_PER_HOUR
    return np.where(first < wet.shape[1] - start // SLOTS_PER_HOUR, np.maximum(slot, start), NEVER)


def wet_hours(rain: Array, step: int, *, wet_hour: float, wet_step: float, offset: int = 0) -> NDArray[np.bool_]:
    """Return which hours count as wet.

    Parameters
    ----------
    rain : array [mm], shape (member, hour)
        Sum of each hour.
    step : int
        Native step of the source [h]: 1, or 3 or 6 where its hours are only shares of a longer sum.
    wet_hour, wet_step : float [mm]
        Rain that makes an hour of an hourly source wet, and a whole step of a coarse one.
    offset : int
        Place of the first hour within its step.

    Notes
    -----
    The rain of a coarse step may fall in any of its hours, so all of them are wet.
    """
    if step == 1:
        return rain >= wet_hour
    block = (np.arange(rain.shape[1]) + offset) // step
    sums = np.stack([np.bincount(block, weights=member) for member in rain])
    # A step cut short by the edge of the window is judged by its share, lest rain at the edge goes unseen.
    hours = np.bincount(block)
    wet: NDArray[np.bool_] = (sums >= wet_step * hours / step)[:, block]
    return wet


def follow(strips: Strips, count: Slots, crew: Crew, wall: Slots) -> Run:
    """Follow a day on which `count` strips are mown, slot by slot.

    Parameters
    ----------
    strips : Strips
        At least as many as the largest count.
    count : int array, shape (case,)
        Strips mown.
    crew : Crew
        Mowing, raking, baling and wrapping each need one of the hands.
    wall : int array, shape (case,)
        Slot at which rain reaches what is still in the swath.

    Notes
    -----
    In each slot the mower has the first call on the hands, then the baler (rain and dew close its window), then the
    wrapper, then the rake; a hand that ends early in the slot goes on to the next job. A job takes up what the one
    before it had finished by the start of the slot. Strips are taken up in order: the baler waits for the next strip
    even where a later one is dry.
    """
    by_slot = list(_slots(strips, count, crew, wall))
    progress = np.array(by_slot).reshape(-1, 3, count.size)
    begin = crew.finish - len(by_slot)
    unwrapped = (progress[:, 2] < count - CRUMB).sum(axis=0)
    done = (unwrapped < len(by_slot)) & (count > 0)
    wrapped_at = np.where(done, begin + unwrapped + 1, NEVER)
    return Run(done, wrapped_at, begin, progress[:, 0], progress[:, 1])


def most_wrapped(strips: Strips, crew: Crew, wall: Slots) -> Slots:
    """Return the largest number of strips that can be mown and wrapped the same day, per case.

    Parameters
    ----------
    strips, crew, wall
        As in `follow`.

    Notes
    -----
    Found by halving: all of the count is wrapped, and of one strip more it would not be. Now and then (2 of 4000 random
    days) a much larger count works again because of who is free when; it is not looked for, on the side of caution.
    """
    in_time = np.maximum.accumulate(strips.ready, axis=0) < np.minimum(wall, crew.finish)
    most = in_time.sum(axis=0)
    least = np.zeros_like(most)
    trial = most.copy()  # first all of them, which ends the search in most cases
    while (open_ := least < most).any():
        done = _all_wrapped(strips.of(open_), trial[open_], crew, wall[open_])
        least[open_] = np.where(done, trial[open_], least[open_])
        most[open_] = np.where(done, most[open_], trial[open_] - 1)
        trial = (least + most + 1) // 2
    return np.asarray(least)


def _all_wrapped(strips: Strips, count: Slots, crew: Crew, wall: Slots) -> NDArray[np.bool_]:
    """Return whether all is wrapped by the finish, per case; one of them at least must dry before it."""
    *_, (_, _, wrapped) = _slots(strips, count, crew, wall)
    return np.asarray(wrapped >= count - CRUMB)


def _slots(strips: Strips, count: Slots, crew: Crew, wall: Slots) -> Iterator[tuple[Array, Array, Array]]:
    """Yield the strips raked, baled and wrapped by the end of each slot, from the first dry strip to the finish."""
    cases = np.arange(count.size)
    last = strips.mown.shape[0] - 1
    mowing_until = np.where(count > 0, strips.mown[np.maximum(count - 1, 0), cases] + 1, 0)
    dry_by = np.maximum.accumulate(strips.ready, axis=0)
    begin = int(min(dry_by[0].min(), crew.finish))
    dry = np.minimum(_counts_by_slot(dry_by, begin, crew.finish), count)
    baling_time, wrapping_time = (strips.bales / rate for rate in (crew.baled, crew.wrapped))
    raked, baled, wrapped = (np.zeros(count.size) for _ in range(3))
    lead = [raked] * (crew.rake_lead + 1)
    for slot in range(begin, crew.finish):
        hands = crew.hands - (slot < mowing_until).astype(np.float64)
        at = np.minimum((baled + CRUMB).astype(np.int64), last)
        may_bale = (strips.closes[at, cases] > slot) & (slot < wall)
        baling, hands = _work((lead[0] - baled) * may_bale, baling_time[at, cases], hands)
        at = np.minimum((wrapped + CRUMB).astype(np.int64), last)
        wrapping, hands = _work(baled - wrapped, wrapping_time[at, cases], hands)
        raking, hands = _work(dry[slot - begin] - raked, 1.0 / crew.raked, hands)
        baled, wrapped, raked = baled + baling, wrapped + wrapping, raked + raking
        lead = [*lead[1:], raked]
        yield raked, baled, wrapped


def _counts_by_slot(dry_by: Slots, begin: int, finish: int) -> Slots:
    """Return how many strips are dry at each slot from `begin` up to `finish`, shape (slot, case)."""
    cases = dry_by.shape[1]
    slots = finish - begin
    cell = np.clip(dry_by - begin, 0, slots) * cases + np.arange(cases)
    newly = np.bincount(cell.ravel(), minlength=(slots + 1) * cases).reshape(slots + 1, cases)
    return np.asarray(newly[:slots].cumsum(axis=0))


def _work(waiting: Array, time_each: Array | float, hands: Array) -> tuple[Array, Array]:
    """Return the strips that one machine gets done of what waits, and the hands left over for other jobs."""
    time = np.maximum(np.minimum(np.minimum(waiting * time_each, hands), 1.0), 0.0)
    return time / time_each, hands - time

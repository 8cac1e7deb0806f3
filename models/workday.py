"""The working day in quarter-hours: how much can be mown, raked, baled and wrapped by the people there are.

Time is counted in slots of a quarter of an hour from the start of the day's first hour. A strip is what is mown in one
slot at full pace. A case is one weather member with one draw of the crop; every case gets an answer of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Slots = NDArray[np.int64]

SLOTS_PER_HOUR = 4
NEVER = 10_000  # a slot beyond any day
TOLERANCE = 1e-9  # of a strip: less than this is rounding


@dataclass(frozen=True)
class Crew:
    """People and machines: how many hands, and what each job does in a slot when one of them is at it."""

    hands: int
    raking_rate: float  # [strips per slot]
    wrapping_rate: float  # [bales per slot]
    rake_lead: int  # [slots] from raking a strip to baling it
    wrap_within: int  # [slots] most from baling a bale to wrapping it
    finish_slot: int  # slot at which everything is wrapped and work ends
    rest_slots: frozenset[int] = frozenset()  # slots in which nobody works


@dataclass(frozen=True)
class Strips:
    """Strips in the order in which they are mown and taken up; every array has the shape (strip, case).

    `mown` is the slot in which a strip is cut; `ready` and `closes` are the slots from which it is dry enough to rake
    and from which it is too wet again; `bales` is what it yields and `baling_time` [slots] what making them takes;
    `travel` [slots] is what each machine needs to get to it from the strip before, more than none where a new field
    begins. The last three may have one row for all.
    """

    mown: Slots
    ready: Slots
    closes: Slots
    bales: Array
    baling_time: Array
    travel: Array

    def broadcast(self) -> "Strips":
        """Return the same strips with a row for each of them in every array."""
        return Strips(*(np.broadcast_to(getattr(self, name), self.mown.shape) for name in Strips.__annotations__))

    @classmethod
    def concatenate(cls, parts: Sequence["Strips"]) -> "Strips":
        """Return the strips of several fields in the order in which they are mown."""
        rows = [part.broadcast() for part in parts]
        return cls(*(np.concatenate([getattr(part, name) for part in rows]) for name in cls.__annotations__))

    def first_mown(self, count: int) -> "Strips":
        """Return the strips that are mown first, with a row for each."""
        rows = self.broadcast()
        return Strips(*(getattr(rows, name)[:count] for name in Strips.__annotations__))

    def without_travel_past(self, count: Slots) -> "Strips":
        """Return the same strips for machines that stay where the last of them is done."""
        if self.travel.shape[0] == 1:
            return self
        number = np.arange(self.travel.shape[0])[:, None]
        return replace(self, travel=np.where(number < count, self.travel, 0.0))

    def for_cases(self, cases: Slots) -> "Strips":
        """Return the same strips for the cases with these numbers."""
        return Strips(*(getattr(self, name)[:, cases] for name in Strips.__annotations__))


@dataclass(frozen=True)
class Run:
    """How a day went, slot by slot.

    `first_slot` is the first slot that was followed; `raked`, `baled` and `wrapped` (slot, case) are the strips done by
    its end. `done` (case,) says whether all was wrapped in time, and no bale had waited too long for its film.
    """

    count: Slots
    first_slot: int
    raked: Array
    baled: Array
    wrapped: Array
    done: NDArray[np.bool_]

    @property
    def wrapped_at(self) -> Slots:
        """The slot at whose beginning all is wrapped, shape (case,); NEVER where it is not."""
        unwrapped = (self.wrapped < self.count - TOLERANCE).sum(axis=0)
        return np.where(self.done, self.first_slot + unwrapped + 1, NEVER)

    def raking_slots(self, strips: int) -> Slots:
        """Return the slot in which the raking of each strip began, shape (strip, case); past the end if never."""
        return self._begin_slots(self.raked, strips)

    def baling_slots(self, strips: int) -> Slots:
        """Return the slot in which the baling of each strip began, shape (strip, case); past the end if never."""
        return self._begin_slots(self.baled, strips)

    def _begin_slots(self, progress: Array, strips: int) -> Slots:
        number = np.arange(strips)[:, None, None]
        return self.first_slot + np.asarray((progress[None] <= number + TOLERANCE).sum(axis=1))


def simulate_day(strips: Strips, count: Slots, crew: Crew, rain_slot: Slots) -> Run:
    """Follow a day on which `count` strips are mown.

    Parameters
    ----------
    strips : Strips
        At least as many as the largest count.
    count : int array, shape (case,)
        Strips mown.
    crew : Crew
        Mowing, raking, baling and wrapping each need one of the hands.
    rain_slot : int array, shape (case,)
        Slot at which rain reaches what is still in the swath.

    Notes
    -----
    In each slot the mower has the first call on the hands, then the rake, the baler and the wrapper: what is dry is
    taken up while it is. A hand that ends early in the slot goes on to the next job. A job takes up what the one before
    it had finished by the start of the slot. Strips are taken up in order: the baler waits for the next strip even
    where a later one is dry. A bale that waits too long for its film spoils the day.
    """
    dry_by = np.maximum.accumulate(strips.ready, axis=0)
    begin = int(min(dry_by[0].min(), crew.finish_slot))
    slot = np.arange(begin, crew.finish_slot)[:, None]
    raking, baling, wrapping = _jobs(strips.without_travel_past(count), crew)
    hands = _free_hands(strips, count, crew, slot)
    dry = np.minimum(_dry_counts(dry_by, begin, crew.finish_slot), count)
    raked, hands = _run_machine(dry, raking, hands, 1.0)
    baled, hands = _run_machine(
        _lagged(raked, crew.rake_lead + 1), baling, hands, slot < rain_slot, strips.closes - begin
    )
    wrapped, _ = _run_machine(_lagged(baled, 1), wrapping, hands, 1.0)
    late = (wrapped < _lagged(baled, crew.wrap_within + 1) - TOLERANCE).any(axis=0)
    all_wrapped = wrapped[-1] >= count - TOLERANCE if slot.size else np.zeros(count.shape, dtype=bool)
    return Run(count, begin, raked, baled, wrapped, all_wrapped & ~late & (count > 0))


def max_wrapped(strips: Strips, crew: Crew, rain_slot: Slots, min_count: int = 1) -> Slots:
    """Return the largest number of strips that can be mown and wrapped the same day, per case.

    Parameters
    ----------
    strips, crew, rain_slot
        As in `simulate_day`.
    min_count : int
        Fewer are not asked for: 0 is returned where not so many can be wrapped.

    Notes
    -----
    Every count from a bound downwards is followed until one is wrapped, so the answer is exact: a larger count may
    work where a smaller one fails, because of who is free when.
    """
    count = max_wrapped_bound(strips, crew, rain_slot)
    open_ = np.flatnonzero(count >= min_count)
    while open_.size:
        failed = ~simulate_day(strips.for_cases(open_), count[open_], crew, rain_slot[open_]).done
        count[open_[failed]] -= 1
        open_ = open_[failed & (count[open_] >= min_count)]
    return np.where(count >= min_count, count, 0)


def max_wrapped_bound(strips: Strips, crew: Crew, rain_slot: Slots) -> Slots:
    """Return a number of strips that no case can exceed: each machine, and all hands together, need their time.

    It takes a tenth of the time of `max_wrapped`, with the same parameters.
    """
    worked = np.cumsum([0, *(slot not in crew.rest_slots for slot in range(crew.finish_slot))])
    dry = np.maximum.accumulate(strips.ready, axis=0)
    # A job begins in the slot after the one before it at the earliest.
    raked_from, baled_from, wrapped_from = (
        worked[np.minimum(dry + wait, crew.finish_slot)] for wait in (0, crew.rake_lead + 1, crew.rake_lead + 2)
    )
    finish, wet = worked[-1], worked[np.minimum(rain_slot, crew.finish_slot)]
    raking, baling, wrapping = _jobs(strips, crew)
    together = _Job((raking.work + baling.work + wrapping.work) / crew.hands, 3.0 * strips.travel / crew.hands)
    possible = (
        _fits_in_time(together, raked_from, finish)
        & _fits_in_time(baling, baled_from, wet)
        & _fits_in_time(wrapping, wrapped_from, finish)
    )
    return np.asarray(np.where(possible, np.arange(1, possible.shape[0] + 1)[:, None], 0).max(axis=0))


class _Job(NamedTuple):
    """A machine's time [slots] on each strip and on the way to it, shape (strip, case) or one row for all alike."""

    work: Array
    travel: Array

    def start_times(self) -> Array:
        """Return the machine's time until it begins with each strip, shape (strip, case)."""
        return np.asarray(np.cumsum(self.work + self.travel, axis=0) - self.work)

    def time_for(self, progress: Array) -> Array:
        """Return the machine's time for so many strips; with a strip done, the way to the next can be made."""
        if self.work.shape[0] == 1:
            return progress * self.work
        whole = np.minimum((progress + TOLERANCE).astype(np.int64), self.work.shape[0] - 1)
        case = np.arange(progress.shape[1])
        return np.asarray(self.start_times()[whole, case] + (progress - whole) * self.work[whole, case])

    def strips_within(self, time: Array) -> Array:
        """Return the strips that so much of the machine's time is enough for."""
        if self.work.shape[0] == 1:
            return time / self.work
        before = self.start_times()
        whole = np.maximum((before[:, None] <= time + TOLERANCE).sum(axis=0) - 1, 0)
        case = np.arange(time.shape[1])
        return np.asarray(whole + np.clip((time - before[whole, case]) / self.work[whole, case], 0.0, 1.0))


def _fits_in_time(job: _Job, opens: Slots, closes: Slots | int) -> NDArray[np.bool_]:
    """Return for which counts there is time for all strips since the first is dry, and for the last since it is."""
    before = job.start_times() if job.work.shape[0] > 1 else np.arange(opens.shape[0])[:, None] * job.work
    all_in_time = before + job.work <= closes - opens[0] + TOLERANCE
    return np.asarray(all_in_time & (job.work <= closes - opens + TOLERANCE))


def _jobs(strips: Strips, crew: Crew) -> tuple[_Job, _Job, _Job]:
    """Return raking, baling and wrapping."""
    work = (np.full_like(strips.bales, 1.0 / crew.raking_rate), strips.baling_time, strips.bales / crew.wrapping_rate)
    raking, baling, wrapping = (_Job(each, strips.travel) for each in work)
    return raking, baling, wrapping


def _dry_counts(dry_by: Slots, begin: int, finish: int) -> Slots:
    """Return how many strips are dry at each slot from `begin` up to `finish`, shape (slot, case)."""
    cases = dry_by.shape[1]
    slots = finish - begin
    cell = np.clip(dry_by - begin, 0, slots) * cases + np.arange(cases)
    newly = np.bincount(cell.ravel(), minlength=(slots + 1) * cases).reshape(slots + 1, cases)
    return np.asarray(newly[:slots].cumsum(axis=0))


def _free_hands(strips: Strips, count: Slots, crew: Crew, slot: Slots) -> Array:
    """Return the hands that the mower leaves in each slot, shape (slot, case) or (slot, 1); none in a rest."""
    working = np.array([at not in crew.rest_slots for at in slot[:, 0].tolist()], dtype=np.float64)
    hands = crew.hands * working[:, None]
    last_mown = np.where(count > 0, strips.mown[np.maximum(count - 1, 0), np.arange(count.size)], -1)
    if slot.size == 0 or slot[0, 0] > last_mown.max():
        return hands
    return np.asarray(np.maximum(hands - (slot <= last_mown), 0.0))


def _run_machine(
    arrived: Array, job: _Job, hands: Array, open_: NDArray[np.bool_] | float, closes: Slots | None = None
) -> tuple[Array, Array]:
    """Return the strips that one machine gets done by the end of each slot, and the hands it leaves.

    A queue at one server, counted in the machine's time: done(s) = min(arrived(s), done(s - 1) + capacity(s)).
    """
    due, capacity = job.time_for(arrived), np.minimum(hands, open_)
    spent, before = np.empty_like(due), np.zeros(due.shape[1])
    for slot, row in enumerate(spent):
        np.add(before, capacity[slot], out=row)
        before = np.minimum(row, due[slot], out=row)
    done = job.strips_within(spent)
    if closes is not None and (closes < done.shape[0]).any():
        done = _stop_at_close(done, closes)
        spent = np.minimum(spent, job.time_for(done))
    left = hands - spent
    left[1:] += spent[:-1]
    return done, np.maximum(left, 0.0, out=left)


def _stop_at_close(done: Array, closes: Slots) -> Array:
    """Return the strips done when work ends for good in the first slot that begins on a strip that is closed."""
    at = np.minimum((_lagged(done, 1) + TOLERANCE).astype(np.int64), closes.shape[0] - 1)
    slot = np.arange(done.shape[0])[:, None]
    closed = closes[at, np.arange(done.shape[1])] <= slot
    last = np.where(closed.any(axis=0), closed.argmax(axis=0), done.shape[0])
    kept = np.where(slot < last, done, 0.0)
    return np.asarray(np.maximum.accumulate(kept, axis=0))


def _lagged(progress: Array, slots: int) -> Array:
    """Return the progress as it was so many slots before, nothing before the first."""
    before = np.zeros_like(progress)
    before[slots:] = progress[: max(progress.shape[0] - slots, 0)]
    return before

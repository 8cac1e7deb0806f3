"""One field on one day: from drying and rain to the acres that can be wrapped, the hours of work and the odds."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from models.day_limits import first_rain_slot, mowing_slots
from models.workday import NEVER, SLOTS_PER_HOUR, Crew, Run, Slots, Strips, max_wrapped, max_wrapped_bound, simulate_day

Array = NDArray[np.float64]


class Hindrance(StrEnum):
    """What stands in the way in most of the cases that fail."""

    RAIN = "rain"
    DRYING = "drying"
    TIME = "time"


@dataclass(frozen=True)
class CropDay:
    """A field on a day, for every slot in which a strip of it may be mown.

    `first_slot` is the slot of the first row; `ready` and `closes` (row, case) as in `Strips`; `bales` and
    `baling_time` (case,) are those of a strip; `water` (hour + 1, row, case) [kg/kg DM] is its moisture at the ends of
    the hours; `wet` (member, hour) marks the hours that count as wet, `draws_per_member` says how many cases a member
    stands for; `pace` (slot,) [strips per slot] is the mower's.
    """

    first_slot: int
    ready: Slots
    closes: Slots
    bales: Array
    baling_time: Array
    water: Array
    wet: NDArray[np.bool_]
    draws_per_member: int
    pace: Array

    def rain_slots(self, starts: Sequence[int]) -> Slots:
        """Return the slot at which rain ends the day for a swath mown from each start on, shape (start, case)."""
        return np.repeat(first_rain_slot(self.wet, np.asarray(starts)), self.draws_per_member, axis=1)

    def strips(self, starts: Sequence[int], count: int, travel: int = 0) -> Strips:
        """Return `count` strips mown one after another from each start on, as cases side by side.

        A strip past the last row is never dry. `travel` [slots] is the way of each machine to the first of them.
        """
        mown = mowing_slots(self.pace, np.asarray(starts), count)[:, :, None]
        rows = np.minimum(mown[:, :, 0] - self.first_slot, self.ready.shape[0] - 1)
        beyond = mown - self.first_slot >= self.ready.shape[0]
        shape = (count, len(starts), self.bales.size)
        way = np.zeros((1 if travel == 0 else count, len(starts) * self.bales.size))
        way[0] = travel
        return Strips(
            mown=np.broadcast_to(mown, shape).reshape(count, -1),
            ready=np.where(beyond, NEVER, self.ready[rows]).reshape(count, -1),
            closes=self.closes[rows].reshape(count, -1),
            bales=np.tile(self.bales, len(starts))[None],
            baling_time=np.tile(self.baling_time, len(starts))[None],
            travel=way,
        )


@dataclass(frozen=True)
class Plan:
    """What is best done with a field on a day.

    `strip_count` is the largest count at the odds needed, 0 if none; `odds` [1] belong to counts 1, 2, 3 ...; `start`
    is the slot in which mowing begins and `mowing_end` the slot in which it has ended. `strips_so_far` are the strips
    of the day so far, this field's last, for the field after it; `wrappable` (case,) is how many of this field's can be
    wrapped.
    """

    start: int
    strip_count: int
    odds: Array
    strips_so_far: Strips
    rain_slot: Slots
    wrappable: Slots

    @property
    def earlier_strips(self) -> int:
        """The strips of the fields mown before this one."""
        return int(self.strips_so_far.mown.shape[0] - self.odds.size)

    @property
    def mowing_end(self) -> int:
        """The slot in which mowing has ended."""
        return (
            int(self.strips_so_far.mown[self.earlier_strips + self.strip_count - 1, 0]) + 1
            if self.strip_count
            else self.start
        )


@dataclass(frozen=True)
class WorkdayEnd:
    """When the work ends and how moist the crop is, over the cases in which all goes well."""

    raking_from: int  # slot, in half of the cases
    baling_from: int  # the same
    wrapped_by: int  # slot, in four of five cases
    moisture: tuple[float, float, float]  # 10, 50 and 90 % points at raking, dry basis [kg/kg]
    bales: float  # middle of the cases
    too_dry_share: float  # share of the strips that are drier than wanted when raked [1]


def best_plan(
    field: CropDay,
    crew: Crew,
    starts: Sequence[int],
    *,
    max_strips: int,
    min_strips: int,
    odds_needed: float,
    to_odds: Callable[[Array], Array],
) -> Plan:
    """Choose the start of mowing and the largest area at the odds needed.

    Parameters
    ----------
    field : CropDay
    crew : Crew
    starts : sequence of int
        Slots in which mowing may begin, in order.
    max_strips, min_strips : int
        Strips that the field has, and that are worth hitching up for (1 to `max_strips`).
    odds_needed : float [1]
        Odds needed.
    to_odds : callable
        Turns shares of cases into odds, see `models.odds`.

    Notes
    -----
    The best start is that with the largest area at the odds needed; among equals that with the higher odds, and then
    the earlier. Where no start reaches the odds for the least area, it is the start with the highest odds for it.
    """
    walls = field.rain_slots(starts)
    counts = max_wrapped(field.strips(starts, max_strips), crew, walls.ravel()).reshape(walls.shape)
    odds = to_odds(_share_by_count(counts, max_strips))
    enough = (odds >= odds_needed).sum(axis=1)
    enough = np.where(enough >= min_strips, enough, 0)
    at_best = odds[np.arange(len(starts)), np.maximum(enough, min_strips) - 1]
    best = int(np.lexsort((np.arange(len(starts)), -at_best, -enough))[0])
    laid = field.strips([starts[best]], max_strips)
    return Plan(starts[best], int(enough[best]), odds[best], laid, walls[best], counts[best])


def plan_hour_later(
    plan: Plan, field: CropDay, crew: Crew, *, odds_needed: float, to_odds: Callable[[Array], Array]
) -> Plan:
    """Return what is left of a plan, of a field that is mown first, when mowing begins an hour later."""
    later = [plan.start + SLOTS_PER_HOUR]
    return best_plan(
        field, crew, later, max_strips=plan.odds.size, min_strips=1, odds_needed=odds_needed, to_odds=to_odds
    )


def next_plan(
    previous: Plan,
    field: CropDay,
    crew: Crew,
    travel: int,
    *,
    max_strips: int,
    min_strips: int,
    odds_needed: float,
    to_odds: Callable[[Array], Array],
) -> Plan:
    """Plan a field that is mown after another one on the same day by the same people.

    Notes
    -----
    Odds are those of wrapping everything: the fields before and this one; where they cannot be enough, a bound of them.
    Each machine needs `travel` [slots] to get from the one to the other.
    """
    start = previous.mowing_end + travel
    laid = Strips.concatenate(
        [
            previous.strips_so_far.first_mown(previous.earlier_strips + previous.strip_count),
            field.strips([start], max_strips, travel),
        ]
    )
    mown = laid.mown.shape[0] - max_strips
    counts = np.maximum(max_wrapped_bound(laid, crew, previous.rain_slot) - mown, 0)
    odds = to_odds(_share_by_count(counts[None], max_strips))[0]
    if odds[min_strips - 1] >= odds_needed:
        counts = np.maximum(max_wrapped(laid, crew, previous.rain_slot, mown + 1) - mown, 0)
        odds = to_odds(_share_by_count(counts[None], max_strips))[0]
    enough = int((odds >= odds_needed).sum())
    return Plan(start, enough if enough >= min_strips else 0, odds, laid, previous.rain_slot, counts)


def workday_end(plan: Plan, field: CropDay, crew: Crew, min_water: float) -> WorkdayEnd:
    """Return the hours of baling and wrapping and the moisture at raking of a plan with at least one strip.

    Parameters
    ----------
    plan, field, crew
    min_water : float [kg/kg DM]
        Drier strips are counted: while the baler waits for the last strip, the first goes on drying.

    Notes
    -----
    Drying stops at raking: a windrow hardly dries on.
    """
    count = plan.earlier_strips + plan.strip_count
    run = simulate_day(plan.strips_so_far, np.full(plan.rain_slot.size, count), crew, plan.rain_slot)
    good = run.done if run.done.any() else np.ones_like(run.done)
    water = _water_at_raking(plan, field, run, count)[:, good]
    return WorkdayEnd(
        raking_from=_upper_median(run.raking_slots(count)[plan.earlier_strips, good]),
        baling_from=_upper_median(run.baling_slots(count)[plan.earlier_strips, good]),
        wrapped_by=int(np.minimum(np.quantile(run.wrapped_at[good], 0.8, method="higher"), crew.finish_slot)),
        moisture=tuple(float(q) for q in np.quantile(water, [0.1, 0.5, 0.9])),  # type: ignore[arg-type]
        bales=float(np.median(field.bales) * plan.strip_count),
        too_dry_share=float((water < min_water).mean()),
    )


def main_hindrance(plan: Plan, crew: Crew, min_strips: int) -> tuple[Hindrance, float]:
    """Return what most often keeps the least area from being wrapped, and the share of all cases it spoils."""
    dry_by = np.maximum.accumulate(plan.strips_so_far.ready, axis=0)[plan.earlier_strips + min_strips - 1]
    rain = plan.rain_slot < crew.finish_slot
    never_dry = ~rain & (dry_by >= crew.finish_slot)
    wrapped = plan.wrappable >= min_strips
    spoiled = {
        Hindrance.RAIN: float((rain & ~wrapped).mean()),
        Hindrance.DRYING: float((never_dry & ~wrapped).mean()),
        Hindrance.TIME: float((~rain & ~never_dry & ~wrapped).mean()),
    }
    return max(spoiled.items(), key=lambda item: item[1])


def _share_by_count(counts: Slots, max_strips: int) -> Array:
    """Return the share of cases that reach each count from 1 to `max_strips`, shape (start, count)."""
    return np.asarray((counts[:, None, :] >= np.arange(1, max_strips + 1)[:, None]).mean(axis=2))


def _water_at_raking(plan: Plan, field: CropDay, run: Run, count: int) -> Array:
    """Return the moisture [kg/kg DM] of the field's strips when each is raked, shape (strip, case)."""
    rows = plan.strips_so_far.mown[plan.earlier_strips : count, 0] - field.first_slot
    slot = run.raking_slots(count)[plan.earlier_strips :]
    hour = np.minimum(slot / SLOTS_PER_HOUR, field.water.shape[0] - 1.0)
    whole = np.minimum(hour.astype(np.int64), field.water.shape[0] - 2)
    cases = np.arange(field.bales.size)
    at_start = field.water[whole, rows[:, None], cases]
    at_end = field.water[whole + 1, rows[:, None], cases]
    return np.asarray(at_start + (hour - whole) * (at_end - at_start))


def _upper_median(slots: Slots) -> int:
    """Return the later of the two middle values, so that nobody is called too early."""
    return int(np.quantile(slots, 0.5, method="higher"))

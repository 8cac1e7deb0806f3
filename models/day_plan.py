"""One field on one day: from drying and rain to the acres that can be wrapped, the hours of work and the odds."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from models.day_limits import mowing_slots, rain_wall
from models.workday import NEVER, SLOTS_PER_HOUR, Crew, Run, Slots, Strips, follow, most_conceivable, most_wrapped

Array = NDArray[np.float64]


class Hindrance(StrEnum):
    """What stands in the way in most of the cases that fail."""

    RAIN = "rain"
    DRYING = "drying"
    TIME = "time"


@dataclass(frozen=True)
class CropDay:
    """A field on a day, for every slot in which a strip of it may be mown.

    `first` is the slot of the first row; `ready` and `closes` (row, case) as in `Strips`; `bales` and `baling` (case,)
    are those of a strip; `water` (hour + 1, row, case) [kg/kg DM] is its moisture at the ends of the hours; `wet`
    (member, hour) marks the hours that count as wet, `draws` says how many cases a member stands for; `pace` (slot,)
    [strips per slot] is the mower's.
    """

    first: int
    ready: Slots
    closes: Slots
    bales: Array
    baling: Array
    water: Array
    wet: NDArray[np.bool_]
    draws: int
    pace: Array

    def wall(self, starts: Sequence[int]) -> Slots:
        """Return the slot at which rain ends the day for a swath mown from each start on, shape (start, case)."""
        return np.repeat(rain_wall(self.wet, np.asarray(starts)), self.draws, axis=1)

    def strips(self, starts: Sequence[int], count: int, travel: int = 0) -> Strips:
        """Return `count` strips mown one after another from each start on, as cases side by side.

        A strip past the last row is never dry. `travel` [slots] is the way of each machine to the first of them.
        """
        mown = mowing_slots(self.pace, np.asarray(starts), count)[:, :, None]
        rows = np.minimum(mown[:, :, 0] - self.first, self.ready.shape[0] - 1)
        beyond = mown - self.first >= self.ready.shape[0]
        shape = (count, len(starts), self.bales.size)
        way = np.zeros((1 if travel == 0 else count, len(starts) * self.bales.size))
        way[0] = travel
        return Strips(
            mown=np.broadcast_to(mown, shape).reshape(count, -1),
            ready=np.where(beyond, NEVER, self.ready[rows]).reshape(count, -1),
            closes=self.closes[rows].reshape(count, -1),
            bales=np.tile(self.bales, len(starts))[None],
            baling=np.tile(self.baling, len(starts))[None],
            travel=way,
        )


@dataclass(frozen=True)
class Plan:
    """What is best done with a field on a day.

    `strips` is the largest count at the odds needed, 0 if none; `odds` [1] belong to counts 1, 2, 3 ...; `start` is the
    slot in which mowing begins and `end` the slot in which it has ended. `laid` are the strips of the day so far, this
    field's last, for the field after it; `wrapped` (case,) is how many of this field's can be wrapped.
    """

    start: int
    strips: int
    odds: Array
    laid: Strips
    wall: Slots
    wrapped: Slots

    @property
    def before(self) -> int:
        """The strips of the fields mown before this one."""
        return int(self.laid.mown.shape[0] - self.odds.size)

    @property
    def end(self) -> int:
        """The slot in which mowing has ended."""
        return int(self.laid.mown[self.before + self.strips - 1, 0]) + 1 if self.strips else self.start


@dataclass(frozen=True)
class Evening:
    """When the work ends and how moist the crop is, over the cases in which all goes well."""

    raking_from: int  # slot, in half of the cases
    baling_from: int  # the same
    wrapped_by: int  # slot, in four of five cases
    moisture: tuple[float, float, float]  # 10, 50 and 90 % points at raking, dry basis [kg/kg]
    bales: float  # middle of the cases
    too_dry: float  # share of the strips that are drier than wanted when raked [1]


def best_plan(
    field: CropDay,
    crew: Crew,
    starts: Sequence[int],
    *,
    most: int,
    least: int,
    needed: float,
    to_odds: Callable[[Array], Array],
) -> Plan:
    """Choose the start of mowing and the largest area at the odds needed.

    Parameters
    ----------
    field : CropDay
    crew : Crew
    starts : sequence of int
        Slots in which mowing may begin, in order.
    most, least : int
        Strips that the field has, and that are worth hitching up for (1 to `most`).
    needed : float [1]
        Odds needed.
    to_odds : callable
        Turns shares of cases into odds, see `models.odds`.

    Notes
    -----
    The best start is that with the largest area at the odds needed; among equals that with the higher odds, and then
    the earlier. Where no start reaches the odds for the least area, it is the start with the highest odds for it.
    """
    walls = field.wall(starts)
    counts = most_wrapped(field.strips(starts, most), crew, walls.ravel()).reshape(walls.shape)
    odds = to_odds(_shares(counts, most))
    enough = (odds >= needed).sum(axis=1)
    enough = np.where(enough >= least, enough, 0)
    at_best = odds[np.arange(len(starts)), np.maximum(enough, least) - 1]
    best = int(np.lexsort((np.arange(len(starts)), -at_best, -enough))[0])
    laid = field.strips([starts[best]], most)
    return Plan(starts[best], int(enough[best]), odds[best], laid, walls[best], counts[best])


def hour_later(plan: Plan, field: CropDay, crew: Crew, *, needed: float, to_odds: Callable[[Array], Array]) -> Plan:
    """Return what is left of a plan, of a field that is mown first, when mowing begins an hour later."""
    later = [plan.start + SLOTS_PER_HOUR]
    return best_plan(field, crew, later, most=plan.odds.size, least=1, needed=needed, to_odds=to_odds)


def next_plan(
    before: Plan,
    field: CropDay,
    crew: Crew,
    travel: int,
    *,
    most: int,
    least: int,
    needed: float,
    to_odds: Callable[[Array], Array],
) -> Plan:
    """Plan a field that is mown after another one on the same day by the same people.

    Notes
    -----
    Odds are those of wrapping everything: the fields before and this one; where they cannot be enough, a bound of them.
    Each machine needs `travel` [slots] to get from the one to the other.
    """
    start = before.end + travel
    laid = Strips.one_after_another(
        [before.laid.first(before.before + before.strips), field.strips([start], most, travel)]
    )
    mown = laid.mown.shape[0] - most
    counts = np.maximum(most_conceivable(laid, crew, before.wall) - mown, 0)
    odds = to_odds(_shares(counts[None], most))[0]
    if odds[least - 1] >= needed:
        counts = np.maximum(most_wrapped(laid, crew, before.wall, mown + 1) - mown, 0)
        odds = to_odds(_shares(counts[None], most))[0]
    enough = int((odds >= needed).sum())
    return Plan(start, enough if enough >= least else 0, odds, laid, before.wall, counts)


def evening(plan: Plan, field: CropDay, crew: Crew, driest: float) -> Evening:
    """Return the hours of baling and wrapping and the moisture at raking of a plan with at least one strip.

    Parameters
    ----------
    plan, field, crew
    driest : float [kg/kg DM]
        Drier strips are counted: while the baler waits for the last strip, the first goes on drying.

    Notes
    -----
    Drying stops at raking: a windrow hardly dries on.
    """
    count = plan.before + plan.strips
    run = follow(plan.laid, np.full(plan.wall.size, count), crew, plan.wall)
    good = run.done if run.done.any() else np.ones_like(run.done)
    water = _water_at_raking(plan, field, run, count)[:, good]
    return Evening(
        raking_from=_middle(run.raking_slot(count)[plan.before, good]),
        baling_from=_middle(run.baling_slot(count)[plan.before, good]),
        wrapped_by=int(np.minimum(np.quantile(run.wrapped_at[good], 0.8, method="higher"), crew.finish)),
        moisture=tuple(float(q) for q in np.quantile(water, [0.1, 0.5, 0.9])),  # type: ignore[arg-type]
        bales=float(np.median(field.bales) * plan.strips),
        too_dry=float((water < driest).mean()),
    )


def hindrance(plan: Plan, crew: Crew, least: int) -> tuple[Hindrance, float]:
    """Return what most often keeps the least area from being wrapped, and the share of all cases it spoils."""
    dry_by = np.maximum.accumulate(plan.laid.ready, axis=0)[plan.before + least - 1]
    rain = plan.wall < crew.finish
    never_dry = ~rain & (dry_by >= crew.finish)
    wrapped = plan.wrapped >= least
    spoiled = {
        Hindrance.RAIN: float((rain & ~wrapped).mean()),
        Hindrance.DRYING: float((never_dry & ~wrapped).mean()),
        Hindrance.TIME: float((~rain & ~never_dry & ~wrapped).mean()),
    }
    return max(spoiled.items(), key=lambda item: item[1])


def _shares(counts: Slots, most: int) -> Array:
    """Return the share of cases that reach each count from 1 to `most`, shape (start, count)."""
    return np.asarray((counts[:, None, :] >= np.arange(1, most + 1)[:, None]).mean(axis=2))


def _water_at_raking(plan: Plan, field: CropDay, run: Run, count: int) -> Array:
    """Return the moisture [kg/kg DM] of the field's strips when each is raked, shape (strip, case)."""
    rows = plan.laid.mown[plan.before : count, 0] - field.first
    slot = run.raking_slot(count)[plan.before :]
    hour = np.minimum(slot / SLOTS_PER_HOUR, field.water.shape[0] - 1.0)
    whole = np.minimum(hour.astype(np.int64), field.water.shape[0] - 2)
    cases = np.arange(field.bales.size)
    at_start = field.water[whole, rows[:, None], cases]
    at_end = field.water[whole + 1, rows[:, None], cases]
    return np.asarray(at_start + (hour - whole) * (at_end - at_start))


def _middle(slots: Slots) -> int:
    """Return the later of the two middle values, so that nobody is called too early."""
    return int(np.quantile(slots, 0.5, method="higher"))

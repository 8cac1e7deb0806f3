"""Which of the fields that may be mown on a day comes first, and which had better wait for another day."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np

from daemon.domain.farm import Farm
from daemon.domain.prospect import FieldDay, PlaceInDay, Reason, Urgency
from daemon.domain.units import HOUR
from daemon.planning.drying import day_index
from daemon.planning.feed_value import site_yield_ratio
from daemon.planning.field_day import PlannedDay, place_after, with_work_hours
from daemon.planning.forecast_hours import ForecastHours
from models import coefficients as c
from models.cost_loss import MowingGain, mowing_gain
from models.quality import field_quality

PlansByDay = Mapping[date, PlannedDay]  # of one field
NO_GAIN = MowingGain(0.0, 0.0, None)


@dataclass(frozen=True)
class _Candidate:
    """A field that waits for its place in a day, and what speaks for it."""

    planned_day: PlannedDay
    gain: MowingGain
    urgency: Urgency | None
    storm: datetime | None
    better_in: int | None = None  # days until the day that it had better wait for, but for its hurry

    def without_urgency(self) -> "_Candidate":
        """Return the same if there is no time left to hurry: what had better wait then waits."""
        worked = self.planned_day if self.better_in is None else _postpone(self.planned_day, self.better_in)
        return replace(self, planned_day=worked, urgency=None)

    @property
    def rank(self) -> tuple[bool, bool, float, float]:
        """What may be mown, and of that what is in a hurry, then what loses most by waiting, then what is oldest."""
        bare = self.planned_day.plan.strip_count == 0
        return bare, self.urgency is None, -self.gain.lost_by_waiting, self.planned_day.field_day.days_left

    def is_in_time(self, field_day: FieldDay) -> bool:
        """Return whether its bales are wrapped well before the storm."""
        if field_day.plan is None:
            return False
        return self.storm is None or field_day.plan.wrapped_by + c.STORM_MARGIN * HOUR <= self.storm


def order_fields(
    farm: Farm, day: date, fields: Sequence[PlansByDay], hours: ForecastHours, may_be_mown: Callable[[FieldDay], bool]
) -> list[PlannedDay]:
    """Return the fields that are open on a day in the order of mowing, each after those before it.

    Parameters
    ----------
    farm, hours
    day : date
    fields : sequence of mappings
        For each field its days, reckoned alone.
    may_be_mown : callable
        Whether a day is open at all: ripe, in season and no day off.

    Notes
    -----
    The odds needed stay the floor: only among fields that have them does what is gained by mowing give the order. A
    field that had better wait comes without a plan. Where the gain is not known, the field furthest past its target
    comes first. A crop that lies flat, or that a storm may lay flat, comes before the others if it is wrapped two hours
    before the storm; behind another field that it leaves no time for, it takes its usual place.
    """
    open_ = [days for days in fields if day in days and may_be_mown(days[day].field_day)]
    waiting = [_candidate(farm, day, days, hours, may_be_mown) for days in open_]
    placed: list[PlannedDay] = []
    while waiting:
        one = waiting.pop(waiting.index(min(waiting, key=lambda each: each.rank)))
        before = next((earlier for earlier in reversed(placed) if earlier.plan.strip_count), None)
        worked = one.planned_day if before is None else place_after(farm, before, one.planned_day, hours)
        shown = with_work_hours(farm, worked, hours)
        if one.urgency is not None and not one.is_in_time(shown):
            waiting.append(one.without_urgency())
        else:
            placed.append(replace(worked, field_day=_with_place(one, shown)))
    return placed


def _with_place(candidate: _Candidate, field_day: FieldDay) -> FieldDay:
    """Return a day with what gave it its place, if it has one."""
    if field_day.plan is None:
        return field_day
    storm = candidate.storm if candidate.urgency is Urgency.STORM else None
    lost = candidate.gain.lost_by_waiting
    place = replace(field_day.place, lost_by_waiting=lost, urgency=candidate.urgency, storm_at=storm)
    return replace(field_day, place=place)


def _candidate(
    farm: Farm, day: date, days: PlansByDay, hours: ForecastHours, may_be_mown: Callable[[FieldDay], bool]
) -> _Candidate:
    worked = days[day]
    if worked.plan.strip_count == 0:
        return _Candidate(worked, NO_GAIN, None, None)
    found = _mowing_gain(farm, day, days, may_be_mown)
    said = farm.estimates
    storm = worked.window.storm_start(hours, said.storm_gust, said.storm_rain)
    here = None if storm is None else storm.astimezone(farm.place.timezone)
    hurry = _urgency(worked, here)
    strikes_first = (
        here is not None and _can_lodge(worked) and here.date() <= day + timedelta(days=found.best_in_days or 0)
    )
    better_in = found.best_in_days if found.is_waiting_better(said.worth_waiting) else None
    if better_in is not None and not strikes_first:
        return _Candidate(_postpone(worked, better_in), found, None, None)
    return _Candidate(worked, found, hurry, here, better_in)


def _urgency(planned_day: PlannedDay, storm: datetime | None) -> Urgency | None:
    """Return why a field that may be mown should come before the others, if anything."""
    if planned_day.crop.state.lodged is not None:
        return Urgency.LODGED
    return Urgency.STORM if storm is not None and _can_lodge(planned_day) else None


def _can_lodge(planned_day: PlannedDay) -> bool:
    """Return whether a storm could lay the crop flat."""
    return planned_day.crop.dry_matter(planned_day.window.date) >= c.LODGING_DRY_MATTER


def _mowing_gain(farm: Farm, day: date, days: PlansByDay, may_be_mown: Callable[[FieldDay], bool]) -> MowingGain:
    """Return what a field gains by being mown on a day, by the odds of the least area: those compare between fields."""
    ahead = [one for one in sorted(days) if one >= day]
    least = [days[one].field_day.odds_for_area(farm.work.least_area) for one in ahead]
    crop = days[day].crop
    at = [day_index(crop.growth, one) for one in ahead]
    worth = field_quality(crop.growth, crop.field.purpose, yield_ratio=site_yield_ratio(crop, day)).worth.mid[at]
    fit = np.array([days[one].plan.strip_count > 0 and may_be_mown(days[one].field_day) for one in ahead])
    odds = np.array([one.odds if one else 0.0 for one in least])
    said = farm.estimates
    try:
        return mowing_gain(np.asarray(worth), odds, fit, spoiled_loss=said.spoiled_loss, next_window=said.next_window)
    except ValueError:
        return NO_GAIN


def _postpone(planned_day: PlannedDay, better_in: int) -> PlannedDay:
    """Return a day without its plan, for a better one that is worth waiting for."""
    place = PlaceInDay(better_in_days=better_in)
    shown = replace(planned_day.field_day.without_plan(Reason.BETTER_LATER), place=place)
    return replace(planned_day, plan=replace(planned_day.plan, strip_count=0), field_day=shown)

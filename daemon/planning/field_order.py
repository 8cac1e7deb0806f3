"""Which of the fields that may be mown on a day comes first, and which had better wait for another day."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np

from daemon.domain.farm import Farm
from daemon.domain.prospect import FieldDay, Reason, Urgency
from daemon.domain.units import HOUR
from daemon.planning.drying import day_index
from daemon.planning.feed_value import site_of
from daemon.planning.field_day import WorkedDay, field_after, with_hours
from daemon.planning.forecast_hours import ForecastHours
from models import coefficients as c
from models.cost_loss import MowingGain, mowing_gain
from models.quality import field_quality

Days = Mapping[date, WorkedDay]  # of one field
NO_GAIN = MowingGain(0.0, 0.0, None)


@dataclass(frozen=True)
class _Waiting:
    """A field that waits for its place in a day, and what speaks for it."""

    worked: WorkedDay
    gain: MowingGain
    hurry: Urgency | None
    storm: datetime | None
    better_in: int | None = None  # days until the day that it had better wait for, but for its hurry

    def without_hurry(self) -> "_Waiting":
        """Return the same if there is no time left to hurry: what had better wait then waits."""
        worked = self.worked if self.better_in is None else _held_back(self.worked, self.better_in)
        return replace(self, worked=worked, hurry=None)

    @property
    def rank(self) -> tuple[bool, bool, float, float]:
        """What may be mown, and of that what is in a hurry, then what loses most by waiting, then what is oldest."""
        bare = self.worked.plan.strip_count == 0
        return bare, self.hurry is None, -self.gain.lost_by_waiting, self.worked.shown.days_left

    def is_in_time(self, shown: FieldDay) -> bool:
        """Return whether its bales are wrapped well before the storm."""
        if self.storm is None or shown.wrapped_by is None:
            return shown.wrapped_by is not None
        return shown.wrapped_by + c.STORM_MARGIN * HOUR <= self.storm


def placed_on(
    farm: Farm, day: date, fields: Sequence[Days], hours: ForecastHours, may_be_mown: Callable[[FieldDay], bool]
) -> list[WorkedDay]:
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
    open_ = [days for days in fields if day in days and may_be_mown(days[day].shown)]
    waiting = [_waiting(farm, day, days, hours, may_be_mown) for days in open_]
    placed: list[WorkedDay] = []
    while waiting:
        one = waiting.pop(waiting.index(min(waiting, key=lambda each: each.rank)))
        before = next((earlier for earlier in reversed(placed) if earlier.plan.strip_count), None)
        worked = one.worked if before is None else field_after(farm, before, one.worked, hours)
        shown = with_hours(farm, worked, hours)
        if one.hurry is not None and not one.is_in_time(shown):
            waiting.append(one.without_hurry())
        else:
            placed.append(replace(worked, shown=_told(one, shown)))
    return placed


def _told(one: _Waiting, shown: FieldDay) -> FieldDay:
    """Return a day with what gave it its place, if it has one."""
    if shown.start is None:
        return shown
    storm = one.storm if one.hurry is Urgency.STORM else None
    return replace(shown, lost_by_waiting=one.gain.lost_by_waiting, urgency=one.hurry, storm_at=storm)


def _waiting(
    farm: Farm, day: date, days: Days, hours: ForecastHours, may_be_mown: Callable[[FieldDay], bool]
) -> _Waiting:
    worked = days[day]
    if worked.plan.strip_count == 0:
        return _Waiting(worked, NO_GAIN, None, None)
    found = _gain(farm, day, days, may_be_mown)
    said = farm.estimates
    storm = worked.window.storm(hours, said.storm_gust, said.storm_rain)
    here = None if storm is None else storm.astimezone(farm.place.timezone)
    hurry = _hurry(worked, here)
    strikes_first = (
        here is not None and _is_tall(worked) and here.date() <= day + timedelta(days=found.best_in_days or 0)
    )
    better_in = found.best_in_days if found.is_waiting_better(said.worth_waiting) else None
    if better_in is not None and not strikes_first:
        return _Waiting(_held_back(worked, better_in), found, None, None)
    return _Waiting(worked, found, hurry, here, better_in)


def _hurry(worked: WorkedDay, storm: datetime | None) -> Urgency | None:
    """Return why a field that may be mown should come before the others, if anything."""
    if worked.crop.field.lodged is not None:
        return Urgency.LODGED
    return Urgency.STORM if storm is not None and _is_tall(worked) else None


def _is_tall(worked: WorkedDay) -> bool:
    """Return whether a storm could lay the crop flat."""
    return worked.crop.dry_matter(worked.window.date) >= c.LODGING_DRY_MATTER


def _gain(farm: Farm, day: date, days: Days, may_be_mown: Callable[[FieldDay], bool]) -> MowingGain:
    """Return what a field gains by being mown on a day, by the odds of the least area: those compare between fields."""
    ahead = [one for one in sorted(days) if one >= day]
    least = [days[one].shown.odds_for_area(farm.work.least_area) for one in ahead]
    crop = days[day].crop
    at = [day_index(crop.growth, one) for one in ahead]
    worth = field_quality(crop.growth, crop.field.purpose, yield_ratio=site_of(crop, day)).worth.mid[at]
    fit = np.array([days[one].plan.strip_count > 0 and may_be_mown(days[one].shown) for one in ahead])
    odds = np.array([one.odds if one else 0.0 for one in least])
    said = farm.estimates
    try:
        return mowing_gain(np.asarray(worth), odds, fit, spoiled_loss=said.spoiled_loss, next_window=said.next_window)
    except ValueError:
        return NO_GAIN


def _held_back(worked: WorkedDay, better_in: int) -> WorkedDay:
    """Return a day without its plan, for a better one that is worth waiting for."""
    shown = replace(worked.shown.without_plan(Reason.BETTER_LATER), better_in_days=better_in)
    return replace(worked, plan=replace(worked.plan, strip_count=0), shown=shown)

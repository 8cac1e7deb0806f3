"""Which of the fields that may be mown on a day comes first, and which had better wait for another day."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from daemon.crop import day_index
from daemon.farm import Farm
from daemon.feed import site_of
from daemon.outlook import FieldDay, Reason
from daemon.workplan import WorkedDay
from models.choice import Gain, gain
from models.quality import field_quality

Days = Mapping[date, WorkedDay]  # of one field
NO_GAIN = Gain(0.0, 0.0, None)


def in_order(farm: Farm, day: date, fields: Sequence[Days], may_be_mown: Callable[[FieldDay], bool]) -> list[WorkedDay]:
    """Return the fields that are open on a day, the one first that loses most by waiting.

    Parameters
    ----------
    farm : Farm
    day : date
    fields : sequence of mappings
        For each field its days, reckoned alone.
    may_be_mown : callable
        Whether a day is open at all: ripe, in season and no day off.

    Notes
    -----
    The odds needed stay the floor: only among fields that have them does what is gained by mowing give the order. A
    field that had better wait keeps its place with the reason and without a plan. Where the gain is not known, the
    field furthest past its target comes first.
    """
    open_ = [days for days in fields if day in days and may_be_mown(days[day].shown)]
    gains = [_gain(farm, day, days, may_be_mown) for days in open_]
    pairs = sorted(
        zip(open_, gains, strict=True),
        key=lambda pair: (pair[0][day].plan.strips == 0, -pair[1].of_mowing, pair[0][day].shown.days_left),
    )
    return [_held_back(days[day], found) for days, found in pairs]


def _gain(farm: Farm, day: date, days: Days, may_be_mown: Callable[[FieldDay], bool]) -> Gain:
    """Return what a field gains by being mown on a day, by the odds of the least area: those compare between fields."""
    if days[day].plan.strips == 0:
        return NO_GAIN
    ahead = [one for one in sorted(days) if one >= day]
    least = [days[one].shown.chance_of(farm.work.least_area) for one in ahead]
    crop = days[day].crop
    at = [day_index(crop.growth, one) for one in ahead]
    worth = field_quality(crop.growth, crop.field.purpose, site=site_of(crop, day)).worth.mid[at]
    fit = np.array([days[one].plan.strips > 0 and may_be_mown(days[one].shown) for one in ahead])
    try:
        return gain(np.asarray(worth), np.array([one.odds if one else 0.0 for one in least]), fit)
    except ValueError:
        return NO_GAIN


def _held_back(worked: WorkedDay, found: Gain) -> WorkedDay:
    """Return a day as it is, or without its plan where a better one is worth waiting for."""
    if worked.plan.strips == 0 or not found.worth_waiting or found.best is None:
        return worked
    shown = replace(worked.shown.without_plan(Reason.BETTER_LATER), better_in=found.best)
    return replace(worked, plan=replace(worked.plan, strips=0), shown=shown)

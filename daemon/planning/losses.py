"""What the crop of a planned day breathes away from mowing to baling."""

import numpy as np

from daemon.domain.prospect import WorkHours
from daemon.domain.units import HOUR
from daemon.planning.field_day import PlannedDay
from daemon.planning.forecast_hours import ForecastHours
from models.losses import respiration_between
from models.quality import Figure
from models.workday import SLOTS_PER_HOUR


def respiration_until_baling(planned_day: PlannedDay, plan: WorkHours, hours: ForecastHours) -> Figure:
    """Return what a crop breathes away from mowing to baling.

    Parameters
    ----------
    planned_day : PlannedDay
        The field on a day, in its place among the fields.
    plan : WorkHours
        Its hours of work.
    hours : ForecastHours

    Returns
    -------
    Figure
        Mean of strips and cases [% of DM], with the range of the rate of breathing.

    Notes
    -----
    Departures: the strips are baled evenly between the hours shown, the same in every case, and a windrow is as moist
    as the swath. Together they come to less than a tenth of the figure, whose own range is half to twice.
    """
    strips, day, window = planned_day.plan, planned_day.crop_day, planned_day.window
    mown = strips.strips_so_far.mown[strips.earlier_strips : strips.earlier_strips + strips.strip_count, 0]
    first, last = ((at - window.begins) / HOUR for at in (plan.bale_from, plan.wrapped_by))
    baled = first + (last - first) * (np.arange(strips.strip_count) + 0.5) / strips.strip_count
    air = hours.air_temperature[:, window.first_hour : window.first_hour + day.water.shape[0] - 1]
    water = day.water[:, mown - day.first_slot]
    return respiration_between(water, np.repeat(air.T, day.draws_per_member, axis=1), mown / SLOTS_PER_HOUR, baled)

"""What the crop of a planned day breathes away from mowing to baling."""

import numpy as np

from daemon.domain.prospect import FieldDay
from daemon.domain.units import HOUR
from daemon.planning.field_day import PlannedDay
from daemon.planning.forecast_hours import ForecastHours
from models.losses import respiration_between
from models.quality import Figure
from models.workday import SLOTS_PER_HOUR


def respiration_until_baling(planned_day: PlannedDay, field_day: FieldDay, hours: ForecastHours) -> Figure | None:
    """Return what a crop breathes away from mowing to baling.

    Parameters
    ----------
    planned_day : PlannedDay
        The field on a day, in its place among the fields.
    field_day : FieldDay
        The same with its hours of work.
    hours : ForecastHours

    Returns
    -------
    Figure or None
        Mean of strips and cases [% of DM], with the range of the rate of breathing; None where nothing is mown.

    Notes
    -----
    Departures: the strips are baled evenly between the hours shown, the same in every case, and a windrow is as moist
    as the swath. Together they come to less than a tenth of the figure, whose own range is half to twice.
    """
    if field_day.bale_from is None or field_day.wrapped_by is None:
        return None
    plan, day, window = planned_day.plan, planned_day.crop_day, planned_day.window
    mown = plan.strips_so_far.mown[plan.earlier_strips : plan.earlier_strips + plan.strip_count, 0]
    first, last = ((at - window.begins) / HOUR for at in (field_day.bale_from, field_day.wrapped_by))
    baled = first + (last - first) * (np.arange(plan.strip_count) + 0.5) / plan.strip_count
    air = hours.air_temperature[:, window.first_hour : window.first_hour + day.water.shape[0] - 1]
    water = day.water[:, mown - day.first_slot]
    return respiration_between(water, np.repeat(air.T, day.draws_per_member, axis=1), mown / SLOTS_PER_HOUR, baled)

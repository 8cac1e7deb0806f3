"""What becomes of a crop that is not wrapped in the evening: its moisture and the odds of rain next day."""

from datetime import timedelta

import numpy as np

from daemon.domain.farm import Farm
from daemon.domain.prospect import Band, LeftOvernight
from daemon.domain.units import HOUR
from daemon.planning.drying import swath_of, wetness_at_mowing, with_start_moisture_by_hour
from daemon.planning.field_day import PlannedDay
from daemon.planning.forecast_hours import ForecastHours
from models import coefficients as c
from models.losses import rain_loss_after_work
from models.swath import wet_basis, wilt
from models.workday import SLOTS_PER_HOUR

NOON = 12


def left_overnight(farm: Farm, planned_day: PlannedDay, hours: ForecastHours) -> LeftOvernight | None:
    """Return what becomes of the last strip of a plan if it lies until noon of the next day.

    Returns
    -------
    IfLeft or None
        None where the forecast does not reach so far. Its moisture is that of the members without rain until then, if
        there are any; the odds of rain are the share of members, never none and never all. What rain takes is the mean
        of the members that have it after the work has ended.
    """
    window, plan = planned_day.window, planned_day.plan
    last = plan.strips_so_far.mown[plan.earlier_strips + plan.strip_count - 1, :1]
    midnight, noon = (_hours_until(planned_day, farm, clock) for clock in (0, NOON))
    span = slice(window.first_hour, window.first_hour + noon)
    if span.stop > hours.ends.size:
        return None
    water = wilt(
        hours.drying.between(span.start, span.stop),
        with_start_moisture_by_hour(swath_of(farm, planned_day.crop, window.date, hours), window, farm, last),
        last / SLOTS_PER_HOUR,
        wetness_at_mowing(planned_day.crop.wetness, window, last),
        later_day=np.arange(noon) >= midnight,
    )[:, 0]
    wet, ended = hours.wet[:, span], window.finish // SLOTS_PER_HOUR
    rained = wet[:, int(last[0]) // SLOTS_PER_HOUR :].any(axis=1)
    low, mid, high = np.quantile(wet_basis(water[-1, ~rained] if not rained.all() else water[-1]), [0.1, 0.5, 0.9])
    rain = float(np.clip(wet[:, ended:].any(axis=1).mean(), c.MIN_ODDS, c.MAX_ODDS))
    taken = rain_loss_after_work(
        water, hours.drying.rain[:, span], wet, planned_day.crop.growth.grass_share, work_end_hour=ended
    )
    return LeftOvernight(Band(float(low), float(mid), float(high)), rain, taken)


def _hours_until(planned_day: PlannedDay, farm: Farm, hour_of_day: int) -> int:
    """Return the hours from the start of the window to a full hour of the next day on the farm's clock."""
    tomorrow = planned_day.window.date + timedelta(days=1)
    at = planned_day.window.begins.astimezone(farm.place.timezone).replace(
        year=tomorrow.year, month=tomorrow.month, day=tomorrow.day, hour=hour_of_day, minute=0
    )
    return round((at.astimezone(planned_day.window.begins.tzinfo) - planned_day.window.begins) / HOUR)

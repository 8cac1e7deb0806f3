"""What the drying of a day looks like, hour by hour, for the pictures of the page and the email."""

from datetime import date

import numpy as np

from daemon.domain.farm import Farm
from daemon.domain.prospect import Band, DryingPicture
from daemon.planning.field_day import PlannedDay
from daemon.planning.forecast_hours import ForecastHours
from models.swath import wet_basis
from models.workday import SLOTS_PER_HOUR

QUANTILES = (0.1, 0.5, 0.9)


def drying_picture(
    farm: Farm, alone: dict[date, PlannedDay], placed: dict[date, PlannedDay], hours: ForecastHours
) -> DryingPicture | None:
    """Return the picture of the first day on which a field is to be mown, else of the first that was reckoned.

    Parameters
    ----------
    farm : Farm
    alone, placed : dict
        A field's days with their plans: as if it were alone, and those that it has among the others.
    hours : ForecastHours

    Notes
    -----
    The water is that of the first strip in all cases of the forecast and the crop, without the rain of wet hours, which
    end the day; the chance of these stands beside it. It goes on as if nothing were raked or baled.
    """
    good = [placed[day] for day in sorted(placed) if placed[day].plan.strip_count]
    shown = good or [alone[day] for day in sorted(alone)]
    return _day_picture(farm, shown[0], hours) if shown else None


def _day_picture(farm: Farm, planned_day: PlannedDay, hours: ForecastHours) -> DryingPicture:
    window, day, start = planned_day.window, planned_day.crop_day, planned_day.plan.start
    span = slice(window.first_hour, window.first_hour + window.hour_count)
    low, mid, high = np.quantile(wet_basis(day.water[:, start - day.first_slot]), QUANTILES, axis=1)
    mown_in = start / SLOTS_PER_HOUR  # [h] from the beginning of the window
    cut = int(mown_in)  # until it is cut, a strip holds what it is cut with
    return DryingPicture(
        date=window.date,
        begins=window.time_at(0, farm),
        mown=window.time_at(start, farm),
        water=tuple(
            Band(float(low[end]), float(mid[end]), float(high[end])) if end >= mown_in else None
            for end in range(1, window.hour_count + 1)
        ),
        rain=tuple(float(share) for share in hours.wet[:, span].mean(axis=0)),
        sun=tuple(float(mean) for mean in hours.solar_radiation[:, span].mean(axis=0)),
        water_at_mowing=Band(float(low[cut]), float(mid[cut]), float(high[cut])),
    )

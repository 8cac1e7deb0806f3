"""Hours of drying per second, on the days of the invented forecast: dewy mornings, fine days and days with showers."""

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from daemon.domain.farm import Farm
from daemon.weather.contract import Weather
from models.draws import draw_crop
from models.swath import DryingHours, Swath, drying_hours, lay_swath, standing_wetness, wilt
from tests.bench.table import Line, seconds

Array = NDArray[np.float64]
Day = tuple[DryingHours, Swath, Array]  # and the water [mm] on each strip when it is cut

DRY_MATTER = 3.5  # [t/ha]
FIRST, HOURS = 58, 13  # the first morning's six on the farm's clock, and a working day
MOWN = np.arange(24) / 4.0  # a strip every quarter of an hour
LEAST = 50e6
WET_HOUR = 0.2  # [mm]


def lines(farm: Farm, weather: Weather, days: int) -> Iterator[Line]:
    """Yield strips x members x draws x hours per second, as a pass dries them and with more or less water than there.

    A pass has dewy mornings but leaves the rain of wet hours out: it ends the day for what lies.
    """
    each = _days(farm, weather, days)
    day = _side_by_side(each)
    cells = MOWN.size * day[1].rate.size * HOURS
    shown = f"swath, {MOWN.size} strips x {each[0][1].rate.size} cases x {HOURS} h, {days} days"
    rate = cells / seconds(partial(_wilt, _walled(day)))
    yield Line(f"{shown}, as in a pass", f"{rate / 1e6:.0f} M/s", "at least 50 M/s", rate >= LEAST)
    for how, other in {"with all the rain": day, "no rain and no dew": _dry(day)}.items():
        yield Line(f"{shown}, {how}", f"{cells / seconds(partial(_wilt, other)) / 1e6:.0f} M/s")


def _wilt(day: Day) -> None:
    hours, swath, wet = day
    wilt(hours, swath, MOWN, wet)


def _walled(day: Day) -> Day:
    hours, swath, wet = day
    return replace(hours, rain=np.where(hours.rain >= WET_HOUR, 0.0, hours.rain)), swath, wet


def _dry(day: Day) -> Day:
    hours, swath, wet = day
    fine = replace(hours, rain=np.zeros_like(hours.rain), wet_evaporation=np.abs(hours.wet_evaporation))
    return fine, swath, np.zeros_like(wet)


def _days(farm: Farm, weather: Weather, days: int) -> list[Day]:
    hours = _hours(farm, weather)
    draws = draw_crop(hours.rain.shape[0])
    swath = lay_swath(DRY_MATTER * draws.yield_factor, 0.78 + draws.start_moisture_shift, 0.85)
    standing = standing_wetness(hours, DRY_MATTER)
    firsts = range(FIRST, FIRST + 24 * days, 24)
    cut = MOWN.astype(np.int64) - 1  # the hour that ended before the mowing
    return [(hours.between(first, first + HOURS), swath, standing[:, first + cut].T) for first in firsts]


def _hours(farm: Farm, weather: Weather) -> DryingHours:
    values = {str(name): weather.ahead[name].to_numpy() for name in weather.ahead.data_vars}
    return drying_hours(
        values["air_temperature"],
        values["dew_point_temperature"],
        values["wind_speed"],
        values["surface_downwelling_shortwave_flux_in_air"],
        values["precipitation_amount"],
        weather.ahead["time"].to_numpy(),
        latitude=farm.place.latitude,
        longitude=farm.place.longitude,
        elevation=farm.place.elevation,
    )


def _side_by_side(days: list[Day]) -> Day:
    """Return days as one with so many times the members."""
    hours, swaths, wet = zip(*days, strict=True)
    return DryingHours.stack(hours), Swath.stack(swaths), np.concatenate(wet, axis=1)

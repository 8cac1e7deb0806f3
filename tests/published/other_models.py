"""Two other ways to dry a swath, written only to be held beside models/swath.py. Neither knows dew or rain."""

import numpy as np
from numpy.typing import NDArray

from models.evapotranspiration import hourly_reference_evapotranspiration
from models.humidity import relative_humidity, saturation_vapour_pressure
from models.swath import equilibrium_moisture
from tests.support.smooth_days import MEGAJOULES, Weather, radiation_below

Array = NDArray[np.float64]

SWATH_RESISTANCE = 2100.0  # [s/m] at 400 g/m2 and 1 kg/kg above equilibrium, tuned to the evaporation-based model
RESISTANCE_EXPONENT = 0.40  # 1 less 0.60: a thicker swath gives off more, but not in proportion
AIR_RESISTANCE = 208.0  # [m/s] over the wind at 2 m: that of reference grass, FAO-56 eq. 4, for want of a swath's
LATER_DAY = 0.87
SOIL_MOISTURE = 15.0  # [% dry basis], assumed


def penman_monteith(weather: Weather, density: float, start: float, factor: float) -> Array:
    """Return the moisture [kg/kg DM], shape (hour + 1,), by Penman-Monteith with a resistance that grows as it dries.

    rs = 2100 / (M - Me) at 400 g/m2. Wind is not capped, as that is this form's own answer to wind.
    """
    base = SWATH_RESISTANCE * (density / 400.0) ** -RESISTANCE_EXPONENT / factor
    resistance = base / np.where(weather.later_day, LATER_DAY, 1.0)
    radiation, rest = radiation_below(weather), _equilibrium(weather)
    moisture = [start]
    for hour in range(weather.time.size):
        above = max(moisture[-1] - rest[hour], 1e-6)
        ratio = resistance[hour] / above / AIR_RESISTANCE  # over the wind, which the formula multiplies in
        evaporation = hourly_reference_evapotranspiration(
            weather.air_temperature[hour], weather.vapour_pressure[hour], weather.wind[hour], radiation[hour],
            weather.sun_below[hour], weather.pressure, denominator_day=ratio, denominator_night=ratio,
        )  # fmt: skip
        moisture.append(moisture[-1] - min(max(float(evaporation), 0.0) / (density / 1000.0), above))
    return np.array(moisture)


def rotz_chen(weather: Weather, density: float, start: float) -> Array:
    """Return the moisture [kg/kg DM], shape (hour + 1,), after Rotz & Chen (1985), Trans. ASAE 28(5):1686-1691.

    From memory: the vapour pressure form without chemicals. It was fitted to mechanically conditioned alfalfa at
    80 to 20 % water, so it takes no conditioning factor and is fast for a crop without. The approach to an equilibrium
    is assumed.
    """
    deficit = saturation_vapour_pressure(weather.air_temperature) - weather.vapour_pressure
    drive = weather.sun_below / MEGAJOULES + 43.8 * deficit
    brake = 61.4 * SOIL_MOISTURE + density * (1.82 - 0.83 * ~weather.later_day) * 1.68 + 2767.0
    moisture = [start]
    for rate, rest in zip(drive / brake, _equilibrium(weather), strict=True):
        moisture.append(rest + (moisture[-1] - rest) * np.exp(-rate))
    return np.array(moisture)


def _equilibrium(weather: Weather) -> Array:
    return equilibrium_moisture(relative_humidity(weather.air_temperature, weather.dew_point))

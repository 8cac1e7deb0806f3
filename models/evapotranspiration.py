"""Reference evapotranspiration of a short grass: ASCE 2005 by the hour, FAO-56 by the day.

The two papers differ in coefficients, not in form: each function says which it uses. Time is the last axis.
"""

import math
from functools import partial

import numpy as np
from numpy.typing import NDArray

from models.coefficients import (
    ALBEDO,
    DENOMINATOR_DAY,
    DENOMINATOR_FAO,
    DENOMINATOR_NIGHT,
    GROUND_DAY,
    GROUND_NIGHT,
    INITIAL_CLOUD_FACTOR,
    MIN_CLOUD_FACTOR,
    NUMERATOR_DAILY,
    NUMERATOR_HOURLY,
    SIGMA_ASCE_HOURLY,
    SIGMA_FAO_DAILY,
)
from models.evapotranspiration_blocks import (
    CLOUD_SLOPE,
    KELVIN_RADIATION,
    KELVIN_WIND,
    MM_PER_MJ,
    Sky,
    apply_blockwise,
    row_evapotranspiration,
    write_cloud_factor,
    write_evapotranspiration,
    write_net_radiation,
)
from models.humidity import (
    psychrometric_constant,
    saturation_slope,
    saturation_vapour_pressure,
    surface_pressure,
)
from models.sun import clear_sky_radiation

Array = NDArray[np.float64]


def wind_at_two_metres(wind_speed: Array | float, height: float = 10.0) -> Array:
    """Return the wind that grass at 2 m feels when it blows so fast higher up.

    Parameters
    ----------
    wind_speed : array
        Wind speed at `height` [m s-1].
    height : float
        Height above the ground [m], more than 0.1.

    Returns
    -------
    array
        Wind speed at 2 m [m s-1].

    Raises
    ------
    ValueError
        If the height is too low for the profile.

    Notes
    -----
    FAO-56 eq. 47: the logarithmic profile over short grass in neutral air.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(wind_at_two_metres(3.2, 10.0)), 1)
    2.4
    """
    if not height > 0.1:
        raise ValueError(f"height of wind_at_two_metres: {height:g} m given, allowed more than 0.1 m")
    share = 4.87 / math.log(67.8 * height - 5.42)
    return share * np.asarray(wind_speed, dtype=np.float64)


def cloud_factor(shortwave: Array, clear_sky: Array, sun_elevation: Array) -> Array:
    """Return the factor by which cloud lets long-wave radiation out.

    Parameters
    ----------
    shortwave : array, (..., time)
        Shortwave radiation Rs [MJ m-2 h-1].
    clear_sky : array, (time,)
        Clear-sky radiation Rso [MJ m-2 h-1].
    sun_elevation : array, (time,)
        Elevation of the sun in the middle of each hour [deg].

    Returns
    -------
    array, (..., time)
        Cloud factor fcd [1], from 0.05 (overcast) to 1 (clear).

    Notes
    -----
    ASCE 2005 eqs 45 and 46: when the sun is not above 17 deg the last hour that had it so speaks. Departures: before
    any such hour 0.8 is taken, and the least value is 0.05 where the ratio's own limit of 0.3 would make it 0.055.

    References
    ----------
    ASCE-EWRI 2005, The ASCE Standardized Reference Evapotranspiration Equation, doi:10.1061/9780784408056.
    """
    factor = np.empty(np.shape(shortwave))
    write_cloud_factor(shortwave, Sky.at(clear_sky, sun_elevation), factor)
    return factor


def net_radiation(
    shortwave: Array | float,
    air_temperature: Array | float,
    vapour_pressure: Array | float,
    cloud_factor: Array | float,
    *,
    albedo: float = ALBEDO,
    sigma: float = SIGMA_ASCE_HOURLY,
) -> Array:
    """Return the radiation that an hour leaves on the grass.

    Parameters
    ----------
    shortwave : array
        Shortwave radiation Rs [MJ m-2 h-1].
    air_temperature : array
        Mean air temperature of the hour [degC].
    vapour_pressure : array
        Actual vapour pressure ea [kPa].
    cloud_factor : array
        Cloud factor fcd [1].
    albedo : float
        Share of the shortwave radiation that is sent back [1].
    sigma : float
        Stefan-Boltzmann constant [MJ m-2 h-1 K-4].

    Returns
    -------
    array
        Net radiation Rn [MJ m-2 h-1], negative when the grass loses more than it gets.

    Notes
    -----
    ASCE 2005 eqs 42 to 44.

    References
    ----------
    ASCE-EWRI 2005, The ASCE Standardized Reference Evapotranspiration Equation, doi:10.1061/9780784408056.

    Examples
    --------
    >>> round(float(net_radiation(2.45, 38.0, 3.445, 0.894)), 3)
    1.749
    """
    balance = partial(write_net_radiation, albedo=albedo, sigma=sigma)
    return apply_blockwise(balance, shortwave, air_temperature, vapour_pressure, cloud_factor)


def hourly_reference_evapotranspiration(  # noqa: PLR0913 - six quantities and the paper's five coefficients
    air_temperature: Array | float,
    vapour_pressure: Array | float,
    wind_2m: Array | float,
    net_radiation: Array | float,
    shortwave: Array | float,
    pressure: Array | float,
    *,
    numerator: float = NUMERATOR_HOURLY,
    denominator_day: float = DENOMINATOR_DAY,
    denominator_night: float = DENOMINATOR_NIGHT,
    ground_day: float = GROUND_DAY,
    ground_night: float = GROUND_NIGHT,
) -> Array:
    """Return the water that short, well watered grass gives off in an hour, after ASCE 2005.

    Parameters
    ----------
    air_temperature : array
        Mean air temperature of the hour [degC].
    vapour_pressure : array
        Actual vapour pressure ea [kPa].
    wind_2m : array
        Wind speed at 2 m [m s-1].
    net_radiation : array
        Net radiation Rn [MJ m-2 h-1].
    shortwave : array
        Shortwave radiation Rs [MJ m-2 h-1], which only tells day from night.
    pressure : array
        Air pressure [kPa].
    numerator : float
        Cn [K mm s3 Mg-1 h-1].
    denominator_day, denominator_night : float
        Cd [s m-1]: 0.24 and 0.96 after ASCE 2005, 0.34 and 0.34 after FAO-56 (1998), 0 and 0 for a wet surface.
    ground_day, ground_night : float
        Ground heat flux G in terms of Rn [1].

    Returns
    -------
    array
        Evapotranspiration [mm h-1], negative when dew falls; arguments broadcast.

    Notes
    -----
    ASCE 2005 eq. 1 with table 1, short reference. Departures: an hour is day by its shortwave radiation (above
    0.01 MJ m-2) and not by the sign of Rn, and the vapour deficit may be negative (air above saturation by rounding).

    References
    ----------
    ASCE-EWRI 2005, The ASCE Standardized Reference Evapotranspiration Equation, doi:10.1061/9780784408056.
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(hourly_reference_evapotranspiration(38.0, 3.445, 3.3, 1.749, 2.45, 101.2)), 2)
    0.66
    """
    combine = partial(
        write_evapotranspiration,
        numerator=numerator,
        denominator_day=denominator_day,
        denominator_night=denominator_night,
        ground_day=ground_day,
        ground_night=ground_night,
    )
    gamma = psychrometric_constant(pressure)
    return apply_blockwise(combine, air_temperature, vapour_pressure, wind_2m, net_radiation, shortwave, gamma)


def evapotranspiration_under_sky(
    air_temperature: Array,
    vapour_pressure: Array,
    wind_2m: Array,
    shortwave: Array,
    clear_sky: Array,
    sun_elevation: Array,
    pressure: float,
    **coefficients: float,
) -> Array:
    """Return the water that grass gives off in hours of which the sun, not the net radiation, is known.

    Parameters
    ----------
    air_temperature, vapour_pressure, wind_2m, shortwave : array, (..., time)
        As in `hourly_reference_evapotranspiration`.
    clear_sky, sun_elevation : array, (time,)
        As in `cloud_factor`: of the place, whatever the weather.
    pressure : float
        Air pressure [kPa].
    **coefficients : float
        Of `hourly_reference_evapotranspiration`.

    Returns
    -------
    array, (..., time)
        Evapotranspiration [mm h-1].

    Notes
    -----
    `cloud_factor`, `net_radiation` and `hourly_reference_evapotranspiration`, one after another for so many whole rows
    of time as stay in the processor's cache.
    """
    weather = np.broadcast_arrays(air_temperature, vapour_pressure, wind_2m, shortwave)
    sky, gamma = Sky.at(clear_sky, sun_elevation), psychrometric_constant(pressure)
    return row_evapotranspiration(weather, sky, float(gamma), **coefficients)


def daily_net_radiation(
    maximum_temperature: Array | float,
    minimum_temperature: Array | float,
    vapour_pressure: Array | float,
    shortwave: Array | float,
    clear_sky: Array | float,
    *,
    albedo: float = ALBEDO,
    sigma: float = SIGMA_FAO_DAILY,
) -> Array:
    """Return the radiation that a day leaves on the grass.

    Parameters
    ----------
    maximum_temperature, minimum_temperature : array
        Highest and lowest air temperature of the day [degC].
    vapour_pressure : array
        Mean actual vapour pressure ea [kPa].
    shortwave : array
        Shortwave radiation Rs [MJ m-2 d-1].
    clear_sky : array
        Clear-sky radiation Rso [MJ m-2 d-1].
    albedo : float
        Share of the shortwave radiation that is sent back [1].
    sigma : float
        Stefan-Boltzmann constant [MJ m-2 d-1 K-4].

    Returns
    -------
    array
        Net radiation Rn [MJ m-2 d-1].

    Notes
    -----
    FAO-56 eqs 38 to 40. Departures: the cloud factor is kept at 0.05 or more, as in ASCE 2005, and is 0.8 on a day
    without sun.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(daily_net_radiation(21.5, 12.3, 1.409, 22.07, 30.9)), 2)
    13.28
    """
    sunlit = np.where(np.asarray(clear_sky) > 0.0, clear_sky, np.nan)
    factor = np.where(np.isnan(sunlit), INITIAL_CLOUD_FACTOR, _simultaneous_cloud_factor(shortwave, sunlit))
    high, low = (np.asarray(given, dtype=np.float64) for given in (maximum_temperature, minimum_temperature))
    sent = sigma * (_fourth_power(high) + _fourth_power(low)) / 2.0
    lost = sent * _emissivity(np.asarray(vapour_pressure, dtype=np.float64)) * factor
    return (1.0 - albedo) * np.asarray(shortwave, dtype=np.float64) - lost


def daily_reference_evapotranspiration(
    maximum_temperature: Array | float,
    minimum_temperature: Array | float,
    vapour_pressure: Array | float,
    wind_2m: Array | float,
    shortwave: Array | float,
    extraterrestrial: Array | float,
    elevation: Array | float,
    *,
    ground_heat_flux: Array | float = 0.0,
    numerator: float = NUMERATOR_DAILY,
    denominator: float = DENOMINATOR_FAO,
) -> Array:
    """Return the water that short, well watered grass gives off in a day, after FAO-56.

    Parameters
    ----------
    maximum_temperature, minimum_temperature : array
        Highest and lowest air temperature of the day [degC].
    vapour_pressure : array
        Mean actual vapour pressure ea [kPa].
    wind_2m : array
        Mean wind speed at 2 m [m s-1].
    shortwave, extraterrestrial : array
        Shortwave radiation Rs and extraterrestrial radiation Ra [MJ m-2 d-1].
    elevation : array
        Elevation above the sea [m].
    ground_heat_flux : array
        G [MJ m-2 d-1]: next to nothing in a day, not in a month.
    numerator : float
        Cn [K mm s3 Mg-1 d-1].
    denominator : float
        Cd [s m-1].

    Returns
    -------
    array
        Evapotranspiration ET0 [mm d-1]; arguments broadcast.

    Notes
    -----
    FAO-56 eq. 6, with Cn 900 and Cd 0.34, which ASCE 2005 shares for its daily short reference.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(daily_reference_evapotranspiration(21.5, 12.3, 1.409, 2.078, 22.07, 41.09, 100.0)), 1)
    3.9
    """
    high, low = (np.asarray(given, dtype=np.float64) for given in (maximum_temperature, minimum_temperature))
    clear_sky = clear_sky_radiation(extraterrestrial, elevation)
    net = daily_net_radiation(high, low, vapour_pressure, shortwave, clear_sky)
    saturation = (saturation_vapour_pressure(high) + saturation_vapour_pressure(low)) / 2.0
    mean = (high + low) / 2.0
    slope, gamma = saturation_slope(mean), psychrometric_constant(surface_pressure(elevation))
    drying = gamma * numerator / (mean + KELVIN_WIND) * wind_2m * (saturation - vapour_pressure)
    energy = MM_PER_MJ * slope * (net - ground_heat_flux)
    return (energy + drying) / (slope + gamma * (1.0 + denominator * np.asarray(wind_2m)))


def _simultaneous_cloud_factor(shortwave: Array | float, clear_sky: Array) -> Array:
    """Return fcd from the sun of the same hours or days, ASCE 2005 eq. 45; NaN where the clear sky is unknown."""
    return np.clip(CLOUD_SLOPE * shortwave / clear_sky + 1.0 - CLOUD_SLOPE, MIN_CLOUD_FACTOR, 1.0)


def _emissivity(vapour_pressure: Array) -> Array:
    """Return the net emissivity between grass and clear sky [1], FAO-56 eq. 39."""
    return 0.34 - 0.14 * np.sqrt(vapour_pressure)


def _fourth_power(temperature: Array) -> Array:
    """Return the temperature in kelvin to the fourth power, by squares: a general power is slower tenfold."""
    squared = (temperature + KELVIN_RADIATION) ** 2
    return squared * squared

"""Water vapour in the air, after FAO-56; every function takes floats or arrays of any shape."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.coefficients import (
    PSYCHROMETRIC_FACTOR,
    SATURATION_AT_ZERO,
    SEA_LEVEL_PRESSURE,
    TETENS_FACTOR,
    TETENS_OFFSET,
)

Array = NDArray[np.float64]

SLOPE_FACTOR: Final = 4098.0  # [degC], FAO-56 eq. 13
REFERENCE_TEMPERATURE: Final = 293.0  # [K] of the standard atmosphere, FAO-56 eq. 7
LAPSE_RATE: Final = 0.0065  # [K m-1], the same
PRESSURE_EXPONENT: Final = 5.26  # [1], the same


def saturation_vapour_pressure(air_temperature: Array | float) -> Array:
    """Return the vapour pressure of saturated air.

    Parameters
    ----------
    air_temperature : array
        Air temperature [degC]; a dew point gives the actual vapour pressure.

    Returns
    -------
    array
        Saturation vapour pressure over water [kPa].

    Notes
    -----
    FAO-56 eq. 11 (Tetens). Within 0.5 % of newer formulas from 0 to 40 degC; over ice it reads high.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(saturation_vapour_pressure(20.0)), 4)
    2.3383
    """
    temperature = np.asarray(air_temperature, dtype=np.float64)
    # The same as exp(17.27 T / (T + 237.3)), with one operation less.
    power = TETENS_FACTOR - TETENS_FACTOR * TETENS_OFFSET / (temperature + TETENS_OFFSET)
    return np.asarray(SATURATION_AT_ZERO * np.exp(power))[()]


def saturation_slope(air_temperature: Array | float, saturation: Array | None = None) -> Array:
    """Return how fast the saturation vapour pressure rises with temperature.

    Parameters
    ----------
    air_temperature : array
        Air temperature [degC].
    saturation : array, optional
        Its saturation vapour pressure [kPa], if that is at hand: the costly half of the sum.

    Returns
    -------
    array
        Slope Delta [kPa K-1].

    Notes
    -----
    FAO-56 eq. 13, the derivative of eq. 11 with 17.27 x 237.3 rounded to 4098. ASCE 2005 eq. 5 rounds once more.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(saturation_slope(28.0)), 4)
    0.2201
    """
    temperature = np.asarray(air_temperature, dtype=np.float64)
    if saturation is None:
        saturation = saturation_vapour_pressure(temperature)
    warmth = temperature + TETENS_OFFSET
    return SLOPE_FACTOR * saturation / (warmth * warmth)


def relative_humidity(air_temperature: Array | float, dew_point_temperature: Array | float) -> Array:
    """Return the relative humidity of air with a known dew point.

    Parameters
    ----------
    air_temperature : array
        Air temperature [degC].
    dew_point_temperature : array
        Dew point [degC].

    Returns
    -------
    array
        Relative humidity as a fraction [1].

    Notes
    -----
    FAO-56 eq. 10. At most 1: a dew point above the air temperature is taken for rounding.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(relative_humidity(25.0, 15.0)), 3)
    0.538
    """
    held = saturation_vapour_pressure(dew_point_temperature)
    return np.minimum(held / saturation_vapour_pressure(air_temperature), 1.0)


def dew_point_temperature(air_temperature: Array | float, relative_humidity: Array | float) -> Array:
    """Return the temperature at which dew begins to fall.

    Parameters
    ----------
    air_temperature : array
        Air temperature [degC].
    relative_humidity : array
        Relative humidity as a fraction [1], above 0 and at most 1; NaN stays NaN.

    Returns
    -------
    array
        Dew point [degC].

    Raises
    ------
    ValueError
        If a humidity is outside its range, a percentage for instance.

    Notes
    -----
    FAO-56 eq. 11 solved for temperature.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(dew_point_temperature(25.0, 0.6)), 2)
    16.7
    """
    humidity = np.asarray(relative_humidity, dtype=np.float64)
    wrong = humidity[(humidity <= 0.0) | (humidity > 1.0)]
    if wrong.size:
        raise ValueError(
            f"relative_humidity of dew_point_temperature: {wrong[0]:g} given, allowed above 0 and at most 1; "
            "divide a percentage by 100 and cap it at 1"
        )
    temperature = np.asarray(air_temperature, dtype=np.float64)
    power = np.log(humidity) + TETENS_FACTOR * temperature / (temperature + TETENS_OFFSET)
    return TETENS_OFFSET * power / (TETENS_FACTOR - power)


def surface_pressure(elevation: Array | float) -> Array:
    """Return the mean air pressure at an elevation.

    Parameters
    ----------
    elevation : array
        Elevation above the sea [m].

    Returns
    -------
    array
        Air pressure [kPa].

    Notes
    -----
    FAO-56 eq. 7: a standard atmosphere at 20 degC, without the day's weather (within about 3 %).

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(surface_pressure(1800.0)), 1)
    81.8
    """
    height = np.asarray(elevation, dtype=np.float64)
    share = (REFERENCE_TEMPERATURE - LAPSE_RATE * height) / REFERENCE_TEMPERATURE
    return np.asarray(SEA_LEVEL_PRESSURE * share**PRESSURE_EXPONENT)[()]


def psychrometric_constant(pressure: Array | float) -> Array:
    """Return the psychrometric constant of air at a pressure.

    Parameters
    ----------
    pressure : array
        Air pressure [kPa].

    Returns
    -------
    array
        Psychrometric constant gamma [kPa K-1].

    Notes
    -----
    FAO-56 eq. 8, with a latent heat of 2.45 MJ/kg.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(psychrometric_constant(81.8)), 3)
    0.054
    """
    return PSYCHROMETRIC_FACTOR * np.asarray(pressure, dtype=np.float64)

"""Where the sun stands and how much it gives; times are UTC and on the last axis.

Latitude is in degrees north and longitude in degrees east; both are floats or arrays that broadcast against time.
Radiation follows the equations of FAO-56, which the evapotranspiration equations were made with. Elevation, rise and
set use the almanac's low-precision sun, good to about a hundredth of a degree from 1950 to 2050.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from models.coefficients import CLEAR_SKY_RISE, CLEAR_SKY_SHARE, SOLAR_CONSTANT, SUNRISE_ELEVATION

Array = NDArray[np.float64]
Times = NDArray[np.datetime64] | np.datetime64
Moments = np.ndarray[Any, np.dtype[np.datetime64]]

NP_HOUR: Final = np.timedelta64(3600, "s")
NP_DAY: Final = np.timedelta64(86400, "s")
J2000: Final = np.datetime64("2000-01-01T12:00:00", "s")


def extraterrestrial_radiation(latitude: Array | float, longitude: Array | float, time: Times) -> Array:
    """Return the radiation on top of the atmosphere during the hour that ends at each time.

    Parameters
    ----------
    latitude, longitude : array
        Place [deg north], [deg east].
    time : datetime64 array
        Ends of the hours, UTC.

    Returns
    -------
    array
        Extraterrestrial radiation Ra [MJ m-2 h-1] on a level surface.

    Raises
    ------
    ValueError
        If the place is not on the globe.

    Notes
    -----
    FAO-56 eq. 28 with eqs 23, 24 and 31 to 33. Departures: the day of the year is that of local mean solar time, not
    of the clock, and an hour over solar midnight is counted on both of its sides, which matters under the midnight
    sun. So the 24 hours of a solar day add up to eq. 21 at every latitude and longitude.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> label = np.datetime64("2025-06-22T01:00")
    >>> round(float(extraterrestrial_radiation(45.0, -90.0, label)), 3)
    0.957
    """
    _check_place(latitude, longitude)
    solar = _mean_solar_time(longitude, _to_seconds(time) - NP_HOUR // 2)
    day = _day_of_year(solar)
    middle = _hours_of_day(solar) + _seasonal_correction(day) - 12.0
    given = np.zeros(np.broadcast_shapes(np.shape(latitude), day.shape))
    for turn in (-24.0, 0.0, 24.0):
        start, end = (np.pi / 12.0 * (middle + turn + half) for half in (-0.5, 0.5))
        given += _radiation_between(latitude, day, start, end)
    return given[()]


def daily_extraterrestrial_radiation(latitude: Array | float, day_of_year: Array | float) -> Array:
    """Return the radiation on top of the atmosphere during a day.

    Parameters
    ----------
    latitude : array
        Latitude [deg north].
    day_of_year : array
        Day of the year J, 1 on 1 January.

    Returns
    -------
    array
        Extraterrestrial radiation Ra [MJ m-2 d-1] on a level surface.

    Notes
    -----
    FAO-56 eq. 21.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(daily_extraterrestrial_radiation(-20.0, 246)), 1)
    32.2
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    whole = np.full(day.shape, np.pi)
    return _radiation_between(latitude, day, -whole, whole)


def daylight_hours(latitude: Array | float, day_of_year: Array | float) -> Array:
    """Return how long the centre of the sun is above the horizon.

    Parameters
    ----------
    latitude : array
        Latitude [deg north].
    day_of_year : array
        Day of the year J, 1 on 1 January.

    Returns
    -------
    array
        Daylight hours N [h], 0 in the polar night and 24 under the midnight sun.

    Notes
    -----
    FAO-56 eq. 34. Shorter than from rise to set by about 0.2 h, as it leaves out refraction and the sun's disc.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> round(float(daylight_hours(-20.0, 246)), 1)
    11.7
    """
    return 24.0 / np.pi * _sunset_hour_angle(latitude, np.asarray(day_of_year, dtype=np.float64))


def clear_sky_radiation(extraterrestrial: Array | float, elevation: Array | float) -> Array:
    """Return the radiation on the ground under a cloudless sky.

    Parameters
    ----------
    extraterrestrial : array
        Extraterrestrial radiation Ra, of an hour or a day.
    elevation : array
        Elevation above the sea [m].

    Returns
    -------
    array
        Clear-sky radiation Rso, in the unit of Ra.

    Notes
    -----
    FAO-56 eq. 37. It knows no haze and no air mass: too high when the sun is low.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.

    Examples
    --------
    >>> float(clear_sky_radiation(40.0, 100.0))
    30.08
    """
    share = CLEAR_SKY_SHARE + CLEAR_SKY_RISE * np.asarray(elevation, dtype=np.float64)
    return share * np.asarray(extraterrestrial, dtype=np.float64)


def solar_elevation(latitude: Array | float, longitude: Array | float, time: Times) -> Array:
    """Return the height of the sun's centre at an instant.

    Parameters
    ----------
    latitude, longitude : array
        Place [deg north], [deg east].
    time : datetime64 array
        Instants, UTC; for an hour labelled at its end, give its middle.

    Returns
    -------
    array
        Elevation above the horizon [deg], negative below it, without refraction.

    Raises
    ------
    ValueError
        If the place is not on the globe.

    Notes
    -----
    Low-precision sun of the Astronomical Almanac, within 0.02 deg from 1950 to 2050.

    References
    ----------
    Michalsky 1988, Solar Energy 40, 227-235, doi:10.1016/0038-092X(88)90045-X.

    Examples
    --------
    >>> round(float(solar_elevation(0.0, 0.0, np.datetime64("2025-03-20T12:00"))), 0)
    88.0
    """
    _check_place(latitude, longitude)
    instant = _to_seconds(time)
    declination, equation_of_time = _almanac_sun(instant)
    angle = np.radians(15.0 * (_hours_of_day(instant) + equation_of_time - 12.0) + longitude)
    phi = np.radians(latitude)
    height = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(angle)
    return np.asarray(np.degrees(np.arcsin(np.clip(height, -1.0, 1.0))))[()]


def sunrise_sunset(latitude: Array | float, longitude: Array | float, day: Times) -> tuple[Moments, Moments]:
    """Return when the upper edge of the sun appears and when it is gone.

    Parameters
    ----------
    latitude, longitude : array
        Place [deg north], [deg east].
    day : datetime64[D] array
        Date in local mean solar time, for which the date on the farm's clock serves at noon.

    Returns
    -------
    sunrise, sunset : datetime64[s] array
        Instants, UTC; NaT where the sun does not rise or set on that day.

    Raises
    ------
    ValueError
        If the place is not on the globe.

    Notes
    -----
    The sun's centre is at -0.833 deg: half a degree of disc and 34' of refraction over a level horizon. The sun is
    placed anew at the found moment, twice. Within 6 s of the Solar Position Algorithm up to 60 degrees of latitude;
    minutes off on the few days when a polar sun grazes the horizon. Hills and cold air do more than that.

    References
    ----------
    Michalsky 1988, Solar Energy 40, 227-235, doi:10.1016/0038-092X(88)90045-X.

    Examples
    --------
    >>> rise, gone = sunrise_sunset(43.0, -72.5, np.datetime64("2025-06-21"))
    >>> str(rise)[:16], str(gone)[:16]
    ('2025-06-21T09:11', '2025-06-22T00:32')
    """
    _check_place(latitude, longitude)
    midnight = _to_seconds(np.asarray(day).astype("datetime64[D]"))
    noon = _mean_solar_time(-np.asarray(longitude, dtype=np.float64), midnight + NP_DAY // 2)
    return _horizon_crossing(latitude, noon, -1.0), _horizon_crossing(latitude, noon, 1.0)


def _horizon_crossing(latitude: Array | float, noon: Moments, side: float) -> Moments:
    """Return when the sun crosses the horizon before (side -1) or after (side 1) a mean solar noon."""
    phi = np.radians(latitude)
    seconds = np.zeros(np.broadcast_shapes(np.shape(latitude), noon.shape))
    for _ in range(3):
        known = np.nan_to_num(seconds).astype("timedelta64[s]")
        declination, equation_of_time = _almanac_sun(noon + known)
        height = np.sin(np.radians(SUNRISE_ELEVATION)) - np.sin(phi) * np.sin(declination)
        cosine = height / (np.cos(phi) * np.cos(declination))
        angle = np.arccos(np.where(np.abs(cosine) <= 1.0, cosine, np.nan))
        seconds = 3600.0 * (side * 12.0 / np.pi * angle - equation_of_time)
    offset = np.rint(np.nan_to_num(seconds)).astype("timedelta64[s]")
    return np.where(np.isnan(seconds), np.datetime64("NaT", "s"), noon + offset)[()]


def _almanac_sun(instant: Moments) -> tuple[Array, Array]:
    """Return declination [rad] and equation of time [h], apparent less mean solar time (Michalsky 1988)."""
    days = (instant - J2000) / NP_DAY
    mean_longitude = np.radians(280.460 + 0.9856474 * days)
    anomaly = np.radians(357.528 + 0.9856003 * days)
    longitude = mean_longitude + np.radians(1.915 * np.sin(anomaly) + 0.020 * np.sin(2.0 * anomaly))
    obliquity = np.radians(23.439 - 4e-7 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(longitude), np.cos(longitude))
    lead = np.mod(mean_longitude - ascension + np.pi, 2.0 * np.pi) - np.pi
    return np.arcsin(np.sin(obliquity) * np.sin(longitude)), 12.0 / np.pi * lead


def _radiation_between(latitude: Array | float, day: Array, start: Array, end: Array) -> Array:
    """Return the radiation [MJ m-2] between two hour angles [rad] of a day, FAO-56 eqs 23 and 28."""
    sunset = _sunset_hour_angle(latitude, day)
    phi, declination = np.radians(latitude), _declination(day)
    start, end = np.clip(start, -sunset, sunset), np.clip(end, -sunset, sunset)
    level = (end - start) * np.sin(phi) * np.sin(declination)
    swing = np.cos(phi) * np.cos(declination) * (np.sin(end) - np.sin(start))
    nearness = 1.0 + 0.033 * np.cos(2.0 * np.pi / 365.0 * day)
    return np.asarray(12.0 * 60.0 / np.pi * SOLAR_CONSTANT * nearness * (level + swing))[()]


def _sunset_hour_angle(latitude: Array | float, day: Array) -> Array:
    """Return the hour angle of sunset [rad], FAO-56 eq. 25, 0 in the polar night and pi under the midnight sun."""
    cosine = np.clip(-np.tan(np.radians(latitude)) * np.tan(_declination(day)), -1.0, 1.0)
    return np.asarray(np.arccos(cosine))[()]


def _declination(day: Array) -> Array:
    """Return the declination of the sun [rad], FAO-56 eq. 24."""
    return np.asarray(0.409 * np.sin(2.0 * np.pi / 365.0 * day - 1.39))


def _seasonal_correction(day: Array) -> Array:
    """Return apparent less mean solar time [h], FAO-56 eqs 32 and 33."""
    b = 2.0 * np.pi * (day - 81.0) / 364.0
    return 0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)


def _to_seconds(time: Times) -> Moments:
    return np.asarray(time).astype("datetime64[s]")


def _mean_solar_time(longitude: Array | float, instant: Moments) -> Moments:
    """Return the clock of a place that has noon when the mean sun is south: four minutes per degree."""
    lead = np.rint(240.0 * np.asarray(longitude, dtype=np.float64)).astype("timedelta64[s]")
    return np.asarray(instant + lead)


def _day_of_year(instant: Moments) -> Array:
    return np.asarray(1.0 + (instant.astype("datetime64[D]") - instant.astype("datetime64[Y]")) / NP_DAY)


def _hours_of_day(instant: Moments) -> Array:
    return np.asarray((instant - instant.astype("datetime64[D]")) / NP_HOUR)


def _check_place(latitude: Array | float, longitude: Array | float) -> None:
    for name, value, most in (("latitude", latitude, 90.0), ("longitude", longitude, 180.0)):
        if not np.all(np.abs(value) <= most):
            raise ValueError(
                f"{name}: {value} given, allowed -{most:g} to {most:g} degrees; north and east are positive"
            )

"""Made-up June weather at 43 N, for trials that print none: a sine of temperature, a constant share of clear sky."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.coefficients import WET_GROUND_NIGHT
from models.evapotranspiration import cloud_factor, hourly_reference_evapotranspiration, net_radiation
from models.humidity import saturation_vapour_pressure, surface_pressure
from models.sun import clear_sky_radiation, extraterrestrial_radiation, solar_elevation
from models.swath import DryingHours, drying_hours

Array = NDArray[np.float64]

LATITUDE, LONGITUDE, ELEVATION = 43.0, 0.0, 193.0
MIDNIGHT = np.datetime64("2025-06-10T00:00", "ns")  # at longitude 0 on this day the sun keeps UTC within a minute
HOUR = np.timedelta64(1, "h")
CLEAR_SKY = 0.76  # share of the extraterrestrial radiation
WIND, CALM = 2.5, 0.5  # [m/s] at 2 m, in the sun and at night
FROM_TEN_METRES = 0.748  # wind at 2 m in terms of that at 10 m
MEGAJOULES = 0.0036  # of one hour at one watt


@dataclass(frozen=True)
class Weather:
    """Hours in a row, shape (hour,): temperatures [degC], sun [MJ m-2 h-1], end of each hour [UTC, which is solar].

    `net` [1] is what a shade net lets through of the sun: the sky above it is as clear as before.
    """

    air_temperature: Array
    dew_point: Array
    sun: Array
    time: NDArray[np.datetime64]
    net: float = 1.0

    @property
    def sun_below(self) -> Array:
        """Sun that reaches the swath [MJ m-2 h-1]."""
        return self.net * self.sun

    @property
    def wind(self) -> Array:
        """At 2 m [m s-1]: nights are calm."""
        return np.where(self.sun > 0.0, WIND, CALM)

    @property
    def vapour_pressure(self) -> Array:
        """Of the air [kPa]."""
        return saturation_vapour_pressure(self.dew_point)

    @property
    def pressure(self) -> float:
        """Of the air [kPa]."""
        return float(surface_pressure(ELEVATION))

    @property
    def later_day(self) -> NDArray[np.bool_]:
        """Hours on a later day than the first."""
        day = (self.time - HOUR).astype("datetime64[D]")
        return np.asarray(day > day[0])


def smooth_weather(
    low: float, high: float, dew_point: float, sun_share: float, *, first: int = 7, hours: int = 12
) -> Weather:
    """Return weather from the solar hour that starts at `first`; the temperature is that at the start of an hour."""
    hour = np.arange(first, first + hours)
    since_five = (hour - 5) % 24
    rising = low + (high - low) * np.sin(np.pi / 2 * since_five / 10)
    falling = high - (high - low) * np.sin(np.pi / 2 * (since_five - 10) / 14)
    time = MIDNIGHT + (hour + 1) * HOUR
    return Weather(
        air_temperature=np.where(since_five <= 10, rising, falling),
        dew_point=np.full(hours, dew_point),
        sun=sun_share * CLEAR_SKY * extraterrestrial_radiation(LATITUDE, LONGITUDE, time),
        time=time,
    )


def radiation_below(weather: Weather) -> Array:
    """Return the net radiation [MJ m-2 h-1] of grass, below the shade net if there is one."""
    clear = clear_sky_radiation(extraterrestrial_radiation(LATITUDE, LONGITUDE, weather.time), ELEVATION)
    cloud = cloud_factor(weather.sun, clear, solar_elevation(LATITUDE, LONGITUDE, weather.time - HOUR / 2))
    return net_radiation(weather.sun_below, weather.air_temperature, weather.vapour_pressure, cloud)


def drying(weather: Weather) -> DryingHours:
    """Return what the weather does to a swath, for one member."""
    shape = (1, weather.time.size)
    hours = drying_hours(
        weather.air_temperature.reshape(shape),
        weather.dew_point.reshape(shape),
        weather.wind.reshape(shape) / FROM_TEN_METRES,
        weather.sun.reshape(shape) / MEGAJOULES,
        np.zeros(shape),
        weather.time,
        latitude=LATITUDE,
        longitude=LONGITUDE,
        elevation=ELEVATION,
    )
    return hours if weather.net == 1.0 else _below_net(hours, weather)


def _below_net(hours: DryingHours, weather: Weather) -> DryingHours:
    """Return the hours with the sun of a shade net, which the model by itself would take for cloud."""
    given = (weather.vapour_pressure, weather.wind, radiation_below(weather), weather.sun_below, weather.pressure)
    dry = hourly_reference_evapotranspiration(weather.air_temperature, *given)
    wet = hourly_reference_evapotranspiration(
        weather.air_temperature, *given, denominator_day=0.0, denominator_night=0.0, ground_night=WET_GROUND_NIGHT
    )
    return replace(hours, evaporation=dry[None], wet_evaporation=wet[None])


def smooth_day(low: float, high: float, dew_point: float, sun_share: float) -> DryingHours:
    """Return what the hours 07 to 19 by the sun do to a swath."""
    return drying(smooth_weather(low, high, dew_point, sun_share))

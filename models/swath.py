"""The moisture of a mown swath through the hours of a day: evaporation-based, with dew and rain on its surface."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c
from models.evapotranspiration import (
    cloud_factor,
    hourly_reference_evapotranspiration,
    net_radiation,
    wind_at_two_metres,
)
from models.humidity import relative_humidity, saturation_vapour_pressure, surface_pressure
from models.sun import clear_sky_radiation, extraterrestrial_radiation, solar_elevation

Array = NDArray[np.float64]

HALF_HOUR = np.timedelta64(30, "m")
MEGAJOULES = 0.0036  # of one hour at one watt


@dataclass(frozen=True)
class DryingHours:
    """What the weather does to a swath, hour by hour; every array has the shape (member, hour).

    `evaporation` [mm] is that of the short reference grass with the wind capped, `wet_evaporation` [mm] that of a
    wet surface (negative: dew), `equilibrium` [kg/kg DM] the moisture at which drying would end, `rain` [mm].
    """

    evaporation: Array
    wet_evaporation: Array
    equilibrium: Array
    rain: Array

    def at(self, hour: int) -> "DryingHours":
        """Return one hour, shape (member, 1), ready to meet arrays of shape (strip, member, draw)."""
        one = (slice(None), slice(hour, hour + 1))
        return DryingHours(self.evaporation[one], self.wet_evaporation[one], self.equilibrium[one], self.rain[one])

    def between(self, first: int, last: int) -> "DryingHours":
        """Return the hours from `first` up to but not including `last`."""
        some = (slice(None), slice(first, last))
        return DryingHours(self.evaporation[some], self.wet_evaporation[some], self.equilibrium[some], self.rain[some])


@dataclass(frozen=True)
class Swath:
    """How a field lies after mowing; arrays have the shape (member, draw).

    `dry_matter` [t/ha], `density` [g DM/m2 of swath], `rate` drying constant [mm-1 of reference evaporation] with
    every factor in it, `start_moisture` [kg/kg DM] of the tissue when cut.
    """

    dry_matter: Array
    density: Array
    rate: Array
    start_moisture: Array


def dry_basis(wet_basis: Array) -> Array:
    """Turn moisture on the wet basis [kg water/kg fresh] into the dry basis [kg water/kg DM].

    >>> float(dry_basis(np.array(0.8)).round(6))
    4.0
    """
    return wet_basis / (1.0 - wet_basis)


def wet_basis(dry_basis: Array) -> Array:
    """Turn moisture on the dry basis [kg water/kg DM] into the wet basis [kg water/kg fresh].

    >>> float(wet_basis(np.array(1.0)))
    0.5
    """
    return dry_basis / (1.0 + dry_basis)


def equilibrium_moisture(relative_humidity: Array, *, a: float = c.OSWIN_A, b: float = c.OSWIN_B) -> Array:
    """Return the moisture [kg/kg DM] that hay comes to in air of this relative humidity [1].

    Notes
    -----
    Oswin's form through two points printed by Nash (1978): 13 % wet basis at 60 % and 22 % at 80 % humidity. Humidity
    is clipped to 0.05-0.95. Temperature is left out; at baleage moisture its effect is under 0.05 kg/kg.
    """
    humidity = np.clip(relative_humidity, 0.05, 0.95)
    return a * (humidity / (1.0 - humidity)) ** b


def drying_hours(  # noqa: PLR0913 - five quantities, their time and place
    air_temperature: Array,
    dew_point_temperature: Array,
    wind_speed: Array,
    shortwave: Array,
    rain: Array,
    time: NDArray[np.datetime64],
    *,
    latitude: float,
    longitude: float,
    elevation: float,
    wind_floor: float = c.WIND_FLOOR,
    wind_cap: float = c.WIND_CAP,
) -> DryingHours:
    """Turn weather into what dries and wets a swath.

    Parameters
    ----------
    air_temperature, dew_point_temperature : array [degC], shape (member, hour)
        Means of the hour.
    wind_speed : array [m s-1], shape (member, hour)
        At 10 m, mean of the hour.
    shortwave : array [W m-2], shape (member, hour)
        Mean of the hour.
    rain : array [mm], shape (member, hour)
        Sum of the hour.
    time : datetime64, shape (hour,)
        UTC, end of each hour.
    latitude, longitude, elevation : float [deg north, deg east, m]
        Of the field.
    wind_floor, wind_cap : float [m s-1]
        At 2 m. Wind above the cap is not credited: it cools a swath that resists evaporation (Thompson 1981).

    Notes
    -----
    ASCE 2005 hourly short reference; the wet surface is the same without surface resistance and with a night ground
    flux of 0.2 of the net radiation.
    """
    sun = shortwave * MEGAJOULES
    vapour_pressure = saturation_vapour_pressure(dew_point_temperature)
    pressure = surface_pressure(elevation)
    outside = extraterrestrial_radiation(latitude, longitude, time)
    angle = solar_elevation(latitude, longitude, time - HALF_HOUR)
    cloud = cloud_factor(sun, clear_sky_radiation(outside, elevation), angle)
    radiation = net_radiation(sun, air_temperature, vapour_pressure, cloud)
    wind = np.clip(wind_at_two_metres(wind_speed), wind_floor, wind_cap)
    hour = (air_temperature, vapour_pressure, wind, radiation, sun, pressure)
    return DryingHours(
        evaporation=np.asarray(hourly_reference_evapotranspiration(*hour)),
        wet_evaporation=np.asarray(
            hourly_reference_evapotranspiration(
                *hour, denominator_day=0.0, denominator_night=0.0, ground_night=c.WET_GROUND_NIGHT
            )
        ),
        equilibrium=equilibrium_moisture(relative_humidity(air_temperature, dew_point_temperature)),
        rain=np.asarray(rain, dtype=np.float64),
    )


def lay_swath(
    dry_matter: Array,
    start_moisture: Array,
    swath_share: float,
    *,
    drying_factor: Array | float = 1.0,
    crop_factor: float = 1.0,
    conditioned: bool = False,
    soil_factor: float = 1.0,
    k400: float = c.K400,
    density_exponent: float = c.DENSITY_EXPONENT,
) -> Swath:
    """Describe the swath that a crop makes.

    Parameters
    ----------
    dry_matter : array [t DM/ha], shape (member, draw)
        Yield.
    start_moisture : array [wet basis, 1], shape (member, draw)
        Moisture of the standing crop without dew.
    swath_share : float [1]
        Swath width as share of the cut width, 0.2 to 1.
    drying_factor, crop_factor, soil_factor : array or float [1]
        Local, species and soil wetness factors on the drying constant.
    conditioned : bool
        Whether rollers or flails went over the crop.

    Notes
    -----
    The constant falls with swath density to the power -0.60, the middle of six published exponents (0.42-0.73), to be
    trusted between 200 and 800 g/m2: above it the model dries too fast.
    """
    density = 100.0 * dry_matter / swath_share
    conditioning = c.CONDITIONED_FACTOR if conditioned else 1.0
    thickness = (density / c.DENSITY_REFERENCE) ** -density_exponent
    rate = k400 * thickness * crop_factor * conditioning * soil_factor * drying_factor
    return Swath(dry_matter, density, rate, dry_basis(start_moisture))


def standing_wetness(hours: DryingHours, dry_matter: float, *, crop_dew: float = c.CROP_DEW) -> Array:
    """Return the dew and rain [mm] on the standing crop at the end of each hour, shape (member, hour).

    Parameters
    ----------
    hours : DryingHours
        From the evening before on; the crop is taken to be dry at first.
    dry_matter : float [t DM/ha]
        The crop holds 1.5 kg/kg DM of rain, and dew up to `crop_dew` [mm].
    """
    store = c.SURFACE_STORE * dry_matter * 0.1
    held = np.zeros(hours.rain.shape[0])
    wetness = np.empty_like(hours.rain)
    for hour in range(hours.rain.shape[1]):
        held = np.minimum(held + hours.rain[:, hour], store)
        wet = hours.wet_evaporation[:, hour]
        dewed = np.maximum(held, np.minimum(held + np.minimum(-wet, c.DEW_CAP), crop_dew))
        dried = np.maximum(held - np.maximum(wet, 0.0) * (held / store) ** (2.0 / 3.0), 0.0)
        held = np.where(wet < 0.0, dewed, dried)
        wetness[:, hour] = held
    return wetness


def wilt(
    hours: DryingHours,
    swath: Swath,
    share_lying: Array,
    surface_water: Array,
    *,
    later_day: NDArray[np.bool_] | None = None,
) -> Array:
    """Follow strips of a swath through the hours.

    Parameters
    ----------
    hours : DryingHours
        Shape (member, hour).
    swath : Swath
        Shape (member, draw).
    share_lying : array [1], shape (hour, strip)
        How much of each hour each strip has been mown for: 0 before, 1 after, a fraction in the hour of mowing.
    surface_water : array [mm], shape (strip, member)
        Dew or rain that each strip carries when it is cut.
    later_day : array of bool, shape (hour,), optional
        Hours on a later day than the mowing, which dry a swath 0.87 times as fast.

    Returns
    -------
    array [kg water/kg DM], shape (hour + 1, strip, member, draw)
        Water in and on the crop at the start and at the end of each hour.

    Notes
    -----
    dM = (M - Me) (1 - exp(-k E0)), where E0 is what the surface water leaves of the reference evaporation. Surface
    water dries by the wet-surface evaporation times (F / store)^(2/3), soaks in with a time constant of 15 h, and is
    capped at 1.5 kg/kg: what falls beyond that runs through. Evaporation of a swath is at most 1.1 times that of
    grass. The rate constant is used down to 50 %, though published rates end near 60 %: real stems may be later.
    """
    start = np.broadcast_to(
        surface_water[:, :, None] / (0.1 * swath.dry_matter), (*surface_water.shape, swath.rate.shape[1])
    )
    tissue = np.empty((share_lying.shape[0] + 1, *start.shape))
    surface = np.empty_like(tissue)
    tissue[0] = swath.start_moisture
    surface[0] = np.minimum(start, c.SURFACE_STORE)
    mass = swath.density / 1000.0
    for hour, share in enumerate(share_lying):
        slower = c.LATER_DAY_FACTOR if later_day is not None and later_day[hour] else 1.0
        tissue[hour + 1], surface[hour + 1] = _one_hour(
            tissue[hour], surface[hour], hours.at(hour), mass, swath.rate * slower, share[:, None, None]
        )
    return tissue + surface


def _one_hour(
    tissue: Array, surface: Array, hour: DryingHours, mass: Array, rate: Array, share: Array
) -> tuple[Array, Array]:
    """Return tissue and surface water after the share of one hour for which each strip has been lying."""
    free = np.minimum(surface + share * hour.rain / mass, c.SURFACE_STORE)
    free, left = _surface_hour(free, hour.wet_evaporation, mass, share)
    soaked = np.where(tissue < c.ABSORPTION_LIMIT, free * -np.expm1(-share / c.ABSORPTION_HOURS), 0.0)
    evaporation = np.maximum(hour.evaporation, 0.0) * left * share
    lost = (tissue - hour.equilibrium) * -np.expm1(-rate * evaporation)
    lost = np.minimum(lost, c.EVAPORATION_CAP * evaporation / mass)
    return tissue + soaked - lost, free - soaked


def _surface_hour(free: Array, wet_evaporation: Array, mass: Array, share: Array) -> tuple[Array, Array]:
    """Return surface water after dew or drying, and the share of the evaporation that is left for the tissue."""
    dew = np.minimum(np.maximum(-wet_evaporation, 0.0), c.DEW_CAP) * share / mass
    demand = np.maximum(wet_evaporation, 0.0) * share / mass
    dried = np.minimum(free, demand * np.cbrt(free / c.SURFACE_STORE) ** 2)
    left = 1.0 - np.divide(dried, demand, out=np.zeros_like(dried), where=demand > 0.0)
    left = np.where(wet_evaporation < 0.0, 0.0, left)
    return np.minimum(free - dried + dew, c.SURFACE_STORE), left

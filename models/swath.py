"""The moisture of a mown swath through the hours of a day: evaporation-based, with dew and rain on its surface."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c
from models.evapotranspiration import evapotranspiration_under_sky, wind_at_two_metres
from models.humidity import relative_humidity, saturation_vapour_pressure, surface_pressure
from models.sun import clear_sky_radiation, extraterrestrial_radiation, solar_elevation

Array = NDArray[np.float64]
T = TypeVar("T")

BLOCK: Final = 12_000  # strips times cases that are dried at a time, so that they stay in the processor's cache
HALF_HOUR: Final = np.timedelta64(30, "m")
MJ_PER_WATT_HOUR: Final = 0.0036  # of one hour at one watt
TINY: Final = 1e-300  # [kg/kg] instead of a demand of nothing, in a ratio whose other side is nothing then


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

    @classmethod
    def stack(cls, parts: Sequence["DryingHours"]) -> "DryingHours":
        """Return stretches of as many hours side by side, as so many members."""
        return _stack_members(cls, parts)

    def between(self, first: int, last: int) -> "DryingHours":
        """Return the hours from `first` up to but not including `last`."""
        some = (slice(None), slice(first, last))
        return DryingHours(self.evaporation[some], self.wet_evaporation[some], self.equilibrium[some], self.rain[some])


@dataclass(frozen=True)
class Swath:
    """How a field lies after mowing; arrays have the shape (member, draw).

    `dry_matter` [t/ha], `density` [g DM/m2 of swath], `rate` drying constant [mm-1 of reference evaporation] with
    every factor in it, `start_moisture` [kg/kg DM] of the tissue when cut, which may differ from strip to strip.
    """

    dry_matter: Array
    density: Array
    rate: Array
    start_moisture: Array

    @classmethod
    def stack(cls, parts: Sequence["Swath"]) -> "Swath":
        """Return swaths side by side, as so many members."""
        return _stack_members(cls, parts)


def _stack_members(kind: type[T], parts: Sequence[T]) -> T:
    """Return things made of arrays as one; the members are the last axis but one in all of them."""
    names = kind.__annotations__
    return kind(*(np.concatenate([getattr(part, name) for part in parts], axis=-2) for name in names))


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
    outside = extraterrestrial_radiation(latitude, longitude, time)
    weather = (
        air_temperature,
        saturation_vapour_pressure(dew_point_temperature),
        np.clip(wind_at_two_metres(wind_speed), wind_floor, wind_cap),
        shortwave * MJ_PER_WATT_HOUR,
    )
    sky = (clear_sky_radiation(outside, elevation), solar_elevation(latitude, longitude, time - HALF_HOUR))
    given = (*weather, *sky, float(surface_pressure(elevation)))
    return DryingHours(
        evaporation=evapotranspiration_under_sky(*given),
        wet_evaporation=evapotranspiration_under_sky(
            *given, denominator_day=0.0, denominator_night=0.0, ground_night=c.WET_GROUND_NIGHT
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
    soil_factor: Array | float = 1.0,
    k400: float = c.K400,
    density_exponent: float = c.DENSITY_EXPONENT,
) -> Swath:
    """Describe the swath that a crop makes.

    Parameters
    ----------
    dry_matter : array [t DM/ha], shape (member, draw)
        Yield.
    start_moisture : array [wet basis, 1], shape (member, draw) or (strip, member, draw)
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
    conditioning = c.CONDITIONING_FACTOR if conditioned else 1.0
    thickness = (density / c.DENSITY_REFERENCE) ** -density_exponent
    rate = k400 * thickness * crop_factor * conditioning * soil_factor * drying_factor
    return Swath(dry_matter, density, rate, dry_basis(start_moisture))


def start_moisture_shift(solar_hour: Array, *, swing: float = c.DAY_SWING) -> Array:
    """Return how much wetter than on the mean of the day a standing crop is at an hour.

    Parameters
    ----------
    solar_hour : array [h]
        Mean solar time: hours of UTC and longitude / 15. Whole days are left out.
    swing : float [wet basis, 1]
        Half of the way from the wettest hour to the driest.

    Returns
    -------
    array [wet basis, 1]
        To be added to the moisture of the tissue; dew on it is apart.

    Notes
    -----
    A crop draws more by day than its roots bring. A cosine falls from 6 h to 15 h and another one rises until 6 h.
    That a morning is one to three points wetter than the middle of the afternoon is remembered; hours and shape are
    estimates.

    Examples
    --------
    >>> start_moisture_shift(np.array([6.0, 10.5, 15.0])).round(3).tolist()
    [0.01, 0.0, -0.01]
    """
    since = (solar_hour - c.WETTEST_HOUR) % 24.0
    falling = c.DRIEST_HOUR - c.WETTEST_HOUR
    way = np.where(since <= falling, since / falling, 1.0 + (since - falling) / (24.0 - falling))
    return np.asarray(swing * np.cos(np.pi * way))


def standing_wetness(hours: DryingHours, dry_matter: Array | float, *, crop_dew: float = c.CROP_DEW_CAP) -> Array:
    """Return the dew and rain [mm] on standing crops at the end of each hour.

    Parameters
    ----------
    hours : DryingHours
        From the evening before on; the crop is taken to be dry at first.
    dry_matter : array or float [t DM/ha]
        Of one crop, or of several (crop,), which take hardly longer together than one. A crop holds 1.5 kg/kg DM of
        rain, and dew up to `crop_dew` [mm].

    Returns
    -------
    array [mm], shape (member, hour) or (crop, member, hour)
    """
    store = np.asarray(c.SURFACE_STORE * 0.1 * dry_matter)[..., None]
    drying, dew = np.maximum(hours.wet_evaporation, 0.0), np.clip(-hours.wet_evaporation, 0.0, c.DEW_CAP)
    wetness = np.empty((*store.shape[:-1], *hours.rain.shape))
    held = np.zeros(wetness.shape[:-1])
    for hour in range(hours.rain.shape[1]):
        held = np.minimum(held + hours.rain[:, hour], store)
        held = np.maximum(held, np.minimum(held + dew[:, hour], crop_dew))
        held = np.maximum(held - drying[:, hour] * np.cbrt(held / store) ** 2, 0.0)
        wetness[..., hour] = held
    return wetness


def wilt(
    hours: DryingHours,
    swath: Swath,
    mown: Array,
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
    mown : array [h], shape (strip,)
        When each strip is cut, from the beginning of the first hour on, in the order of mowing.
    surface_water : array [mm], shape (strip, member)
        Dew or rain that each strip carries when it is cut.
    later_day : array of bool, shape (hour,), optional
        Hours on a later day than the mowing, which dry a swath 0.87 times as fast.

    Returns
    -------
    array [kg water/kg DM], shape (hour + 1, strip, member, draw)
        Water in and on the crop at the start and at the end of each hour; until it is cut, what it is cut with.

    Raises
    ------
    ValueError
        If a strip is cut before the one ahead of it, or before the first hour.

    Notes
    -----
    dM = (M - Me) (1 - exp(-k E0)), where E0 is what the surface water leaves of the reference evaporation. Surface
    water dries by the wet-surface evaporation times (F / store)^(2/3), soaks in with a time constant of 15 h, and is
    capped at 1.5 kg/kg: what falls beyond that runs through. In the hour of mowing all of it counts by the share of the
    hour that is left. Evaporation of a swath is at most 1.1 times that of grass. The rate constant is used down to
    50 %, though published rates end near 60 %: real stems may be later.
    """
    if np.any(np.diff(mown, prepend=0.0) < 0.0):
        raise ValueError(f"mown: {mown} given, allowed hours from 0 on in rising order; sort the strips")
    weather = _weather_of_cases(hours, swath, later_day)
    carried = np.repeat(surface_water, swath.rate.shape[1], axis=1) / (0.1 * swath.dry_matter.ravel())
    surface = np.minimum(carried, c.SURFACE_STORE)
    tissue = np.broadcast_to(swath.start_moisture.reshape(-1, swath.rate.size), surface.shape)
    water = np.empty((hours.rain.shape[1] + 1, *surface.shape))
    step = max(BLOCK // mown.size, 1)
    for first in range(0, swath.rate.size, step):
        some = slice(first, first + step)
        _wilt_cases(
            weather[..., some],
            np.array(tissue[:, some], dtype=np.float64),
            surface[:, some].copy(),
            mown,
            water[..., some],
        )
    return water.reshape(*water.shape[:2], *swath.rate.shape)


def _wilt_cases(weather: Array, tissue: Array, surface: Array, mown: Array, water: Array) -> None:
    """Write the water of some of the cases, so few that what is reckoned stays in the processor's cache."""
    water[0] = tissue + surface
    began = mown.astype(np.int64)
    lying = np.searchsorted(began, np.arange(water.shape[0]))  # strips cut before each hour begins
    # Every strip has one hour of which it lies for a part: first all of these at once, then the whole hours in turn.
    last, soaking = lying[-1], _soaked_share(np.ones((1, 1)))
    part = (began + 1.0 - mown)[:last, None]
    _step_hour(tissue[:last], surface[:last], _partial_hour(weather[:, began[:last]], part), _soaked_share(part))
    for hour, (before, after) in enumerate(pairwise(lying)):
        _step_hour(tissue[:before], surface[:before], weather[:, hour], soaking)
        np.add(tissue[:after], surface[:after], out=water[hour + 1, :after])
        water[hour + 1, after:] = water[0, after:]


class _CaseHour(NamedTuple):
    """An hour as it meets each case (a member with a draw); amounts in kg/kg of its dry matter."""

    exponent: Array  # rate constant times reference evaporation, which is nothing while dew falls
    max_loss: Array  # what may leave the tissue at most
    demand: Array  # what the air would take from a wet surface
    rain_and_dew: Array  # rain and dew
    equilibrium: Array
    drying_share: Array  # share of the water above equilibrium that leaves a tissue without any on its surface


def _weather_of_cases(hours: DryingHours, swath: Swath, later_day: NDArray[np.bool_] | None) -> Array:
    """Return the fields of `_CaseHour`, shape (field, hour, case).

    They are one array, so that picking from all takes one call. Members are told out to their draws once, as numpy is
    slow where a short axis like that of the draws is innermost.
    """
    evaporation, wet, equilibrium, rain = (
        np.repeat(each.T, swath.rate.shape[1], axis=1)
        for each in (hours.evaporation, hours.wet_evaporation, hours.equilibrium, hours.rain)
    )
    mass = swath.density.ravel() / 1000.0
    evaporation = np.where(wet < 0.0, 0.0, np.maximum(evaporation, 0.0))
    slower = 1.0 if later_day is None else np.where(later_day, c.LATER_DAY_FACTOR, 1.0)[:, None]
    exponent = swath.rate.ravel() * slower * evaporation
    return np.array(
        _CaseHour(
            exponent=exponent,
            max_loss=c.EVAPORATION_CAP * evaporation / mass,
            demand=np.maximum(wet, 0.0) / mass,
            rain_and_dew=(rain + np.clip(-wet, 0.0, c.DEW_CAP)) / mass,
            equilibrium=equilibrium,
            drying_share=1.0 - np.exp(-exponent),
        )
    )


def _partial_hour(weather: Array, share: Array) -> Array:
    """Return the fields of `_CaseHour` for a share of their hours."""
    hour = _CaseHour(*weather)
    amounts = [share * each for each in hour[:4]]
    return np.array(_CaseHour._make([*amounts, hour.equilibrium, 1.0 - np.exp(-amounts[0])]))


def _soaked_share(share: Array) -> Array:
    """Return how much of the surface water goes into the tissue in a share of an hour."""
    return -np.expm1(share * (-1.0 / c.ABSORPTION_HOURS))


def _step_hour(tissue: Array, surface: Array, weather: Array, soaking: Array) -> None:
    """Change tissue and surface water (strip, case) to what they are after an hour.

    `weather` has the shape (field, case), or (field, strip, case) where each strip has an hour of its own; `soaking` is
    (1, 1) or (strip, 1). Surface water is followed only where there is any: its sums take most of the time and come to
    nothing elsewhere.
    """
    hour = _CaseHour(*weather)
    wet = ((surface != 0.0) | (hour.rain_and_dew != 0.0)).ravel().nonzero()[0]
    if wet.size:
        strip = wet // surface.shape[1]
        there = wet if weather.ndim > 2 else wet - strip * surface.shape[1]  # a remainder takes four times as long
        fields = _CaseHour(*weather.reshape(len(weather), -1).take(there, axis=1))
        after = _step_wet_hour(tissue.take(wet), surface.take(wet), fields, soaking.ravel().take(strip, mode="clip"))
    lost = tissue - hour.equilibrium
    lost *= hour.drying_share
    tissue -= np.minimum(lost, hour.max_loss, out=lost)
    if wet.size:
        tissue.ravel()[wet], surface.ravel()[wet] = after


def _step_wet_hour(tissue: Array, surface: Array, hour: _CaseHour, soaking: Array) -> tuple[Array, Array]:
    """Return tissue and surface water after an hour, where there is water on the surface, shape (spot,)."""
    free = np.minimum(surface + hour.rain_and_dew, c.SURFACE_STORE)
    # (F / store)^(2/3) by logarithm: a cube root takes twice the time
    dried = np.minimum(free, hour.demand * np.exp((2.0 / 3.0) * np.log(free * (1.0 / c.SURFACE_STORE))))
    left = 1.0 - dried / np.maximum(hour.demand, TINY)
    free -= dried
    soaked = free * (tissue < c.ABSORPTION_LIMIT)
    soaked *= soaking
    lost = tissue - hour.equilibrium
    lost *= 1.0 - np.exp(-left * hour.exponent)
    np.minimum(lost, left * hour.max_loss, out=lost)
    return tissue + soaked - lost, free - soaked

"""Hourly evapotranspiration beside one pass of arithmetic over the same points, and beside other programs."""

import importlib.util
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyfao56.refet
import refet
from numpy.typing import NDArray

from models.evapotranspiration import evapotranspiration_under_sky, hourly_reference_evapotranspiration, net_radiation
from models.humidity import saturation_vapour_pressure, surface_pressure
from models.sun import clear_sky_radiation, extraterrestrial_radiation, solar_elevation
from tests.bench.table import Line, seconds

Array = NDArray[np.float64]

LATITUDE, LONGITUDE, ELEVATION = 43.0, -75.0, 250.0
ZONE = 5  # hours behind UTC
HOURS = 240  # ten days
HOUR = np.timedelta64(1, "h")
LONG = 9e6  # points, from which on the targets hold
SLOW = 1_000  # rows of ours beside one of a program that takes hours one by one


@dataclass(frozen=True)
class Weather:
    """Invented hours of shape (row, hour), in what all programs take; wind at 2 m, radiation in MJ m-2 h-1."""

    ends: NDArray[np.datetime64]
    temperature: Array
    vapour_pressure: Array
    wind: Array
    shortwave: Array

    @property
    def day_of_year(self) -> Array:
        local = self.ends - (ZONE + 1) * HOUR
        return np.asarray(1.0 + (local.astype("datetime64[D]") - local.astype("datetime64[Y]")).astype(np.float64))

    @property
    def start(self) -> Array:
        """UTC hour at the start."""
        return np.asarray((self.ends - HOUR - self.ends.astype("datetime64[D]")) / HOUR % 24.0)


def invented(points: int) -> Weather:
    random = np.random.default_rng(7)
    shape = (max(points // HOURS, 1), HOURS)
    ends = np.datetime64("2026-06-01T06:00") + np.arange(HOURS) * HOUR
    temperature = random.uniform(5.0, 30.0, shape)
    sun = 0.75 * extraterrestrial_radiation(LATITUDE, LONGITUDE, ends) * random.uniform(0.35, 1.0, shape)
    held = saturation_vapour_pressure(temperature) * random.uniform(0.3, 1.0, shape)
    return Weather(ends, temperature, held, random.gamma(2.0, 1.0, shape), sun)


def from_the_sun_on(weather: Weather) -> Array:
    """Reckon with the sun of the place worked out once for each hour."""
    clear = clear_sky_radiation(extraterrestrial_radiation(LATITUDE, LONGITUDE, weather.ends), ELEVATION)
    height = solar_elevation(LATITUDE, LONGITUDE, weather.ends - HOUR / 2)
    given = (weather.temperature, weather.vapour_pressure, weather.wind, weather.shortwave)
    return evapotranspiration_under_sky(*given, clear, height, float(surface_pressure(ELEVATION)))


def by_refet(weather: Weather) -> Array:
    shape = weather.temperature.shape
    found = refet.Hourly(
        tmean=weather.temperature, rs=weather.shortwave, uz=weather.wind, zw=2.0, elev=np.float64(ELEVATION),
        lat=np.float64(LATITUDE), lon=np.float64(LONGITUDE), doy=np.broadcast_to(weather.day_of_year, shape),
        time=np.broadcast_to(weather.start, shape), ea=weather.vapour_pressure, method="asce",
    ).eto()  # fmt: skip
    return np.asarray(found)


def by_pyfao56(weather: Weather) -> Array:
    """Reckon the first hours of the first row, one by one."""
    found, held = [], 0.8
    for hour in range(HOURS):
        one, held = pyfao56.refet.ascehourly(
            "S", ELEVATION, LATITUDE, -LONGITUDE, 15.0 * ZONE, weather.day_of_year[hour],
            (weather.start[hour] - ZONE) % 24 + 0.5, weather.shortwave[0, hour], weather.temperature[0, hour],
            vapr=weather.vapour_pressure[0, hour], wndsp=weather.wind[0, hour], wndht=2.0, csreq="S", fcdpt=held,
        )  # fmt: skip
        found.append(one)
    return np.array(found)


def lines(points: int) -> Iterator[Line]:
    """Yield the figures at so many points."""
    weather = invented(points)
    count = weather.temperature.size
    shown = f"{count:.0e} points"
    ours = seconds(lambda: from_the_sun_on(weather))
    plain = seconds(lambda: weather.temperature * weather.wind + weather.shortwave)
    yield Line(f"a*b+c, one pass that allocates, {shown}", f"{1e9 * plain / count:.2f} ns")
    yield Line(
        f"hourly ET from the sun on, {shown}, beside a*b+c",
        f"{ours / plain:.1f} x ({1e9 * ours / count:.1f} ns)", *_target("at most 10 x", ours <= 10.0 * plain, count),
    )  # fmt: skip
    yield _equation(weather, plain, shown)
    theirs = seconds(lambda: by_refet(weather), 2)
    yield Line(
        f"refet, {shown} (sun at every point; ours once an hour and place), beside ours",
        f"{theirs / ours:.1f} x", *_target("at least 20 x", theirs >= 20.0 * ours, count),
    )  # fmt: skip
    yield _agreement(weather)


def _target(words: str, met: bool, points: int) -> tuple[str, bool | None]:
    """Return the target, which is set for long arrays; shorter ones are shown without it."""
    return (words, met) if points > LONG else ("", None)


def _equation(weather: Weather, plain: float, shown: str) -> Line:
    """Return the figure of ASCE 2005 eq. 1 alone."""
    given = (weather.temperature, weather.vapour_pressure, weather.wind)
    net = net_radiation(weather.shortwave, weather.temperature, weather.vapour_pressure, 0.7)
    alone = seconds(lambda: hourly_reference_evapotranspiration(*given, net, weather.shortwave, 99.0))
    return Line(f"the same with the net radiation given, {shown}, beside a*b+c", f"{alone / plain:.1f} x")


def _agreement(weather: Weather) -> Line:
    """Return the largest difference from refet with the sun high, where both have the same rules."""
    high = solar_elevation(LATITUDE, LONGITUDE, weather.ends - HOUR / 2) > 30.0
    apart = float(np.abs(from_the_sun_on(weather) - by_refet(weather))[:, high].max())
    return Line("largest difference from refet with the sun above 30 degrees", f"{apart:.0e} mm", "", None)


def one_by_one() -> Line:
    """Return the figure of pyfao56, which takes one hour at a time."""
    weather = invented(HOURS)
    theirs, ours = seconds(lambda: by_pyfao56(weather), 2), invented(SLOW * HOURS)
    per_point = seconds(lambda: from_the_sun_on(ours)) / ours.temperature.size
    return Line(f"pyfao56, {HOURS} hours one by one, beside ours", f"{theirs / HOURS / per_point:.0f} x")


def by_pyet() -> Line:
    """Return the figure of pyet's daily formula beside the daily one here, where it is installed."""
    if importlib.util.find_spec("pyet") is None:
        return Line("pyet", "not installed here: see tests/outside")
    import pandas as pd  # noqa: I001
    import pyet
    from models.evapotranspiration import daily_reference_evapotranspiration
    from models.sun import daily_extraterrestrial_radiation

    days = pd.date_range("1991-01-01", periods=10_000)
    high, low, wind = (np.full(days.size, value) for value in (24.0, 12.0, 2.0))
    held, sun = np.full(days.size, 1.3), np.full(days.size, 20.0)
    mean, tmax, tmin, ea, rs, u = (pd.Series(each, days) for each in ((high + low) / 2, high, low, held, sun, wind))
    latitude = float(np.radians(LATITUDE))
    theirs = seconds(
        lambda: pyet.pm_fao56(
            mean, u, rs=rs, tmax=tmax, tmin=tmin, ea=ea, elevation=ELEVATION, lat=latitude
        )
    )  # fmt: skip
    above = daily_extraterrestrial_radiation(LATITUDE, days.dayofyear.to_numpy(dtype=float))
    ours = seconds(lambda: daily_reference_evapotranspiration(high, low, held, wind, sun, above, ELEVATION))
    return Line(f"pyet, daily FAO-56, {days.size} days, beside ours", f"{theirs / ours:.0f} x")

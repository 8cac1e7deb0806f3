"""The hourly short reference of ASCE-EWRI 2005 against two independent programs, refet and pyfao56."""

from dataclasses import dataclass

import numpy as np
import pyfao56.refet
import pytest
import refet
from numpy.typing import NDArray

from models.coefficients import MIN_SUN_ELEVATION
from models.evapotranspiration import (
    cloud_factor,
    daily_reference_evapotranspiration,
    hourly_reference_evapotranspiration,
    net_radiation,
    wind_at_two_metres,
)
from models.humidity import saturation_vapour_pressure, surface_pressure
from models.sun import clear_sky_radiation, daily_extraterrestrial_radiation, extraterrestrial_radiation

pytestmark = pytest.mark.published

Array = NDArray[np.float64]

LATITUDE, LONGITUDE, ELEVATION = 43.0, -75.0, 250.0
ZONE = 5  # hours behind UTC, exactly 75 deg west


@dataclass(frozen=True)
class Year:
    """Invented hourly weather of an ordinary year, in the quantities that all three programs take."""

    time: NDArray[np.datetime64]
    day_of_year: Array
    start: Array  # UTC hour at the start of the hour
    temperature: Array
    vapour_pressure: Array
    wind: Array  # at 10 m
    shortwave: Array
    clear_sky: Array

    def net_radiation(self, factor: Array) -> Array:
        return net_radiation(self.shortwave, self.temperature, self.vapour_pressure, factor)

    def evapotranspiration(self, net: Array) -> Array:
        return hourly_reference_evapotranspiration(
            self.temperature,
            self.vapour_pressure,
            wind_at_two_metres(self.wind),
            net,
            self.shortwave,
            surface_pressure(ELEVATION),
        )


@pytest.fixture(scope="module")
def year() -> Year:
    random = np.random.default_rng(56)
    hours = np.arange(8760)
    time = np.datetime64("2025-01-01T06:00") + hours * np.timedelta64(1, "h")  # ends of hours; starts at local midnight
    days = 365
    clear_sky = clear_sky_radiation(extraterrestrial_radiation(LATITUDE, LONGITUDE, time), ELEVATION)
    cloud = np.repeat(random.uniform(0.32, 1.0, days), 24)
    season = 9.0 - 13.0 * np.cos(2 * np.pi * (hours / 24 - 20) / 365)
    temperature = season + np.repeat(random.normal(0, 4, days), 24) - 5 * np.cos(2 * np.pi * (hours % 24 - 3) / 24)
    dew_point = temperature - random.uniform(0.5, 12.0, hours.size)
    return Year(
        time,
        np.asarray(1.0 + hours // 24, dtype=np.float64),
        np.asarray((hours + ZONE) % 24, dtype=np.float64),
        temperature,
        saturation_vapour_pressure(dew_point),
        random.gamma(2.0, 1.7, hours.size),
        clear_sky * cloud,
        clear_sky,
    )


@pytest.fixture(scope="module")
def by_refet(year: Year) -> refet.Hourly:
    return refet.Hourly(
        tmean=year.temperature, rs=year.shortwave, uz=year.wind, zw=10.0, elev=np.float64(ELEVATION),
        lat=np.float64(LATITUDE), lon=np.float64(LONGITUDE), doy=year.day_of_year, time=year.start,
        ea=year.vapour_pressure, method="asce",
    )  # fmt: skip


def sun_elevation(year: Year) -> Array:
    """ASCE 2005 eq. 62 in the middle of the hour [deg], with the standard's own declination and season."""
    declination = 0.409 * np.sin(2 * np.pi / 365 * year.day_of_year - 1.39)
    b = 2 * np.pi * (year.day_of_year - 81) / 364
    season = 0.1645 * np.sin(2 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)
    angle = np.pi / 12 * ((year.start - ZONE) % 24 + 0.5 + season - 12)
    phi = np.radians(LATITUDE)
    height = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(angle)
    return np.asarray(np.degrees(np.arcsin(height)))


def test_extraterrestrial_radiation_of_a_year(year: Year, by_refet: refet.Hourly) -> None:
    ours = extraterrestrial_radiation(LATITUDE, LONGITUDE, year.time)
    # refet takes the day of the year as given, ours follows the sun, which differs at night only.
    np.testing.assert_allclose(ours, by_refet.ra, rtol=0, atol=1e-9)
    assert ours.max() > 4.0


def test_year_with_the_same_cloud_factor(year: Year, by_refet: refet.Hourly) -> None:
    ours = year.evapotranspiration(year.net_radiation(by_refet.fcd))
    theirs = by_refet.eto()
    # Where the sun shines and Rn is still negative the two tell day from night differently.
    same = (year.shortwave > 0.01) == (by_refet.rn >= 0)
    assert same.mean() > 0.88
    np.testing.assert_allclose(ours[same], theirs[same], rtol=0, atol=1e-5)


def test_sunny_hours_of_a_year_from_end_to_end(year: Year, by_refet: refet.Hourly) -> None:
    sun = sun_elevation(year)
    ours = year.evapotranspiration(year.net_radiation(cloud_factor(year.shortwave, year.clear_sky, sun)))
    # Above 30 degrees, so that refet, which tests the start of the hour, finds the sun high enough as well.
    high = (sun > 30.0) & (by_refet.rn >= 0)
    assert high.sum() > 1500
    np.testing.assert_allclose(ours[high], by_refet.eto()[high], rtol=0, atol=1e-5)


def test_year_with_the_cloud_factor_held_through_the_night(year: Year) -> None:
    ours_sun = sun_elevation(year) - (np.degrees(0.3) - MIN_SUN_ELEVATION)  # the standard's 17 deg are 0.3 rad exactly
    factor = cloud_factor(year.shortwave, year.clear_sky, ours_sun)
    net = year.net_radiation(factor)
    ours = year.evapotranspiration(net)
    theirs = np.empty((2, year.time.size))
    held = 0.8
    for hour in range(year.time.size):
        theirs[0, hour], held = pyfao56.refet.ascehourly(
            "S", ELEVATION, LATITUDE, -LONGITUDE, 15.0 * ZONE, year.day_of_year[hour],
            (year.start[hour] - ZONE) % 24 + 0.5, year.shortwave[hour], year.temperature[hour],
            vapr=year.vapour_pressure[hour], wndsp=year.wind[hour], wndht=10.0, csreq="S", fcdpt=held,
        )  # fmt: skip
        theirs[1, hour] = held
    same = (year.shortwave > 0.01) == (net >= 0)
    np.testing.assert_allclose(factor, theirs[1], rtol=0, atol=1e-9)
    np.testing.assert_allclose(ours[same], theirs[0][same], rtol=0, atol=1e-5)


def test_days_of_a_year(year: Year) -> None:
    temperature = year.temperature.reshape(365, 24)
    high, low = temperature.max(axis=1), temperature.min(axis=1)
    held = year.vapour_pressure.reshape(365, 24).mean(axis=1)
    wind, sun = year.wind.reshape(365, 24).mean(axis=1), year.shortwave.reshape(365, 24).sum(axis=1)
    days = np.arange(1.0, 366.0)
    ours = daily_reference_evapotranspiration(
        high, low, held, wind_at_two_metres(wind), sun, daily_extraterrestrial_radiation(LATITUDE, days), ELEVATION
    )
    theirs = refet.Daily(
        tmin=low, tmax=high, rs=sun, uz=wind, zw=10.0, elev=np.float64(ELEVATION), lat=np.float64(LATITUDE),
        doy=days, ea=held, method="asce",
    ).eto()  # fmt: skip
    damp = (saturation_vapour_pressure(high) + saturation_vapour_pressure(low)) / 2 <= held
    assert not damp.any()
    # refet has Stefan-Boltzmann's constant as 4.901e-9, FAO-56 as 4.903e-9.
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=2e-3)
    assert ours.max() > 4.0


def test_hour_at_fallon() -> None:
    # Public test inputs of refet: Fallon, Nevada, J 182, 18 to 19 UTC: 0.60635 mm.
    fahrenheit, langley, mile = 91.80, 61.16, 3.33
    temperature, shortwave, wind = (fahrenheit - 32) / 1.8, langley * 0.041868, mile * 0.44704
    label = np.array([np.datetime64("2015-07-01T19:00")])
    clear = clear_sky_radiation(extraterrestrial_radiation(39.4575, -118.77388, label), 1208.5)
    factor = cloud_factor(np.array([shortwave]), clear, np.array([60.0]))
    net = net_radiation(shortwave, temperature, 1.1990, factor)
    given = hourly_reference_evapotranspiration(
        temperature, 1.1990, wind_at_two_metres(wind, 3.0), net, shortwave, surface_pressure(1208.5)
    )
    assert given[0] == pytest.approx(0.60635, abs=1e-4)

"""The sun against the Solar Position Algorithm (NREL) in pvlib, and printed test values."""

import numpy as np
import pandas as pd
import pvlib
import pytest
from numpy.typing import NDArray

from models.sun import (
    clear_sky_radiation,
    daily_extraterrestrial_radiation,
    extraterrestrial_radiation,
    solar_elevation,
    sunrise_sunset,
)

pytestmark = pytest.mark.published

LATITUDE, LONGITUDE = 43.0, -72.5
MEADOWS = [(43.0, -72.5), (60.0, 25.0), (-40.0, 175.0), (0.0, -179.9), (52.0, 6.0)]

HORIZON = [  # 2025, UTC-5, SPA at 43.0 N 72.5 W
    ("03-20", "05:52:42", "18:02:38"),
    ("05-15", "04:26:27", None),
    ("06-21", "04:10:59", None),
    ("07-06", "04:17:52", None),
    ("09-15", "05:29:58", "17:59:22"),
    ("12-21", "07:18:10", "16:18:23"),
]  # no evening where it falls on the next day of UTC: there pvlib returns the evening before


def positions(time: NDArray[np.datetime64], latitude: float, longitude: float) -> pd.DataFrame:
    instants = pd.DatetimeIndex(time).tz_localize("UTC")
    return pd.DataFrame(pvlib.solarposition.get_solarposition(instants, latitude, longitude))


@pytest.mark.parametrize(("day", "rise", "gone"), HORIZON)
def test_rise_and_set_of_spa(day: str, rise: str, gone: str | None) -> None:
    found = sunrise_sunset(LATITUDE, LONGITUDE, np.datetime64(f"2025-{day}"))
    for ours, theirs in zip(found, (rise, gone), strict=True):
        if theirs:
            expected = np.datetime64(f"2025-{day}T{theirs}") + np.timedelta64(5, "h")
            assert abs(ours - expected) <= np.timedelta64(6, "s")


@pytest.mark.parametrize(("latitude", "longitude"), MEADOWS)
def test_sun_is_on_the_horizon_when_it_rises_and_sets(latitude: float, longitude: float) -> None:
    days = np.arange(np.datetime64("2024-01-01"), np.datetime64("2028-01-01"), np.timedelta64(3, "D"))
    noon = days + np.timedelta64(round(43200 - 240 * longitude), "s")
    rise, gone = sunrise_sunset(latitude, longitude, days)
    for event in (rise, gone):
        np.testing.assert_allclose(positions(event, latitude, longitude).elevation, -0.833, rtol=0, atol=0.015)
    half_day = np.timedelta64(12, "h")
    assert np.all((noon - half_day < rise) & (rise < noon) & (noon < gone) & (gone < noon + half_day))


@pytest.mark.parametrize(("latitude", "longitude"), [*MEADOWS, (78.0, 16.0), (-90.0, 0.0)])
def test_elevation_of_spa(latitude: float, longitude: float) -> None:
    time = np.arange(np.datetime64("2024-01-01T00:00"), np.datetime64("2030-01-01"), np.timedelta64(1013, "m"))
    theirs = positions(time, latitude, longitude).elevation
    np.testing.assert_allclose(solar_elevation(latitude, longitude, time), theirs, rtol=0, atol=0.02)


def test_evening_hour_that_falls_on_the_next_day_of_utc() -> None:
    # 45 N 90 W, J 172, 00 to 01 UTC: 0.957 MJ m-2; worked by hand from FAO-56 eq. 28 with the hour angle wrapped.
    label = np.datetime64("2025-06-22T01:00")
    assert extraterrestrial_radiation(45.0, -90.0, label) == pytest.approx(0.957, abs=6e-4)


@pytest.mark.parametrize("longitude", [-180.0, -90.0, -72.6, 0.0, 93.3, 180.0])
def test_solar_day_is_the_same_at_every_longitude(longitude: float) -> None:
    # FAO-56 eq. 21: 41.91 MJ m-2 at 45 N on J 172.
    midnight = np.datetime64("2025-06-21T00:00:00") - np.timedelta64(round(240 * longitude), "s")
    labels = midnight + np.arange(1, 25) * np.timedelta64(1, "h")
    assert extraterrestrial_radiation(45.0, longitude, labels).sum() == pytest.approx(41.91, abs=5e-3)
    assert daily_extraterrestrial_radiation(45.0, 172) == pytest.approx(41.91, abs=5e-3)


def test_hour_centred_on_solar_noon() -> None:
    # 45 N, J 172: 4.418 MJ m-2, by hand; eq. 31 puts solar noon at 12:01:37 mean time on that day.
    label = np.datetime64("2025-06-21T12:31:37")
    assert extraterrestrial_radiation(45.0, 0.0, label) == pytest.approx(4.418, abs=6e-4)


@pytest.mark.parametrize(("latitude", "longitude"), MEADOWS)
def test_hours_of_extraterrestrial_radiation_by_spa(latitude: float, longitude: float) -> None:
    labels = np.datetime64("2025-05-03T00:00") + np.arange(1, 49) * np.timedelta64(1, "h")
    minutes = labels[:, None] - np.arange(30, 3600, 60) * np.timedelta64(1, "s")
    height = positions(minutes.ravel(), latitude, longitude).elevation.to_numpy().reshape(minutes.shape)
    beam = pvlib.irradiance.get_extra_radiation(pd.DatetimeIndex(labels), solar_constant=1366.7).to_numpy()
    theirs = 0.0036 * beam * np.maximum(np.sin(np.radians(height)), 0.0).mean(axis=1)
    ours = extraterrestrial_radiation(latitude, longitude, labels)
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=0.06)
    slipped = extraterrestrial_radiation(latitude, longitude, labels + np.timedelta64(1, "h"))
    assert np.abs(slipped - theirs).max() > 0.5


@pytest.mark.parametrize(
    ("day", "ineichen", "haurwitz"), [("05-15", 27.83, 29.50), ("07-06", 28.53, 31.22), ("09-15", 19.63, 21.08)]
)
def test_clear_days_of_pvlib(day: str, ineichen: float, haurwitz: float) -> None:
    # MJ m-2 d-1 at 43.0 N 72.5 W, by pvlib 0.16.1; the FAO sky is the plainest of the three.
    date = np.datetime64(f"2025-{day}")
    day_of_year = 1 + int((date - np.datetime64("2025-01-01")).astype(int))
    ours = clear_sky_radiation(daily_extraterrestrial_radiation(LATITUDE, day_of_year), 0.0)
    assert ours == pytest.approx(ineichen, rel=0.12)
    assert ours == pytest.approx(haurwitz, rel=0.05)

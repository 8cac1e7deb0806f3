import numpy as np
import pytest

from models.sun import (
    clear_sky_radiation,
    daily_extraterrestrial_radiation,
    daylight_hours,
    extraterrestrial_radiation,
    solar_elevation,
    sunrise_sunset,
)

HOUR = np.timedelta64(1, "h")
YEAR = np.arange(np.datetime64("2025-01-01"), np.datetime64("2026-01-01"))


def solar_day(day: str, longitude: float) -> np.ndarray[tuple[int], np.dtype[np.datetime64]]:
    midnight = np.datetime64(f"{day}T00:00:00") - np.timedelta64(round(240 * longitude), "s")
    return midnight + np.arange(1, 25) * HOUR


@pytest.mark.parametrize("latitude", [-80.0, -66.0, -35.0, 0.0, 45.0, 65.8, 66.4, 75.0, 90.0])
@pytest.mark.parametrize("day", ["2025-01-14", "2025-03-21", "2025-06-21", "2025-12-21"])
def test_hours_add_up_to_the_day(latitude: float, day: str) -> None:
    day_of_year = 1 + int((np.datetime64(day) - np.datetime64("2025-01-01")).astype(int))
    hours = extraterrestrial_radiation(latitude, -75.0, solar_day(day, -75.0))
    assert hours.min() >= 0.0
    assert hours.sum() == pytest.approx(float(daily_extraterrestrial_radiation(latitude, day_of_year)), abs=1e-9)


def test_polar_night_and_midnight_sun() -> None:
    assert daily_extraterrestrial_radiation(75.0, 355) == 0.0
    assert daylight_hours(75.0, np.array([172, 355])).tolist() == [24.0, 0.0]
    assert not extraterrestrial_radiation(75.0, 20.0, solar_day("2025-12-21", 20.0)).any()
    assert extraterrestrial_radiation(75.0, 20.0, solar_day("2025-06-21", 20.0)).min() > 0.5


def test_year_at_seventy_degrees_has_both_kinds_of_day_without_sunset() -> None:
    rise, gone = sunrise_sunset(70.0, 20.0, YEAR)
    nights, bright = np.isnat(rise[:10]), np.isnat(gone[150:200])
    assert nights.all()
    assert bright.all()
    assert not np.isnat(rise[60:120]).any()
    assert not np.isnat(gone[240:300]).any()


def test_southern_summer_is_in_january() -> None:
    rise, gone = sunrise_sunset(-40.0, 175.0, YEAR)
    length = (gone - rise) / HOUR
    assert length.argmax() in range(350, 360)
    assert length.argmin() in range(168, 176)
    assert length.max() == pytest.approx(15.2, abs=0.2)
    assert daily_extraterrestrial_radiation(-40.0, 15) > 2.5 * daily_extraterrestrial_radiation(-40.0, 172)


def test_sun_passes_north_of_the_south() -> None:
    # 35 S on the December solstice: 90 - 35 + 23.4 degrees at solar noon; 90 - 35 - 23.4 in June.
    minutes = np.arange(24 * 60) * np.timedelta64(1, "m")
    for day, height in (("2025-12-21", 78.4), ("2025-06-21", 31.6)):
        elevation = solar_elevation(-35.0, 0.0, np.datetime64(f"{day}T00:00") + minutes)
        assert elevation.max() == pytest.approx(height, abs=0.05)


def test_date_is_the_farms_and_not_that_of_utc() -> None:
    # In New Zealand's longitude the sun of 1 July rises while it is still 30 June in UTC.
    rise, gone = sunrise_sunset(-40.0, 175.0, np.datetime64("2025-07-01"))
    assert rise.astype("datetime64[D]") == np.datetime64("2025-06-30")
    assert gone.astype("datetime64[D]") == np.datetime64("2025-07-01")


def test_rise_and_set_are_daylight_with_refraction_and_disc() -> None:
    rise, gone = sunrise_sunset(43.0, -72.5, YEAR)
    longer = (gone - rise) / HOUR - daylight_hours(43.0, np.arange(1.0, 366.0))
    assert np.all((longer > 0.1) & (longer < 0.3))


def test_places_broadcast_against_time() -> None:
    latitude, longitude = np.array([[43.0], [-40.0]]), np.array([[-72.5], [175.0]])
    labels = np.datetime64("2025-05-01T00:00") + np.arange(30) * HOUR
    days = YEAR[:5]
    together = extraterrestrial_radiation(latitude, longitude, labels)
    height = solar_elevation(latitude, longitude, labels)
    rises, sets = sunrise_sunset(latitude, longitude, days)
    assert together.shape == height.shape == (2, 30)
    for row, (north, east) in enumerate(((43.0, -72.5), (-40.0, 175.0))):
        np.testing.assert_allclose(together[row], extraterrestrial_radiation(north, east, labels), rtol=1e-12)
        np.testing.assert_allclose(height[row], solar_elevation(north, east, labels), rtol=1e-12)
        rise, gone = sunrise_sunset(north, east, days)
        assert (rises[row] == rise).all()
        assert (sets[row] == gone).all()


def test_one_instant_agrees_with_many() -> None:
    labels = np.datetime64("2025-05-01T00:00") + np.arange(30) * HOUR
    alone = [float(extraterrestrial_radiation(43.0, -72.5, one)) for one in labels]
    np.testing.assert_allclose(alone, extraterrestrial_radiation(43.0, -72.5, labels), rtol=1e-12)


def test_clock_of_finer_resolution_is_read_alike() -> None:
    labels = np.datetime64("2025-05-01T00:00") + np.arange(30) * HOUR
    np.testing.assert_array_equal(
        extraterrestrial_radiation(43.0, -72.5, labels.astype("datetime64[ns]")),
        extraterrestrial_radiation(43.0, -72.5, labels),
    )


def test_clear_sky_is_brighter_on_a_mountain() -> None:
    np.testing.assert_allclose(clear_sky_radiation(40.0, np.array([0.0, 2000.0])), [30.0, 31.6])


@pytest.mark.parametrize(
    ("latitude", "longitude", "message"),
    [
        (91.0, 0.0, "latitude: 91"),
        (-72.0, 243.0, "longitude: 243"),
        (np.nan, 0.0, "latitude: nan"),
        (np.array([43.0, -95.0]), 0.0, "latitude: .*-95"),
    ],
)
def test_place_off_the_globe_is_refused(latitude: float, longitude: float, message: str) -> None:
    when = np.datetime64("2025-05-01")
    for function in (extraterrestrial_radiation, solar_elevation, sunrise_sunset):
        with pytest.raises(ValueError, match=message):
            function(latitude, longitude, when)

"""Worked examples of FAO Irrigation and Drainage Paper 56 (Allen et al. 1998); their inputs are from memory."""

import numpy as np
import pytest

from models.coefficients import DENOMINATOR_FAO, PSYCHROMETRIC_FACTOR
from models.evapotranspiration import (
    daily_net_radiation,
    daily_reference_evapotranspiration,
    hourly_reference_evapotranspiration,
    net_radiation,
    wind_at_two_metres,
)
from models.humidity import (
    psychrometric_constant,
    saturation_slope,
    saturation_vapour_pressure,
    surface_pressure,
)
from models.sun import (
    clear_sky_radiation,
    daily_extraterrestrial_radiation,
    daylight_hours,
    extraterrestrial_radiation,
)

pytestmark = pytest.mark.published

BANGKOK, UCCLE, NDIAYE = 13 + 44 / 60, 50.8, 16 + 13 / 60
NDIAYE_EAST = -(16 + 15 / 60)
AFTERNOON = np.datetime64("1997-10-01T16:00")  # example 19: 14 to 15 h on a clock one hour behind UTC


def sunshine_to_shortwave(extraterrestrial: float, share: float) -> float:
    """FAO-56 eq. 35 with its default coefficients."""
    return (0.25 + 0.50 * share) * extraterrestrial


@pytest.mark.parametrize(
    ("elevation", "pressure", "gamma"),
    [(1800.0, 81.8, 0.054), (0.0, 101.3, 0.067), (2.0, 101.3, 0.0674)],  # examples 2 and 17, and sea level (memory)
)
def test_pressure_and_psychrometric_constant(elevation: float, pressure: float, gamma: float) -> None:
    assert surface_pressure(elevation) == pytest.approx(pressure, abs=0.05)
    assert psychrometric_constant(surface_pressure(elevation)) == pytest.approx(gamma, abs=6e-4)


def test_saturation_of_the_extremes_is_more_than_that_of_the_mean() -> None:
    # Example 3 (memory): Tmax 24.5 and Tmin 15 degC give 3.075, 1.705 and a mean of 2.39 kPa; at 19.75 degC it is 2.30.
    high, low, middle = saturation_vapour_pressure(np.array([24.5, 15.0, 19.75]))
    assert high == pytest.approx(3.075, abs=6e-4)
    assert low == pytest.approx(1.705, abs=6e-4)
    assert (high + low) / 2 == pytest.approx(2.39, abs=5e-3)
    assert middle == pytest.approx(2.30, abs=5e-3)


def test_vapour_pressure_from_an_aspirated_wet_bulb() -> None:
    # Example 4 (memory): 19.5 degC wet, 25.6 degC dry, 1200 m give 1.91 kPa; eq. 16 with 0.000662.
    held = saturation_vapour_pressure(19.5) - 0.000662 * surface_pressure(1200.0) * (25.6 - 19.5)
    assert held == pytest.approx(1.91, abs=5e-3)


def test_extraterrestrial_radiation_and_daylight_of_the_south() -> None:
    # Examples 8 and 9 (memory): 20 deg south, 3 September (J 246): Ra 32.2, N 11.7.
    assert daily_extraterrestrial_radiation(-20.0, 246) == pytest.approx(32.2, abs=0.05)
    assert daylight_hours(-20.0, 246) == pytest.approx(11.7, abs=0.05)


def test_wind_from_ten_metres() -> None:
    # Example 14 (memory): 3.2 m/s at 10 m is 2.4 m/s at 2 m.
    assert wind_at_two_metres(3.2) == pytest.approx(2.4, abs=0.05)


def test_bangkok_in_april() -> None:
    # Example 17 (memory): 5.7 mm/day on the 15th (J 105), G 0.14; Ra 38.06, N 12.31 and Rs 22.65 on the way.
    extraterrestrial = float(daily_extraterrestrial_radiation(BANGKOK, 105))
    daylight = float(daylight_hours(BANGKOK, 105))
    shortwave = sunshine_to_shortwave(extraterrestrial, 8.5 / daylight)
    assert extraterrestrial == pytest.approx(38.06, abs=5e-3)
    assert daylight == pytest.approx(12.31, abs=5e-3)
    assert shortwave == pytest.approx(22.65, abs=5e-3)
    given = daily_reference_evapotranspiration(
        34.8, 25.6, 2.85, 2.0, shortwave, extraterrestrial, 2.0, ground_heat_flux=0.14
    )
    assert given == pytest.approx(5.72, abs=5e-3)


def test_uccle_in_july() -> None:
    # Example 18 (memory): 3.9 mm/day on 6 July (J 187); u2 2.078, ea 1.409, Ra 41.09, Rs 22.07, Rso 30.90, Rn 13.28.
    low, high = saturation_vapour_pressure(np.array([12.3, 21.5]))
    held = (low * 0.84 + high * 0.63) / 2
    wind = wind_at_two_metres(10 / 3.6)
    extraterrestrial = float(daily_extraterrestrial_radiation(UCCLE, 187))
    shortwave = sunshine_to_shortwave(extraterrestrial, 9.25 / float(daylight_hours(UCCLE, 187)))
    clear = clear_sky_radiation(extraterrestrial, 100.0)
    assert held == pytest.approx(1.409, abs=6e-4)
    assert wind == pytest.approx(2.078, abs=6e-4)
    assert extraterrestrial == pytest.approx(41.09, abs=5e-3)
    assert shortwave == pytest.approx(22.07, abs=5e-3)
    assert clear == pytest.approx(30.90, abs=5e-3)
    assert daily_net_radiation(21.5, 12.3, held, shortwave, clear) == pytest.approx(13.28, abs=5e-3)
    given = daily_reference_evapotranspiration(21.5, 12.3, held, wind, shortwave, extraterrestrial, 100.0)
    assert given == pytest.approx(3.88, abs=5e-3)


def test_ndiaye_hour_of_sun() -> None:
    # Example 19 (memory): 14-15 h; Ra 3.543, Rso 2.658, Rs/Rso 0.922, Delta 0.358, Rnl 0.137, Rn 1.749.
    extraterrestrial = extraterrestrial_radiation(NDIAYE, NDIAYE_EAST, AFTERNOON)
    clear = clear_sky_radiation(extraterrestrial, 8.0)
    factor = 1.35 * 2.450 / clear - 0.35
    net = net_radiation(2.450, 38.0, 0.52 * saturation_vapour_pressure(38.0), factor)
    assert extraterrestrial == pytest.approx(3.543, abs=6e-4)
    assert clear == pytest.approx(2.658, abs=6e-4)
    assert 2.450 / clear == pytest.approx(0.922, abs=6e-4)
    assert saturation_slope(38.0) == pytest.approx(0.358, abs=6e-4)
    assert 0.77 * 2.450 - net == pytest.approx(0.137, abs=6e-4)
    assert net == pytest.approx(1.749, abs=6e-4)


@pytest.mark.parametrize("slip", [-1, 1])
def test_a_slip_of_one_hour_shows(slip: int) -> None:
    # The same hour of example 19: sums over a year hide a wrong label, single hours do not.
    slipped = extraterrestrial_radiation(NDIAYE, NDIAYE_EAST, AFTERNOON + np.timedelta64(slip, "h"))
    assert abs(float(slipped) - 3.543) > 0.5


def ndiaye(hour: str, day: float, night: float) -> float:
    """Example 19 with the denominators of the day and the night."""
    temperature, humidity, wind, shortwave, factor = {
        "night": (28.0, 0.90, 1.9, 0.0, 1.35 * 0.8 - 0.35),  # Rs/Rso of the afternoon before, 0.8
        "afternoon": (38.0, 0.52, 3.3, 2.450, 1.35 * 0.9217 - 0.35),
    }[hour]
    held = humidity * saturation_vapour_pressure(temperature)
    net = net_radiation(shortwave, temperature, held, factor)
    return float(
        hourly_reference_evapotranspiration(
            temperature, held, wind, net, shortwave, surface_pressure(8.0),
            denominator_day=day, denominator_night=night,
        )
    )  # fmt: skip


@pytest.mark.parametrize(("hour", "printed"), [("night", 0.00), ("afternoon", 0.63)])
def test_ndiaye_with_the_coefficients_of_1998(hour: str, printed: float) -> None:
    # Example 19 prints 0.00 and 0.63 mm/h, with 0.34 in every hour.
    assert ndiaye(hour, DENOMINATOR_FAO, DENOMINATOR_FAO) == pytest.approx(printed, abs=5e-3)


@pytest.mark.parametrize(
    ("hour", "day", "night", "by_hand"),
    [
        ("night", 0.34, 0.34, 0.0043),
        ("afternoon", 0.34, 0.34, 0.6269),
        ("night", 0.24, 0.96, 0.0035),
        ("afternoon", 0.24, 0.96, 0.6560),
    ],
)
def test_ndiaye_by_hand(hour: str, day: float, night: float, by_hand: float) -> None:
    # Example 19 worked by hand with the coefficients of FAO-56 (1998) and of ASCE (2005).
    assert ndiaye(hour, day, night) == pytest.approx(by_hand, abs=6e-5)


def test_equation_six_is_the_hourly_one_with_a_days_coefficients() -> None:
    # FAO-56 eqs 6 and 53 are one equation: with the extremes equal both routes must meet.
    held, wind, shortwave, extraterrestrial = 1.2, 2.0, 20.0, 40.0
    net = daily_net_radiation(18.0, 18.0, held, shortwave, clear_sky_radiation(extraterrestrial, 0.0))
    hourly = hourly_reference_evapotranspiration(
        18.0, held, wind, net, shortwave, 101.3, numerator=900.0, denominator_day=0.34, ground_day=0.0
    )
    daily = daily_reference_evapotranspiration(18.0, 18.0, held, wind, shortwave, extraterrestrial, 0.0)
    assert daily == pytest.approx(float(hourly), rel=1e-12)


def test_psychrometric_coefficient_follows_from_its_parts() -> None:
    # FAO-56 eq. 8: cp / (epsilon lambda) = 1.013e-3 / (0.622 x 2.45).
    assert pytest.approx(1.013e-3 / (0.622 * 2.45), abs=6e-7) == PSYCHROMETRIC_FACTOR

import numpy as np
import pytest

from models.humidity import (
    dew_point_temperature,
    psychrometric_constant,
    relative_humidity,
    saturation_slope,
    saturation_vapour_pressure,
    surface_pressure,
)

TEMPERATURE = np.linspace(-20.0, 45.0, 66)


def test_slope_is_the_derivative_of_the_pressure() -> None:
    step = 1e-4
    rise = saturation_vapour_pressure(TEMPERATURE + step) - saturation_vapour_pressure(TEMPERATURE - step)
    np.testing.assert_allclose(saturation_slope(TEMPERATURE), rise / (2 * step), rtol=5e-5)


def test_slope_takes_a_pressure_that_is_at_hand() -> None:
    np.testing.assert_array_equal(
        saturation_slope(TEMPERATURE, saturation_vapour_pressure(TEMPERATURE)), saturation_slope(TEMPERATURE)
    )


@pytest.mark.parametrize("humidity", [0.05, 0.4, 0.99, 1.0])
def test_dew_point_and_humidity_undo_each_other(humidity: float) -> None:
    dew_point = dew_point_temperature(TEMPERATURE, humidity)
    np.testing.assert_allclose(relative_humidity(TEMPERATURE, dew_point), humidity, rtol=1e-12)
    assert np.all(dew_point <= TEMPERATURE + 1e-9)


def test_dew_point_above_the_air_is_saturation() -> None:
    assert relative_humidity(10.0, 10.3) == 1.0


@pytest.mark.parametrize("humidity", [0.0, -0.1, 1.001, 54.0])
def test_dew_point_refuses_a_humidity_that_is_no_fraction(humidity: float) -> None:
    with pytest.raises(ValueError, match=rf"{humidity:g} given, allowed above 0 and at most 1"):
        dew_point_temperature(np.array([20.0, 21.0]), np.array([0.5, humidity]))


def test_unknown_humidity_stays_unknown() -> None:
    dew_point = dew_point_temperature(20.0, np.array([0.5, np.nan]))
    assert np.isnan(dew_point).tolist() == [False, True]
    assert np.isnan(relative_humidity(np.array([20.0, np.nan]), 10.0)).tolist() == [False, True]


def test_floats_and_arrays_agree() -> None:
    for function in (saturation_vapour_pressure, saturation_slope, surface_pressure, psychrometric_constant):
        together = function(TEMPERATURE)
        assert together.shape == TEMPERATURE.shape
        alone = [float(function(float(one))) for one in TEMPERATURE]
        np.testing.assert_allclose(together, alone, rtol=1e-12)

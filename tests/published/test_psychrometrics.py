"""Humidity against psychrolib (ASHRAE) and metpy (Bolton and newer), and against tables made with them."""

import metpy.calc
import numpy as np
import psychrolib
import pytest
from metpy.units import units

from models.humidity import (
    dew_point_temperature,
    relative_humidity,
    saturation_slope,
    saturation_vapour_pressure,
    surface_pressure,
)

pytestmark = pytest.mark.published

psychrolib.SetUnitSystem(psychrolib.SI)

SATURATION = [  # degC, kPa: FAO-56 eq. 11, psychrolib 2.5.0, metpy 1.7.1
    (0, 0.6108, 0.6112, 0.6108),
    (5, 0.8723, 0.8725, 0.8717),
    (10, 1.2280, 1.2280, 1.2267),
    (15, 1.7053, 1.7054, 1.7031),
    (20, 2.3383, 2.3388, 2.3347),
    (25, 3.1678, 3.1692, 3.1623),
    (30, 4.2431, 4.2460, 4.2347),
    (35, 5.6227, 5.6278, 5.6094),
    (40, 7.3756, 7.3835, 7.3543),
]
DEW_POINT = [  # degC, %, degC: psychrolib, metpy, FAO-56
    (10, 90, 8.437, 8.430, 8.438),
    (20, 50, 9.272, 9.256, 9.270),
    (25, 60, 16.701, 16.680, 16.696),
    (25, 40, 10.476, 10.454, 10.469),
    (30, 40, 14.936, 14.907, 14.926),
    (30, 50, 18.447, 18.417, 18.438),
    (5, 95, 4.267, 4.259, 4.267),
]


@pytest.mark.parametrize(("temperature", "fao", "by_psychrolib", "by_metpy"), SATURATION)
def test_saturation_table(temperature: float, fao: float, by_psychrolib: float, by_metpy: float) -> None:
    ours = saturation_vapour_pressure(temperature)
    assert ours == pytest.approx(fao, abs=5.1e-5)
    assert ours == pytest.approx(by_psychrolib, rel=5e-3)
    assert ours == pytest.approx(by_metpy, rel=5e-3)


@pytest.mark.parametrize(("temperature", "percent", "by_psychrolib", "by_metpy", "fao"), DEW_POINT)
def test_dew_point_table(temperature: float, percent: float, by_psychrolib: float, by_metpy: float, fao: float) -> None:
    ours = dew_point_temperature(temperature, percent / 100)
    assert ours == pytest.approx(fao, abs=5.1e-4)
    assert ours == pytest.approx(by_psychrolib, abs=0.05)
    assert ours == pytest.approx(by_metpy, abs=0.05)


def test_dew_point_over_the_whole_range() -> None:
    temperature, humidity = (grid.ravel() for grid in np.meshgrid(np.arange(5.0, 41.0), np.linspace(0.3, 1.0, 15)))
    ours = dew_point_temperature(temperature, humidity)
    liquid = ours > 0.5  # psychrolib turns to ice below freezing
    pairs = zip(temperature[liquid], humidity[liquid], strict=True)
    theirs = [psychrolib.GetTDewPointFromRelHum(float(t), float(h)) for t, h in pairs]
    np.testing.assert_allclose(ours[liquid], theirs, rtol=0, atol=0.05)
    metpys = metpy.calc.dewpoint_from_relative_humidity(temperature * units.degC, humidity * units.dimensionless)
    # metpy's saturation falls below the others with warmth: 0.05 K serves up to 30 degC, at 40 they are 0.10 K apart.
    mild = liquid & (temperature <= 30.0)
    np.testing.assert_allclose(ours[mild], metpys.to("degC").magnitude[mild], rtol=0, atol=0.05)


def test_relative_humidity_of_metpy() -> None:
    temperature, dew_point = np.array([8.0, 17.0, 26.0, 33.0]), np.array([7.0, 11.0, 20.0, 12.0])
    theirs = metpy.calc.relative_humidity_from_dewpoint(temperature * units.degC, dew_point * units.degC)
    np.testing.assert_allclose(relative_humidity(temperature, dew_point), theirs.magnitude, rtol=4e-3)


@pytest.mark.parametrize("temperature", [1.0, 12.0, 25.0, 38.0])
def test_slope_of_psychrolib(temperature: float) -> None:
    step = 0.01
    rise = psychrolib.GetSatVapPres(temperature + step) - psychrolib.GetSatVapPres(temperature - step)
    assert saturation_slope(temperature) == pytest.approx(rise / 1000 / (2 * step), rel=5e-3)


@pytest.mark.parametrize("elevation", [0.0, 300.0, 1200.0, 2500.0])
def test_pressure_of_the_standard_atmosphere(elevation: float) -> None:
    # FAO-56 takes 20 degC at the sea, the standard atmosphere 15: half a per cent apart at 2500 m.
    theirs = psychrolib.GetStandardAtmPressure(elevation) / 1000
    assert surface_pressure(elevation) == pytest.approx(theirs, rel=6e-3)

import numpy as np
import pytest
from numpy.typing import NDArray

from models import evapotranspiration_blocks
from models.coefficients import INITIAL_CLOUD_FACTOR
from models.evapotranspiration import (
    cloud_factor,
    daily_net_radiation,
    daily_reference_evapotranspiration,
    evapotranspiration_under_sky,
    hourly_reference_evapotranspiration,
    net_radiation,
    wind_at_two_metres,
)
from models.humidity import saturation_vapour_pressure

Array = NDArray[np.float64]


def test_wind_at_its_own_height_is_unchanged() -> None:
    # The profile's printed constants give 1.0002 at 2 m.
    assert wind_at_two_metres(3.0, 2.0) == pytest.approx(3.0, rel=4e-4)
    np.testing.assert_allclose(wind_at_two_metres(np.array([0.0, 4.0])), [0.0, 2.992], atol=1e-3)


def test_wind_below_the_profile_is_refused() -> None:
    with pytest.raises(ValueError, match=r"height of wind_at_two_metres: 0.05 m given"):
        wind_at_two_metres(3.0, 0.05)


def test_cloud_factor_of_the_day_is_held_through_the_night() -> None:
    elevation = np.array([-20.0, 5.0, 30.0, 50.0, 17.0, 3.0, -10.0, 4.0, 25.0])
    clear = np.array([0.0, 0.3, 1.6, 2.6, 0.9, 0.2, 0.0, 0.2, 1.3])
    share = np.array([[0.0, 1.0, 0.8, 0.6, 1.0, 0.9, 0.0, 0.1, 0.4], [0.0, 0.2, 0.2, 1.3, 0.1, 0.1, 0.0, 1.0, 1.0]])
    factor = cloud_factor(share * clear, clear, elevation)
    first = INITIAL_CLOUD_FACTOR
    np.testing.assert_allclose(factor[0], [first, first, 0.73, *[0.46] * 5, 0.19], rtol=1e-12)
    np.testing.assert_allclose(factor[1], [first, first, 0.05, *[1.0] * 5, 1.0], rtol=1e-12)


def test_cloud_factor_of_one_member_without_its_axis() -> None:
    clear, elevation = np.array([0.0, 2.0, 0.0]), np.array([-5.0, 40.0, -5.0])
    factor = cloud_factor(0.5 * clear, clear, elevation)
    np.testing.assert_allclose(factor, [INITIAL_CLOUD_FACTOR, 0.325, 0.325])


def test_unknown_sun_stays_unknown_through_the_night() -> None:
    factor = cloud_factor(np.array([1.0, np.nan, 0.0]), np.array([2.0, 2.0, 0.0]), np.array([40.0, 40.0, -5.0]))
    assert np.isnan(factor).tolist() == [False, True, True]


def test_net_radiation_of_a_clear_and_an_overcast_night() -> None:
    # 2.042e-10 x 288.16^4 = 1.40798; (0.34 - 0.14 sqrt(1)) = 0.20
    lost = -0.2 * 1.40798
    np.testing.assert_allclose(net_radiation(0.0, 15.0, 1.0, np.array([1.0, 0.05])), [lost, 0.05 * lost], rtol=2e-5)


def weather(*shape: int) -> list[Array]:
    random = np.random.default_rng(7)
    temperature = random.uniform(-5.0, 38.0, shape)
    held = saturation_vapour_pressure(temperature) * random.uniform(0.2, 1.0, shape)
    wind, sun = random.gamma(2.0, 1.0, shape), np.maximum(random.uniform(-2.0, 3.2, shape), 0.0)
    return [temperature, held, wind, 0.6 * sun - 0.12, sun, random.uniform(80.0, 103.0, shape)]


def by_the_book(given: list[Array]) -> Array:
    """ASCE 2005 eq. 1 written plainly."""
    temperature, held, wind, net, sun, pressure = given
    saturation = 0.6108 * np.exp(17.27 * temperature / (temperature + 237.3))
    slope, gamma = 4098 * saturation / (temperature + 237.3) ** 2, 0.000665 * pressure
    ground, denominator = np.where(sun > 0.01, 0.1, 0.5), np.where(sun > 0.01, 0.24, 0.96)
    dry = gamma * 37 / (temperature + 273) * wind * (saturation - held)
    return np.asarray((0.408 * slope * net * (1 - ground) + dry) / (slope + gamma * (1 + denominator * wind)))


@pytest.mark.parametrize("shape", [(1,), (7,), (3, 5), (4, 8191), (2, 3, 4000), (0, 4)])
def test_blocks_do_not_change_the_equation(shape: tuple[int, ...]) -> None:
    given = weather(*shape)
    ours = hourly_reference_evapotranspiration(*given)
    assert ours.shape == shape
    np.testing.assert_allclose(ours, by_the_book(given), rtol=0, atol=1e-12)


def test_blocks_meet_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    given = weather(6, 50)
    whole = hourly_reference_evapotranspiration(*given)
    monkeypatch.setattr(evapotranspiration_blocks, "BLOCK", 16)
    np.testing.assert_allclose(hourly_reference_evapotranspiration(*given), whole, rtol=0, atol=1e-12)


def test_floats_and_arrays_agree() -> None:
    given = weather(50)
    alone = [float(hourly_reference_evapotranspiration(*map(float, hour))) for hour in zip(*given, strict=True)]
    np.testing.assert_allclose(alone, hourly_reference_evapotranspiration(*given), rtol=0, atol=1e-12)


def test_arguments_broadcast_and_stay_as_they_were() -> None:
    given = weather(5, 40)
    given[2], given[5] = given[2][0], np.full((1, 1), 95.0)
    before = [one.copy() for one in given]
    ours = hourly_reference_evapotranspiration(*given)
    np.testing.assert_allclose(ours, by_the_book([np.broadcast_to(one, (5, 40)) for one in given]), atol=1e-12)
    for now, then in zip(given, before, strict=True):
        np.testing.assert_array_equal(now, then)


def test_transposed_and_strided_arrays_give_the_same() -> None:
    given = weather(40, 6)
    ours = hourly_reference_evapotranspiration(*(one.T[:, ::2] for one in given))
    np.testing.assert_allclose(ours, hourly_reference_evapotranspiration(*given).T[:, ::2], rtol=0, atol=1e-12)


def test_unknown_hour_stays_unknown_alone() -> None:
    given = weather(6)
    for quantity in (0, 1, 2, 3, 5):
        gapped = [one.copy() for one in given]
        gapped[quantity][2] = np.nan
        assert np.flatnonzero(np.isnan(hourly_reference_evapotranspiration(*gapped))).tolist() == [2]


@pytest.mark.parametrize("block", [1, 16, 100, evapotranspiration_blocks.BLOCK])
@pytest.mark.parametrize("shape", [(9,), (5, 9), (2, 3, 9), (0, 9)])
def test_the_way_from_the_sun_on_is_the_three_equations_in_turn(
    shape: tuple[int, ...], block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    temperature, held, wind, _, sun, _ = weather(*shape)
    clear = np.array([0.0, 0.3, 1.6, 2.6, 0.9, 0.2, 0.0, 0.2, 1.3])
    elevation = np.array([-20.0, 5.0, 30.0, 50.0, 17.0, 3.0, -10.0, 4.0, 25.0])
    net = net_radiation(sun, temperature, held, cloud_factor(sun, clear, elevation))
    given = (temperature, held, wind, net, sun, 97.0)
    dry = hourly_reference_evapotranspiration(*given)
    wet = hourly_reference_evapotranspiration(*given, denominator_day=0.0, denominator_night=0.0, ground_night=0.2)
    monkeypatch.setattr(evapotranspiration_blocks, "BLOCK", block)
    sky = (temperature, held, wind, sun, clear, elevation, 97.0)
    at_once = evapotranspiration_under_sky(*sky)
    np.testing.assert_allclose(at_once, dry, rtol=0, atol=1e-12)
    at_once = evapotranspiration_under_sky(*sky, denominator_day=0.0, denominator_night=0.0, ground_night=0.2)
    np.testing.assert_allclose(at_once, wet, rtol=0, atol=1e-12)


def test_wet_surface_gives_off_more_by_day_and_takes_more_dew_by_night() -> None:
    def wet(sun: float, net: float) -> Array:
        return hourly_reference_evapotranspiration(
            15.0, 1.6, 2.0, net, sun, 99.0, denominator_day=0.0, denominator_night=0.0, ground_night=0.2
        )

    assert wet(2.0, 1.2) > hourly_reference_evapotranspiration(15.0, 1.6, 2.0, 1.2, 2.0, 99.0) > 0.0
    assert wet(0.0, -0.25) < hourly_reference_evapotranspiration(15.0, 1.6, 2.0, -0.25, 0.0, 99.0) < 0.0


def test_hour_is_day_above_a_hundredth_of_a_megajoule() -> None:
    dusk = hourly_reference_evapotranspiration(15.0, 1.0, 3.0, 0.1, np.array([0.01, 0.0101]), 99.0)
    night = hourly_reference_evapotranspiration(15.0, 1.0, 3.0, 0.1, 0.0, 99.0)
    noon = hourly_reference_evapotranspiration(15.0, 1.0, 3.0, 0.1, 2.0, 99.0)
    np.testing.assert_allclose(dusk, [night, noon], rtol=1e-12)
    assert noon > 1.2 * night


def test_day_of_the_polar_night_is_reckoned() -> None:
    net = daily_net_radiation(-8.0, -14.0, 0.2, 0.0, 0.0)
    day = daily_reference_evapotranspiration(-8.0, -14.0, 0.2, 2.0, 0.0, np.array([0.0, 5.0]), 0.0)
    # 4.903e-9 x the mean of 265.16^4 and 259.16^4 = 23.176; 0.34 - 0.14 sqrt(0.2) = 0.27739; fcd 0.8
    assert net == pytest.approx(-0.8 * 0.27739 * 23.176, rel=1e-3)
    assert np.isfinite(day).all()


def test_first_hour_of_the_swath_vector() -> None:
    # The drying model's own check row (09-10 h solar): 20.23 degC, 2.751 MJ, ea 1.313, wind 2.5, 99 kPa, fcd 0.932.
    net = net_radiation(2.751, 20.23, 1.313, 0.932)
    given = hourly_reference_evapotranspiration(20.23, 1.313, 2.5, net, 2.751, 99.0)
    assert given == pytest.approx(0.486, abs=6e-4)

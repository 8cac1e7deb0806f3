"""What a crop loses while it lies, against slow loops and by hand."""

import numpy as np
import pytest

from models.losses import rain_loss_after_work, respiration_between
from models.swath import dry_basis

MINUTES = 60


def slow_breath(moisture: float, temperature: float) -> float:
    """What a crop breathes in an hour [% of DM], with the figures of the source written out."""
    share = min(max((moisture - 0.37) / (0.75 - 0.37), 0.0), 1.0)
    return float(0.10 * 2.0 ** ((min(temperature, 35.0) - 15.0) / 10.0) * share)


def drying(hours: int, began: float, from_: float, by_hour: float) -> np.ndarray:
    """The moisture [wet basis] of a strip at the ends of the hours: even until it is mown, then falling in a line."""
    return np.array([from_ - by_hour * max(hour - began, 0.0) for hour in range(hours + 1)])


def test_breath_is_that_of_a_slow_loop_over_minutes() -> None:
    hours, temperature = 12, 22.0
    mown, baled = np.array([1.0, 1.25, 2.5]), np.array([8.0, 8.75, 10.5])
    paths = [(0.82, 0.03), (0.78, 0.04)]  # two cases: moisture at mowing and what it loses in an hour [wet basis]
    moisture = np.array([[drying(hours, at, *path) for path in paths] for at in mown]).transpose(2, 0, 1)
    lost = [
        sum(slow_breath(start - rate * minute / MINUTES, temperature) for minute in range(round(lies * MINUTES)))
        for lies in baled - mown
        for start, rate in paths
    ]
    found = respiration_between(dry_basis(moisture), np.full((hours, 2), temperature), mown, baled)
    assert found.mid == pytest.approx(np.mean(lost) / MINUTES, rel=0.01)
    assert (found.low, found.high) == pytest.approx((found.mid / 2, found.mid * 2))
    assert found.unit == "% of DM"
    assert found.source.startswith("estimate: ")


def test_a_day_of_a_wide_swath_takes_about_what_the_handbook_reckons() -> None:
    """Nine hours at 22 degC, from 82 to 50 % water: some 1.2 % of the dry matter."""
    moisture = drying(9, 0.0, 0.82, 0.32 / 9)[:, None, None]
    found = respiration_between(dry_basis(moisture), np.full((9, 1), 22.0), np.array([0.0]), np.array([9.0]))
    assert found.mid == pytest.approx(1.1, abs=0.15)


@pytest.mark.parametrize(("mown", "baled", "hours"), [(0.25, 0.75, 0.5), (1.75, 3.5, 1.75), (0.0, 4.0, 4.0), (1, 1, 0)])
def test_parts_of_hours_count_for_their_part(mown: float, baled: float, hours: float) -> None:
    wet = np.full((5, 1, 1), dry_basis(np.array(0.8)))
    found = respiration_between(wet, np.full((4, 1), 15.0), np.array([mown]), np.array([baled]))
    assert found.mid == pytest.approx(0.1 * hours)


def test_each_case_breathes_in_its_own_air_and_heat_is_capped() -> None:
    wet = np.full((2, 1, 3), dry_basis(np.array(0.8)))
    found = respiration_between(wet, np.array([[15.0, 25.0, 60.0]]), np.array([0.0]), np.array([1.0]))
    assert found.mid == pytest.approx((0.1 + 0.2 + 0.4) / 3)


def test_a_crop_as_dry_as_hay_breathes_nothing() -> None:
    dry = np.full((4, 1, 1), dry_basis(np.array(0.30)))
    assert respiration_between(dry, np.full((3, 1), 25.0), np.array([0.0]), np.array([3.0])).high == 0.0


def lying(*moistures: float) -> np.ndarray:
    """Two members with one draw at these moistures [wet basis]."""
    return np.repeat(dry_basis(np.array(moistures))[:, None, None], 2, axis=1)


def test_rain_takes_from_alfalfa_what_its_source_says() -> None:
    """18 mm in seven hours take 0.1 % a mm and 1.1 % for each of the six hours more (Rotz, Davis & Abrams 1991)."""
    rain = np.zeros((2, 10))
    rain[1, 2:9] = 18.0 / 7.0
    found = rain_loss_after_work(lying(*[0.6] * 11), rain, rain > 0.2, 0.0, work_end_hour=1)
    assert found is not None
    assert found.mid == pytest.approx(1.8 + 6 * 1.1)
    assert (found.low, found.high) == pytest.approx((found.mid / 2, found.mid * 2))
    assert found.source.startswith("published for alfalfa: ")


def test_members_without_rain_and_rain_before_the_end_of_work_do_not_count() -> None:
    rain = np.zeros((2, 6))
    rain[0, 1] = 5.0
    assert rain_loss_after_work(lying(*[0.5] * 7), rain, rain > 0.2, 1.0, work_end_hour=2) is None
    rain[1, 3] = 5.0
    found = rain_loss_after_work(lying(*[0.5] * 7), rain, rain > 0.2, 1.0, work_end_hour=2)
    assert found is not None
    # Grass loses half of 0.1 % a mm, and half of 1.1 % in 18 mm for what 5 mm in an hour are slower than 18 mm.
    assert found.mid == pytest.approx(0.5 * 5.0 * (0.1 + 1.1 / 18.0 * (1.0 - 5.0 / 18.0)))


def test_drizzle_that_does_not_count_as_rain_takes_nothing() -> None:
    rain = np.full((2, 6), 0.1)
    wet = np.zeros((2, 6), dtype=bool)
    wet[:, 4], rain[:, 4] = True, 2.0
    one = rain_loss_after_work(lying(*[0.5] * 7), rain, wet, 1.0, work_end_hour=2)
    two = rain_loss_after_work(lying(*[0.5] * 7), np.where(wet, rain, 0.0), wet, 1.0, work_end_hour=2)
    assert one == two is not None


def test_a_crop_that_is_hardly_wilted_loses_less_and_dew_does_not_make_it_fresh_again() -> None:
    rain = np.zeros((2, 6))
    rain[:, 4] = 10.0
    took = [
        rain_loss_after_work(lying(*path), rain, rain > 0.2, 1.0, work_end_hour=2)
        for path in ([0.82] * 7, [0.82, 0.7, 0.5, 0.5, 0.5, 0.7, 0.7], [0.82, 0.7, 0.5, 0.6, 0.75, 0.8, 0.8])
    ]
    fresh, dried, dewy = (one.mid if one else -1.0 for one in took)
    assert fresh == pytest.approx(0.3 * dried)
    assert dewy == dried

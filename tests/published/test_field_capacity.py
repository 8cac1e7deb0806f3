"""Area mown per hour by ASABE EP496, Agricultural machinery management: C = W S E / 8.25 [ft, mile/h, 1 -> acre/h]."""

import pytest

from daemon.domain.units import HECTARES_PER_ACRE
from daemon.settings.sections.work import FOOT, MILE, mowing_rate


def acres_per_hour(feet: float, miles_per_hour: float, efficiency: float) -> float:
    return mowing_rate(feet * FOOT, miles_per_hour * MILE, efficiency) / HECTARES_PER_ACRE


@pytest.mark.published
def test_the_divisor_is_that_of_the_standard() -> None:
    # EP496: 8.25 in feet, miles per hour and acres (as read in an extension paper), printed to three digits
    assert 1.0 / acres_per_hour(1.0, 1.0, 1.0) == pytest.approx(8.25, abs=0.005)


@pytest.mark.published
def test_in_metric_units_the_divisor_is_ten() -> None:
    # EP496: 10 in metres, km/h and hectares
    assert mowing_rate(2.8, 12.0, 0.8) == pytest.approx(2.688, rel=1e-12)


@pytest.mark.published
@pytest.mark.parametrize(
    ("feet", "miles_per_hour", "acres"),
    # The printed formula worked by hand with the efficiency of 0.8 that D497 calls typical (memory)
    [
        (5.0, 2.5, 1.21),
        (7.0, 2.5, 1.70),
        (7.0, 5.0, 3.39),
        (9.0, 7.0, 6.11),
        (9.5, 7.0, 6.45),
        (21.0, 3.0, 6.11),
        (24.0, 3.5, 8.15),
        (10.0, 6.0, 5.82),
    ],
)
def test_the_formula_in_feet_and_miles(feet: float, miles_per_hour: float, acres: float) -> None:
    assert acres_per_hour(feet, miles_per_hour, 0.8) == pytest.approx(acres, abs=0.005)


@pytest.mark.parametrize("efficiency", [0.7, 0.75, 0.8])
@pytest.mark.parametrize("miles_per_hour", [3.0, 3.5])
def test_a_24_ft_cut_behind_horses_does_six_to_eight_acres_an_hour(efficiency: float, miles_per_hour: float) -> None:
    # Common practice, no source
    assert 6 <= round(acres_per_hour(24.0, miles_per_hour, efficiency)) <= 8

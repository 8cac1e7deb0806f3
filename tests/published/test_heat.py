"""Heat against the weather service's chart, an independent program (metpy) and printed points of the indices."""

import metpy.calc
import numpy as np
import pytest
from metpy.units import units

from models.heat import CowHeat, HorseHeat, PeopleHeat, cow_heat, cow_thi, heat_index, horse_heat, people_heat

pytestmark = pytest.mark.published

# Heat index chart of the US weather service (memory): air temperature [degF] from 80 by twos, humidity [%], what it
# feels like [degF] as far as the chart goes. It was made with the regression alone, so damp air is left out.
# At 90 degF and 70 % it prints 105 where the regression gives 105.9: that point is a misfit of the chart.
CHART = {
    40: [80, 81, 83, 85, 88, 91, 94, 97, 101, 105, 109, 114, 119, 124, 130, 136],
    45: [80, 82, 84, 87, 89, 93, 96, 100, 104, 109, 114, 119, 124, 130, 137],
    50: [81, 83, 85, 88, 91, 95, 99, 103, 108, 113, 118, 124, 131, 137],
    55: [81, 84, 86, 89, 93, 97, 101, 106, 112, 117, 124, 130, 137],
    60: [82, 84, 88, 91, 95, 100, 105, 110, 116, 123, 129, 137],
    65: [82, 85, 89, 93, 98, 103, 108, 114, 121, 128, 136],
    70: [83, 86, 90, 95, 100, 105, 112, 119, 126, 134],
    75: [84, 88, 92, 97, 103, 109, 116, 124, 132],
    80: [84, 89, 94, 100, 106, 113, 121, 129],
    85: [85, 90, 96, 102, 110, 117, 126, 135],
}


@pytest.mark.parametrize(("percent", "printed"), CHART.items())
def test_heat_index_chart(percent: int, printed: list[int]) -> None:
    warmth = np.linspace(80.0, 78.0 + 2.0 * len(printed), len(printed))
    felt = 1.8 * heat_index((warmth - 32.0) / 1.8, np.full(warmth.shape, percent / 100.0)) + 32.0
    misfit = (warmth == 90.0) & (percent == 70)
    assert felt[~misfit] == pytest.approx(np.array(printed)[~misfit], abs=0.51)
    assert felt[misfit] == pytest.approx(105.92, abs=0.005)


def test_heat_index_of_metpy() -> None:
    warmth, percent = (grid.ravel() for grid in np.meshgrid(np.arange(20.0, 116.0, 0.5), np.arange(1.0, 101.0, 3.0)))
    ours = 1.8 * heat_index((warmth - 32.0) / 1.8, percent / 100.0) + 32.0
    theirs = metpy.calc.heat_index(warmth * units.degF, percent / 100.0 * units.dimensionless, mask_undefined=False)
    # metpy takes the adjustment for dry air off the simple form too, which makes it feel cooler by up to 1 degF
    simple = -10.3 + 1.1 * warmth + 0.047 * percent
    corner = (simple < 79.0) & (warmth >= 80.0) & (percent <= 13.0)
    assert ours[~corner] == pytest.approx(theirs.magnitude[~corner], abs=1e-6)
    assert 0 < np.count_nonzero(corner) < 20
    assert (ours >= theirs.magnitude - 1e-6).all()


def test_bands_of_the_heat_index_chart() -> None:
    # The same chart's colours (memory): from 80, 90, 103 and 125 degF on
    warmth, percent = np.array([80.0, 86.0, 86.0, 94.0, 92.0, 100.0]), np.array([40.0, 40.0, 65.0, 50.0, 85.0, 65.0])
    assert people_heat((warmth + 0.2 - 32.0) / 1.8, percent / 100.0).tolist() == [
        *(PeopleHeat.CAUTION, PeopleHeat.CAUTION, PeopleHeat.EXTREME_CAUTION),
        *(PeopleHeat.DANGER, PeopleHeat.EXTREME_DANGER, PeopleHeat.EXTREME_DANGER),
    ]


# Extension's three ways to a THI of 72, at which stress begins: 72 degF at 100 %, 77 at 50, 82 at 20. The last is
# 71.4 by the equation: the printed temperatures are whole degrees.
@pytest.mark.parametrize(
    ("warmth", "percent", "by_hand"), [(72.0, 100.0, 72.0), (77.0, 50.0, 71.8), (82.0, 20.0, 71.4)]
)
def test_where_cows_begin_to_suffer(warmth: float, percent: float, by_hand: float) -> None:
    air, humidity = np.array([(warmth - 32.0) / 1.8]), np.array([percent / 100.0])
    assert cow_thi(air, humidity) == pytest.approx([by_hand], abs=0.051)
    assert cow_thi(air, humidity) == pytest.approx([72.0], abs=0.61)
    assert cow_heat(air + 0.7, humidity).tolist() == [CowHeat.STRESS]


def test_index_of_cows_in_its_printed_form() -> None:
    # NRC 1971, as in Dikmen & Hansen 2009 (memory): (1.8 T + 32) - ((0.55 - 0.0055 RH) (1.8 T - 26))
    air, percent = (grid.ravel() for grid in np.meshgrid(np.arange(0.0, 45.0), np.arange(0.0, 101.0, 5.0)))
    printed = (1.8 * air + 32.0) - ((0.55 - 0.0055 * percent) * (1.8 * air - 26.0))
    assert cow_thi(air, percent / 100.0) == pytest.approx(printed, abs=1e-9)


def test_bands_of_the_horse_sum() -> None:
    # Nadeau, University of Connecticut Extension: below 130 cooling works, to 150 less, above it greatly less, above
    # 180 it can be fatal; degF and %, each at 80 degF
    percent = np.array([49.0, 51.0, 69.0, 71.0, 99.0])
    bands = [HorseHeat.COOLS_WELL, *[HorseHeat.COOLS_LESS] * 2, *[HorseHeat.COOLS_BADLY] * 2]
    assert horse_heat(np.full(5, 80.0 - 32.0) / 1.8, percent / 100.0).tolist() == bands
    assert horse_heat(np.array([(91.0 - 32.0) / 1.8]), np.array([0.90])).tolist() == [HorseHeat.NO_WORK]

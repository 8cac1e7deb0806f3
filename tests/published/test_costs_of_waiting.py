"""What a day of delay and what rain cost, against printed figures; what a constant was made from is called a fit."""

import numpy as np
import pytest

from models import coefficients as c
from models.growth import Growth, field_growth
from models.losses import rain_loss
from models.quality import waiting_cost

SPRING = np.where(np.arange(181) < 90, 4.0, 14.0)  # [degC] from 1 January on


def meadow() -> Growth:
    day = np.datetime64("2026-01-01") + np.arange(SPRING.size)
    return field_growth(
        {"orchardgrass": 1.0}, day, SPRING + 6, SPRING - 6, last_cut=None, looks=[], southern=False, latitude=43.0
    )


@pytest.mark.published
def test_a_day_past_heading_costs_thirty_kilos_of_milk_to_the_tonne() -> None:
    # Minson et al. 1960: half a unit of digestibility a day; Kuoppala et al. 2008: 0.61 kg of milk for each unit. At 10
    # kg of silage to the cow (assumed) that is 30 kg to the tonne.
    growth = meadow()
    milk = waiting_cost(growth, growth.day[growth.stage.index("early heads") + 3]).milk
    assert milk is not None
    assert -milk.mid / 10.0 * 1000.0 == pytest.approx(30.0, abs=1.0)


def test_fit_of_what_a_day_past_the_target_costs() -> None:
    # Made from $12 of $200 a tonne and day, at the 0.9 % of fibre that a meadow gains on a day of 14 degC
    lost = 200.0 * 0.9 * c.WORTH_LOSS_MILK
    assert lost == pytest.approx(12.0, abs=0.2)


@pytest.mark.published
def test_rain_over_days_takes_what_was_lost_in_wisconsin() -> None:
    # Collins, Wisconsin: 1.6 in over several days, 44 % lost against 6.3 % dry. How long it rained is not printed: 24
    # hours are assumed, and the loss is held by then.
    band = rain_loss(1.6 * 25.4, 24.0, 0.5, 0.0)
    assert float(band.low) <= 44.0 - 6.3 <= float(band.high)


@pytest.mark.published
def test_fast_rain_takes_a_tenth_of_a_per_cent_for_each_millimetre() -> None:
    # Rotz, Davis & Abrams 1991: about 0.1 % for each mm at 18 mm an hour, so 1.8 % for 18 mm, and 1.1 % more for each
    # hour over which those are spread
    fast, slow = rain_loss(18.0, [1.0, 4.0], 0.65, 0.0).mid
    assert fast == pytest.approx(1.8, abs=0.05)
    assert slow - fast == pytest.approx(3.3, abs=0.05)

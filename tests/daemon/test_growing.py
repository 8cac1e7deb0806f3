from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from daemon.growing import fibre_target, field_growth_on
from models.stages import Purpose
from tests.passes import field, moist_ground, working_farm

DAYS = pd.DataFrame({"high": 20.0, "low": 8.0}, index=[day.date() for day in pd.date_range("2026-01-01", "2026-06-10")])


@pytest.mark.parametrize(
    ("stand", "purpose", "said", "target"),
    [
        ({"orchardgrass": 1.0}, Purpose.MILK, None, 50.0),
        ({"orchardgrass": 0.5, "alfalfa": 0.5}, Purpose.MILK, None, 44.0),
        ({"alfalfa": 1.0}, Purpose.DRY_COWS, None, 46.0),
        ({"orchardgrass": 1.0}, Purpose.HORSES, None, 58.0),
        ({"orchardgrass": 1.0}, Purpose.HORSES, 54.0, 54.0),
    ],
)
def test_what_the_forage_is_for_says_at_what_fibre_it_is_cut(
    stand: dict[str, float], purpose: Purpose, said: float | None, target: float
) -> None:
    given = replace(field("L", 5, stand=stand), purpose=purpose, cut_at_fibre=said)
    assert fibre_target(given) == target
    assert field_growth_on(working_farm(given), given, DAYS, moist_ground()).ndf_target == target


def test_a_field_for_horses_has_more_days_left_with_the_same_fibre() -> None:
    milk, horses = (
        field_growth_on(
            working_farm(), replace(field("L", 5, last_cut=date(2026, 5, 20)), purpose=purpose), DAYS, moist_ground()
        )
        for purpose in (Purpose.MILK, Purpose.HORSES)
    )
    assert milk.ndf_mid[-1] == horses.ndf_mid[-1]
    assert horses.days_left[-1] > milk.days_left[-1] + 5.0

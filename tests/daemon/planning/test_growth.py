from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from daemon.domain.farm import Look
from daemon.planning.growth import fibre_target, field_growth_on, kinds_on
from models.growth import Growth
from models.species import GRASS_STAGES, LEGUME_STAGES, make_variety, species_table
from models.stages import Purpose
from tests.support.weather import field, field_state, moist_ground, working_farm

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
    assert fibre_target(given, species_table()) == target
    assert field_growth_on(working_farm(given), field_state(given), DAYS, moist_ground()).ndf_target == target


def test_a_field_for_horses_has_more_days_left_with_the_same_fibre() -> None:
    milk, horses = (
        field_growth_on(
            working_farm(),
            field_state(replace(field("L", 5, last_cut=date(2026, 5, 20)), purpose=purpose)),
            DAYS,
            moist_ground(),
        )
        for purpose in (Purpose.MILK, Purpose.HORSES)
    )
    assert milk.ndf_mid[-1] == horses.ndf_mid[-1]
    assert horses.days_left[-1] > milk.days_left[-1] + 5.0


def test_a_species_of_the_farms_own_is_read_by_its_own_row() -> None:
    late = make_variety(species_table()["timothy"], "late timothy", ndf_mark=590.0, stages_later=100.0)
    farm = working_farm(species={**species_table(), late.name: late})

    def grown(name: str) -> Growth:
        return field_growth_on(farm, field_state(field("L", 5, stand={name: 1.0})), DAYS, moist_ground())

    one, other = grown("late timothy"), grown("timothy")
    assert one.clock.tolist() == other.clock.tolist()
    # At 14 degC a day timothy, whose mark is at 490, is a week ahead in its fibre and in its stages.
    assert np.interp(50.0, one.ndf_mid, one.clock) == pytest.approx(590.0, abs=1.0)
    assert np.interp(50.0, other.ndf_mid, other.clock) == pytest.approx(490.0, abs=1.0)
    assert (
        other.stage.index("early heads") + 7 <= one.stage.index("early heads") <= other.stage.index("early heads") + 8
    )
    assert fibre_target(field("L", 5, stand={"late timothy": 1.0}), farm.species) == 50.0


def test_each_kind_of_a_mix_is_told_by_its_own_clock() -> None:
    looks = (
        Look(date(2026, 4, 1), "no buds yet"),
        Look(date(2026, 4, 12), "buds", 0.5),
        Look(date(2026, 3, 10), "boot"),
    )
    mix = replace(field("L", 5, stand={"timothy": 0.5, "alfalfa": 0.5}, last_cut=None), looks=looks)
    growth = field_growth_on(working_farm(mix), field_state(mix), DAYS, moist_ground())
    april, march = (int(np.searchsorted(growth.day, np.datetime64(day))) for day in ("2026-04-15", "2026-03-09"))
    grasses, legumes = kinds_on(growth, april)
    assert (grasses.kind, grasses.look, legumes.kind, legumes.look) == ("grasses", looks[2], "legumes", looks[1])
    assert grasses.stage in GRASS_STAGES
    assert legumes.stage in LEGUME_STAGES
    assert grasses.share == pytest.approx(60**2 / (60**2 + 35**2))
    early, _ = kinds_on(growth, march)
    assert early.look is None, "what was seen on the day after is not known yet"
    assert early.clock < grasses.clock
    assert growth.clock[april] in (grasses.clock, legumes.clock)


def test_a_look_that_only_limits_has_no_share() -> None:
    cut = replace(
        field("L", 5, stand={"alfalfa": 1.0}, last_cut=date(2026, 5, 20)), looks=(Look(date(2026, 6, 2), "vegetative"),)
    )
    growth = field_growth_on(working_farm(cut), field_state(cut), DAYS, moist_ground())
    (one,) = kinds_on(growth, growth.day.size - 1)
    assert (one.look, one.share, one.stage) == (cut.looks[0], None, growth.stage[-1])

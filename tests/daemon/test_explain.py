"""What `forenoon explain` prints: every number with its range, its source and what would put it right."""

import re
from dataclasses import replace

import pytest

from daemon.decide import decide
from daemon.explain import LEGEND, WIDTH, explain
from daemon.farm import Estimates, Farm, Units
from daemon.outlook import FieldDay, Hurry, Morning, Reason
from daemon.prospect import no_prospect
from daemon.sources import sources
from tests.samples import DAWN, farm, mow_morning, wait_morning
from tests.told import whole_morning

NAME = "Long Meadow"


def blocks(morning: Morning, given: Farm | None = None) -> dict[str, str]:
    """The blocks of the text by how they begin."""
    said = explain(given or farm(), morning, NAME).split("\n\n")
    return {re.split(r"[ :,]", block, maxsplit=1)[0]: block for block in said}


def with_day(**changes: object) -> Morning:
    morning = whole_morning()
    day = replace(morning.advices[0].day or FieldDay(*[None] * 4), **changes)  # type: ignore[arg-type]
    return replace(morning, advices=(replace(morning.advices[0], day=day),))


def nothing_known() -> Morning:
    return decide(farm(), no_prospect(farm(), DAWN, Reason.DATA_STALE, "30 hours old"))


@pytest.mark.parametrize("morning", [whole_morning(), mow_morning(), wait_morning(), nothing_known()])
@pytest.mark.parametrize("units", list(Units))
def test_no_line_is_too_long_to_read(morning: Morning, units: Units) -> None:
    lines = explain(farm(units=units), morning, NAME).splitlines()
    assert max(map(len, lines)) <= WIDTH < 100


def test_every_block_with_numbers_has_range_source_and_what_puts_it_right() -> None:
    said = blocks(whole_morning())
    assert set(said) == {
        *("Long", "Three", "Order", "Storm", "Breathed", "What", "Beware", "Growth", "Standing", "As", "One", "Ground"),
        *("Coming", "From", "Drying", "Weather"),
    }
    for block in (said[name] for name in said if name not in ("Three", "From", "Weather")):
        assert block.count("  range: ") >= 1, block
        assert block.count("  put right by: ") == block.count("  range: "), block
        assert "  source: " in block or "(estimate" in block, block


def test_the_commands_that_put_it_right_name_the_field() -> None:
    said = explain(farm(), whole_morning(), NAME)
    for command in (
        'stage "Long Meadow" WORD',
        'ground "Long Meadow" firm|soft|ruts',
        'moisture "Long Meadow" PERCENT',
    ):
        assert f"forenoon note {command}" in said


def test_a_field_may_have_any_name() -> None:
    assert sources(farm(), "5 {a} %s")["growth"].put_right_by.startswith('forenoon note stage "5 {a} %s" WORD')


def test_what_the_crop_loses_is_told_with_its_three_points() -> None:
    said = blocks(whole_morning())
    assert said["Breathed"].splitlines()[0] == (
        "Breathed away by the crop until it is baled: 0.4, 0.8, 1.6 % of its dry matter"
    )
    assert "0.055 to 0.25 % an hour" in said["Breathed"]
    assert "  that rain would take 3.8, 7.6, 15.2 % of its dry matter\n" in said["What"]
    assert "published for alfalfa" in said["What"]


def test_a_day_without_losses_says_nothing_of_them() -> None:
    said = explain(farm(), mow_morning(), NAME)
    assert "Breathed" not in said
    assert "would take" not in said
    assert "Order" not in said


def test_the_order_says_what_waiting_loses() -> None:
    order = blocks(whole_morning())["Order"]
    assert order.splitlines()[0] == ("Order: first today, before the others, because a storm may lay it flat.")
    storm = blocks(whole_morning())["Storm"]
    assert storm.startswith("Storm: may begin Monday 4:00 pm\n")
    assert "a gust of 34 mph (estimate) with 5 mm of rain (estimate)" in storm
    # 0.0336 t/ha are 30 lb an acre
    assert "  loses about 30 lb an acre of good forage by waiting for its next chance, odds counted in" in order
    assert "loses 25% of its worth (derived: $50 of $200)" in " ".join(order.split())
    metric = blocks(whole_morning(), farm(units=Units.METRIC))["Order"]
    assert "  loses about 34 kg a hectare of good forage by waiting" in metric
    assert "a gust of 54 km/h" in blocks(whole_morning(), farm(units=Units.METRIC))["Storm"]


def test_the_order_of_a_field_that_had_better_wait_or_comes_second() -> None:
    plain = blocks(with_day(hurry=None, storm_at=None, lost_by_waiting=-0.0336, after="Hill"))["Order"]
    assert plain.startswith("Order: after Hill.\n  gains about 30 lb an acre of good forage by waiting")
    assert "storm" not in plain
    laid = blocks(with_day(hurry=Hurry.LODGED, storm_at=None, lost_by_waiting=None))["Order"]
    assert laid.startswith("Order: first today, before the others, because it lies flat.\n  range: ")


def test_the_farms_own_estimates_are_named_as_such() -> None:
    own = replace(farm(), estimates=Estimates(spoiled_loss=0.4, firm_below=0.8))
    said = " ".join(explain(own, whole_morning(), NAME).split())
    assert "loses 40% of its worth (the settings)" in said
    assert "topsoil under 80% of what it holds when drained (the settings)" in said
    assert "10 mm lacking in the root zone (remembered: Schulte 2005)" in said


def test_clock_days_left_and_yield_have_their_range() -> None:
    said = blocks(whole_morning())
    assert "  temperature sum 556, 620, 684 degC days, counted from 2026-04-14" in said["Growth"]
    assert "  days until past its best 0, 4, 8" in said["Growth"]
    assert said["Standing"].startswith(
        "Standing yield 2.0 tons of dry matter an acre (estimate from the temperature sum)\n  1.6, 2.0, 2.4\n"
    )


def test_the_legend_stands_before_the_first_three_numbers_that_need_it() -> None:
    said = explain(farm(), mow_morning(), NAME)
    assert said.index(LEGEND) < said.index("fibre (NDF) 46, 49, 52 %")


def test_a_field_of_which_nothing_is_known_says_why() -> None:
    said = explain(farm(), nothing_known(), NAME)
    assert "no advice, because the forecast is too old (30 hours old)." in said
    assert "Growth: not known." in said
    assert "Coming days" not in said


def test_a_field_that_is_not_there() -> None:
    with pytest.raises(KeyError):
        explain(farm(), mow_morning(), "Hill")

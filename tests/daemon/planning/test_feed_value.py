from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from pydantic import TypeAdapter

from daemon.advice.decide import decide
from daemon.advice.explain.report import morning_report
from daemon.advice.explain.text import explanation_text
from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Field, Units
from daemon.domain.prospect import FieldProspect, Quality, Ripeness, Waiting
from daemon.planning.prospect import plan_fields
from models.quality import Figure
from models.stages import Purpose
from tests.loopback.hours import HERE
from tests.support.farms import farm, mow_morning, stand_of, with_field_changes
from tests.support.weather import NOW, farm_today, field, weather, working_farm


def found(farm: Farm, hours: int = 70) -> FieldProspect:
    (one,) = plan_fields(farm_today(farm), weather(HERE, NOW, NOW + timedelta(hours=hours)), NOW).fields
    return one


def known(one: Field, **changes: Any) -> tuple[Quality, Waiting]:
    prospect = found(working_farm(one, **changes))
    quality, waiting = stand_of(prospect).quality, stand_of(prospect).waiting
    assert quality is not None
    assert waiting is not None
    return quality, waiting


def test_the_crop_as_feed_is_that_of_today() -> None:
    prospect = found(working_farm(field("L", 5, last_cut=date(2026, 5, 12))))
    quality, ndf = stand_of(prospect).quality, stand_of(prospect).ndf
    assert quality is not None
    assert (quality.ndf.low, quality.ndf.mid, quality.ndf.high) == pytest.approx((ndf.low, ndf.mid, ndf.high))
    for one in vars(quality).values():
        assert one.low < one.mid < one.high
        assert (one.unit, bool(one.source)) == ("% of DM", True)


def test_waiting_makes_a_crop_in_regrowth_coarser_and_heavier() -> None:
    quality, waiting = known(field("L", 5, last_cut=date(2026, 5, 4), expected_yield=None))
    assert 45.0 < quality.ndf.mid < 55.0
    assert 0.5 < waiting.ndf.mid < 1.0  # units a day in early summer
    assert waiting.digestibility.mid == pytest.approx(-0.5 * waiting.ndf.mid)  # REGROWTH_FALL above 45 % NDF
    assert 0.03 < waiting.dry_matter.mid < 0.12  # t/ha
    assert waiting.worth.mid < 0.0 < waiting.dry_matter.low


def test_the_yield_of_the_settings_stands_for_the_models_once_the_crop_is_ripe() -> None:
    young, ripe = date(2026, 5, 4), date(2026, 4, 25)
    for last_cut, counts in ((young, False), (ripe, True)):
        light, heavy = (
            known(field("L", 5, stand={"alfalfa": 1.0}, last_cut=last_cut, expected_yield=tonnes))
            for tonnes in (2.0, 4.0)
        )
        grown = heavy[1].dry_matter.mid / light[1].dry_matter.mid
        assert grown == pytest.approx(2.0 if counts else 1.0)
        assert heavy[0].protein.mid == light[0].protein.mid, "that of alfalfa goes by its fibre"


def test_what_the_forage_is_for_says_what_waiting_costs() -> None:
    ripe = field("L", 5, last_cut=date(2026, 5, 4), expected_yield=None)
    milk, horses = (known(replace(ripe, purpose=purpose))[1].worth.mid for purpose in (Purpose.MILK, Purpose.HORSES))
    assert milk < 0.0 < horses  # for horses it is not ripe yet
    assert stand_of(found(working_farm(replace(ripe, cut_at_fibre=70.0)))).ripeness is Ripeness.GROWING


def test_a_later_next_cut_counts_only_where_another_follows_in_the_season() -> None:
    last, more = (known(field("L", 5), season=frozenset(months))[1].worth.mid for months in ({5, 6}, {6, 7}))
    assert more == pytest.approx(last - 0.85 * 0.045)  # t/ha, a day of late summer's growth


def test_what_is_not_known_is_left_out() -> None:
    unknown = found(working_farm(field("L", 5, last_cut=date(2026, 6, 11))))
    assert unknown.stand is None
    today_only = found(working_farm(field("L", 5)), hours=20)
    assert stand_of(today_only).quality is not None
    assert stand_of(today_only).waiting is None


def told() -> Morning:
    """Return a morning whose first field has figures that are easy to read."""
    morning = mow_morning()
    figures = {
        name: Figure(*points, unit, f"estimate: {name}")
        for name, points, unit in (
            ("ndf", (0.64, 0.8, 0.96), "% of DM"),
            ("digestibility", (-0.6, -0.4, -0.04), "% of DM"),
            ("dry_matter", (0.05, 0.1, 0.15), "t/ha"),
            ("worth", (-0.08, -0.02, 0.04), "t/ha"),
        )
    }
    quality = Quality(*(Figure(mid - 2, mid, mid + 2, "% of DM", "estimate: a test") for mid in (50.0, 66.0, 14.0)))
    first, *others = morning.prospect.fields
    fields = (with_field_changes(first, quality=quality, waiting=Waiting(**figures)), *others)
    return replace(morning, prospect=replace(morning.prospect, fields=fields))


def test_explain_tells_quality_and_waiting_with_their_range_and_source() -> None:
    said = explanation_text(farm(), told(), "Long Meadow")
    assert "to be cut near 50%, for milking cows (extension advice)" in " ".join(said.split())
    assert "  digestibility 64, 66, 68%\n" in said
    assert "  protein       12, 14, 16%\n" in said
    assert "  fibre         +0.6, +0.8, +1.0 units\n" in said
    assert "  digestibility -0.6, -0.4, +0.0 units\n" in said
    assert "  yield         +45, +89, +134 lb an acre\n" in said
    assert "worth about 18 lb an acre less good feed (from 71 less to 36 more)" in said
    waiting = " ".join(said.partition("\n  Waiting\n")[2].split())
    assert "source: fibre: estimate: ndf; digestibility: estimate: digestibility; yield: estimate" in waiting
    feed = " ".join(said.partition("\n  Feed\n")[2].split())
    assert "source: digestibility: estimate: a test; protein: estimate: a test put right by" in feed
    assert "put right by: a look at the field" in waiting
    metric = explanation_text(farm(units=Units.METRIC), told(), "Long Meadow")
    assert "  yield         +50, +100, +150 kg a hectare\n" in metric


def test_explain_says_where_the_fibre_to_cut_at_comes_from() -> None:
    given = farm()
    long, creek = given.fields
    for change, words in (
        ({"purpose": Purpose.HORSES}, "for working horses (estimate)"),
        ({"cut_at_fibre": 50.0}, "as cut_at_fibre in the settings says"),
    ):
        said = explanation_text(replace(given, fields=(replace(long, **change), creek)), told(), "Long Meadow")
        said = " ".join(said.split())
        assert f"to be cut near 50%, {words}" in said


def test_explain_leaves_out_what_is_not_known() -> None:
    said = explanation_text(farm(), mow_morning(), "Long Meadow")
    assert "As feed" not in said
    assert "One more day" not in said


def test_the_report_has_each_figure_with_its_unit_and_source() -> None:
    first, second = morning_report(farm(), told())["fields"]
    assert first["quality"].keys() == {"ndf", "digestibility", "protein"}
    assert first["waiting"]["dry_matter"] == {
        "low": 0.05, "mid": 0.1, "high": 0.15, "unit": "t/ha", "source": "estimate: dry_matter",
    }  # fmt: skip
    assert (second["quality"], second["waiting"]) == (None, None)


def test_a_morning_with_its_figures_can_be_kept_and_read_again() -> None:
    given, adapter = working_farm(field("L", 5)), TypeAdapter(Morning)
    morning = decide(given, plan_fields(farm_today(given), weather(HERE, NOW, NOW + timedelta(hours=70)), NOW))
    again = adapter.validate_json(adapter.dump_json(morning))
    before, after = (stand_of(one.prospect.fields[0]) for one in (morning, again))
    assert (after.quality, after.waiting) == (before.quality, before.waiting)
    assert after.waiting is not None
    assert isinstance(after.waiting.worth, Figure)


def test_the_yield_has_a_range_by_the_settings_or_by_the_model() -> None:
    said, reckoned = (found(working_farm(field("Long", 12, expected_yield=given))) for given in (2.0, None))
    set_by_farm, by_model = stand_of(said), stand_of(reckoned).dry_matter
    assert (set_by_farm.dry_matter.low, set_by_farm.dry_matter.high) == pytest.approx((1.62, 2.38), abs=0.01)
    assert by_model.low < by_model.mid < by_model.high
    assert set_by_farm.clock_spread == pytest.approx(60.0)

"""What `forenoon explain` prints: every number with its range, and at the end its source and what puts it right."""

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from daemon.advice.decide import decide
from daemon.advice.explain.provenance import provenance_by_topic
from daemon.advice.explain.text import LEGEND, LINE_WIDTH, explanation_text
from daemon.domain.advice import Morning
from daemon.domain.farm import Estimates, Farm, Look, Units
from daemon.domain.field_watch import start_watch
from daemon.domain.prospect import Band, OfficialWarning, PlantKindToday, Reason, Unknown, Urgency
from daemon.planning.prospect import unknown_prospect
from daemon.words.stand import days_left_sentence
from tests.support.farms import (
    DAWN,
    farm,
    mow_morning,
    stand_of,
    stated,
    wait_morning,
    with_day_changes,
    with_field_changes,
)
from tests.support.full_morning import drawn_morning, whole_morning

NAME = "Long Meadow"


def blocks(morning: Morning, given: Farm | None = None) -> dict[str, str]:
    """The blocks of the text by how they begin."""
    said = explanation_text(given or farm(), morning, NAME).split("\n\n")
    return {re.split(r"[ :,\n]", block, maxsplit=1)[0]: block for block in said}


def with_day(**changes: object) -> Morning:
    morning = whole_morning()
    day = with_day_changes(morning.prospect.fields[0].days[0], **changes)
    return replace(morning, advices=(replace(morning.advices[0], day=day),))


def nothing_known() -> Morning:
    return decide(farm(), unknown_prospect(farm(), DAWN, stated(Reason.DATA_STALE, "30 hours old")))


@pytest.mark.parametrize("morning", [whole_morning(), mow_morning(), wait_morning(), nothing_known()])
@pytest.mark.parametrize("units", list(Units))
def test_no_line_is_too_long_to_read(morning: Morning, units: Units) -> None:
    lines = explanation_text(farm(units=units), morning, NAME).splitlines()
    assert max(map(len, lines)) <= LINE_WIDTH < 100


def test_every_block_with_numbers_has_its_source_at_the_end() -> None:
    said = blocks(whole_morning())
    assert set(said) == {
        *("Long", "Three", "Order", "Storm", "Breathed", "What", "Beware", "Growth", "Standing", "As", "One", "Ground"),
        *("Coming", "From", "Drying", "Weather", "Sources"),
    }
    assert list(said)[-1] == "Sources"
    for block in (said[name] for name in said if name not in ("Three", "From", "Weather", "Sources")):
        assert "(estimate)" in " ".join(block.split()), block
        assert "range: " not in block
    ends = said["Sources"]
    titles = [line for line in ends.splitlines() if re.match("  [A-Z]", line)]
    assert [title.strip() for title in titles] == [
        *("Hours of work", "Order", "Storm", "Breath", "Rain on what is left", "Cautions", "Growth", "Yield", "Feed"),
        *("Waiting", "Ground", "Odds", "Drying"),
    ]
    for part in ("    range: ", "    source: ", "    put right by: "):
        assert ends.count(part) == len(titles)


def test_only_what_is_told_has_its_source_told() -> None:
    ends = blocks(wait_morning())["Sources"]
    titles = [line.strip() for line in ends.splitlines() if re.match("  [A-Z]", line)]
    assert titles == ["Growth", "Yield", "Odds", "Drying"]


def test_the_estimates_of_the_year_that_are_in_force_are_told() -> None:
    ends = " ".join(blocks(whole_morning())["Sources"].split())
    # By the latitude of 43 degrees, as the coefficients have them.
    assert "fawns 15 May to 30 June (estimate by the latitude); nests 15 April to 1 August" in ends
    assert "killing frost 10 October (estimate by the latitude)" in ends
    own = replace(farm(), estimates=Estimates(killing_frost=(9, 20)))
    assert "killing frost 20 September (the settings)" in " ".join(blocks(whole_morning(), own)["Sources"].split())


def test_the_commands_that_put_it_right_name_the_field() -> None:
    said = explanation_text(farm(), whole_morning(), NAME)
    for command in (
        'stage "Long Meadow" WORD',
        'ground "Long Meadow" firm|soft|ruts',
        'moisture "Long Meadow" PERCENT',
    ):
        assert f"forenoon note {command}" in said


def test_a_field_may_have_any_name() -> None:
    assert provenance_by_topic(farm(), "5 {a} %s")["growth"].put_right_by.startswith(
        'forenoon note stage "5 {a} %s" WORD'
    )


def test_what_the_crop_loses_is_told_with_its_three_points() -> None:
    said = blocks(whole_morning())
    assert said["Breathed"].startswith("Breathed away by the crop until it is baled: 0.4, 0.8, 1.6% of its dry matter")
    left = " ".join(said["What"].split())
    assert "rain before that: 5 in 10, which would take 3.8, 7.6, 15.2% of its dry matter" in left
    assert "0.055 to 0.25% an hour" in said["Sources"]
    assert "published for alfalfa" in said["Sources"]


def test_a_day_without_losses_says_nothing_of_them() -> None:
    said = explanation_text(farm(), mow_morning(), NAME)
    assert "Breathed" not in said
    assert "would take" not in said
    assert "Order" not in said


def test_the_order_says_what_waiting_loses() -> None:
    order = blocks(whole_morning())["Order"]
    assert order.startswith("Order: first today, before the others, because a storm may lay it flat (estimate).")
    storm = blocks(whole_morning())["Storm"]
    assert storm.startswith("Storm: may begin Monday 4:00 pm ")
    assert "a gust of 34 mph (estimate) with 5 mm of rain (estimate)" in blocks(whole_morning())["Sources"]
    # 0.0336 t/ha are 30 lb an acre
    assert "  loses about 30 lb an acre of good forage by waiting for its next chance, odds counted in" in order
    ends = blocks(whole_morning())["Sources"]
    assert "loses 25% of its worth (derived: $50 of $200)" in " ".join(ends.split())
    assert "forage_for of the field" in ends
    metric = blocks(whole_morning(), farm(units=Units.METRIC))["Order"]
    assert "  loses about 34 kg a hectare of good forage by waiting" in metric
    assert "a gust of 54 km/h" in blocks(whole_morning(), farm(units=Units.METRIC))["Sources"]


def test_the_order_of_a_field_that_had_better_wait_or_comes_second() -> None:
    plain = blocks(with_day(urgency=None, storm_at=None, lost_by_waiting=-0.0336, after="Hill"))["Order"]
    assert plain.startswith("Order: after Hill (estimate).\n  gains about 30 lb an acre of good forage by waiting")
    assert "storm" not in plain
    laid = blocks(with_day(urgency=Urgency.LODGED, storm_at=None, lost_by_waiting=None))["Order"]
    assert laid == "Order: first today, before the others, because it lies flat (estimate)."


def test_the_farms_own_estimates_are_named_as_such() -> None:
    own = replace(farm(), estimates=Estimates(spoiled_loss=0.4, firm_below=0.8))
    said = " ".join(explanation_text(own, whole_morning(), NAME).split())
    assert "loses 40% of its worth (the settings)" in said
    assert "topsoil under 80% of what it holds when drained (the settings)" in said
    assert "10 mm lacking in the root zone (remembered: Schulte 2005)" in said


def test_clock_days_left_and_yield_have_their_range() -> None:
    said = blocks(whole_morning())
    assert "  temperature sum 556, 620, 684 degC days, counted from 14 April 2026" in said["Growth"]
    assert "  days until past its best 0, 4, 8" in said["Growth"]
    assert said["Standing"].startswith(
        "Standing yield 1.6, 2.0, 2.4 tons of dry matter an acre, by the temperature sum (estimate)"
    )


def changed(**changes: object) -> Morning:
    """A morning whose one field is not as usual."""
    morning = whole_morning()
    field = with_field_changes(morning.prospect.fields[0], **changes)
    return replace(morning, prospect=replace(morning.prospect, fields=(field,)))


def test_a_look_that_was_used_is_told_and_both_kinds_of_a_mix() -> None:
    look = Look(date(2026, 5, 29), "full heads")
    kinds = (PlantKindToday("grasses", "early heads", 614.6, look, 0.75), PlantKindToday("legumes", "buds", 390.0))
    assert blocks(changed(kinds=kinds))["Growth"].splitlines()[:2] == [
        "Growth: ripe, grasses early heads, legumes buds (estimate)",
        "  full heads seen on 29 May 2026; the clock of the grasses takes most of the way to what was seen",
    ]
    assert "good to about four days, about two after a look" in " ".join(
        explanation_text(farm(), changed(), NAME).split()
    )


def test_a_field_that_was_cut_yesterday_says_so_and_no_more_of_its_crop() -> None:
    light = replace(stand_of(whole_morning().prospect.fields[0]).dry_matter, mid=0.1)
    said = blocks(changed(last_cut=date(2026, 5, 31), dry_matter=light))
    assert said["Growth"] == "Growth: cut yesterday; nothing to tell of it yet."
    assert not {"Standing", "As", "One"} & set(said)
    assert "Feed" not in said["Sources"]
    assert "Ground" in said


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (-60.0, "past its best for more than two months"),
        (120.0, "more than two months until past its best"),
        (-59.0, "days until past its best -63, -59, -55"),
    ],
)
def test_days_that_are_held_at_their_ends_are_not_told_as_days(days: float, words: str) -> None:
    assert f"  {words}\n" in blocks(changed(days_left=days))["Growth"] + "\n"


def test_what_lies_stands_before_the_advice() -> None:
    morning = start_watch(mow_morning())
    morning = replace(morning, watched=(replace(morning.watched[0], noted=True, timed=True),))
    said = explanation_text(farm(), morning, NAME).splitlines()
    assert said[0] == "Long Meadow, 22 acres"
    assert said[1].startswith("Long Meadow, 20 acres cut at 8:00 am: on track, rake from 3:30 pm, bale from 3:30 pm,")
    assert explanation_text(farm(), morning, "Creek & Bend").splitlines()[1].startswith("Today: wait")


def test_the_legend_stands_before_the_first_three_numbers_that_need_it() -> None:
    said = explanation_text(farm(), mow_morning(), NAME)
    assert said.index("Three numbers in a row") < said.index("fibre (NDF) 46, 49, 52%")
    assert LEGEND in " ".join(said.split())
    assert "Three numbers" not in explanation_text(farm(), nothing_known(), NAME)  # there are none


def test_a_field_of_which_nothing_is_known_says_why() -> None:
    said = explanation_text(farm(), nothing_known(), NAME)
    assert "no advice, because the forecast is too old (30 hours old)." in said
    assert "Growth: not known." in said
    assert "Coming days" not in said
    assert said.count("30 hours old") == 1
    assert "\nWeather: none.\n" in said


def test_a_field_of_which_the_growth_alone_is_known_says_that() -> None:
    stale = stated(Reason.DATA_STALE, "30 h")
    field = replace(whole_morning().prospect.fields[0], days=(), ground=None, unknown=stale)
    morning = whole_morning()
    known = decide(farm(), replace(morning.prospect, fields=(field,), trouble=Unknown(Reason.DATA_STALE)))
    said = blocks(known)
    assert "Today: no advice, because the forecast is too old (30 h)." in said["Long"]
    assert "Would change it: a forecast no older than 18 hours." in said["Long"]
    assert said["Growth"].startswith("Growth: ripe,")
    assert "  the last hours of it stand as they were forecast; the ground" in said["Growth"]
    assert "note: 30 h" not in said["Growth"]


def test_a_yield_from_the_settings_has_its_source_where_nothing_else_is_known() -> None:
    expected = replace(farm().fields[0], expected_yield=4.0)
    given = replace(farm(), fields=(expected,))
    morning = decide(given, unknown_prospect(given, DAWN, stated(Reason.DATA_STALE, "30 hours old")))
    assert "    source: the settings" in blocks(morning, given)["Sources"]


def test_what_the_messages_say_of_the_stand_is_told_too() -> None:
    later = replace(whole_morning().prospect.fields[0].days[0], date=date(2026, 6, 7), ndf=Band(53.0, 56.0, 59.0))
    found = whole_morning().prospect.fields[0]
    growth = " ".join(blocks(changed(days=(*found.days, later)))["Growth"].split())
    # Ripe is within three units of the 50 % that it should be cut at.
    assert "fibre (NDF) 46, 49, 52%; ripe at 47 to 53%, to be cut near 50%" in growth
    assert "fibre on Sunday 7: 53, 56, 59%" in growth
    assert "fibre on" not in blocks(whole_morning())["Growth"]


def test_a_range_that_is_none_as_it_is_told_is_one_number() -> None:
    assert "  fibre (NDF) 68%; ripe at" in blocks(changed(ndf=Band(67.9, 68.0, 68.0)))["Growth"]


def test_the_days_left_are_those_of_the_page() -> None:
    morning = changed(days_left=4.6)
    assert days_left_sentence(stand_of(morning.prospect.fields[0])).startswith(
        "About 4 days left before it is past its best"
    )
    assert "  days until past its best 1, 4, 9" in blocks(morning)["Growth"]


def test_what_waiting_does_not_change_is_left_out_and_its_worth_is_no_surer_than_an_estimate() -> None:
    known = stand_of(whole_morning().prospect.fields[0]).waiting
    assert known is not None
    none = replace(known.ndf, low=0.0, mid=0.0, high=0.0)
    worth = replace(known.worth, low=-0.2411, mid=-0.1277, high=0.0336)
    said = blocks(changed(waiting=replace(known, ndf=none, digestibility=none, worth=worth)))["One"]
    assert "fibre" not in said
    assert "digestibility" not in said
    assert "  yield         +45, +89, +134 lb an acre" in said
    # 215.1, 113.9 and 30.0 lb an acre
    assert "about 110 lb an acre less good feed (from 220 less to 30 more)" in " ".join(said.split())


def test_a_weight_is_told_with_two_digits_as_the_email_has_it() -> None:
    # 0.59 t/ha are 526 lb an acre.
    assert "  loses about 530 lb an acre of good forage" in blocks(with_day(lost_by_waiting=0.59))["Order"]


def test_the_water_that_is_wanted_stands_beside_that_at_baling() -> None:
    assert "  water at baling 46, 50, 54%; aim at 50%, none over 55%" in blocks(whole_morning())["Long"]
    wet = replace(farm(), baleage=replace(farm().baleage, wettest=0.619))
    assert "none over 61%" in blocks(whole_morning(), wet)["Long"], "rounded down, as in the email"


def test_a_day_ahead_has_its_odds_and_hours() -> None:
    days = blocks(mow_morning())["Coming"].splitlines()
    assert days[0] == "Coming days   odds for the least area   at the odds needed, 7 in 10 (estimate)"
    assert days[1] == "  Mon 1       9 in 10 for 2 acres       20 acres, 7 in 10, from 8:00 am, bale from 3:30 pm"
    after = with_day(after="Hill").advices[0].day
    assert after is not None
    assert " ".join(blocks(changed(days=(after,)))["Coming"].split()).endswith("bale from 3:30 pm, after Hill")


def test_what_the_picture_shows_is_told_in_words() -> None:
    said = " ".join(blocks(drawn_morning())["Drying"].split())
    assert "Long Meadow, Monday 1: mown from 8:00 am, likely 42 to 55% water when raking begins at 2:45 pm." in said
    assert "Rain: 4 in 10 at the most, in the hour to 6:00 pm." in said


def test_official_warnings_are_told() -> None:
    warning = OfficialWarning("Thunderstorm Watch", "the weather office", DAWN, DAWN + timedelta(hours=9))
    morning = whole_morning()
    warned = replace(morning, prospect=replace(morning.prospect, warnings=(warning,)))
    said = explanation_text(farm(), warned, NAME)
    assert "Beware: Official warning: Thunderstorm Watch, Monday 5:30 am to Monday 2:30 pm" in said
    assert "Official warning" not in explanation_text(farm(), morning, NAME)


def test_a_field_that_is_cut_in_part_says_what_stands() -> None:
    cut = changed(standing=farm().fields[0].area * 0.5)
    assert blocks(cut)["Long"].startswith("Long Meadow, 22 acres, 11 acres of it standing\n")
    assert blocks(changed(standing=farm().fields[0].area))["Long"].startswith("Long Meadow, 22 acres\n")


def test_a_source_that_was_told_is_not_told_again() -> None:
    found = whole_morning().prospect.fields[0]
    stand = stand_of(found)
    assert stand.quality is not None
    assert stand.waiting is not None
    same = replace(stand.waiting, ndf=replace(stand.waiting.ndf, source=stand.quality.ndf.source))
    ends = " ".join(blocks(changed(waiting=same))["Sources"].split())
    assert "source: fibre: as above; digestibility: estimate: digestibility; yield: estimate: yield" in ends


def test_a_field_that_is_not_there() -> None:
    with pytest.raises(KeyError):
        explanation_text(farm(), mow_morning(), "Hill")


@pytest.mark.parametrize(
    ("left", "words"),
    [
        (0.4, "About to be past its best, give or take 4 days."),  # 3.6 days past it to 4.4 left
        (-0.6, "About to be past its best, give or take 5 days."),
        (2.3, "About 2 days left before it is past its best; it may be 2 days past it or have 6 days to go."),
        (6.0, "About 6 days left before it is past its best, likely 2 to 10."),
    ],
)
def test_a_stand_of_which_nobody_can_tell_whether_it_is_past_its_best(left: float, words: str) -> None:
    assert days_left_sentence(stand_of(changed(days_left=left).prospect.fields[0])) == words

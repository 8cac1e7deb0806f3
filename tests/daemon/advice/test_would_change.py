"""What would turn the advice: for every reason there is an answer, with the numbers that it hangs on."""

from dataclasses import replace
from datetime import date

import pytest

from daemon.advice.explain.report import field_report
from daemon.advice.explain.text import explanation_text
from daemon.advice.explain.would_change import WOULD_CHANGE, would_change
from daemon.domain.advice import Advice, AdviceKind
from daemon.domain.farm import Units
from daemon.domain.prospect import AreaOdds, Band, FieldDay, PlantKindToday, Reason, Ripeness
from models.quality import Figure
from tests.support.farms import farm, mow_morning, with_day_changes, with_field_changes
from tests.support.full_morning import figure, whole_morning

FIELD = with_field_changes(whole_morning().prospect.fields[0], ndf=Band(40.0, 44.0, 48.0), ndf_target=50.0)
NAME = "Long Meadow"


def _grown(much: float) -> Figure:
    return figure(much, much, much, "t/ha", "yield")


def turned(reason: Reason, **of_day: object) -> str:
    day = with_day_changes(FieldDay(whole_morning().date, Ripeness.RIPE, Band(0.0, 0.0, 0.0), 0.0), **of_day)
    return would_change(farm(), FIELD, Advice(NAME, AdviceKind.WAIT, 0.0, reason, day))


def test_every_reason_has_its_answer() -> None:
    assert set(WOULD_CHANGE) == set(Reason)
    for reason in Reason:
        assert turned(reason).strip(" .;") == turned(reason) != ""
        assert would_change(farm(), FIELD, Advice(NAME, AdviceKind.NONE, 0.0, reason, None)) != ""


def test_the_numbers_that_it_hangs_on_are_told() -> None:
    # Ripe is within three units of the target.
    assert turned(Reason.NOT_RIPE) == (
        "fibre (NDF) of 47%; it is 44%. Or a look that finds the stand further on, noted"
    )
    few = (AreaOdds(0.5, 0.6), AreaOdds(2.0234, 0.5))
    assert turned(Reason.RAIN, curve=few).startswith("odds of 7 in 10 for 5 acres; they are 5 in 10")
    assert turned(Reason.DATA_STALE) == "a forecast no older than 18 hours"


def test_the_text_and_the_data_say_it() -> None:
    said = " ".join(explanation_text(farm(), whole_morning(), NAME).split())
    assert "Would change it: odds under 7 in 10 for 2 acres (they are 9 in 10), by rain, soft ground or slower" in said
    told = field_report(farm(units=Units.METRIC), mow_morning(), NAME)
    would = told["fields"][0]["advice"]["would_change"]
    assert would.startswith("odds under 7 in 10 for 0.8 hectares (they are 9 in 10), by rain")


def test_the_data_of_a_field_hold_no_other() -> None:
    told = field_report(farm(), mow_morning(), NAME)
    assert [one["name"] for one in told["fields"]] == [NAME]
    assert told["about"]["growth"]["put_right_by"].startswith(f'forenoon note stage "{NAME}" WORD')
    assert {"weather", "odds_needed", "record", "trouble"} <= told.keys()
    with pytest.raises(StopIteration):
        field_report(farm(), mow_morning(), "Hill")


def advised(kind: AdviceKind, reason: Reason | None, **of_day: object) -> Advice:
    day = with_day_changes(FieldDay(whole_morning().date, Ripeness.RIPE, Band(0.0, 0.0, 0.0), 0.0), **of_day)
    return Advice(NAME, kind, 0.0, reason, day)


def test_fibre_that_lacks_a_little_never_reads_as_enough() -> None:
    for mid, words in ((46.96, "of 47.0%; it is 46.9%"), (46.4, "of 47%; it is 46%"), (46.6, "of 47.0%; it is 46.6%")):
        field = with_field_changes(FIELD, ndf=Band(mid - 3.0, mid, mid + 3.0))
        assert words in would_change(farm(), field, advised(AdviceKind.WAIT, Reason.NOT_RIPE))


def test_no_look_is_asked_for_where_none_tells_the_stage() -> None:
    grass, legume = PlantKindToday("grasses", "leafy", 315.0), PlantKindToday("legumes", "vegetative", 205.0)
    waits = advised(AdviceKind.WAIT, Reason.NOT_RIPE)
    regrown = with_field_changes(FIELD, last_cut=date(2026, 5, 1), kinds=(grass,))
    assert would_change(farm(), regrown, waits) == "fibre (NDF) of 47%; it is 44%"
    for seen in (replace(regrown, last_cut=None), with_field_changes(regrown, kinds=(grass, legume))):
        assert would_change(farm(), seen, waits).endswith("Or a look that finds the stand further on, noted")


def test_a_field_that_was_just_cut_waits_for_its_next_growth() -> None:
    cut = with_field_changes(FIELD, last_cut=whole_morning().date, dry_matter=_grown(0.1))
    assert (
        would_change(farm(), cut, advised(AdviceKind.WAIT, Reason.NOT_RIPE)) == "nothing until the next growth is ripe"
    )


def test_ground_must_be_firm_in_as_much_of_the_forecast_as_the_odds_take() -> None:
    few = (AreaOdds(2.0234, 0.63),)
    assert turned(Reason.GROUND_SOFT, ground_firm_share=0.3, curve=few) == (
        "ground that is firm in 50% of the forecast (it is in 30%), and with it odds of 7 in 10 for 5 acres; "
        "they are 6 in 10. Or a look that finds it firm, noted"
    )
    assert "firm in more of the forecast (it is in 70%), and" in turned(
        Reason.GROUND_SOFT, ground_firm_share=0.7, curve=few
    )
    assert "firm in 50% of the forecast (it is in 49%)" in turned(
        Reason.GROUND_SOFT, ground_firm_share=0.499, curve=few
    )


def test_where_the_odds_lack_too_they_are_told() -> None:
    few, enough = (AreaOdds(2.0234, 0.69),), (AreaOdds(2.0234, 0.7),)
    words = "days_off in [work]"
    assert turned(Reason.DAY_OFF, curve=few) == f"{words}, and odds of 7 in 10 for 5 acres; they are 6 in 10"
    assert turned(Reason.DAY_OFF, curve=enough) == turned(Reason.DAY_OFF) == words
    assert turned(Reason.LEFT_UNCUT, curve=few).endswith("note undo, and odds of 7 in 10 for 5 acres; they are 6 in 10")


def test_a_day_that_is_full_names_the_field_before() -> None:
    assert turned(Reason.DAY_IS_FULL, after="Hill").startswith("Hill taken off the day, or more hours")
    assert turned(Reason.DAY_IS_FULL).startswith("another field taken off the day")


def test_the_settings_that_it_hangs_on_are_told_as_they_stand() -> None:
    assert turned(Reason.BETTER_LATER).endswith("or a higher worth_waiting in [estimates]; it is 3%")
    assert "later latest_start in [work], where time to bale is left; it is 1:00 pm" in turned(Reason.TOO_LATE_TODAY)
    assert turned(Reason.GROWTH_UNKNOWN) == "what is named put right"


@pytest.mark.parametrize(
    ("grown", "words"),
    [
        # 800 g/m2 lie over all of the cut width at 8 t/ha, and over 0.85 of it at 6.8.
        (7.0, "a swath_width of 0.88 in [baleage], it is 0.85; or less crop"),
        (9.0, "less crop"),
    ],
)
def test_a_swath_gets_no_wider_than_what_is_cut(grown: float, words: str) -> None:
    thick = with_field_changes(FIELD, dry_matter=_grown(grown))
    said = would_change(farm(units=Units.METRIC), thick, advised(AdviceKind.NONE, Reason.TOO_THICK))
    assert said == f"{words} than about 6.8 tonnes of dry matter a hectare (expected_yield of the field)"

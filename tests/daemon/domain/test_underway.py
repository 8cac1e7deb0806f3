"""A page in the course of the day: one area, one odds and one count of bales for a field that is mown."""

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from daemon.domain.advice import Morning, WatchedField, WatchState
from daemon.domain.field_watch import start_watch
from daemon.domain.prospect import AreaOdds, Reason
from daemon.domain.snapshot import Snapshot
from daemon.domain.underway import bales_for_area, first_pictured_field, still_to_mow
from daemon.page.field import field_cards, field_page, field_sheet
from daemon.page.server import render_page
from daemon.page.today import next_step, order_lines, work_rows
from daemon.service.health import take_snapshot
from daemon.words.today import field_headline, headline
from tests.support.farms import ACRE, DAWN, ZONE, farm, field_day, plan_of
from tests.support.full_morning import drawn_morning
from tests.support.plain_text import spaced

NOON = DAWN + timedelta(hours=6.5)


def local(hour: int, minute: int = 0) -> datetime:
    return datetime(2026, 6, 1, hour, minute, tzinfo=ZONE)


def stands(**changed: object) -> WatchedField:
    """Return the field to mow as it stands at noon: later, and less sure, than was said."""
    (said,) = start_watch(drawn_morning()).watched
    newest = replace(said, at=NOON, odds=0.55, rake_from=local(15), bale_from=local(16), wrapped_by=local(19, 30))
    return replace(newest, **changed)  # type: ignore[arg-type]


def cut(**changed: object) -> WatchedField:
    return stands(**{"noted": True, "area": 22.0 * ACRE, **changed})


def noon(*watched: WatchedField, at: datetime = NOON) -> Snapshot:
    morning = drawn_morning()
    looked = replace(morning, watched=watched, prospect=replace(morning.prospect, at=NOON))
    return take_snapshot(farm(), looked, (), at)


@pytest.mark.parametrize(
    ("watched", "words"),
    [
        (stands(), "Today: mow 20 acres of Long Meadow from 8:00 am (odds 5 in 10)."),
        (cut(), "Long Meadow is cut, 22 acres: bale from 4:00 pm (odds 5 in 10)."),
        (cut(area=5.5 * ACRE), "Long Meadow is cut in part, 5.5 acres: bale from 4:00 pm (odds 5 in 10)."),
        (
            cut(state=WatchState.WILL_NOT_MAKE_IT, odds=0.31, bale_from=None),
            "Long Meadow is cut, 22 acres: it will not all make it (odds 3 in 10).",
        ),
        (
            cut(state=WatchState.WILL_NOT_MAKE_IT, odds=0.55),
            "Long Meadow is cut, 22 acres: more mowing was called off (odds 5 in 10).",
        ),
    ],
)
def test_the_headline_tells_the_field_as_it_stands_by_now(watched: WatchedField, words: str) -> None:
    shown = noon(watched)
    assert headline(shown) == words
    assert field_headline(shown, drawn_morning().advices[0]) == words


def test_there_is_one_area_one_odds_and_one_count_of_bales_on_the_page() -> None:
    page = spaced(render_page(noon(cut()))).split("Fields</h2>")[0]
    assert "20 acres" not in page
    assert "7 in 10" not in page
    assert "40 bales" not in page
    assert page.count("44 bales") == 1
    assert "22 acres cut today: not sure enough" in page
    [today, *_] = field_cards(noon(cut()))[0].days
    assert (today.what, today.more) == ("22 acres cut, 5 in 10", "bale from 4:00 pm")
    [today, *_] = field_cards(noon(stands()))[0].days
    assert (today.what, today.more) == ("20 acres, 5 in 10", "start 8:00 am, bale from 4:00 pm")


def test_the_work_of_what_is_cut_is_what_is_left_of_it() -> None:
    shown = noon(cut())
    assert [(row.time, row.words) for row in work_rows(shown)] == [
        ("3:00 pm", "rake Long Meadow"),
        ("4:00 pm", "bale Long Meadow (44 bales)"),
        ("7:30 pm", "all of Long Meadow is wrapped"),
    ]
    assert next_step(shown).startswith("3:00 pm, rake Long Meadow. Check")
    page = field_page(shown, 1)
    assert page is not None
    assert [row.words for row in page.work] == [row.words for row in work_rows(shown)]
    assert [words for words in page.today if "Odds" in words or "Starting" in words] == []


def test_where_not_all_makes_it_the_work_is_in_what_is_fit() -> None:
    off = cut(
        state=WatchState.WILL_NOT_MAKE_IT, odds=0.3, still_wrappable=AreaOdds(8.0 * ACRE, 0.8), reason=Reason.RAIN
    )
    assert [row.words for row in work_rows(noon(off))] == ["rake Long Meadow", "bale what is fit of Long Meadow"]
    lost = replace(off, rake_from=None, bale_from=None, wrapped_by=None, still_wrappable=None)
    assert work_rows(noon(lost)) == ()
    assert next_step(noon(lost)) == "See below what to do with what is cut."


def test_what_is_cut_without_advice_is_told_too_and_what_is_wrapped_no_more() -> None:
    hill = cut(field="Creek & Bend", area=9.5 * ACRE)
    assert headline(noon(hill)).startswith(
        "Creek & Bend is cut, 9.5 acres: bale from 4:00 pm (odds 5 in 10). Today: mow"
    )
    assert [row.words for row in work_rows(noon(hill)) if "Creek" in row.words][1] == "bale Creek & Bend"
    both = noon(cut(), replace(hill, odds=0.8))
    assert headline(both) == (
        "Long Meadow is cut, 22 acres: bale from 4:00 pm (odds 5 in 10); "
        "Creek & Bend is cut, 9.5 acres: bale from 4:00 pm (odds 8 in 10)."
    )
    done = noon(cut(state=WatchState.DONE, bale_from=None))
    assert "is cut" not in headline(done)


def test_no_picture_shows_another_work_than_the_words() -> None:
    later = noon(stands(start=local(9)))
    for shown in (noon(cut()), later):
        assert shown.morning is not None
        assert first_pictured_field(shown.morning) is None
        assert field_sheet(shown, 1, "drying") is None
        assert field_sheet(shown, 1, "growth") is not None
        assert ">Drying of" not in render_page(shown, drying_source="x.svg")
    same = field_sheet(noon(stands()), 1, "drying")
    assert same is not None
    assert same.baling == (9.0, 12.5)  # type: ignore[union-attr]  # from 4:00 pm on, not 3:30 pm as said


def test_older_odds_take_those_of_smaller_areas_with_them() -> None:
    morning = noon(stands()).morning
    assert morning is not None
    (advice,) = still_to_mow(morning)
    assert advice.day is not None
    assert (advice.day.odds, advice.day.curve, plan_of(advice.day).bales) == (0.55, (), 40)
    as_before = replace(morning, watched=start_watch(morning).watched)
    assert still_to_mow(as_before) == morning.mows


def test_an_order_is_not_told_of_what_is_cut() -> None:
    morning = drawn_morning()
    flat = replace(morning.prospect.fields[0], lodged=morning.date)
    fields = (flat, *morning.prospect.fields[1:])

    def view(*watched: WatchedField) -> Snapshot:
        found = Morning(morning.date, morning.advices, replace(morning.prospect, fields=fields), watched)
        return take_snapshot(farm(), found, (), NOON)

    assert order_lines(view(stands())) == ("Long Meadow lies flat: mow it against the lean.",)
    assert order_lines(view(cut())) == ()


@pytest.mark.parametrize(("acres", "bales"), [(20.0, 40), (22.0, 44), (20.1, 41), (10.0, 20)])
def test_bales_go_with_the_area(acres: float, bales: int) -> None:
    assert bales_for_area(field_day(), acres * ACRE) == bales
    assert bales_for_area(None, acres) is None

import re
import sys
from base64 import b64decode
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
import requests

from daemon.domain.advice import Advice, AdviceKind, Morning, WatchState
from daemon.domain.causes import StatedCause, WeatherRefused
from daemon.domain.farm import Channel, Units
from daemon.domain.field_watch import start_watch
from daemon.domain.message import Message, MessageState, QueuedMessage
from daemon.domain.message_kind import MessageKind
from daemon.domain.prospect import PlantKindToday, Reason, Unknown
from daemon.domain.refusal import Refusal, RefusalKind
from daemon.domain.snapshot import Snapshot, data_age
from daemon.page.field import field_cards, field_page, field_sheet
from daemon.page.message_rows import message_rows
from daemon.page.pictures.render import PictureCache
from daemon.page.server import PageServer, create_app, render_field, render_page, write_page
from daemon.page.today import day_name_text, next_step, watch_lines, work_rows
from daemon.planning.prospect import unknown_prospect
from daemon.service.health import message_problems, pass_problems, take_snapshot
from daemon.words.today import headline
from tests.support.farms import (
    ACRE,
    DAWN,
    DAY,
    ZONE,
    farm,
    field_day,
    field_prospect,
    mow_morning,
    person,
    prospect,
    stated,
    unknown_morning,
    wait_morning,
    with_day_changes,
    with_field_changes,
)
from tests.support.full_morning import drawn_morning, figure, whole_morning
from tests.support.plain_text import spaced

pytestmark = pytest.mark.slow

SOON = DAWN + timedelta(minutes=45)
WINTER = datetime.fromisoformat("2026-12-01T12:00:00+00:00")


def view(morning: Morning | None, now: datetime = SOON, messages: tuple[QueuedMessage, ...] = ()) -> Snapshot:
    return take_snapshot(farm(person()), morning, messages, now)


def posted(state: MessageState, body: str = "Mow 20 acres", reason: str = "", attempts: int = 1) -> QueuedMessage:
    return QueuedMessage(
        id=1,
        day=DAY,
        kind=MessageKind.parse("morning"),
        person="Ann",
        channel=Channel.TEXT,
        message=Message("", body),
        state=state,
        attempts=attempts,
        unknowns=0,
        made_at=DAWN,
        due=DAWN,
        next_try=None,
        expires_at=DAWN + timedelta(hours=4),
        sent_at=DAWN if state is MessageState.SENT else None,
        address="json://****",
        reason=reason,
    )


def test_a_mow_day_says_how_much_when_and_how_sure() -> None:
    shown = view(mow_morning())
    assert headline(shown) == ("Today: mow 20 acres of Long Meadow from 8:00 am (odds 7 in 10).")
    assert next_step(shown) == (
        "8:00 am, begin to mow Long Meadow, 20 acres. Check the moisture of a sample before baling."
    )
    assert shown.problems == ()


def test_the_days_work_stands_in_the_order_of_the_clock_and_the_next_step_is_the_next_of_it() -> None:
    shown = view(drawn_morning())
    assert [(row.time, row.words) for row in work_rows(shown)] == [
        ("8:00 am", "begin to mow Long Meadow, 20 acres"),
        ("10:30 am", "stop mowing Long Meadow by now"),
        ("2:45 pm", "rake Long Meadow"),
        ("3:30 pm", "bale Long Meadow (40 bales)"),
        ("7:00 pm", "all of Long Meadow is wrapped"),
    ]
    assert next_step(replace(shown, now=DAWN + timedelta(hours=6))).startswith("2:45 pm, rake Long Meadow.")
    evening = replace(shown, now=DAWN + timedelta(hours=14))
    assert next_step(evening).startswith("No more work in these fields today.")


def test_the_days_work_takes_the_newest_hours_of_what_is_watched() -> None:
    morning = start_watch(drawn_morning())
    sooner = datetime(2026, 6, 1, 14, 15, tzinfo=ZONE)
    watched = replace(morning.watched[0], state=WatchState.BALE_SOONER, bale_from=sooner)
    rows = work_rows(view(replace(morning, watched=(watched,))))
    assert ("2:15 pm", "bale Long Meadow (40 bales)") in [(row.time, row.words) for row in rows]
    assert [row.at for row in rows] == sorted(row.at for row in rows)


def test_nothing_is_worked_by_old_data_or_out_of_season() -> None:
    assert work_rows(view(drawn_morning(), DAWN + timedelta(hours=15.5))) == ()
    assert work_rows(view(drawn_morning(), WINTER)) == ()
    assert work_rows(view(wait_morning())) == ()


def test_of_many_fields_a_headline_names_few() -> None:
    waits = tuple(Advice(f"Piece {number}", AdviceKind.WAIT, 0.0, Reason.RAIN, None) for number in range(38))
    unripe = tuple(Advice(name, AdviceKind.WAIT, 0.0, Reason.NOT_RIPE, None) for name in ("A", "B"))
    assert headline(view(Morning(DAY, (*waits, *unripe), prospect()))) == (
        "No mowing today. 38 fields: rain would catch it; 2 fields: not ripe yet."
    )
    mows = tuple(Advice(f"Piece {number}", AdviceKind.MOW, ACRE, None, field_day()) for number in range(5))
    assert headline(view(Morning(DAY, mows, prospect()))).endswith("Piece 2 from 8:00 am (odds 7 in 10), then 2 more.")


def test_two_fields_are_taken_in_order() -> None:
    morning = mow_morning()
    second = with_day_changes(field_day(0, acres=8.0, odds=0.72), after="Long Meadow")
    both = replace(morning, advices=(morning.advices[0], Advice("Hill", AdviceKind.MOW, 8 * ACRE, None, second)))
    assert ", then 8 acres of Hill from 8:00 am (odds 7 in 10" in headline(view(both))


def test_a_metric_farm_reads_hectares_and_its_own_clock() -> None:
    shown = take_snapshot(farm(units=Units.METRIC), mow_morning(), (), SOON)
    assert headline(shown).startswith("Today: mow 8 hectares of Long Meadow from 8:00 (")
    assert next_step(shown).startswith("8:00, begin to mow Long Meadow, 8 hectares.")
    assert [row.time for row in work_rows(shown)] == ["8:00", "10:30", "15:30", "15:30", "19:00"]


def test_a_day_without_mowing_says_why_and_what_comes() -> None:
    shown = view(wait_morning())
    assert headline(shown) == "No mowing today. Long Meadow: rain would catch it."
    assert next_step(shown) == (
        "The next day in sight is Thursday 4: 12 acres of Long Meadow, 7 in 10."
        " The next morning message comes at 5:30 am."
    )


def test_reasons_are_told_once_with_their_fields() -> None:
    advices = tuple(
        Advice(name, AdviceKind.WAIT, 0.0, reason, None)
        for name, reason in (("A", Reason.NOT_RIPE), ("B", Reason.RAIN), ("C", Reason.NOT_RIPE))
    )
    assert (
        headline(view(Morning(DAY, advices, prospect())))
        == "No mowing today. B: rain would catch it; A and C: not ripe yet."
    )


def test_under_the_advice_stands_how_a_mown_field_does() -> None:
    shown = view(start_watch(mow_morning()))
    (line,) = watch_lines(shown)
    assert line == (
        "If you mowed Long Meadow: on track, rake from 3:30 pm, bale from 3:30 pm, all wrapped by about 7:00 pm. "
        "20 acres: 7 in 10 that all is wrapped tonight."
    )
    page = spaced(render_page(shown))
    assert page.index("Next:") < page.index(line) < page.index(">Fields<")
    assert watch_lines(view(mow_morning())) == ()


@pytest.mark.parametrize(("hours", "lines"), [(15.5, 1), (24, 0)])  # the data is too old, and another day
def test_old_data_is_never_on_track(hours: float, lines: int) -> None:
    shown = watch_lines(view(start_watch(mow_morning()), DAWN + timedelta(hours=hours)))
    assert len(shown) == lines
    assert all("nothing new is known since 5:30 am" in line and "on track" not in line for line in shown)


@pytest.mark.parametrize(
    ("morning", "now", "sentence"),
    [
        (None, SOON, "No advice today, because none has been worked out yet."),
        (unknown_morning(), SOON, "No advice today, because weather data is missing."),
        (
            mow_morning(),
            DAWN + timedelta(hours=15.5),
            "No advice today, because the weather data is more than 18 hours old.",
        ),
        (
            mow_morning(),
            DAWN + timedelta(days=1),
            "No advice today, because the last that was worked out is of Monday 1.",
        ),
        (mow_morning(), WINTER, "Out of season. Messages begin again in May."),
    ],
)
def test_what_is_not_known_is_no_advice(morning: Morning | None, now: datetime, sentence: str) -> None:
    assert headline(view(morning, now)) == sentence
    page = render_page(view(morning, now))
    assert "acres of" not in page
    assert "start 8:00" not in page


def test_an_advice_of_none_for_every_field_is_no_advice() -> None:
    advice = Advice("Long Meadow", AdviceKind.NONE, 0.0, Reason.OUT_OF_RANGE, None)
    shown = view(Morning(DAY, (advice,), prospect()))
    assert headline(shown) == "No advice today. Long Meadow: it is outside what can be reckoned."


def test_each_field_shows_its_ripeness_and_its_days() -> None:
    long, creek = field_cards(view(mow_morning()))
    assert (long.name, long.size) == ("Long Meadow", "22 acres")
    assert long.state == (
        "Ripe, boot.",
        "Fibre (NDF) 49% of dry matter, likely 46 to 52%; cut near 50%.",
        "About 4 days left before it is past its best.",
        "About 2.0 tons of dry matter an acre.",
    )
    assert [(day.name, day.what, day.more) for day in long.days] == [
        ("Today", "20 acres, 7 in 10", "start 8:00 am, bale from 3:30 pm"),
        ("Tomorrow", "nothing: not sure enough, only 4 in 10", ""),
        ("Wednesday 3", "nothing: rain would catch it", ""),
        ("Thursday 4", "12 acres, 7 in 10", "start 8:00 am, bale from 3:30 pm"),
        ("Sunday 7", "nothing: a day off", ""),
        ("Monday 8", "9.3 acres, 7 in 10", "start 8:00 am, bale from 3:30 pm"),
    ]
    assert creek.size == "9.5 acres"
    assert creek.state[0] == "Not ripe yet, leaf."


def test_days_that_are_alike_stand_in_one_line() -> None:
    rains = [field_day(ahead, 0.0, None, Reason.RAIN) for ahead in (0, 1, 2, 4)]
    others = [field_day(5, 0.0, None, Reason.NOT_RIPE), field_day(6, 0.0, None, Reason.NOT_RIPE)]
    [card] = field_cards(view(Morning(DAY, (), prospect(field_prospect("Hill", 5.0, *rains, *others)))))
    assert [(day.name, day.what) for day in card.days] == [
        ("Today to Wednesday 3", "nothing: rain would catch it"),
        ("Friday 5", "nothing: rain would catch it"),
        ("Saturday 6 to Sunday 7", "nothing: not ripe yet"),
    ]


def test_a_day_that_will_not_do_has_its_odds_on_the_fields_own_page() -> None:
    shown = view(Morning(DAY, (), prospect(field_prospect("Hill", 5.0, field_day(0, 0.0, 0.24, Reason.RAIN)))))
    [card], page = field_cards(shown), field_page(shown, 1)
    assert page is not None
    assert [day.more for day in (*card.days, *page.card.days)] == ["", "2 acres would be 2 in 10"]
    off = view(Morning(DAY, (), prospect(field_prospect("Hill", 5.0, field_day(0, 0.0, 0.74, Reason.DAY_OFF)))))
    assert field_cards(off)[0].days[0].more == "2 acres would be 7 in 10"


def test_of_many_fields_the_days_that_matter_stand_in_a_sentence() -> None:
    fields = mow_morning().prospect.fields[:1] * 13
    cards = field_cards(view(Morning(DAY, (), prospect(*fields))))
    assert [(card.days, card.has_more_days) for card in cards] == [((), True)] * 13
    assert cards[0].state[-1] == (
        "Today (20 acres, 7 in 10); Thursday 4 (12 acres, 7 in 10); Monday 8 (9.3 acres, 7 in 10)."
    )


REFUSALS = (
    Refusal(RefusalKind.UNREACHABLE, "open-meteo: forecast was refused: api.example.org could not be reached"),
    Refusal(RefusalKind.NO_ANSWER, "ensemble did not answer in time"),
)
AWAY = "open-meteo: forecast was refused: api.example.org could not be reached; ensemble did not answer in time"
BROKEN = Refusal(RefusalKind.UNUSABLE, "the weather lacks hours")
ANSWERED = Refusal(RefusalKind.ERROR_STATUS, "other: answered 500: its own source could not be reached")


@pytest.mark.parametrize(
    ("refusals", "words"),
    [
        (REFUSALS, f"The weather service could not be reached ({AWAY})."),
        ((BROKEN,), "No weather data came that can be used (the weather lacks hours)."),
        ((*REFUSALS, ANSWERED), f"No weather data came that can be used ({AWAY}; {ANSWERED.text})."),
    ],
)
def test_why_there_is_no_weather_stands_once_in_plain_words(refusals: tuple[Refusal, ...], words: str) -> None:
    names = [one.name for one in farm().fields]
    detail = "; ".join(refusal.text for refusal in refusals)
    lost = unknown_prospect(farm(), DAWN, Unknown(Reason.DATA_MISSING, WeatherRefused(refusals)))
    shown = view(
        Morning(
            DAY,
            tuple(Advice(one, AdviceKind.NONE, 0.0, Reason.DATA_MISSING, None, StatedCause(detail)) for one in names),
            lost,
        )
    )
    page = unescape(render_page(shown))
    assert shown.problems == (words,)
    assert page.count(detail) == 1
    assert page.index("Trouble") < page.index(detail) < page.index("Fields</h2>")


def test_too_few_forecasts_are_a_trouble_of_all_fields_told_once() -> None:
    given = mow_morning().prospect
    trouble = stated(Reason.FEW_MEMBERS, "7 of 8")
    fields = tuple(replace(one, unknown=trouble, days=()) for one in given.fields)
    lost = replace(given, fields=fields, trouble=trouble)
    shown = view(Morning(DAY, (), lost))
    assert shown.problems == ("Too few forecasts to judge the odds (7 of 8).",)
    assert render_page(shown).count("7 of 8") == 1


@pytest.mark.parametrize(("hours", "stands"), [(0.75, False), (15.5, True), (24.0, True)])
def test_what_is_not_of_today_is_headed_so_and_says_nothing_of_the_season(hours: float, stands: bool) -> None:
    shown = view(mow_morning(), DAWN + timedelta(hours=hours))
    for page in (spaced(render_page(shown)), spaced(render_field(shown, 1) or "")):
        assert ("As it stood Monday 1 at 5:30 am:" in page) is stands
    assert ("Ripe and uncut" in render_page(shown)) is not stands
    assert ("as if nothing were mown before it" in render_page(shown)) is not stands


def test_days_times_and_odds_stay_on_one_line() -> None:
    page = render_page(view(mow_morning()))
    assert "from 8:00\N{NO-BREAK SPACE}am (odds 7\N{NO-BREAK SPACE}in\N{NO-BREAK SPACE}10)" in page
    assert "Thursday\N{NO-BREAK SPACE}4" in page
    assert not re.search(r"\d (am|pm)\b|day \d|\d in 10", page)


def test_the_months_of_the_season_say_when_messages_begin_again() -> None:
    southern = farm(season=frozenset({11, 12, 1, 2}))
    for month, begins in ((3, "November"), (10, "November")):
        shown = take_snapshot(southern, None, (), DAWN.replace(month=month))
        assert headline(shown) == f"Out of season. Messages begin again in {begins}."


def test_the_field_to_mow_comes_first_and_keeps_its_number() -> None:
    morning = mow_morning()
    turned = replace(morning, prospect=replace(morning.prospect, fields=morning.prospect.fields[::-1]))
    assert [(card.name, card.number) for card in field_cards(view(turned))] == [("Long Meadow", 2), ("Creek & Bend", 1)]


def test_a_fields_page_has_its_work_its_cares_and_its_pictures() -> None:
    page = field_page(view(drawn_morning()), 1)
    assert page is not None
    assert page.headline == "Today: mow 20 acres of Long Meadow from 8:00 am (odds 7 in 10)."
    assert [shown.kind for shown in page.pictures] == ["drying", "growth"]
    drying, growth = page.pictures
    assert (drying.rows[0].name, drying.rows[0].cells) == (
        "8:00 am",
        ("not mown yet", "under 1 in 10", "fair"),
    )
    assert drying.rows[10].cells == ("40% (33 to 51)", "4 in 10", "fair")
    assert (growth.rows[0].name, growth.rows[0].cells) == ("Today", ("49% (46 to 52)", "ripe"))
    waits = field_page(view(drawn_morning()), 2)
    assert waits is not None
    assert waits.headline == "No mowing today. Not ripe yet."
    assert (waits.work, waits.cautions, waits.pictures) == ((), (), ())
    assert [field_page(view(drawn_morning()), number) for number in (0, 3)] == [None, None]


@pytest.mark.parametrize("now", [DAWN + timedelta(hours=15.5), DAWN + timedelta(days=1), WINTER])
def test_a_fields_page_draws_nothing_of_old_data(now: datetime) -> None:
    shown = view(drawn_morning(), now)
    page = field_page(shown, 1)
    assert page is not None
    assert (page.pictures, page.work, page.card.days if now != WINTER else ()) == ((), (), ())
    assert "acres of" not in render_field(shown, 1)  # type: ignore[operator]
    assert field_sheet(shown, 1, "drying") is None


def test_a_field_of_which_nothing_is_known_says_so() -> None:
    lost = replace(field_prospect("Hill", 5.0), unknown=Unknown(Reason.OUT_OF_RANGE))
    [card] = field_cards(view(Morning(DAY, (), prospect(lost))))
    assert card.state == ("Nothing can be said: it is outside what can be reckoned.",)


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (4.9, "About 4 days left before it is past its best."),
        (1.2, "About 1 day left before it is past its best."),
        (0.4, "Less than a day left before it is past its best."),
        (-2.5, "Past its best for about 2 days."),
    ],
)
def test_days_left_are_told_in_whole_days(days: float, words: str) -> None:
    field = with_field_changes(field_prospect("Hill", 5.0), days_left=days)
    [card] = field_cards(view(Morning(DAY, (), prospect(field))))
    assert words in card.state


@pytest.mark.parametrize(
    ("days", "words"),
    [
        # Three units of fibre on either side, at 0.75 a day.
        (4.4, "About 4 days left before it is past its best, likely 0 to 8."),
        (1.0, "About 1 day left before it is past its best; it may be 3 days past it or have 5 days to go."),
        (-2.4, "Past its best for about 2 days; it may be 6 days past it or have 2 days to go."),
        (-9.6, "Past its best for about 9 days, likely 6 to 14."),
        (-60.0, "Past its best for more than two months."),
        (70.0, "More than two months until it is past its best."),
    ],
)
def test_days_left_are_told_with_their_range_where_it_is_known(days: float, words: str) -> None:
    field = with_field_changes(whole_morning().prospect.fields[0], days_left=days)
    [card] = field_cards(view(Morning(DAY, (), prospect(field))))
    assert words in card.state


def test_a_field_that_was_just_cut_says_so() -> None:
    hill, light = field_prospect("Hill", 5.0), figure(0.1, 0.1, 0.1, "t/ha", "yield")
    field = with_field_changes(hill, last_cut=DAY - timedelta(days=1), dry_matter=light, ground="firm")
    [card] = field_cards(view(Morning(DAY, (), prospect(field))))
    assert card.state == ("Cut yesterday.", "Ground firm enough for the baler.")
    for older in (replace(field, last_cut=DAY - timedelta(days=8)), replace(field, stand=hill.stand)):
        [card] = field_cards(view(Morning(DAY, (), prospect(older))))
        assert card.state[0] == "Ripe, boot."


def test_a_mix_shows_the_stage_of_both_kinds() -> None:
    kinds = (PlantKindToday("grasses", "full heads", 600.0), PlantKindToday("legumes", "buds", 400.0))
    [card] = field_cards(view(Morning(DAY, (), prospect(with_field_changes(field_prospect("Hill", 5.0), kinds=kinds)))))
    assert card.state[0] == "Ripe, grasses full heads, legumes buds."


def test_what_is_noted_as_cut_is_no_if() -> None:
    morning = start_watch(mow_morning())
    morning = replace(morning, watched=(replace(morning.watched[0], noted=True, timed=True),))
    (line,) = watch_lines(view(morning))
    assert line.startswith("Long Meadow, 20 acres cut at 8:00 am: on track, rake from 3:30 pm, bale from 3:30 pm")


def test_a_day_is_named_as_people_say_it() -> None:
    assert [day_name_text(date(2026, 6, day), DAY) for day in (1, 2, 8)] == ["Today", "Tomorrow", "Monday 8"]


@pytest.mark.parametrize(
    ("hours", "count"),
    [(2.0, 0), (2.1, 1), (15.0, 1), (15.1, 2)],  # 3 h old at the pass, 18 h allowed
)
def test_old_passes_and_old_data_are_problems(hours: float, count: int) -> None:
    now = DAWN + timedelta(hours=hours)
    assert len(pass_problems(farm(), mow_morning(), now)) == count
    assert data_age(mow_morning(), now) == timedelta(hours=3 + hours)


def test_out_of_season_a_missing_pass_is_no_problem() -> None:
    assert pass_problems(farm(), None, SOON) == ("No advice has been worked out yet.",)
    assert pass_problems(farm(), None, WINTER) == ()


def test_a_diary_that_cannot_be_read_is_not_called_missing_weather() -> None:
    found = unknown_morning()
    prospect = replace(found.prospect, trouble=stated(Reason.DIARY_UNREADABLE, "diary: /d cannot be used (locked)"))
    [problem] = pass_problems(farm(), replace(found, prospect=prospect), SOON)
    assert problem == "There is no advice: diary: /d cannot be used (locked)."


@pytest.mark.parametrize(
    ("state", "minutes", "words"),
    [
        (MessageState.SENT, 60, None),
        (MessageState.NEW, 29, None),
        (MessageState.NEW, 31, "waiting to be tried again (error=500.)"),
        (MessageState.SENDING, 31, "being sent (error=500.)"),
        (MessageState.FAILED, 1, "not delivered (error=500.)"),
        (MessageState.UNKNOWN, 1, "may not have arrived (error=500.)"),
        (MessageState.FAILED, 3 * 24 * 60, None),
    ],
)
def test_a_stuck_message_is_a_problem(state: MessageState, minutes: float, words: str | None) -> None:
    found = message_problems([posted(state, reason="error=500.")], DAWN + timedelta(minutes=minutes))
    assert found == (() if words is None else (f"The morning message to Ann by text: {words}.",))


def test_messages_are_shown_with_what_became_of_them() -> None:
    rows = message_rows(farm(), (posted(MessageState.SENT), posted(MessageState.NEW, attempts=0)))
    assert [(row.what, row.to, row.text, row.state) for row in rows] == [
        ("Monday 1, morning", "Ann, text", "Mow 20 acres", "sent 5:30 am"),
        ("Monday 1, morning", "Ann, text", "Mow 20 acres", "waiting to be sent"),
    ]


@pytest.mark.parametrize(
    ("kind", "row", "problem"),
    [
        ("sign of life", "Monday 1, sign of life", "The sign of life message to Ann by text: not delivered."),
        (
            "will not make it: Long Meadow",
            "Monday 1, Long Meadow will not make it",
            "The message on Long Meadow to Ann by text: not delivered.",
        ),
        ("settings 1a2b3c4d", "Monday 1, settings", "The settings message to Ann by text: not delivered."),
    ],
)
def test_a_message_is_named_by_what_it_is_for(kind: str, row: str, problem: str) -> None:
    lost = replace(posted(MessageState.FAILED), kind=MessageKind.parse(kind))
    assert [one.what for one in message_rows(farm(), (lost,))] == [row]
    assert message_problems([lost], SOON) == (problem,)


class Outline(HTMLParser):
    """What a reading aid goes by."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.lang: str | None = None
        self.scopes: list[str | None] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag == "html":
            self.lang = dict(attrs).get("lang")
        if tag == "th":
            self.scopes.append(dict(attrs).get("scope"))


def test_the_page_is_small_plain_and_readable_aloud() -> None:
    page = render_page(view(mow_morning(), messages=(posted(MessageState.SENT),)))
    outline = Outline(page)
    assert len(page.encode()) < 50_000
    assert outline.lang == "en"
    assert "<title>Forenoon: Two Elms</title>" in page
    assert [tag for tag in outline.tags if re.fullmatch(r"h\d", tag)] == ["h1", "h2", "h2", "h3", "h3", "h2"]
    assert {"script", "img", "link", "iframe"}.isdisjoint(outline.tags)
    assert set(outline.scopes) == {"row", "col"}
    assert page.index("Today: mow") < page.index("3 hours old") < page.index("Next:") < page.index(">Fields<")
    assert "Invented forecasts, CC BY 4.0" in page
    assert "Bale nothing at 62% water or wetter" in page


def test_what_comes_from_outside_is_escaped() -> None:
    page = render_page(view(mow_morning(), messages=(posted(MessageState.FAILED, "<b>Mow</b>", "<i>refused</i>"),)))
    assert "Creek &amp; Bend" in page
    assert "&lt;b&gt;Mow" in page
    assert "<i>refused" not in page


def colours(css: str) -> dict[str, str]:
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", css))


def luminance(colour: str) -> float:
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_words_stand_out_from_their_ground(scheme: int) -> None:
    roots = re.findall(r":root \{([^}]*)\}", render_page(view(None)))
    found = colours(roots[scheme])
    for ink in ("ink", "soft"):
        for ground in ("paper", "band"):
            dark, light = sorted((luminance(found[ink]), luminance(found[ground])))
            assert (light + 0.05) / (dark + 0.05) >= 4.5  # WCAG 2.2, success criterion 1.4.3 (memory)


def test_the_page_is_written_to_a_file_whole(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text("old")
    write_page(view(mow_morning()), path)
    assert path.read_text(encoding="utf-8") == render_page(view(mow_morning()))
    assert list(tmp_path.iterdir()) == [path]


def test_a_page_in_a_file_holds_its_picture(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    write_page(view(drawn_morning()), path)
    page = path.read_text(encoding="utf-8")
    [picture] = re.findall(r'src="data:image/svg\+xml;base64,([^"]+)"', page)
    assert b"Water in the swath" in b64decode(picture)
    assert len(page) < 50_000
    assert "href" not in page, "there is no other page to go to"


def served(shown: Callable[[], Snapshot], route: str, pictures: PictureCache | None = None) -> requests.Response:
    server = PageServer(create_app(shown, pictures=pictures), "127.0.0.1", 0)
    try:
        return requests.get(server.address + route, timeout=5)
    finally:
        server.close()


def test_the_page_is_served_and_kept_by_nobody() -> None:
    reply = served(lambda: view(mow_morning()), "")
    assert reply.status_code == 200
    assert reply.headers["Content-Type"] == "text/html; charset=utf-8"
    assert reply.headers["Cache-Control"] == "no-store"
    assert "Today: mow 20 acres" in reply.text


def test_pictures_are_served_and_a_page_that_has_none_still_says_the_same() -> None:
    picture = served(lambda: view(drawn_morning()), "field/1/growth.svg")
    assert (picture.status_code, picture.headers["Content-Type"]) == (200, "image/svg+xml; charset=utf-8")
    assert picture.headers["Content-Security-Policy"].startswith("default-src 'none'")
    broken = PictureCache((sys.executable, "-c", "raise SystemExit(1)"))
    assert served(lambda: view(drawn_morning()), "field/1/drying.svg", broken).status_code == 503
    page = served(lambda: view(drawn_morning()), "field/1", broken)
    assert page.status_code == 200
    assert "likely 42 to 55% water when raking begins at 2:45 pm" in spaced(page.text)
    assert page.text.count("<table") == 4


@pytest.mark.parametrize(
    "route", ["field/0", "field/3", "field/x", "field/2/drying.svg", "field/1/other.svg", "field/1/", "nothing"]
)
def test_what_is_not_there_says_so_in_the_same_dress(route: str) -> None:
    reply = served(lambda: view(drawn_morning()), route)
    assert reply.status_code == 404
    assert "There is no such page." in reply.text
    assert reply.headers["Cache-Control"] == "no-store"


def test_health_is_ok_or_says_what_is_wrong() -> None:
    well = served(lambda: view(mow_morning()), "health")
    assert (well.status_code, well.text) == (200, "ok\n")
    ill = served(lambda: view(mow_morning(), DAWN + timedelta(hours=16)), "health")
    assert ill.status_code == 503
    assert ill.text.splitlines() == [
        "The advice was last worked out 16 hours ago.",
        "The weather data is more than 18 hours old, too old to go by.",
    ]


def test_an_address_that_is_taken_is_an_error() -> None:
    app = create_app(lambda: view(None))
    server = PageServer(app, "127.0.0.1", 0)
    try:
        with pytest.raises(OSError, match="in use"):
            PageServer(app, "127.0.0.1", int(server.address.rsplit(":", 1)[1].rstrip("/")))
    finally:
        server.close()

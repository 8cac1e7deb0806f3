import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
import requests

from daemon.farm import Channel, Message, Units
from daemon.outlook import Advice, Kind, KindToday, Morning, Reason
from daemon.page.field_view import field_cards
from daemon.page.server import PageServer, create_app, render, write_page
from daemon.page.view import (
    PageView,
    data_age,
    day_name,
    headline,
    make_view,
    message_problems,
    message_rows,
    next_step,
    pass_problems,
    watch_lines,
    work_rows,
)
from daemon.posted import Posted, State
from daemon.watch import as_said
from tests.samples import (
    ACRE,
    DAWN,
    DAY,
    farm,
    field_day,
    field_prospect,
    mow_morning,
    person,
    prospect,
    unknown_morning,
    wait_morning,
)
from tests.told import whole_morning

SOON = DAWN + timedelta(minutes=45)
WINTER = datetime.fromisoformat("2026-12-01T12:00:00+00:00")


def view(morning: Morning | None, now: datetime = SOON, messages: tuple[Posted, ...] = ()) -> PageView:
    return make_view(farm(person()), morning, messages, now)


def posted(state: State, body: str = "Mow 20 acres", reason: str = "", attempts: int = 1) -> Posted:
    return Posted(
        id=1,
        day=DAY,
        kind="morning",
        person="Ann",
        channel=Channel.TEXT,
        message=Message("", body),
        state=state,
        attempts=attempts,
        unknowns=0,
        made_at=DAWN,
        due=DAWN,
        next_try=None,
        too_late=DAWN + timedelta(hours=4),
        sent_at=DAWN if state is State.SENT else None,
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


def test_two_fields_are_taken_in_order() -> None:
    morning = mow_morning()
    second = replace(field_day(0, acres=8.0, odds=0.72), after="Long Meadow")
    both = replace(morning, advices=(morning.advices[0], Advice("Hill", Kind.MOW, 8 * ACRE, None, second)))
    assert ", then 8 acres of Hill from 8:00 am (odds 7 in 10" in headline(view(both))


def test_a_metric_farm_reads_hectares_and_its_own_clock() -> None:
    shown = make_view(farm(units=Units.METRIC), mow_morning(), (), SOON)
    assert headline(shown).startswith("Today: mow 8 hectares of Long Meadow from 8:00 (")
    assert next_step(shown).startswith("8:00, begin to mow Long Meadow, 8 hectares.")
    assert [row.time for row in work_rows(shown)] == ["8:00", "10:30", "15:30", "19:00"]


def test_a_day_without_mowing_says_why_and_what_comes() -> None:
    shown = view(wait_morning())
    assert headline(shown) == "No mowing today. Long Meadow: rain would catch it."
    assert next_step(shown) == (
        "The next day in sight is Thursday 4: 12 acres of Long Meadow, 7 in 10."
        " The next morning message comes at 5:30 am."
    )


def test_reasons_are_told_once_with_their_fields() -> None:
    advices = tuple(
        Advice(name, Kind.WAIT, 0.0, reason, None)
        for name, reason in (("A", Reason.NOT_RIPE), ("B", Reason.RAIN), ("C", Reason.NOT_RIPE))
    )
    assert (
        headline(view(Morning(DAY, advices, prospect())))
        == "No mowing today. B: rain would catch it; A and C: not ripe yet."
    )


def test_under_the_advice_stands_how_a_mown_field_does() -> None:
    shown = view(as_said(mow_morning()))
    (line,) = watch_lines(shown)
    assert line == (
        "If you mowed Long Meadow: on track, bale from 3:30 pm, all wrapped by about 7:00 pm. "
        "20 acres: 7 in 10 that all is wrapped tonight."
    )
    page = render(shown)
    assert page.index("Next:") < page.index(line) < page.index(">Fields<")
    assert watch_lines(view(mow_morning())) == ()


@pytest.mark.parametrize(("hours", "lines"), [(15.5, 1), (24, 0)])  # the data is too old, and another day
def test_old_data_is_never_on_track(hours: float, lines: int) -> None:
    shown = watch_lines(view(as_said(mow_morning()), DAWN + timedelta(hours=hours)))
    assert len(shown) == lines
    assert all("nothing new is known since 5:30 am" in line and "on track" not in line for line in shown)


@pytest.mark.parametrize(
    ("morning", "now", "sentence"),
    [
        (None, SOON, "No advice today, because the fields have not been looked at yet."),
        (unknown_morning(), SOON, "No advice today, because weather data is missing."),
        (mow_morning(), DAWN + timedelta(hours=15.5), "No advice today, because the weather data is 18 hours old."),
        (
            mow_morning(),
            DAWN + timedelta(days=1),
            "No advice today, because the fields were last looked at for Monday 1.",
        ),
        (mow_morning(), WINTER, "Out of season: no mowing day is looked for."),
    ],
)
def test_what_is_not_known_is_no_advice(morning: Morning | None, now: datetime, sentence: str) -> None:
    assert headline(view(morning, now)) == sentence
    page = render(view(morning, now))
    assert "acres of" not in page
    assert "start 8:00" not in page


def test_an_advice_of_none_for_every_field_is_no_advice() -> None:
    advice = Advice("Long Meadow", Kind.NONE, 0.0, Reason.OUT_OF_RANGE, None)
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
        ("Tomorrow", "nothing: less sure than asked for, only 4 in 10", ""),
        ("Wednesday 3", "nothing: rain would catch it", ""),
        ("Thursday 4", "12 acres, 7 in 10", "start 8:00 am, bale from 3:30 pm"),
        ("Sunday 7", "nothing: a day off", ""),
        ("Monday 8", "9.3 acres, 7 in 10", "start 8:00 am, bale from 3:30 pm"),
    ]
    assert creek.size == "9.5 acres"
    assert creek.state[0] == "Not ripe yet, leaf."


def test_a_field_of_which_nothing_is_known_says_so() -> None:
    lost = replace(field_prospect("Hill", 5.0), unknown=Reason.OUT_OF_RANGE)
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
    field = replace(field_prospect("Hill", 5.0), days_left=days)
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
    field = replace(whole_morning().prospect.fields[0], days_left=days)
    [card] = field_cards(view(Morning(DAY, (), prospect(field))))
    assert words in card.state


def test_a_field_that_was_just_cut_says_so() -> None:
    field = replace(field_prospect("Hill", 5.0), last_cut=DAY - timedelta(days=1), dry_matter=0.1, ground="firm")
    [card] = field_cards(view(Morning(DAY, (), prospect(field))))
    assert card.state == ("Cut yesterday.", "Ground firm enough for the baler.")
    for older in (replace(field, last_cut=DAY - timedelta(days=8)), replace(field, dry_matter=2.0)):
        [card] = field_cards(view(Morning(DAY, (), prospect(older))))
        assert card.state[0] == "Ripe, boot."


def test_a_mix_shows_the_stage_of_both_kinds() -> None:
    kinds = (KindToday("grasses", "full heads", 600.0), KindToday("legumes", "buds", 400.0))
    [card] = field_cards(view(Morning(DAY, (), prospect(replace(field_prospect("Hill", 5.0), kinds=kinds)))))
    assert card.state[0] == "Ripe, grasses full heads, legumes buds."


def test_what_is_noted_as_cut_is_no_if() -> None:
    morning = as_said(mow_morning())
    morning = replace(morning, watched=(replace(morning.watched[0], noted=True, timed=True),))
    (line,) = watch_lines(view(morning))
    assert line.startswith("Long Meadow, 20 acres cut at 8:00 am: on track, bale from 3:30 pm")


def test_a_day_is_named_as_people_say_it() -> None:
    assert [day_name(date(2026, 6, day), DAY) for day in (1, 2, 8)] == ["Today", "Tomorrow", "Monday 8"]


@pytest.mark.parametrize(
    ("hours", "count"),
    [(2.0, 0), (2.1, 1), (15.0, 1), (15.1, 2)],  # 3 h old at the pass, 18 h allowed
)
def test_old_passes_and_old_data_are_problems(hours: float, count: int) -> None:
    now = DAWN + timedelta(hours=hours)
    assert len(pass_problems(farm(), mow_morning(), now)) == count
    assert data_age(mow_morning(), now) == timedelta(hours=3 + hours)


def test_out_of_season_a_missing_pass_is_no_problem() -> None:
    assert pass_problems(farm(), None, SOON) == ("The fields have not been looked at yet.",)
    assert pass_problems(farm(), None, WINTER) == ()


def test_a_diary_that_cannot_be_read_is_not_called_missing_weather() -> None:
    found = unknown_morning()
    prospect = replace(found.prospect, trouble=Reason.DIARY_UNREADABLE, detail="diary: /d cannot be used (locked)")
    [problem] = pass_problems(farm(), replace(found, prospect=prospect), SOON)
    assert problem == "There is no advice: diary: /d cannot be used (locked)."


@pytest.mark.parametrize(
    ("state", "minutes", "words"),
    [
        (State.SENT, 60, None),
        (State.NEW, 29, None),
        (State.NEW, 31, "waiting to be tried again (error=500.)"),
        (State.SENDING, 31, "being sent (error=500.)"),
        (State.FAILED, 1, "not delivered (error=500.)"),
        (State.UNKNOWN, 1, "may not have arrived (error=500.)"),
        (State.FAILED, 3 * 24 * 60, None),
    ],
)
def test_a_stuck_message_is_a_problem(state: State, minutes: float, words: str | None) -> None:
    found = message_problems([posted(state, reason="error=500.")], DAWN + timedelta(minutes=minutes))
    assert found == (() if words is None else (f"The morning message to Ann by text: {words}.",))


def test_messages_are_shown_with_what_became_of_them() -> None:
    rows = message_rows(view(None, messages=(posted(State.SENT), posted(State.NEW, attempts=0))))
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
    lost = replace(posted(State.FAILED), kind=kind)
    assert [one.what for one in message_rows(view(None, messages=(lost,)))] == [row]
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
    page = render(view(mow_morning(), messages=(posted(State.SENT),)))
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
    page = render(view(mow_morning(), messages=(posted(State.FAILED, "<b>Mow</b>", "<i>refused</i>"),)))
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
    roots = re.findall(r":root \{([^}]*)\}", render(view(None)))
    found = colours(roots[scheme])
    for ink in ("ink", "soft"):
        for ground in ("paper", "band"):
            dark, light = sorted((luminance(found[ink]), luminance(found[ground])))
            assert (light + 0.05) / (dark + 0.05) >= 4.5  # WCAG 2.2, success criterion 1.4.3 (memory)


def test_the_page_is_written_to_a_file_whole(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text("old")
    write_page(view(mow_morning()), path)
    assert path.read_text(encoding="utf-8") == render(view(mow_morning()))
    assert list(tmp_path.iterdir()) == [path]


def served(shown: Callable[[], PageView], route: str) -> requests.Response:
    server = PageServer(create_app(shown), "127.0.0.1", 0)
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


def test_health_is_ok_or_says_what_is_wrong() -> None:
    well = served(lambda: view(mow_morning()), "health")
    assert (well.status_code, well.text) == (200, "ok\n")
    ill = served(lambda: view(mow_morning(), DAWN + timedelta(hours=16)), "health")
    assert ill.status_code == 503
    assert ill.text.splitlines() == [
        "The fields were last looked at 16 hours ago.",
        "The weather data is 19 hours old; 18 hours are allowed.",
    ]


def test_an_address_that_is_taken_is_an_error() -> None:
    app = create_app(lambda: view(None))
    server = PageServer(app, "127.0.0.1", 0)
    try:
        with pytest.raises(OSError, match="in use"):
            PageServer(app, "127.0.0.1", int(server.address.rsplit(":", 1)[1].rstrip("/")))
    finally:
        server.close()

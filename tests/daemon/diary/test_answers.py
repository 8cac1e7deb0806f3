"""Answers by a link: the real server, real files, and whatever may be sent to it that nobody pressed a button for."""

import os
import re
import sqlite3
import stat
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from hashlib import sha256
from html import unescape
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import requests
from itsdangerous import URLSafeSerializer

from daemon.diary.answers.choices import STAGE_CHOICES
from daemon.diary.answers.links import Answers, Links
from daemon.diary.answers.store import AlreadyUsed, AnswerFile, AnswersError
from daemon.diary.overlay import apply_diary
from daemon.diary.store import Diary, NoteKind
from daemon.domain.advice import AdviceKind, Morning, WatchState
from daemon.domain.farm import Channel, Farm
from daemon.domain.field_watch import start_watch
from daemon.domain.prospect import PlantKindToday, Reason, Ripeness
from daemon.domain.schedule import TaskKind
from daemon.messages.daily import compose_messages, morning_email
from daemon.page.answer_pages import answer_blueprint
from daemon.page.server import PageServer, create_app
from daemon.service.health import take_snapshot
from models.looks import LOOK_STAGES
from models.stages import LEAFY_REGROWTH
from tests.support.farms import (
    ACRE,
    DAWN,
    DAY,
    farm,
    mow_morning,
    person,
    unknown_morning,
    wait_morning,
    with_field_changes,
)
from tests.support.shared_folders import let_through

pytestmark = pytest.mark.slow

PUBLIC = "https://mowing.example.org"
BEN = person("Ben", Channel.EMAIL, "mailto://127.0.0.1:1")
SOON = DAWN + timedelta(minutes=5)
OF_A_FIELD_TO_MOW = ["Cut all of it", "Did not cut it", "Moisture was ...", "Ground firm", "Ground soft"]


@dataclass
class Hand:
    """A clock set by hand."""

    at: datetime = SOON

    def now(self) -> datetime:
        return self.at


def our_morning() -> Morning:
    """One field to mow, and one that is not ripe for long."""
    given = mow_morning()
    long, creek = given.prospect.fields
    young = replace(creek, days=tuple(replace(day, ripeness=Ripeness.GROWING) for day in creek.days))
    return replace(given, prospect=replace(given.prospect, fields=(long, young)))


def our_farm(address: str | None = PUBLIC) -> Farm:
    given = farm(person(), BEN)
    return replace(given, page=replace(given.page, address=address))


@dataclass
class Site:
    """The page as it is served, with its farm, morning and clock to be changed."""

    folder: Path
    farm: Farm
    morning: Morning
    clock: Hand
    answers: Answers
    address: str = ""

    @property
    def diary(self) -> list[tuple[NoteKind, str, str]]:
        """The kinds, fields and local days of the lines."""
        lines = Diary(self.folder / Diary.FILE_NAME).notes()
        return [(one.kind, one.field, f"{one.at.astimezone(self.farm.place.timezone):%m-%d}") for one in lines]

    def links(self) -> Links:
        return self.answers.links(self.farm, self.morning, BEN)

    def link(self, words: str, field: str = "Long Meadow") -> str:
        """Return the path of a link of the email."""
        (href,) = (one.href for one in self.links()[field] if one.words == words)
        return href.removeprefix(PUBLIC)

    def get(self, path: str) -> requests.Response:
        return requests.get(self.address + path, timeout=30)

    def form(self, path: str) -> dict[str, str]:
        """Return what the button sends."""
        page = self.get(path)
        assert page.status_code == 200, page.text
        return {"mark": re.findall(r'name="mark" value="([^"]+)"', page.text)[0]}

    def press(self, path: str, headers: dict[str, str] | None = None, **typed: str) -> requests.Response:
        """Open a link and press its button."""
        return self.post(path, self.form(path) | typed, headers)

    def post(self, path: str, form: dict[str, str], headers: dict[str, str] | None = None) -> requests.Response:
        return requests.post(self.address + path, form, headers=headers, timeout=30)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    clock = Hand()
    one = Site(tmp_path, our_farm(), our_morning(), clock, Answers(tmp_path, clock))
    app = create_app(lambda: take_snapshot(one.farm, one.morning, (), clock.now()), links=one.answers.links)
    app.register_blueprint(answer_blueprint(one.answers, lambda: one.farm))
    server = PageServer(app, "127.0.0.1", 0)
    one.address = server.address.rstrip("/")
    try:
        yield one
    finally:
        server.close()


def text_of(page: requests.Response) -> str:
    """Return what is read of a page."""
    words = re.sub(r"<style>.*?</style>|<title>.*?</title>|<[^>]*>", " ", page.text, flags=re.DOTALL)
    return " ".join(unescape(words).split())


def asked(site: Site, field: str = "Long Meadow") -> list[str]:
    return [one.words for one in site.links().get(field, ())]


# --- What is asked -----------------------------------------------------------------------------------------------


def test_of_a_field_to_mow_it_is_asked_whether_it_was_cut(site: Site) -> None:
    assert asked(site) == OF_A_FIELD_TO_MOW
    assert asked(site, "Creek & Bend") == [], "it is not ripe for long"


def test_who_cut_as_much_as_advised_left_the_rest_standing(site: Site) -> None:
    long, creek = our_morning().advices
    site.morning = replace(our_morning(), advices=(replace(long, area=8 * ACRE), creek))
    assert asked(site)[:3] == ["Cut 8 acres of it", "Cut all of it", "Did not cut it"]
    assert "To be noted: Long Meadow: 8 acres of it cut on 1 June 2026." in text_of(site.get(site.link(asked(site)[0])))
    site.press(site.link("Cut 8 acres of it"))
    (line,) = Diary(site.folder / Diary.FILE_NAME).notes()
    assert line.area == pytest.approx(8 * ACRE, abs=1e-4)
    (field, *_) = apply_diary(site.farm, [line], SOON).fields
    assert field.standing == pytest.approx(14 * ACRE, abs=1e-3)


def test_of_a_field_that_is_ripe_it_is_asked_how_far_it_is(site: Site) -> None:
    site.morning = wait_morning()
    assert asked(site) == ["No heads yet", "Heads here and there", "Ground firm", "Ground soft"]
    alfalfa, mix = {"alfalfa": 1.0}, {"timothy": 0.5, "red clover": 0.5}
    site.farm = replace(site.farm, fields=(replace(site.farm.fields[0], stand=alfalfa),))
    assert asked(site)[:2] == ["No buds yet", "Buds"]
    site.farm = replace(site.farm, fields=(replace(site.farm.fields[0], stand=mix),))
    assert asked(site)[:4] == ["No heads yet", "Heads here and there", "No buds yet", "Buds"]


def test_a_regrowth_of_grass_is_not_asked_for_heads(site: Site) -> None:
    """It heads no more, and nothing would come of the answer."""
    site.morning = wait_morning()
    site.farm = replace(site.farm, fields=(replace(site.farm.fields[0], stand={"timothy": 0.5, "red clover": 0.5}),))
    long, *others = site.morning.prospect.fields
    kinds = (PlantKindToday("grasses", LEAFY_REGROWTH, 300.0), PlantKindToday("legumes", "buds", 400.0))
    fields = (with_field_changes(long, kinds=kinds), *others)
    site.morning = replace(site.morning, prospect=replace(site.morning.prospect, fields=fields))
    assert asked(site) == ["No buds yet", "Buds", "Ground firm", "Ground soft"]


def test_the_stages_that_are_asked_for_are_known() -> None:
    assert all(word in LOOK_STAGES[legume] for legume, words in STAGE_CHOICES.items() for word in words)


def test_of_a_crop_that_lies_it_is_asked_how_wet_it_is(site: Site) -> None:
    diary = Diary(site.folder / Diary.FILE_NAME)
    diary.add(NoteKind.CUT, "Long Meadow", DAWN, DAWN)
    assert asked(site) == ["Moisture was ...", "Wrapped it", "Did not cut it"]
    diary.delete(1)
    diary.add(NoteKind.CUT, "Long Meadow", DAWN - timedelta(days=1), DAWN)
    assert asked(site) == ["Moisture was ...", "Wrapped it"]
    diary.add(NoteKind.WRAPPED, "Long Meadow", DAWN, DAWN)
    assert "Wrapped it" not in asked(site)


def test_where_a_part_lies_and_the_rest_is_advised_both_are_asked(site: Site) -> None:
    Diary(site.folder / Diary.FILE_NAME).add(NoteKind.CUT, "Long Meadow", DAWN - timedelta(days=1), DAWN, area=8 * ACRE)
    long, creek = our_morning().advices
    first, *others = our_morning().prospect.fields
    prospect = replace(our_morning().prospect, fields=(replace(first, standing=14 * ACRE), *others))
    rest = replace(long, area=14 * ACRE)
    site.morning = replace(our_morning(), advices=(rest, creek), prospect=prospect)
    cut = ["Cut all of it", "Did not cut it", "Ground firm", "Ground soft"]
    assert asked(site) == ["Moisture was ...", "Wrapped it", *cut]


def test_the_moisture_of_the_day_is_told_with_the_mornings_email(site: Site) -> None:
    """Who is in the field has no page there, and nobody had cut anything when the email went out."""
    cut, moisture = site.link("Cut all of it"), site.link("Moisture was ...")
    site.clock.at = DAWN + timedelta(hours=9)
    first = text_of(site.press(moisture, percent="57"))
    assert "It is set aside until the cut of Long Meadow on that day or the day before is noted." in first
    assert site.press(cut).status_code == 200
    assert [kind for kind, *_ in site.diary] == [NoteKind.MOISTURE, NoteKind.CUT]


def test_what_was_called_off_may_have_been_cut_all_the_same(site: Site) -> None:
    (one,) = start_watch(mow_morning()).watched
    off = replace(one, state=WatchState.WILL_NOT_MAKE_IT)
    waits = [replace(each, kind=AdviceKind.WAIT, reason=Reason.CALLED_OFF) for each in mow_morning().advices]
    site.morning = replace(mow_morning(), advices=tuple(waits), watched=(off,))
    assert asked(site)[:2] == ["Cut all of it", "Did not cut it"]


def test_of_nothing_known_nothing_is_asked(site: Site) -> None:
    site.morning = unknown_morning()
    assert site.links() == {}
    site.morning = replace(mow_morning(), date=DAY - timedelta(days=1))
    assert site.links() == {}, "a morning of yesterday"


# --- Where the links stand ---------------------------------------------------------------------------------------


def test_the_email_carries_links_in_both_its_forms_for_each_person(site: Site) -> None:
    cat = person("Cat", Channel.EMAIL, "mailto://127.0.0.1:2")
    its = replace(site.farm, alerts=replace(site.farm.alerts, people=(person(), BEN, cat)))
    told = compose_messages(its, site.morning, TaskKind.MORNING, site.answers.add_links)
    mail = told[BEN]
    assert mail.html is not None
    shown = re.findall(rf"^- ([^:]+): ({PUBLIC}/answer/[\w.-]+)$", mail.body, re.MULTILINE)
    assert [words for words, _ in shown] == OF_A_FIELD_TO_MOW
    linked = re.findall(r'<a style="[^"]+" href="([^"]+)">([^<]+)</a>', mail.html)
    assert [(words, unescape(href)) for href, words in linked] == shown
    assert mail.body.startswith(morning_email(its, site.morning).body)
    assert not {href for _, href in shown} & set(re.findall(r"https://\S+", told[cat].body)), (
        "each has links of their own"
    )
    assert "http" not in told[person()].body, "no links in a text"
    for task in (TaskKind.EVENING, TaskKind.SIGN_OF_LIFE):
        assert all(
            "/answer/" not in one.body
            for one in compose_messages(its, site.morning, task, site.answers.add_links).values()
        )


def test_the_page_carries_links_that_lead_to_itself(site: Site) -> None:
    page = site.get("/").text
    paths = re.findall(r'<a href="(/answer/[\w.-]+)">', page)
    assert len(paths) == len(OF_A_FIELD_TO_MOW)
    assert site.press(paths[0]).status_code == 200
    assert site.diary == [(NoteKind.CUT, "Long Meadow", "06-01")]


def test_what_lies_since_yesterday_is_asked_of_on_the_first_page(site: Site) -> None:
    yesterday = DAWN - timedelta(days=1)
    Diary(site.folder / Diary.FILE_NAME).add(NoteKind.CUT, "Long Meadow", yesterday, yesterday)
    given = wait_morning()
    (long,) = given.prospect.fields
    creek = replace(long, name="Creek & Bend", last_cut=DAY - timedelta(days=4))
    fields = (replace(long, last_cut=DAY - timedelta(days=1)), creek)
    site.morning = replace(given, prospect=replace(given.prospect, fields=fields))
    shown = re.findall(r'<a href="/answer/[^"]+">([^<]+)</a>', site.get("/").text)
    assert shown == ["Moisture was ...", "Wrapped it"], "and of the other field on its own page"
    assert "Ground soft" in site.get("/field/2").text


def test_without_an_address_there_are_no_links_and_nothing_answers(site: Site) -> None:
    path = site.link("Cut all of it")
    form = site.form(path)
    site.farm = our_farm(None)
    assert site.links() == {}
    mail = compose_messages(site.farm, site.morning, TaskKind.MORNING, site.answers.add_links)[BEN]
    assert mail == morning_email(site.farm, site.morning)
    assert "/answer/" not in site.get("/").text
    assert (site.get(path).status_code, site.post(path, form).status_code) == (404, 404)
    assert site.diary == []


def test_a_message_does_not_wait_for_links_that_cannot_be_signed(site: Site) -> None:
    (site.folder / AnswerFile.FILE_NAME).mkdir()
    assert compose_messages(site.farm, site.morning, TaskKind.MORNING, site.answers.add_links)[BEN] == morning_email(
        site.farm, site.morning
    )
    assert site.get("/").status_code == 200


# --- What a link does --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "question", "kind"),
    [
        ("Cut all of it", "Long Meadow: cut on 1 June 2026", NoteKind.CUT),
        ("Did not cut it", "Long Meadow: not cut on 1 June 2026", NoteKind.UNCUT),
        ("Ground soft", "Long Meadow: ground soft on 1 June 2026", NoteKind.GROUND),
    ],
)
def test_a_link_says_what_would_be_noted_and_its_button_notes_it(
    site: Site, words: str, question: str, kind: NoteKind
) -> None:
    path = site.link(words)
    page = site.get(path)
    assert page.status_code == 200
    assert text_of(page) == f"Two Elms: an answer To be noted: {question}. Note it"
    assert page.text.count("<button>") == page.text.count("<form") == 1
    assert site.diary == [], "opened, and not pressed"
    done = site.press(path)
    assert done.status_code == 200
    assert text_of(done) == f"Two Elms: an answer Noted: {question}. To take it back: forenoon note undo 1."
    assert site.diary == [(kind, "Long Meadow", "06-01")]


def test_a_stage_that_was_seen_is_noted(site: Site) -> None:
    site.morning = wait_morning()
    assert site.press(site.link("Heads here and there")).status_code == 200
    (line,) = Diary(site.folder / Diary.FILE_NAME).notes()
    assert (line.kind, line.stage, line.timed) == (NoteKind.STAGE, "heads here and there", False)


def test_a_moisture_is_typed_and_is_of_that_moment(site: Site) -> None:
    Diary(site.folder / Diary.FILE_NAME).add(NoteKind.CUT, "Long Meadow", DAWN, DAWN)
    path = site.link("Moisture was ...")
    site.clock.at = DAWN + timedelta(hours=9)
    assert "How much water had the sample of Long Meadow that was measured just now?" in text_of(site.get(path))
    for typed in ("", "wet", "0.52", "99", "5_2", "nan", "-52", "1e9", "5" * 5000):
        wrong = site.press(path, percent=typed)
        assert wrong.status_code == 422
        assert "Nothing was noted. It was given" in text_of(wrong)
        assert "allowed 5 to 95 percent of water" in text_of(wrong)
    assert len(site.diary) == 1
    done = site.post(path, {**site.form(path), "percent": " 52,0 % "})
    assert "Noted: Long Meadow: 52% water on 1 June 2026 at 2:30 pm." in text_of(done)
    line = Diary(site.folder / Diary.FILE_NAME).notes()[-1]
    assert (line.moisture, line.at, line.timed) == (0.52, site.clock.at, True)
    assert site.get(path).status_code == 410


@pytest.mark.parametrize(
    ("typed", "shown", "why"), [("5", "5", "5% is drier than"), ("92,5", "92.5", "92.5% is wetter")]
)
def test_a_moisture_that_is_hardly_so_is_shown_again_before_it_is_noted(
    site: Site, typed: str, shown: str, why: str
) -> None:
    Diary(site.folder / Diary.FILE_NAME).add(NoteKind.CUT, "Long Meadow", DAWN, DAWN)
    path = site.link("Moisture was ...")
    site.clock.at = DAWN + timedelta(hours=9)
    asked = site.press(path, percent=typed)
    assert asked.status_code == 422
    assert f"Nothing was noted. {why}" in text_of(asked)
    form = dict(re.findall(r'name="(\w+)" value="([^"]*)"', asked.text))
    assert (form["percent"], form["shown"]) == (shown, shown)
    assert asked.text.count("<button>") == 1
    other = site.post(path, form | {"percent": "7"})  # changed, and no likelier
    assert (other.status_code, len(site.diary)) == (422, 1)
    assert site.post(path, form).status_code == 200
    assert Diary(site.folder / Diary.FILE_NAME).notes()[-1].moisture == pytest.approx(float(shown) / 100.0)


def test_what_is_typed_where_nothing_is_asked_is_left_aside(site: Site) -> None:
    assert site.press(site.link("Cut all of it"), percent="52", area="1", field="Creek & Bend").status_code == 200
    (line,) = Diary(site.folder / Diary.FILE_NAME).notes()
    assert (line.field, line.moisture, line.area) == ("Long Meadow", None, None)


def test_a_cut_can_be_told_on_the_day_after_and_is_of_its_own_day(site: Site) -> None:
    path = site.link("Cut all of it")
    site.clock.at = DAWN + timedelta(hours=30)
    assert site.press(path).status_code == 200
    assert site.diary == [(NoteKind.CUT, "Long Meadow", "06-01")]


def test_taking_a_cut_back_says_so(site: Site) -> None:
    cut, uncut = site.link("Cut all of it"), site.link("Did not cut it")
    site.press(cut)
    assert "It takes back the cut of Long Meadow that was noted of that day." in text_of(site.press(uncut))


def test_a_hostile_name_is_only_a_name(site: Site) -> None:
    name = "<script>alert(1)</script>\"&'"
    fields = (replace(site.farm.fields[0], name=name),)
    old = mow_morning()
    renamed = replace(old.prospect, fields=(replace(old.prospect.fields[0], name=name),))
    site.farm = replace(site.farm, name="<b>Elms", fields=fields)
    site.morning = replace(old, advices=(replace(old.advices[0], field=name),), prospect=renamed)
    path = site.link("Cut all of it", name)
    mail = site.answers.add_links(morning_email(site.farm, site.morning), site.farm, site.morning, BEN)
    for text in (site.get(path).text, site.press(path).text, site.get("/").text, mail.html or ""):
        assert "<script" not in text and "<b>Elms" not in text
        assert "&lt;script&gt;" in text
    assert site.diary == [(NoteKind.CUT, name, "06-01")]


# --- Two who were asked ------------------------------------------------------------------------------------------


def both_press(site: Site, words: str) -> requests.Response:
    """Have two people open the same link of their own emails, and then both press; return what the second reads."""
    cat = person("Cat", Channel.EMAIL, "mailto://127.0.0.1:2")
    site.farm = replace(site.farm, alerts=replace(site.farm.alerts, people=(BEN, cat)))
    found = [site.answers.links(site.farm, site.morning, one)["Long Meadow"] for one in (BEN, cat)]
    paths = [next(one.href for one in own if one.words == words).removeprefix(PUBLIC) for own in found]
    forms = [site.form(path) for path in paths]
    assert site.post(paths[0], forms[0]).status_code == 200
    again = site.get(paths[1])
    assert again.status_code == 409
    assert "Nothing was noted. The diary says so already." in text_of(again)
    return site.post(paths[1], forms[1])


def test_a_part_that_two_tell_of_was_cut_once(site: Site) -> None:
    long, creek = our_morning().advices
    site.morning = replace(our_morning(), advices=(replace(long, area=8 * ACRE), creek))
    assert both_press(site, "Cut 8 acres of it").status_code == 409
    (line,) = Diary(site.folder / Diary.FILE_NAME).notes()
    (field, *_) = apply_diary(site.farm, [line], SOON).fields
    assert field.standing == pytest.approx(14 * ACRE, abs=1e-3)


def test_a_wrapping_that_two_tell_of_is_no_second_cut(site: Site) -> None:
    diary, two_days_ago = Diary(site.folder / Diary.FILE_NAME), DAWN - timedelta(days=2)
    diary.add(NoteKind.CUT, "Long Meadow", two_days_ago, two_days_ago)
    assert both_press(site, "Wrapped it").status_code == 409
    (field, *_) = apply_diary(site.farm, diary.notes(), SOON).fields
    assert field.last_cut == DAY - timedelta(days=2)


def test_of_two_who_press_at_once_one_is_noted(site: Site) -> None:
    paths = [site.link("Did not cut it") for _ in range(8)]
    forms = [site.form(path) for path in paths]
    with ThreadPoolExecutor(8) as pool:
        pages = list(pool.map(site.post, paths, forms))
    assert sorted(page.status_code for page in pages) == [200, *[409] * 7]
    assert site.diary == [(NoteKind.UNCUT, "Long Meadow", "06-01")]


def test_what_was_taken_back_can_be_told_again(site: Site) -> None:
    words = ("Cut all of it", "Did not cut it", "Cut all of it", "Did not cut it", "Did not cut it", "Cut all of it")
    paths = [site.link(one) for one in words]
    assert [site.press(path).status_code for path in paths[:4]] == [200] * 4
    assert site.get(paths[4]).status_code == 409
    Diary(site.folder / Diary.FILE_NAME).delete(4)
    assert site.get(paths[5]).status_code == 409, "its cut was noted before, and stands again"
    assert site.press(paths[4]).status_code == 200


# --- What changes nothing ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS", "PUT", "DELETE", "PATCH", "PROPFIND"])
def test_only_the_button_changes_anything(site: Site, method: str) -> None:
    path = site.link("Cut all of it")
    form = site.form(path)
    for _ in range(3):
        requests.request(method, site.address + path, data=form, params=form, timeout=30)
        requests.request(method, site.address + path, timeout=30)
    assert site.diary == []
    assert site.post(path, form).status_code == 200, "and the link is as good as before"


def test_no_page_of_it_is_kept_framed_or_told_to_others(site: Site) -> None:
    path = site.link("Cut all of it")
    pages = [site.get(path), site.press(path), site.get(path), site.get("/answer/x"), site.post(path, {})]
    assert [page.status_code for page in pages] == [200, 200, 410, 400, 403]
    for page in pages:
        assert page.headers["Cache-Control"] == "no-store"
        assert page.headers["Referrer-Policy"] == "same-origin"
        assert page.headers["X-Frame-Options"] == "DENY"
        assert page.headers["X-Content-Type-Options"] == "nosniff"
        policy = page.headers["Content-Security-Policy"]
        for rule in ("default-src 'none'", "form-action 'self'", "frame-ancestors 'none'"):
            assert rule in policy
        assert "Set-Cookie" not in page.headers
    assert site.get("/").headers["Referrer-Policy"] == "no-referrer"


def forgeries(token: str) -> Iterator[str]:
    """Yield tokens that nobody signed."""
    payload, signature = token.rsplit(".", 1)
    yield from ("x", "..x", token[:-1], token[1:], f"{token}x", f"{token}.{signature}", f"{payload}.", "%00", "ü")
    yield from (token.swapcase(), f".{payload}", f"{payload}.{signature[::-1]}", "A" * 1999, "A" * 100_000)
    for key, salt in ((b"\0" * 32, "forenoon answer"), (b"", "forenoon answer")):
        yield str(URLSafeSerializer(key, salt=salt, signer_kwargs=SIGNED).dumps(CONTENT))


SIGNED = {"key_derivation": "hmac", "digest_method": sha256}
CONTENT = ["cut", "", "Long Meadow", "2026-06-01", "Ben", 1_790_000_000, "a nonce"]


def test_what_nobody_signed_is_refused(site: Site) -> None:
    path = site.link("Cut all of it")
    form = site.form(path)
    for token in forgeries(path.rpartition("/")[2]):
        for page in (site.get(f"/answer/{token}"), site.post(f"/answer/{token}", form)):
            assert page.status_code in (400, 403, 404), token[:80]
            assert page.status_code != 400 or "Nothing was noted. This link did not come from here" in text_of(page)
    assert site.diary == []


def test_a_signature_is_of_one_field_one_day_and_one_answer(site: Site) -> None:
    """Parts of two good tokens do not make a third."""
    cut, soft = (site.link(words).rpartition("/")[2] for words in ("Cut all of it", "Ground soft"))
    form = site.form(f"/answer/{cut}")
    mixed = f"{cut.rsplit('.', 1)[0]}.{soft.rsplit('.', 1)[1]}"
    assert site.get(f"/answer/{mixed}").status_code == 400
    assert site.post(f"/answer/{mixed}", form).status_code == 403
    assert site.post(f"/answer/{soft}", form).status_code == 403, "the form of another link"
    assert site.diary == []


@pytest.mark.parametrize(
    "content",
    [
        *("cut", 7, None, {}, [], ["cut"], [*CONTENT, "more"], ["burnt", *CONTENT[1:]], ["cut", 1, *CONTENT[2:]]),
        *([*CONTENT[:3], "June", *CONTENT[4:]], [*CONTENT[:5], "soon", "n"], [*CONTENT[:5], 1e300, "n"]),
        [*CONTENT[:5], None, "n"],
    ],
    ids=str,
)
def test_what_we_signed_in_another_form_is_refused(site: Site, content: object) -> None:
    """A program of another age may have signed it with the same key."""
    key = AnswerFile(site.folder / AnswerFile.FILE_NAME).signing_key()
    token = URLSafeSerializer(key, salt="forenoon answer", signer_kwargs=SIGNED).dumps(content)
    assert site.get(f"/answer/{token!s}").status_code == 400


def test_the_mark_of_a_form_is_no_token(site: Site) -> None:
    path = site.link("Cut all of it")
    assert site.get(f"/answer/{site.form(path)['mark']}").status_code == 400


@pytest.mark.parametrize(("words", "days"), [("Cut all of it", 2), ("Did not cut it", 2), ("Ground soft", 1)])
def test_a_link_runs_out_at_midnight_on_the_farms_clock(site: Site, words: str, days: int) -> None:
    path = site.link(words)
    form = site.form(path)
    midnight = datetime(2026, 6, 1, 4, tzinfo=UTC) + timedelta(days=days)
    site.clock.at = midnight - timedelta(seconds=1)
    assert site.get(path).status_code == 200
    site.clock.at = midnight
    for page in (site.get(path), site.post(path, form)):
        assert page.status_code == 410
        assert "Nothing was noted. This link is too old." in text_of(page)
    assert site.diary == []


@pytest.mark.parametrize("words", ["Cut all of it", "Moisture was ..."])
def test_a_clock_that_is_behind_notes_nothing_and_the_link_waits_for_it(site: Site, words: str) -> None:
    path = site.link(words)
    form = site.form(path) | {"percent": "52"}
    site.clock.at = DAWN - timedelta(days=1)
    for page in (site.get(path), site.post(path, form)):
        assert page.status_code == 503
        assert "Nothing was noted. The clock of the computer is behind." in text_of(page)
    site.clock.at = SOON
    assert site.post(path, form).status_code == 200
    assert len(site.diary) == 1


def test_a_link_is_good_once(site: Site) -> None:
    path = site.link("Cut all of it")
    form = site.form(path)
    assert site.post(path, form).status_code == 200
    for page in (site.post(path, form), site.get(path)):
        assert page.status_code == 410
        assert "Nothing was noted. This link was used already." in text_of(page)
    assert len(site.diary) == 1
    Diary(site.folder / Diary.FILE_NAME).delete(1)
    assert site.get(path).status_code == 410, "nor again when its line was undone"
    assert site.post(path, form).status_code == 410
    assert site.diary == []
    site.clock.at -= timedelta(days=1)
    assert site.get(path).status_code == 410, "nor again when the clock is set back"
    assert site.post(path, form).status_code == 410
    assert site.diary == []


def test_a_button_that_is_pressed_by_many_at_once_notes_once(site: Site) -> None:
    paths = [site.link(words) for words in ("Ground soft", "Ground firm", "Cut all of it")]
    for number, path in enumerate(paths, 1):
        with ThreadPoolExecutor(8) as pool:
            pages = list(pool.map(partial(site.post, path), [site.form(path)] * 8))
        assert sorted(page.status_code for page in pages) == [200, *[410] * 7]
        assert len(site.diary) == number


ELSEWHERE = [
    {"Origin": "https://evil.example"},
    {"Origin": "null"},
    {"Origin": "https://mowing.example.org.evil.example"},
    {"Origin": "http://mowing.example.org"},
    {"Origin": "https://mowing.example.org:8443"},
    {"Origin": "http://127.0.0.1:1"},
    {"Origin": "http://[::1"},
    {"Referer": "https://evil.example/page?https://mowing.example.org"},
    {"Sec-Fetch-Site": "cross-site"},
    {"Sec-Fetch-Site": "same-site"},
    {"Sec-Fetch-Site": "cross-site", "Origin": PUBLIC},
    {"Sec-Fetch-Site": "same-origin", "Origin": "http://evil.example", "Host": "evil.example"},
    {"Origin": "http://evil.example:8377", "Host": "evil.example:8377"},
    {"Origin": "http://local.evil.example", "Host": "local.evil.example"},
    {"Origin": "http://farm.local:8377", "Host": "farm.local"},
    {"Host": "evil.example:8377"},  # a name that leads here, in a browser of old that says no more
]


@pytest.mark.parametrize("headers", ELSEWHERE, ids=str)
def test_a_form_from_elsewhere_changes_nothing(site: Site, headers: dict[str, str]) -> None:
    path = site.link("Cut all of it")
    page = site.press(path, headers)
    assert page.status_code == 403
    assert "Nothing was noted. This did not come from the button on this page." in text_of(page)
    assert site.diary == []
    assert site.get(path).status_code == 200, "the link is as good as before"


def here(site: Site) -> list[dict[str, str]]:
    bound = urlsplit(site.address)
    return [
        {},
        {"Origin": PUBLIC, "Referer": f"{PUBLIC}/answer/x", "Sec-Fetch-Site": "same-origin"},
        {"Origin": "https://Mowing.example.org:443"},
        {"Origin": PUBLIC, "Host": "mowing.example.org"},  # a proxy that hands on the name
        {"Origin": site.address, "Sec-Fetch-Site": "same-origin"},
        {"Origin": f"http://localhost:{bound.port}", "Host": f"localhost:{bound.port}"},
        {"Origin": "http://farm.local:8377", "Host": "farm.local:8377"},
        {"Referer": f"{PUBLIC}/answer/x"},
        {"Sec-Fetch-Site": "none"},
    ]


@pytest.mark.parametrize("number", range(9))
def test_a_form_from_here_is_taken(site: Site, number: int) -> None:
    assert site.press(site.link("Cut all of it"), here(site)[number]).status_code == 200
    assert len(site.diary) == 1


@pytest.mark.parametrize("form", [{}, {"mark": ""}, {"mark": "x"}, {"mark": "\u00fc\0"}, {"mark": "a" * 60_000}])
def test_without_the_mark_of_the_form_nothing_is_taken(site: Site, form: dict[str, str]) -> None:
    path = site.link("Cut all of it")
    assert site.post(path, form).status_code in (403, 413)
    assert site.diary == []


def test_a_form_without_an_end_is_refused(site: Site) -> None:
    path = site.link("Cut all of it")
    page = requests.post(site.address + path, b"mark=" + b"a" * 1_000_000, timeout=30)
    assert page.status_code == 413
    assert site.diary == []


# --- What has changed since --------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["field", "stand", "person"])
def test_what_the_settings_no_longer_know_is_not_noted(site: Site, what: str) -> None:
    site.morning = wait_morning()
    path = site.link("No heads yet")
    form = site.form(path)
    first, *others = site.farm.fields
    if what == "field":
        site.farm = replace(site.farm, fields=tuple(others))
    elif what == "stand":
        site.farm = replace(site.farm, fields=(replace(first, stand={"alfalfa": 1.0}), *others))
    else:
        site.farm = replace(site.farm, alerts=replace(site.farm.alerts, people=(person(),)))
    for page in (site.get(path), site.post(path, form)):
        assert page.status_code == 410
        assert "Nothing was noted. The settings no longer know what it speaks of." in text_of(page)
    assert site.diary == []


def test_with_another_key_all_links_are_void(site: Site) -> None:
    path = site.link("Cut all of it")
    form = site.form(path)
    (site.folder / AnswerFile.FILE_NAME).unlink()
    assert site.get(path).status_code == 400
    assert site.post(path, form).status_code == 403
    assert site.diary == []
    assert site.press(site.link("Cut all of it")).status_code == 200, "and new ones are good"


def test_a_second_process_knows_the_same_key(site: Site) -> None:
    other = Answers(site.folder, site.clock)
    path = other.links(site.farm, site.morning, BEN)["Long Meadow"][0].href.removeprefix(PUBLIC)
    assert site.press(path).status_code == 200


@pytest.mark.parametrize(
    "path",
    [
        *(
            "/answer/",
            "/answer",
            "/answer/..",
            "/answer/../",
            "/answer/%2e%2e/",
            "/answer/..%2f",
            "/answer//",
            "/answer/.",
        ),
        *(
            "/answer/../health",
            "/answer/%2e%2e%2fhealth",
            "/answer//../health",
            "/answer/x/../../health",
            "/answer/;/..",
        ),
    ],
)
def test_nothing_below_the_path_that_is_open_to_all_leads_to_the_page(site: Site, path: str) -> None:
    """A reverse proxy hands on what begins with /answer/, as it was written."""
    talk = HTTPConnection("127.0.0.1", urlsplit(site.address).port or 0, timeout=30)
    with closing(talk):
        talk.request("GET", path)
        reply = talk.getresponse()
        text = reply.read().decode()
    assert reply.status in (400, 404)
    assert "Long Meadow" not in text and "acres" not in text and text != "ok\n"


# --- A disk that takes nothing -----------------------------------------------------------------------------------


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Let nothing be written in a folder; what root may do is tried as somebody else."""
    let_through(folder)
    modes = {path: path.stat().st_mode for path in (folder, *folder.iterdir())}
    for path in modes:
        path.chmod(0o555 if path.is_dir() else 0o444)
    is_root = os.geteuid() == 0
    if is_root:
        os.seteuid(61_005)
    try:
        yield
    finally:
        if is_root:
            os.seteuid(0)
        for path, mode in modes.items():
            path.chmod(mode)


def test_where_nothing_can_be_written_that_is_said_and_the_link_stays_good(site: Site) -> None:
    Diary(site.folder / Diary.FILE_NAME).add(NoteKind.LODGED, "Creek & Bend", DAWN, DAWN)
    path = site.link("Cut all of it")
    form = site.form(path)
    with read_only(site.folder):
        page = site.post(path, form)
        assert page.status_code == 503
        assert "Nothing was noted. The diary takes nothing now. Try this link again in some minutes" in text_of(page)
        assert str(site.folder) not in page.text
    assert len(site.diary) == 1
    assert site.post(path, form).status_code == 200
    assert len(site.diary) == 2


def test_where_only_the_diary_cannot_be_written_the_link_stays_good(site: Site) -> None:
    path = site.link("Cut all of it")
    form = site.form(path)
    (site.folder / Diary.FILE_NAME).mkdir()
    assert site.post(path, form).status_code == 503
    (site.folder / Diary.FILE_NAME).rmdir()
    assert site.post(path, form).status_code == 200
    assert len(site.diary) == 1


@pytest.mark.parametrize("content", [b"", b"no database at all, but long enough to be taken for one" * 40])
def test_a_file_that_holds_no_key_signs_nothing(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / AnswerFile.FILE_NAME
    path.write_bytes(content)
    if content:
        with pytest.raises(AnswersError, match=r"answers: .* cannot be used"):
            AnswerFile(path).signing_key()
    else:
        assert len(AnswerFile(path).signing_key()) == 32


def test_a_key_that_could_be_guessed_is_none(tmp_path: Path) -> None:
    file = AnswerFile(tmp_path / AnswerFile.FILE_NAME)
    file.signing_key()
    with closing(sqlite3.connect(tmp_path / AnswerFile.FILE_NAME, isolation_level=None)) as db:
        db.execute("UPDATE key SET secret = x''")
    with pytest.raises(AnswersError, match="none of 32 bytes"):
        file.signing_key()


# --- The file ----------------------------------------------------------------------------------------------------


def test_the_key_is_made_once_and_read_by_nobody_else(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        keys = set(pool.map(lambda _: AnswerFile(tmp_path / "a" / AnswerFile.FILE_NAME).signing_key(), range(8)))
    assert len(keys) == 1
    assert len(keys.pop()) == 32
    assert stat.S_IMODE((tmp_path / "a" / AnswerFile.FILE_NAME).stat().st_mode) == 0o600
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o2770)
    AnswerFile(shared / AnswerFile.FILE_NAME).signing_key()
    assert stat.S_IMODE((shared / AnswerFile.FILE_NAME).stat().st_mode) == 0o660


def test_what_was_used_is_forgotten_long_after_it_ran_out(tmp_path: Path) -> None:
    file, ends = AnswerFile(tmp_path / AnswerFile.FILE_NAME), SOON + timedelta(days=1)
    file.signing_key()
    with file.use_once("one", ends, SOON):
        pass
    with pytest.raises(AlreadyUsed), file.use_once("one", ends, SOON):
        raise AssertionError
    with file.use_once("two", ends, SOON + timedelta(days=60)):
        pass
    assert file.is_used("one")
    with file.use_once("three", ends, SOON + timedelta(days=62)):
        pass
    assert not file.is_used("one")


def test_a_use_that_breaks_down_is_none(tmp_path: Path) -> None:
    file = AnswerFile(tmp_path / AnswerFile.FILE_NAME)
    file.signing_key()
    with pytest.raises(KeyError), file.use_once("one", SOON, SOON):
        raise KeyError
    assert not file.is_used("one")


def test_the_day_of_a_link_is_the_farms(site: Site) -> None:
    site.clock.at = datetime(2026, 6, 2, 3, 30, tzinfo=UTC)  # half past eleven at night on the first
    assert asked(site) != []
    site.press(site.link("Cut all of it"))
    (line,) = Diary(site.folder / Diary.FILE_NAME).notes()
    assert line.at.astimezone(site.farm.place.timezone).date() == date(2026, 6, 1)

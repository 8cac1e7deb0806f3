"""The pages that a link opens, in a real browser: narrow, dark, by keyboard, and sent from where it must not be."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from daemon.diary.answers.links import Answers
from daemon.diary.store import Diary
from daemon.domain.advice import Morning
from daemon.domain.farm import Farm
from daemon.page.answer_pages import answer_blueprint
from daemon.page.server import PageServer, create_app
from tests.browser.accessibility import CONTRAST, violations
from tests.browser.screens import HOSTILE, LONG, SOON, mowing, shown
from tests.browser.site import PATIENCE

ELSEWHERE = "http://elsewhere.example/"
NAMES = ("Long Meadow", *LONG, HOSTILE[1])


class Stopped:
    """A clock that stands."""

    def now(self) -> datetime:
        return SOON


@dataclass
class Asked:
    """A farm on a server that takes answers."""

    farm: Farm
    morning: Morning
    answers: Answers
    diary: Diary
    address: str = ""

    def link(self, words: str, name: str = NAMES[0]) -> str:
        """Return a link of the page."""
        (href,) = (one.href for one in self.answers.links(self.farm, self.morning)[name] if one.words == words)
        return f"{self.address}{href}"


@pytest.fixture
def asked(tmp_path: Path) -> Iterator[Asked]:
    morning = mowing(*NAMES[1:])
    advices = tuple(replace(morning.advices[0], field=name) for name in NAMES)
    view = shown(replace(morning, advices=advices))
    farm = replace(view.farm, page=replace(view.farm.page, address="https://mowing.example.org"))
    assert view.morning is not None
    one = Asked(farm, view.morning, Answers(tmp_path, Stopped()), Diary(tmp_path / Diary.FILE_NAME))
    app = create_app(lambda: view)
    app.register_blueprint(answer_blueprint(one.answers, lambda: farm))
    server = PageServer(app, "127.0.0.1", 0)
    one.address = server.address.rstrip("/")
    yield one
    server.close()


@pytest.fixture
def small(browser: Browser) -> Iterator[Page]:
    page = browser.new_page(viewport={"width": 320, "height": 640})
    page.set_default_timeout(PATIENCE)
    yield page
    page.close()


def fits(page: Page, axe: str) -> None:
    """Check a screen: its width, and what people with other senses need, light and dark."""
    assert page.evaluate("document.documentElement.scrollWidth") == 320
    assert violations(page, axe) == []
    page.emulate_media(color_scheme="dark")
    assert violations(page, axe, CONTRAST) == []
    page.emulate_media(color_scheme="light")
    tall = page.locator("button, input:not([type=hidden])").evaluate_all("all => all.map(one => one.clientHeight)")
    assert all(height >= 44 for height in tall), "for a thumb in a glove"


@pytest.mark.parametrize("name", NAMES)
def test_a_link_and_what_came_of_it_fit_a_phone_and_everybody(small: Page, asked: Asked, axe: str, name: str) -> None:
    link = asked.link("Cut all of it", name)
    small.goto(link)
    fits(small, axe)
    assert small.locator("button").count() == 1
    small.locator("button").click()
    assert "Noted: " in small.locator("main").inner_text()
    fits(small, axe)
    small.goto(link)
    assert "This link was used already." in small.locator("main").inner_text()
    fits(small, axe)
    assert [line.field for line in asked.diary.notes()] == [name]


def test_a_moisture_is_typed_and_told_by_keyboard(small: Page, asked: Asked, axe: str) -> None:
    small.goto(asked.link("Moisture was ..."))
    fits(small, axe)
    small.keyboard.press("Tab")
    small.keyboard.type("W" * 8)
    small.keyboard.press("Enter")
    small.get_by_text("Nothing was noted.").wait_for()
    fits(small, axe)
    small.get_by_label("Water, in %").fill("52,5")
    small.keyboard.press("Tab")
    assert small.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
    small.keyboard.press("Enter")
    small.get_by_text("Noted: ").wait_for()
    assert [line.moisture for line in asked.diary.notes()] == [0.525]


def test_a_link_in_a_mail_on_the_web_is_good_and_a_form_from_there_is_not(small: Page, asked: Asked) -> None:
    """The form has its mark, as if somebody had found it out."""
    link = asked.link("Cut all of it")
    mark = asked.answers.form_mark(link.rpartition("/")[2])
    form = f'<form method="post" action="{link}"><input name="mark" value="{mark}"><button>Win</button></form>'
    mail = f'<a href="{link}">Cut</a>{form}'
    small.route(ELSEWHERE, lambda route: route.fulfill(body=mail, content_type="text/html"))
    small.goto(ELSEWHERE)
    small.locator("button").click()
    small.get_by_text("This did not come from the button on this page.").wait_for()
    assert asked.diary.notes() == ()
    small.goto(ELSEWHERE)
    small.locator("a").click()
    small.get_by_role("button", name="Note it").click()
    small.get_by_text("Noted: ").wait_for()
    assert len(asked.diary.notes()) == 1


def test_a_link_shows_in_no_frame(small: Page, asked: Asked) -> None:
    frame = f'<iframe src="{asked.link("Cut all of it")}"></iframe>'
    small.route(ELSEWHERE, lambda route: route.fulfill(body=frame, content_type="text/html"))
    small.goto(ELSEWHERE)
    assert small.frame_locator("iframe").get_by_role("button", name="Note it").count() == 0

"""Every screen in a real browser: narrow, dark, on paper, by keyboard, read aloud, and with names that mean harm."""

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest
import requests
from playwright.sync_api import Browser, Page

from daemon.diary.answers.links import Link
from daemon.domain.snapshot import Snapshot
from daemon.page.server import render_page
from tests.browser.accessibility import CONTRAST, violations
from tests.browser.screens import HOSTILE, SCREENS, mowing, shown, six
from tests.browser.site import Site

MOST = 50_000  # bytes of a page with its pictures


def test_the_checker_sees_what_is_wrong(phone: Page, axe: str) -> None:
    phone.set_content("<h1>Hill</h1><img src='x.svg'><p style='color: #ccc; background: #fff'>pale</p>")
    found = {one[0] for one in violations(phone, axe)}
    assert {"html-has-lang", "image-alt", "color-contrast", "document-title"} <= found


def without_pictures(page: Page) -> None:
    page.route("**/*.svg", lambda route: route.abort())  # which take a while to draw and are looked at elsewhere


def show(page: Page, site: Site, screen: str, path: str = "/") -> None:
    site.shown = SCREENS[screen]()
    page.goto(path)


@pytest.mark.parametrize("screen", SCREENS)
def test_a_screen_fits_a_phone_and_everybody_light_and_dark(phone: Page, site: Site, axe: str, screen: str) -> None:
    without_pictures(phone)
    show(phone, site, screen)
    assert phone.evaluate("document.documentElement.scrollWidth") == 320
    assert violations(phone, axe) == []
    phone.emulate_media(color_scheme="dark")
    assert violations(phone, axe, CONTRAST) == []


@pytest.mark.parametrize("screen", ["mowing", "mowing, metric", "old data", "long names", "hostile names"])
def test_a_fields_page_fits_a_phone_and_everybody(phone: Page, site: Site, axe: str, screen: str) -> None:
    without_pictures(phone)
    show(phone, site, screen, "/field/1" if screen.startswith("mowing") else "/field/3")
    for table in phone.locator("summary").all():
        table.click()
    assert phone.evaluate("document.documentElement.scrollWidth") == 320
    assert violations(phone, axe) == []


def test_the_page_that_is_not_there_says_so(phone: Page, axe: str) -> None:
    phone.goto("/field/99")
    assert phone.locator("h1").inner_text() == "There is no such page."
    assert violations(phone, axe) == []


@pytest.mark.parametrize("view", [SCREENS["mowing"], SCREENS["forty fields"], six])
def test_a_page_is_small_with_its_pictures(site: Site, view: Callable[[], Snapshot]) -> None:
    site.shown = view()
    for path in ("/", "/field/1"):
        page = requests.get(site.address + path, timeout=60)
        sources = re.findall(r'src="([^"]+)"', page.text)
        pictures = [requests.get(requests.compat.urljoin(page.url, one), timeout=60) for one in sources]
        assert [one.status_code for one in pictures] == [200] * len(sources)
        assert sum(len(one.content) for one in (page, *pictures)) < MOST, path


def test_a_page_of_which_every_field_is_asked_is_small_too() -> None:
    view = six()
    assert view.morning is not None
    names = [one.name for one in view.morning.prospect.fields]
    mows = tuple(replace(view.morning.advices[0], field=name) for name in names)
    asked = replace(view, morning=replace(view.morning, advices=mows))
    links = {name: [Link(f"Answer {number}", "/answer/" + "x" * 200) for number in range(7)] for name in names}
    page = render_page(asked, links=links)
    assert page.count("/answer/") == 3 * 7, "the others stand on their own pages"
    assert len(page.encode()) < MOST - 14_000, "beside its picture"


def test_the_pictures_are_seen_and_keep_their_place(phone: Page, site: Site) -> None:
    show(phone, site, "mowing", "/field/1")
    widths = phone.locator("img").evaluate_all("all => all.map(one => [one.naturalWidth > 0, one.clientWidth])")
    assert widths == [[True, 288], [True, 288]]
    assert phone.locator("figcaption").count() == 2


def test_the_advice_its_age_and_the_next_step_are_seen_first(phone: Page, site: Site) -> None:
    show(phone, site, "mowing")
    tops = [phone.locator(one).first.bounding_box() for one in ("h2#advice", ".today p", ".today strong")]
    assert all(box is not None and box["y"] < 640 for box in tops), "without moving the page"
    sizes = phone.locator("h1, h2, h3, p").evaluate_all(
        "all => all.map(one => parseFloat(getComputedStyle(one).fontSize))"
    )
    assert max(sizes) == sizes[1], "the advice is the largest"
    assert min(sizes) >= 16.0


def test_all_is_reached_by_keyboard_and_seen_to_be(phone: Page, site: Site) -> None:
    show(phone, site, "mowing")
    wanted = phone.locator("a, summary").evaluate_all("all => all.map(one => one.textContent)")
    reached = []
    for _ in wanted:
        phone.keyboard.press("Tab")
        reached.append(phone.evaluate("document.activeElement.textContent"))
        assert phone.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    assert reached == wanted
    phone.locator("summary").first.focus()
    phone.keyboard.press("Enter")
    assert phone.locator("details table").first.is_visible()
    phone.locator("a").first.focus()
    phone.keyboard.press("Enter")
    phone.wait_for_url("**/field/*")
    phone.keyboard.press("Tab")
    phone.keyboard.press("Enter")
    phone.wait_for_url(f"{site.address}/")


def test_names_that_mean_harm_are_only_names(phone: Page, site: Site) -> None:
    without_pictures(phone)
    show(phone, site, "hostile names")
    assert phone.title() == "Forenoon: Two Elms"
    assert phone.locator("script").count() == 0
    headings = phone.locator("h3").all_inner_texts()
    assert [any(name in heading for heading in headings) for name in HOSTILE] == [True] * len(HOSTILE)
    for number in range(2, len(HOSTILE) + 2):
        phone.goto(f"/field/{number}")
        assert phone.title() == f"Forenoon: {HOSTILE[number - 2]}".strip()
        assert phone.locator("img").count() == 1, "its own picture and no other"


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_three_fields_print_on_one_sheet(browser: Browser, site: Site, size: str) -> None:
    site.shown = shown(mowing())
    page = browser.new_page(base_url=site.address, color_scheme="dark")
    page.goto("/")
    printed = page.pdf(format=size)
    page.close()
    assert max(int(count) for count in re.findall(rb"/Count (\d+)", printed)) == 1


def test_headings_go_down_one_step_at_a_time(phone: Page, site: Site) -> None:
    for path in ("/", "/field/1"):
        show(phone, site, "mowing", path)
        levels = phone.locator("h1, h2, h3, h4").evaluate_all("all => all.map(one => +one.tagName[1])")
        assert levels[0] == 1
        assert all(below <= above + 1 for above, below in pairwise(levels))

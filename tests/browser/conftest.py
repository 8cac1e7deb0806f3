"""A real browser, and the page on a real server, for the tests of this folder; left out where there is no browser."""

import shutil
from collections.abc import Iterator
from importlib.resources import files

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.site import PATIENCE, Site

CHROMIUM = ("chromium", "chromium-browser", "google-chrome")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Return the browser."""
    found = next((path for path in map(shutil.which, CHROMIUM) if path), None)
    if found is None:
        pytest.skip("no browser here: install chromium; .ci/run does")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        yield started
        started.close()


@pytest.fixture(scope="session")
def site() -> Iterator[Site]:
    """Return the page on its server."""
    running = Site()
    yield running
    running.close()


@pytest.fixture
def phone(browser: Browser, site: Site) -> Iterator[Page]:
    """Return the narrowest telephone there is, on which nothing may go wrong by itself."""
    page = browser.new_page(viewport={"width": 320, "height": 640}, base_url=site.address)
    page.set_default_timeout(PATIENCE)
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(error.message))
    yield page
    page.close()
    assert wrong == []


@pytest.fixture(scope="session")
def axe() -> str:
    """Return the checker of what people with other senses need (axe-core, MPL-2.0)."""
    return (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")

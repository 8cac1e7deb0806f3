"""Two farms of two languages in one process: each is told all in its own, whatever the other thread does."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import pytest

from daemon.domain.farm import Channel, Farm
from daemon.domain.schedule import TaskKind
from daemon.messages.daily import compose_messages
from daemon.page.server import create_app
from daemon.service.health import take_snapshot
from daemon.words.catalog import Catalog, english, phrase, use_catalog
from tests.support.farms import DAWN, farm, person
from tests.support.full_morning import whole_morning
from tests.support.second_language import capitals

ROUNDS = 20
PATHS = ("/", "/field/1", "/nowhere")


def two_people() -> Farm:
    return farm(person("Ann"), person("Ben", Channel.EMAIL, "mailto://127.0.0.1:1"))


def messages(catalog: Catalog) -> list[str]:
    """Return the bodies of the morning's text and email in the language of a catalog."""
    with use_catalog(catalog):
        composed = compose_messages(two_people(), whole_morning(), TaskKind.MORNING)
        return [message.body for message in composed.values()]


def pages(catalog: Catalog) -> list[str]:
    """Return what a web application with a catalog answers."""
    app = create_app(lambda: take_snapshot(two_people(), whole_morning(), (), DAWN), catalog=catalog)
    with app.test_client() as visitor:
        return [visitor.get(path).text for path in PATHS]


def repeated(make: Callable[[Catalog], list[str]], catalog: Catalog, together: Barrier) -> list[list[str]]:
    together.wait(30)
    return [make(catalog) for _ in range(ROUNDS)]


@pytest.mark.parametrize("make", [messages, pages])
def test_two_threads_speak_a_language_each(make: Callable[[Catalog], list[str]]) -> None:
    catalogs = (english(), capitals())
    alone = [make(catalog) for catalog in catalogs]
    assert not set(alone[0]) & set(alone[1])
    together = Barrier(2)
    with ThreadPoolExecutor(2) as threads:
        running = [threads.submit(repeated, make, catalog, together) for catalog in catalogs]
        for one_language, result in zip(alone, running, strict=True):
            assert result.result(120) == [one_language] * ROUNDS


def test_a_catalog_is_of_its_thread_and_of_its_block() -> None:
    key = "lists.sentence"
    with use_catalog({key: "outer"}), ThreadPoolExecutor(1) as threads:
        assert threads.submit(phrase, key, words="Rain").result(30) == "Rain."
        with use_catalog({key: "inner"}):
            assert phrase(key) == "inner"
        assert phrase(key) == "outer"
    assert phrase(key, words="Rain") == "Rain."

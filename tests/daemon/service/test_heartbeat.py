import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from time import sleep
from typing import Any

import pytest

from daemon.domain.farm import Farm, Person
from daemon.domain.message import Message, NewMessage
from daemon.domain.message_kind import MessageKind
from daemon.domain.schedule import Task, TaskKind
from daemon.messages.outbox.store import Outbox
from daemon.service.heartbeat import OK, Heartbeat, morning_outcome
from daemon.service.state import ServiceState
from tests.loopback.receivers import Gateway
from tests.support.farms import DAWN, DAY, farm, person

TOO_LATE = DAWN + timedelta(hours=4)
WINTER = datetime.fromisoformat("2026-12-08T11:00:00+00:00")


class Watcher(ThreadingHTTPServer):
    """Whoever watches: keeps what it is told and answers with `status`."""

    def __init__(self, status: int = 200) -> None:
        self.told: list[tuple[str, str, str]] = []
        watcher = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                words = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
                watcher.told.append((self.command, self.path, words))
                self.send_response(watcher.status)
                self.end_headers()

            do_POST = do_GET

            def log_message(self, format: str, *args: Any) -> None:
                pass

        self.status = status
        super().__init__(("127.0.0.1", 0), Handler)
        threading.Thread(target=self.serve_forever, args=(0.02,), daemon=True).start()


@pytest.fixture
def watcher() -> Iterator[Watcher]:
    with Watcher() as server:
        yield server
        server.shutdown()


@pytest.fixture
def bag(tmp_path: Path) -> Outbox:
    postbag = Outbox(tmp_path / "postbag.sqlite3")
    ServiceState(postbag).record_first_run(DAWN)
    return postbag


def watched(server: Watcher, *people: Person) -> Farm:
    base = f"http://127.0.0.1:{server.server_port}"
    told = farm(*people)
    alerts = replace(told.alerts, alive_address=f"{base}/alive?key=1", trouble_address=f"{base}/trouble?key=2")
    return replace(told, alerts=alerts)


def morning_of(bag: Outbox, *people: Person) -> None:
    for who in people:
        bag.enqueue(NewMessage(DAY, MessageKind.parse("morning"), who, Message("", "mow"), DAWN, TOO_LATE), DAWN)
    bag.mark_done(Task(TaskKind.MORNING, DAY), DAWN)


def tell(outside: Heartbeat, told: Farm, now: datetime) -> None:
    """Tell, and wait for the call to end."""
    outside.report_morning(told, now)
    if outside._ping_thread is not None:
        outside._ping_thread.join(5.0)


def test_alive_is_called_once_a_day_and_only_after_the_morning_was_sent(watcher: Watcher, bag: Outbox) -> None:
    with Gateway(500) as gateway:
        ann = person(address=gateway.address)
        told, outside = watched(watcher, ann), Heartbeat(bag)
        tell(outside, told, DAWN - timedelta(minutes=1))
        morning_of(bag, ann)
        bag.deliver(DAWN, [ann])
        tell(outside, told, DAWN)
        assert watcher.told == []
        bag.deliver(DAWN + timedelta(minutes=1), [ann])
        for minute in (1, 2, 600):
            tell(outside, told, DAWN + timedelta(minutes=minute))
    assert watcher.told == [("GET", "/alive?key=1", "")]


def test_trouble_is_told_with_the_reason_when_a_message_is_given_up(watcher: Watcher, bag: Outbox) -> None:
    ann, ben = person(address="json://127.0.0.1:9"), person("Ben", address="json://127.0.0.1:9")
    told = watched(watcher, ann, ben)
    morning_of(bag, ann, ben)
    for hour in (0, 5):
        bag.deliver(DAWN + timedelta(hours=hour), [ann, ben])
    tell(Heartbeat(bag), told, DAWN + timedelta(hours=5))
    [(method, path, words)] = watcher.told
    assert (method, path) == ("POST", "/trouble?key=2")
    assert words.startswith("to Ann by text: failed, too late to matter; ")
    assert "to Ben by text: failed" in words


def test_a_second_way_that_delivers_makes_it_well(bag: Outbox) -> None:
    with Gateway() as gateway:
        ann = person(address="json://127.0.0.1:9")
        ways = [ann, person("Ann, second way", address=gateway.address)]
        first = NewMessage(DAY, MessageKind.parse("morning"), ann, Message("", "mow"), DAWN, TOO_LATE)
        bag.enqueue(first, DAWN, replace(first, person=ways[1], first_try=DAWN + timedelta(minutes=20)))
        bag.mark_done(Task(TaskKind.MORNING, DAY), DAWN)
        bag.deliver(DAWN, ways)
        assert morning_outcome(farm(ann), bag, DAY, DAWN) is None
        bag.deliver(DAWN + timedelta(minutes=20), ways)
    assert morning_outcome(farm(ann), bag, DAY, DAWN) == OK


def test_a_morning_of_which_nothing_was_made_is_trouble_once_it_is_too_late(bag: Outbox) -> None:
    assert morning_outcome(farm(), bag, DAY, TOO_LATE) is None
    assert morning_outcome(farm(), bag, DAY, TOO_LATE + timedelta(minutes=1)) == (
        "nothing was sent this morning: the weather and fields could not be looked at by 9:30 am"
    )


def test_a_service_that_first_ran_after_the_morning_missed_none_until_the_next(tmp_path: Path) -> None:
    new, late = Outbox(tmp_path / "new.sqlite3"), DAWN + timedelta(hours=17)
    ServiceState(new).record_first_run(late)
    assert morning_outcome(farm(), new, DAY, late) is None
    ServiceState(new).record_first_run(late + timedelta(hours=3))  # started again: it had begun before
    begun = datetime.fromisoformat(new.load_value("began") or "")
    assert begun == late
    next_day, too_late = DAY + timedelta(days=1), TOO_LATE + timedelta(days=1, minutes=1)
    assert (morning_outcome(farm(), new, next_day, too_late) or "").startswith("nothing was sent this morning")


def test_a_day_on_which_nobody_has_anything_to_hear_is_well(bag: Outbox) -> None:
    bag.mark_done(Task(TaskKind.MORNING, DAY), DAWN)
    assert morning_outcome(farm(), bag, DAY, DAWN) == OK
    assert morning_outcome(farm(), bag, WINTER.date(), WINTER) == OK
    assert morning_outcome(farm(), bag, WINTER.date(), WINTER - timedelta(hours=1)) is None


def test_a_watcher_that_does_not_answer_holds_up_nothing_and_is_called_again(
    watcher: Watcher, bag: Outbox, caplog: pytest.LogCaptureFixture
) -> None:
    watcher.status = 500
    bag.mark_done(Task(TaskKind.MORNING, DAY), DAWN)
    told, outside = watched(watcher), Heartbeat(bag)
    tell(outside, told, DAWN)
    assert "the call to alive_address failed: HTTPError" in caplog.text
    assert "key=1" not in caplog.text
    watcher.status = 200
    tell(outside, told, DAWN + timedelta(minutes=1))
    tell(outside, told, DAWN + timedelta(minutes=2))
    assert len(watcher.told) == 2


def test_without_addresses_nobody_is_called(bag: Outbox) -> None:
    bag.mark_done(Task(TaskKind.MORNING, DAY), DAWN)
    outside = Heartbeat(bag)
    outside.report_morning(farm(), DAWN)
    sleep(0.05)
    assert outside._ping_thread is None

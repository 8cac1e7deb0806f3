import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from time import sleep

import pytest
import requests

from daemon.due import Task, TaskKind, fetched_every
from daemon.farm import Farm, Message, Person
from daemon.outlook import Morning
from daemon.page.view import headline
from daemon.postbag import Postbag
from daemon.posted import Outgoing, State
from daemon.service import Service
from tests.loopback.receivers import Gateway
from tests.samples import DAWN, DAY, farm, field_day, field_prospect, mow_morning, person, prospect, wait_morning

ROOT = Path(__file__).parents[2]


@dataclass
class Hand:
    """A clock set by hand."""

    at: datetime = DAWN

    def now(self) -> datetime:
        return self.at


@dataclass
class Looker:
    """Looks at a farm that is always the same; breaks down while `broken` says so."""

    morning: Morning = field(default_factory=mow_morning)
    broken: str = ""
    looked: list[datetime] = field(default_factory=list)
    said: list[Morning | None] = field(default_factory=list)

    def __call__(self, now: datetime, said: Morning | None) -> Morning:
        self.looked.append(now)
        self.said.append(said)
        if self.broken:
            raise RuntimeError(self.broken)
        return replace(self.morning, prospect=replace(self.morning.prospect, at=now))


def say(farm: Farm, morning: Morning, kind: TaskKind) -> Mapping[Person, Message]:
    words = f"{len(morning.mows)} to mow"
    return {who: Message("", f"{kind} for {who.name}: {words}") for who in farm.alerts.people}


@dataclass
class Bench:
    """A service on real disk with a real gateway, and a clock set by hand."""

    folder: Path
    farm: Farm
    gateway: Gateway
    clock: Hand = field(default_factory=Hand)
    look: Looker = field(default_factory=Looker)

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        self.postbag = Postbag(self.folder / "postbag.sqlite3")
        self.postbag.recover(self.clock.now())
        self.service = Service(self.farm, self.postbag, self.clock, self.look, say)

    def run(self, minutes: float, step: float = 1.0) -> None:
        for _ in range(int(minutes / step)):
            self.service.round()
            self.clock.at += timedelta(minutes=step)

    @property
    def heard(self) -> list[str]:
        return [posted["message"] for posted in self.gateway.posted]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Gateway() as gateway:
        people = (person("Ann", address=gateway.address), person("Ben", address=gateway.address))
        yield Bench(tmp_path, farm(*people), gateway)


def test_a_day_brings_each_person_one_morning_and_one_evening_message(bench: Bench) -> None:
    bench.clock.at = DAWN - timedelta(hours=5)
    bench.run(23 * 60, step=15)
    assert sorted(bench.heard) == [
        "evening for Ann: 1 to mow",
        "evening for Ben: 1 to mow",
        "morning for Ann: 1 to mow",
        "morning for Ben: 1 to mow",
    ]
    assert {row.state for row in bench.postbag.recent()} == {State.SENT}


def test_a_round_looks_once_for_all_that_is_due_and_then_every_hour_and_the_places_own_minutes(bench: Bench) -> None:
    assert fetched_every(bench.farm.place) == timedelta(hours=1, minutes=5, seconds=19)
    bench.run(133)
    assert bench.look.looked == [DAWN + timedelta(minutes=minutes) for minutes in (0, 66, 132)]


def test_a_restart_sends_nothing_again_and_still_shows_the_last_pass(bench: Bench) -> None:
    bench.run(1)
    bench.look.broken = "no weather"
    bench.start()
    bench.run(30)
    assert len(bench.heard) == 2
    assert headline(bench.service.view()).startswith("Today: mow 20 acres of Long Meadow from 8:00 am")


def test_a_crash_before_the_mark_sends_to_nobody_twice(bench: Bench) -> None:
    bench.run(1)
    with bench.postbag._open() as db:
        db.execute("DELETE FROM done")
    bench.look.morning = wait_morning()
    bench.start()
    bench.run(5)
    assert sorted(bench.heard) == ["morning for Ann: 1 to mow", "morning for Ben: 1 to mow"]
    assert Task(TaskKind.MORNING, DAY) in bench.postbag.done(DAY)


def test_every_look_of_a_day_is_given_what_was_said_in_its_morning(bench: Bench) -> None:
    bench.run(67)
    bench.look.morning = wait_morning()
    bench.start()
    bench.run(66)
    assert [said and [one.field for one in said.watched] for said in bench.look.said] == [
        None,
        ["Long Meadow"],
        ["Long Meadow"],
    ]
    bench.clock.at = DAWN + timedelta(days=1)
    bench.run(1)
    assert bench.look.said[-1] is None


def test_what_may_have_been_sent_is_watched_after_a_crash(bench: Bench) -> None:
    bench.run(1)
    with bench.postbag._open() as db:
        db.execute("DELETE FROM done")
    bench.look.morning = wait_morning()
    bench.start()
    bench.run(67)
    said = bench.look.said[-1]
    assert said is not None
    assert [one.field for one in said.watched] == ["Long Meadow"]


def test_a_look_that_breaks_down_is_tried_every_five_minutes(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    bench.look.broken = "the server\nsaid no"
    bench.run(11)
    assert bench.look.looked == [DAWN + timedelta(minutes=minute) for minute in (0, 5, 10)]
    assert bench.heard == []
    errors = [record.getMessage() for record in caplog.records if record.levelname == "ERROR"]
    assert errors == ["the look at weather and fields broke down: RuntimeError: the server said no"] * 3
    bench.look.broken = ""
    bench.run(10)
    assert len(bench.heard) == 2


def test_a_service_that_could_not_look_all_morning_withholds_the_message(bench: Bench) -> None:
    bench.look.broken = "no weather"
    bench.run(245)
    bench.look.broken = ""
    bench.run(10)
    assert bench.heard == []


def test_words_that_break_down_do_not_stop_the_round(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    def speechless(farm: Farm, morning: Morning, kind: TaskKind) -> Mapping[Person, Message]:
        raise KeyError("no words")

    ann = bench.farm.alerts.people[0]
    before = Message("", "from before")
    bench.postbag.put(Outgoing(DAY, "change", ann, before, DAWN, DAWN + timedelta(hours=1)), DAWN)
    Service(bench.farm, bench.postbag, bench.clock, bench.look, speechless).round()
    assert bench.heard == ["from before"]
    assert "the morning task of 2026-06-01 broke down: KeyError: 'no words'" in caplog.text
    bench.run(1)
    assert len(bench.heard) == 3, "it was not marked as done"


def test_a_pass_on_disk_that_cannot_be_read_is_made_anew(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    bench.postbag.keep("morning", '{"date": "never"}')
    bench.start()
    assert "the last pass on disk cannot be read" in caplog.text
    assert bench.service.view().problems == ("No pass over the fields has been made yet.",)
    bench.run(1)
    assert bench.service.view().problems == ()


def test_what_the_evening_called_likely_is_held_against_the_morning(bench: Bench) -> None:
    likely = field_prospect("Long Meadow", 22, field_day(1, 20))
    bench.look.morning = replace(wait_morning(), date=DAY, prospect=prospect(likely))
    bench.clock.at = DAWN + timedelta(hours=14)
    said: list[Morning] = []

    def listening(farm: Farm, morning: Morning, kind: TaskKind) -> Mapping[Person, Message]:
        said.append(morning)
        return say(farm, morning, kind)

    service = Service(bench.farm, bench.postbag, bench.clock, bench.look, listening)
    service.round()
    for later in (24, 48):
        bench.clock.at = DAWN + timedelta(hours=later)
        bench.look.morning = replace(wait_morning(), date=DAY + timedelta(days=later // 24))
        service.round()
    evening, morning, next_but_one = said
    assert evening.announced == ()
    [found] = morning.announced
    assert (found.field, found.odds) == ("Long Meadow", 0.79)
    assert next_but_one.announced == (), "that evening said nothing of the day after"


def test_a_week_of_silence_brings_a_sign_of_life_in_season_too(bench: Bench) -> None:
    def quiet(farm: Farm, morning: Morning, kind: TaskKind) -> Mapping[Person, Message]:
        spoken = kind is TaskKind.SIGN_OF_LIFE or bench.clock.at < DAWN + timedelta(days=1)
        return say(farm, morning, kind) if spoken else {}

    service = Service(bench.farm, bench.postbag, bench.clock, bench.look, quiet)
    for day in range(22):
        bench.clock.at = DAWN + timedelta(days=day)
        service.round()
    signs = [row.day - DAY for row in bench.postbag.recent(50) if row.kind == TaskKind.SIGN_OF_LIFE]
    assert sorted({gap.days for gap in signs}) == [7, 14, 21], "on the first Monday there was a morning's message"


def test_out_of_season_a_sign_of_life_and_nothing_else(bench: Bench) -> None:
    bench.clock.at = datetime.fromisoformat("2026-12-07T10:30:00+00:00")  # a Monday, 5:30 on the farm
    bench.run(24 * 60, step=10)
    assert sorted(bench.heard) == ["sign of life for Ann: 1 to mow", "sign of life for Ben: 1 to mow"]
    assert len(bench.look.looked) == 1


def test_a_postbag_that_cannot_be_used_is_tried_again_and_its_trouble_shown(bench: Bench, tmp_path: Path) -> None:
    bench.folder = tmp_path / "other"
    in_the_way = bench.folder / "postbag.sqlite3"
    in_the_way.mkdir(parents=True)
    bench.service = Service(bench.farm, Postbag(in_the_way), bench.clock, bench.look, say)
    bench.run(3)
    assert bench.heard == []
    assert bench.service.view().problems[0].startswith("No message can be sent, and all wait: postbag: ")
    in_the_way.rmdir()
    bench.run(2)
    assert len(bench.heard) == 2
    assert bench.service.view().problems == ()


def test_a_disk_that_keeps_nothing_lets_nobody_be_asked_at_every_round(bench: Bench) -> None:
    for table in ("messages", "kept"):
        with bench.postbag._open() as db:
            db.execute(f"CREATE TRIGGER {table}_full BEFORE INSERT ON {table} BEGIN SELECT RAISE(ABORT, 'full'); END")
    bench.run(8)
    assert bench.look.looked == [DAWN, DAWN + timedelta(minutes=5)]
    assert bench.heard == []
    assert "full" in bench.service.view().problems[0]
    for table in ("messages", "kept"):
        with bench.postbag._open() as db:
            db.execute(f"DROP TRIGGER {table}_full")
    bench.run(30)
    assert len(bench.heard) == 2
    assert bench.service.view().problems == ()


def test_a_postbag_damaged_while_the_service_runs_is_set_aside_and_what_is_mown_stays_watched(bench: Bench) -> None:
    bench.run(2)
    for file in bench.folder.glob("postbag.sqlite3*"):
        file.write_bytes(b"not a database" * 1000)
    bench.run(3)
    assert "what was sent today may come again" in bench.service.view().problems[0]
    bench.start()
    bench.run(60)
    said = bench.look.said[-1]
    assert said is not None
    assert [one.field for one in said.watched] == ["Long Meadow"]


SERVE = """
import sys, time
import daemon.service
from datetime import timedelta
from pathlib import Path
from daemon.clock import FixedClock
from daemon.farm import Message
from daemon.service import serve
from tests.samples import DAWN, farm, mow_morning, person

def look(now, said):
    print("looking", flush=True)
    time.sleep(float(sys.argv[3]))
    return mow_morning()

daemon.service.STOP_WITHIN = 0.3
ann = person(address=sys.argv[2])
say = lambda farm, morning, kind: {ann: Message("", "mow")}
serve(farm(ann), Path(sys.argv[1]) / "state", FixedClock(DAWN + timedelta(minutes=1)), look, say)
print("ended", flush=True)
"""


@contextmanager
def serving(folder: Path, address: str, look_takes: float = 0.0) -> Iterator[subprocess.Popen[str]]:
    arguments = [sys.executable, "-c", SERVE, str(folder), address, str(look_takes)]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    process = subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True, env=environment)
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def line(process: subprocess.Popen[str], start: str) -> str:
    assert process.stdout is not None
    return next(text for text in process.stdout if text.startswith(start)).strip()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_service_shows_its_page_sends_and_ends_when_told(tmp_path: Path, number: signal.Signals) -> None:
    with Gateway() as gateway, serving(tmp_path, gateway.address) as process:
        address = re.sub("^page at ", "", line(process, "page at http://127.0.0.1:"))
        line(process, "looking")
        while not gateway.posted:
            assert process.poll() is None
            sleep(0.01)
        assert "Today: mow 20 acres" in requests.get(address, timeout=5).text
        process.send_signal(number)
        rest, _ = process.communicate(timeout=10)
        assert rest == "ended\n"
        assert process.returncode == 0
        assert [posted["message"] for posted in gateway.posted] == ["mow"]
        [row] = Postbag(tmp_path / "state" / "postbag.sqlite3").recent()
        assert row.state is State.SENT


def test_a_look_without_an_end_does_not_keep_the_service_from_ending(tmp_path: Path) -> None:
    with serving(tmp_path, "json://127.0.0.1:9", look_takes=60.0) as process:
        line(process, "looking")
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=10)
        assert process.returncode == 0

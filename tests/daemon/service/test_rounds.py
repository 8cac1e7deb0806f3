from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Person
from daemon.domain.message import Message, MessageState, NewMessage
from daemon.domain.message_kind import MessageKind
from daemon.domain.schedule import Task, TaskKind, fetch_interval
from daemon.messages.outbox.store import Outbox
from daemon.service.rounds import Service
from daemon.words.today import headline
from tests.loopback.receivers import Gateway
from tests.support.farms import (
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
from tests.support.hand_clock import HandClock


@dataclass
class Looker:
    """Looks at a farm that is always the same; breaks down while `broken` says so."""

    morning: Morning = field(default_factory=mow_morning)
    broken: str = ""
    looked: list[datetime] = field(default_factory=list)
    said: list[Morning | None] = field(default_factory=list)

    def __call__(self, farm: Farm, now: datetime, said: Morning | None) -> Morning:
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
    clock: HandClock = field(default_factory=lambda: HandClock(DAWN))
    look: Looker = field(default_factory=Looker)

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        self.postbag = Outbox(self.folder / "postbag.sqlite3")
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
    assert {row.state for row in bench.postbag.recent()} == {MessageState.SENT}


def test_a_round_looks_once_for_all_that_is_due_and_then_every_hour_and_the_places_own_minutes(bench: Bench) -> None:
    assert fetch_interval(bench.farm.place) == timedelta(hours=1, minutes=5, seconds=19)
    bench.run(133)
    assert bench.look.looked == [DAWN + timedelta(minutes=minutes) for minutes in (0, 66, 132)]


def test_a_restart_sends_nothing_again_and_still_shows_the_last_pass(bench: Bench) -> None:
    bench.run(1)
    bench.look.broken = "no weather"
    bench.start()
    bench.run(30)
    assert len(bench.heard) == 2
    assert headline(bench.service.snapshot()).startswith("Today: mow 20 acres of Long Meadow from 8:00 am")


def test_a_crash_before_the_mark_sends_to_nobody_twice(bench: Bench) -> None:
    bench.run(1)
    with bench.postbag._open() as db:
        db.execute("DELETE FROM done")
    bench.look.morning = wait_morning()
    bench.start()
    bench.run(5)
    assert sorted(bench.heard) == ["morning for Ann: 1 to mow", "morning for Ben: 1 to mow"]
    assert Task(TaskKind.MORNING, DAY) in bench.postbag.tasks_done(DAY)


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
    assert bench.service.snapshot().problems == (
        "Nothing was sent this morning: the weather and fields could not be looked at by 9:30 am.",
    )


def test_a_service_that_first_ran_at_night_is_well_until_a_morning_of_its_own_fails(bench: Bench) -> None:
    bench.clock.at = DAWN + timedelta(hours=17)
    bench.folder = bench.folder / "new"
    bench.folder.mkdir()
    bench.start()
    bench.run(5)
    assert (bench.service.health(), bench.heard) == ((), [])
    bench.look.broken = "no weather"
    bench.run(12 * 60, step=10)  # past the end of the next morning, over a start
    bench.start()
    bench.run(10)
    assert any(words.startswith("Nothing was sent this morning") for words in bench.service.health())


def test_a_mow_that_is_known_only_after_the_morning_is_told_once_and_watched(bench: Bench) -> None:
    bench.look.morning = unknown_morning()
    bench.run(30)
    assert sorted(bench.heard) == ["morning for Ann: 0 to mow", "morning for Ben: 0 to mow"]
    bench.look.morning = mow_morning()
    bench.run(150)  # two more looks
    assert sorted(bench.heard[2:]) == ["morning for Ann: 1 to mow", "morning for Ben: 1 to mow"]
    said = bench.look.said[-1]
    assert said is not None
    assert [one.field for one in said.watched] == ["Long Meadow"]
    bench.start()
    bench.run(90)
    assert len(bench.heard) == 4


@pytest.mark.parametrize(("minutes", "first"), [(5 * 60, unknown_morning), (30, wait_morning), (30, mow_morning)])
def test_a_mow_that_comes_too_late_or_after_a_known_morning_is_only_shown(
    bench: Bench, minutes: float, first: Callable[[], Morning]
) -> None:
    bench.look.morning = first()
    bench.run(minutes)
    bench.look.morning = mow_morning()
    bench.run(120)
    assert len(bench.heard) == 2


def test_words_that_break_down_do_not_stop_the_round(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    def speechless(farm: Farm, morning: Morning, kind: TaskKind) -> Mapping[Person, Message]:
        raise KeyError("no words")

    ann = bench.farm.alerts.people[0]
    before = Message("", "from before")
    bench.postbag.enqueue(
        NewMessage(DAY, MessageKind.parse("change"), ann, before, DAWN, DAWN + timedelta(hours=1)), DAWN
    )
    Service(bench.farm, bench.postbag, bench.clock, bench.look, speechless).round()
    assert bench.heard == ["from before"]
    assert "the morning task of 2026-06-01 broke down: KeyError: 'no words'" in caplog.text
    bench.run(1)
    assert len(bench.heard) == 3, "it was not marked as done"


def test_a_pass_on_disk_that_cannot_be_read_is_made_anew(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    bench.postbag.save_value("morning", '{"date": "never"}')
    bench.start()
    assert "what was kept as 'morning' cannot be read" in caplog.text
    assert bench.service.snapshot().problems == ("No advice has been worked out yet.",)
    bench.run(1)
    assert bench.service.snapshot().problems == ()


def test_marks_that_cannot_be_read_stop_no_round(bench: Bench) -> None:
    for name in ("fetched", "announced", "said", "morning"):
        bench.postbag.save_value(name, "[1, {")
    bench.start()
    bench.run(2)
    assert len(bench.heard) == 2
    assert bench.service.snapshot().problems == ()


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
    signs = [row.day - DAY for row in bench.postbag.recent(50) if row.kind == MessageKind.parse("sign of life")]
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
    bench.service = Service(bench.farm, Outbox(in_the_way), bench.clock, bench.look, say)
    bench.run(3)
    assert bench.heard == []
    assert bench.service.snapshot().problems[0].startswith("No message can be sent, and all wait: postbag: ")
    in_the_way.rmdir()
    bench.run(2)
    assert len(bench.heard) == 2
    assert bench.service.snapshot().problems == ()


def test_a_disk_that_keeps_nothing_lets_nobody_be_asked_at_every_round(bench: Bench) -> None:
    for table in ("messages", "kept"):
        with bench.postbag._open() as db:
            db.execute(f"CREATE TRIGGER {table}_full BEFORE INSERT ON {table} BEGIN SELECT RAISE(ABORT, 'full'); END")
    bench.run(8)
    assert bench.look.looked == [DAWN, DAWN + timedelta(minutes=5)]
    assert bench.heard == []
    assert "full" in bench.service.snapshot().problems[0]
    for table in ("messages", "kept"):
        with bench.postbag._open() as db:
            db.execute(f"DROP TRIGGER {table}_full")
    bench.run(30)
    assert len(bench.heard) == 2
    assert bench.service.snapshot().problems == ()


def test_a_postbag_damaged_while_the_service_runs_is_set_aside_and_what_is_mown_stays_watched(bench: Bench) -> None:
    bench.run(2)
    for file in bench.folder.glob("postbag.sqlite3*"):
        file.write_bytes(b"not a database" * 1000)
    bench.run(3)
    assert "what was sent today may come again" in bench.service.snapshot().problems[0]
    bench.start()
    bench.run(60)
    said = bench.look.said[-1]
    assert said is not None
    assert [one.field for one in said.watched] == ["Long Meadow"]


def test_health_fails_when_no_round_ends_and_is_well_again_after_one(bench: Bench) -> None:
    bench.run(1)
    assert bench.service.health() == ()
    bench.clock.at += timedelta(minutes=11)
    assert bench.service.health() == ("No round has ended for 12 minutes.",)
    bench.run(1)
    assert bench.service.health() == ()


def test_other_settings_are_taken_up_and_looked_at_at_once(bench: Bench) -> None:
    bench.run(2)
    ben = bench.farm.alerts.people[1]
    bench.service.change_farm(replace(bench.farm, name="Two Oaks", alerts=replace(bench.farm.alerts, people=(ben,))))
    bench.run(1)
    assert bench.look.looked == [DAWN, DAWN + timedelta(minutes=2)]
    assert bench.service.snapshot().farm.name == "Two Oaks"
    bench.service.change_farm(bench.service.snapshot().farm)
    bench.run(1)
    assert len(bench.look.looked) == 2, "nothing has changed"


def test_mistakes_in_the_settings_are_shown_and_told_once_and_the_service_is_well(bench: Bench) -> None:
    bench.run(1)
    for _ in range(2):
        bench.service.tell_mistakes(("farm.toml line 3: [work] hands: given -3, allowed 1 to 20; write hands = 1",))
        bench.run(2)
    told = [words for words in bench.heard if "mistake" in words]
    assert len(told) == 2, "once to each of the two"
    assert told[0].startswith("Two Elms: The settings file has a mistake, so what it said before is in use. farm.toml")
    assert "what it said before is in use: farm.toml line 3" in bench.service.snapshot().problems[0]
    assert bench.service.health() == ()
    bench.service.change_farm(bench.farm)
    assert bench.service.snapshot().problems == ()

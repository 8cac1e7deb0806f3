"""How things stand by what is on disk: real settings, a real postbag, a service that did its rounds or did not."""

import json
import os
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter

from daemon.cli.commands import main
from daemon.domain.advice import Morning
from daemon.domain.field_watch import start_watch
from daemon.domain.message import Message, NewMessage
from daemon.domain.message_kind import MessageKind
from daemon.domain.schedule import Task, TaskKind
from daemon.messages.outbox.store import Outbox
from daemon.service.state import ServiceState
from daemon.service.status import ALIVE_FILE, next_due, read_status, touch_alive_file
from tests.support.farms import ACRE, DAWN, DAY, farm, mow_morning, person
from tests.support.settings_files import TWO_ELMS

SETTINGS = (
    TWO_ELMS.replace("season = [6]", "season = [5, 6, 7, 8, 9]")
    .replace("[page]\nport = 0", '[alerts]\nevening = "18:00"')
    .replace("area = 20", "area = 22")
)
Ask = Callable[..., tuple[int, str]]


@pytest.fixture
def ask(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Ask:
    """Ask for the status ten minutes past dawn, or later, and get the exit code and what was said."""
    (tmp_path / "config.toml").write_text(SETTINGS, encoding="utf-8")
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))

    def ask(*more: str, at: datetime = DAWN + timedelta(minutes=10)) -> tuple[int, str]:
        code = main(["status", "-c", str(tmp_path / "config.toml"), "--now", at.isoformat(), *more])
        return code, capsys.readouterr().out

    return ask


def alive(folder: Path, at: datetime) -> None:
    folder.mkdir(exist_ok=True)
    touch_alive_file(folder)
    os.utime(folder / ALIVE_FILE, (at.timestamp(), at.timestamp()))


@pytest.fixture
def bag(tmp_path: Path) -> Outbox:
    """What a service leaves that looked at dawn and told Ann, who could not be reached."""
    postbag = Outbox(tmp_path / "state" / "postbag.sqlite3")
    ServiceState(postbag).record_first_run(DAWN)
    morning = mow_morning()
    looked = replace(morning, prospect=replace(morning.prospect, at=DAWN))
    postbag.save_value("morning", TypeAdapter(Morning).dump_json(looked).decode())
    postbag.mark_done(Task(TaskKind.MORNING, DAY), DAWN)
    postbag.mark_done(Task(TaskKind.SIGN_OF_LIFE, DAY), DAWN)
    alive(tmp_path / "state", DAWN + timedelta(minutes=9))
    return postbag


def told(postbag: Outbox) -> None:
    ann = person(address="json://127.0.0.1:9/secret-word")
    item = NewMessage(DAY, MessageKind.parse("morning"), ann, Message("", "mow"), DAWN, DAWN + timedelta(hours=4))
    assert postbag.enqueue(item, DAWN)
    postbag.deliver(DAWN, (ann,))


def test_a_service_that_runs_is_good(ask: Ask, bag: Outbox, tmp_path: Path) -> None:
    code, said = ask()
    assert code == 0
    lines = {line[:14].strip(): line[14:] for line in said.splitlines()}
    assert lines["settings"] == str(tmp_path / "config.toml")
    assert lines["state folder"] == str(tmp_path / "state")
    assert lines["last round"] == "5:39 am, 1 min ago"
    assert lines["last look"] == "5:30 am, 10 min ago"
    assert lines["advice"].startswith("Today: mow 20 acres of Long Meadow")
    assert (lines["last message"], lines["waiting"]) == ("none", "none")
    assert lines["next due"] == "evening, 6:00 pm"
    assert "problem" not in lines


def test_what_is_cut_by_now_is_told_and_not_the_plan_of_the_morning(ask: Ask, bag: Outbox) -> None:
    morning = start_watch(mow_morning())
    cut = replace(morning.watched[0], noted=True, area=22.0 * ACRE, odds=0.55)
    looked = replace(morning, watched=(cut,), prospect=replace(morning.prospect, at=DAWN))
    bag.save_value("morning", TypeAdapter(Morning).dump_json(looked).decode())
    code, said = ask()
    assert code == 0
    assert "\nadvice        Long Meadow is cut, 22 acres: bale from 3:30 pm (odds 5 in 10).\n" in said


def test_the_same_as_data(ask: Ask, bag: Outbox, tmp_path: Path) -> None:
    told(bag)
    code, said = ask("--json")
    found: dict[str, Any] = json.loads(said)
    assert code == 0
    [waits] = found.pop("waiting")
    assert found.pop("last_message") == waits
    assert (waits["kind"], waits["person"], waits["by"], waits["state"]) == ("morning", "Ann", "text", "new")
    assert (waits["attempts"], waits["sent_at"], waits["next_try"]) == (1, None, "2026-06-01T05:31-04:00")
    assert found.pop("advice").startswith("Today: mow 20 acres")
    assert found == {
        "settings": str(tmp_path / "config.toml"),
        "state_folder": str(tmp_path / "state"),
        "last_round": "2026-06-01T05:39-04:00",
        "last_look": "2026-06-01T05:30-04:00",
        "next_due": {"at": "2026-06-01T18:00-04:00", "kind": "evening"},
        "problems": [],
    }


def test_a_message_that_waits_is_named_and_after_half_an_hour_is_a_problem(
    ask: Ask, bag: Outbox, tmp_path: Path
) -> None:
    told(bag)
    code, said = ask()
    assert code == 0
    assert "\nwaiting       1\n              morning, Ann by text: new, " in said
    assert "secret-word" not in said
    alive(tmp_path / "state", DAWN + timedelta(minutes=31))
    code, said = ask(at=DAWN + timedelta(minutes=31))
    assert code == 1
    assert "\nproblem " in said


def test_a_service_that_stopped_is_a_problem_out_of_season_too(ask: Ask, bag: Outbox) -> None:
    code, said = ask(at=DAWN + timedelta(minutes=25))
    assert code == 1
    assert "The service does not run or hangs: its last round ended 16 min ago" in said
    code, said = ask(at=DAWN.replace(month=12))
    assert code == 1
    assert "its last round ended 182 days ago" in said
    assert "last look     2026-06-01 5:30 am, 183 days ago" in said


def test_a_folder_in_which_nothing_ran_is_a_problem_and_stays_as_it_is(ask: Ask, tmp_path: Path) -> None:
    code, said = ask()
    assert code == 1
    assert "The service has not run with this state folder" in said
    assert "last look     none" in said
    assert not (tmp_path / "state").exists()


def test_mistakes_in_the_settings_are_named_beside_what_is_known(ask: Ask, bag: Outbox, tmp_path: Path) -> None:
    told(bag)
    (tmp_path / "config.toml").write_text(SETTINGS.replace("area = 22", "area = -22"), encoding="utf-8")
    code, said = ask()
    assert code == 1
    assert "given -22" in said
    assert "last look     9:30 UTC, 10 min ago" in said
    assert "last message  morning, Ann by text" in said
    assert "next due" not in said


def test_a_postbag_that_cannot_be_read_is_named(ask: Ask, bag: Outbox, tmp_path: Path) -> None:
    for file in (tmp_path / "state").glob("postbag.sqlite3*"):
        file.write_bytes(b"no database" * 1000)
    code, said = ask()
    assert code == 1
    assert "problem       postbag: " in said
    assert "last round    5:39 am, 1 min ago" in said


def test_a_look_that_cannot_be_read_is_none(ask: Ask, bag: Outbox) -> None:
    bag.save_value("morning", "[1, {")
    code, said = ask()
    assert code == 1
    assert "last look     none" in said


def test_a_service_that_first_ran_in_the_evening_has_no_problem_with_the_morning(
    ask: Ask, bag: Outbox, tmp_path: Path
) -> None:
    with bag._open() as db:
        db.execute("DELETE FROM done")
    at = DAWN + timedelta(hours=5)
    bag.save_value("began", (at - timedelta(minutes=1)).isoformat())
    looked = replace(mow_morning(), prospect=replace(mow_morning().prospect, at=at))
    bag.save_value("morning", TypeAdapter(Morning).dump_json(looked).decode())
    alive(tmp_path / "state", at)
    code, said = ask(at=at)
    assert (code, "Nothing was sent" in said) == (0, False)


def test_a_morning_of_which_nobody_was_told_is_a_problem(ask: Ask, bag: Outbox, tmp_path: Path) -> None:
    with bag._open() as db:
        db.execute("DELETE FROM done")
    at = DAWN + timedelta(hours=5)
    alive(tmp_path / "state", at)
    code, said = ask(at=at)
    assert code == 1
    assert "Nothing was sent this morning: the weather and fields could not be looked at by 9:30 am." in said


@pytest.mark.parametrize(
    ("now", "done", "due"),
    [
        ("2026-06-01T05:00-04:00", (), ("2026-06-01T05:30-04:00", TaskKind.MORNING)),
        ("2026-06-01T05:31-04:00", (), ("2026-06-01T05:31-04:00", TaskKind.MORNING)),
        ("2026-06-01T20:00-04:00", (Task(TaskKind.EVENING, DAY),), ("2026-06-02T05:30-04:00", TaskKind.MORNING)),
        ("2026-12-08T12:00-05:00", (), ("2026-12-14T05:30-05:00", TaskKind.SIGN_OF_LIFE)),
        # Out of the season into it: 1 May 2026 is a Friday.
        ("2026-04-28T12:00-04:00", (), ("2026-05-01T05:30-04:00", TaskKind.MORNING)),
    ],
)
def test_what_is_due_next(now: str, done: tuple[Task, ...], due: tuple[str, TaskKind]) -> None:
    found = next_due(farm(), frozenset(done), datetime.fromisoformat(now))
    assert found == (datetime.fromisoformat(due[0]), due[1])


def test_a_mark_that_cannot_be_made_stops_nothing(tmp_path: Path) -> None:
    touch_alive_file(tmp_path / "nowhere")
    found = read_status(tmp_path / "none.toml", tmp_path / "nowhere", DAWN)
    assert found.farm is None
    assert found.on_disk.last_round is None
    assert any("none.toml" in problem for problem in found.problems)

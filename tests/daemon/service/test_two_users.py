"""The service and somebody at the keyboard: two real users of the system with one group in common."""

import os
import traceback
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.cli.commands import main
from daemon.diary.store import Diary
from daemon.domain.message import Message, NewMessage
from daemon.domain.message_kind import MessageKind
from daemon.messages.outbox.store import Outbox
from daemon.service.status import ALIVE_FILE, touch_alive_file
from daemon.settings import paths
from tests.loopback.hours import LAST, NOW, invented, written
from tests.support.farms import DAWN, DAY, person
from tests.support.settings_files import BROOK_FARM
from tests.support.shared_folders import shared_folder

SERVICE, LOGIN, STRANGER, GROUP = 61_001, 61_002, 61_003, 61_004  # numbers of no other user
AT = NOW.isoformat(timespec="minutes")
EXAMPLE = Path(__file__).parents[3] / "config.example.toml"

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root can act as two users")


@pytest.fixture
def state(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The two folders as the unit file and the README make them."""
    with shared_folder() as folder:
        state, settings = folder / "state", folder / "config.toml"
        state.mkdir()
        os.chown(state, SERVICE, GROUP)
        state.chmod(0o2770)
        settings.write_bytes(EXAMPLE.read_bytes())
        os.chown(settings, 0, GROUP)
        settings.chmod(0o640)
        for name in ("FORENOON_CONFIG", "STATE_DIRECTORY"):
            monkeypatch.delenv(name, raising=False)
        monkeypatch.setenv("HOME", "/nonexistent")
        monkeypatch.setenv("XDG_CONFIG_HOME", "/nonexistent")
        monkeypatch.setattr(paths, "SYSTEM_FILE", settings)
        # Everything is loaded here: another user may not be able to read this one's Python.
        monkeypatch.setattr(paths, "SYSTEM_STATE", folder)
        assert noted("ground", "Creek flat", "soft")() == 0
        monkeypatch.setattr(paths, "SYSTEM_STATE", state)
        yield state


def acting(user: int, act: Callable[[], int | None]) -> int:
    """Do something as another user, in a child, and return how it ended."""
    child = os.fork()
    if child == 0:
        code = 99
        try:
            os.setgroups([GROUP] if user == LOGIN else [])
            os.setgid(GROUP if user == SERVICE else user)
            os.setuid(user)
            os.umask(0o007 if user == SERVICE else 0o022)  # as the unit file says; as most systems have it
            code = act() or 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def put(state: Path, kind: str) -> Callable[[], None]:
    def act() -> None:
        item = NewMessage(DAY, MessageKind.parse(kind), person(), Message("", "mow"), DAWN, DAWN + timedelta(hours=4))
        assert Outbox(state / "postbag.sqlite3").enqueue(item, DAWN)

    return act


def noted(*words: str) -> Callable[[], int]:
    return lambda: main(["note", *words, "--now", "2026-06-10T12:00-04:00"])


def test_what_either_makes_both_can_write(state: Path) -> None:
    assert acting(LOGIN, noted("cut", "North meadow")) == 0, "the diary is made by who logs in"
    assert acting(SERVICE, lambda: Diary(state / "diary.sqlite3").store_factors({1: 0.9})) == 0
    assert acting(SERVICE, put(state, "morning")) == 0, "the postbag is made by the service"
    assert acting(LOGIN, put(state, "test")) == 0
    assert acting(SERVICE, put(state, "evening")) == 0
    assert acting(LOGIN, noted("ground", "Creek flat", "soft")) == 0
    assert len(Diary(state / "diary.sqlite3").notes()) == 2
    assert len(Outbox(state / "postbag.sqlite3").recent()) == 3
    for file in state.iterdir():
        found = file.stat()
        assert (found.st_gid, oct(found.st_mode & 0o777)) == (GROUP, "0o660"), file.name


def test_who_logs_in_sees_how_the_service_stands(state: Path, capfd: pytest.CaptureFixture[str]) -> None:
    def lives() -> None:
        touch_alive_file(state)
        os.utime(state / ALIVE_FILE, (DAWN.timestamp(), DAWN.timestamp()))

    assert acting(SERVICE, put(state, "morning")) == 0
    assert acting(SERVICE, lives) == 0
    capfd.readouterr()
    acting(LOGIN, lambda: main(["status", "--now", "2026-06-01T05:31-04:00"]))
    said = capfd.readouterr().out
    assert f"state folder  {state}\nlast round    5:30 am, 1 min ago\n" in said
    assert "waiting       1\n              morning, Ann by text: new\n" in said
    assert "does not run" not in said
    assert acting(SERVICE, put(state, "evening")) == 0, "the service writes on"
    assert oct((state / ALIVE_FILE).stat().st_mode & 0o777) == "0o660"


def test_who_logs_in_explains_by_what_the_service_knows(
    state: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def explained() -> int:
        return main(["explain", "Long Field", "--now", AT])

    folder = state.parent
    written(folder / "record.csv", invented("2026-01-01T01:00Z", LAST))
    (folder / "record.csv").chmod(0o644)
    weather = 'source = "file"\npath = "record.csv"'
    (folder / "config.toml").write_text(BROOK_FARM.format(weather=weather), encoding="utf-8")
    monkeypatch.setattr(paths, "SYSTEM_STATE", folder)
    assert explained() == 0  # to have everything loaded
    monkeypatch.setattr(paths, "SYSTEM_STATE", state)
    uncut = capfd.readouterr().out
    assert acting(SERVICE, lambda: main(["note", "cut", "Long Field", "--now", AT])) == 0
    capfd.readouterr()
    told = []
    for user in (SERVICE, LOGIN, SERVICE):
        assert acting(user, explained) == 0
        told.append(capfd.readouterr().out)
    assert told[0] == told[1] == told[2]
    assert told[0] != uncut


def test_who_is_not_in_the_group_reaches_neither_settings_nor_state(
    state: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert acting(SERVICE, put(state, "morning")) == 0
    assert acting(STRANGER, noted("cut", "North meadow")) == 1
    told = capfd.readouterr().err
    assert f"{state.parent / 'config.toml'}: the file: given a file that may not be read, " in told
    assert "sudo usermod --append --groups forenoon YOU with your name and log in anew" in told
    assert acting(STRANGER, lambda: main(["status"])) == 1
    assert capfd.readouterr() == ("", told), "no state folder of their own is spoken of"
    assert acting(STRANGER, lambda: os.access(state / "postbag.sqlite3", os.R_OK)) == 0


def test_a_folder_that_the_group_keeps_to_itself_is_no_riddle_to_others(
    state: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    closed = state.parent / "etc"
    closed.mkdir()
    (state.parent / "config.toml").rename(closed / "config.toml")
    os.chown(closed, 0, GROUP)
    closed.chmod(0o750)
    monkeypatch.setattr(paths, "SYSTEM_FILE", closed / "config.toml")
    assert acting(STRANGER, noted("cut", "North meadow")) == 1
    assert "log in anew" in capfd.readouterr().err
    assert acting(LOGIN, noted("cut", "North meadow")) == 0
    assert acting(LOGIN, lambda: paths.state_folder() != state) == 0

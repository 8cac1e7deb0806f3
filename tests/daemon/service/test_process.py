"""The process of the service: real processes, real signals, a real socket of a service manager."""

import os
import pty
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from time import monotonic
from typing import Final

import pytest
import requests

from daemon.diary.answers.links import Answers
from daemon.diary.store import Diary, NoteKind
from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Units
from daemon.domain.message import MessageState
from daemon.messages.outbox.store import Outbox
from daemon.service.banner import running_line
from daemon.service.process import ServiceProcess
from daemon.service.rounds import Service
from daemon.service.status import ALIVE_FILE
from tests.loopback.receivers import Gateway
from tests.support.farms import DAWN, Steady, farm, mow_morning
from tests.support.hand_clock import HandClock
from tests.support.processes import ROOT, next_line, terminal_text, wait_until
from tests.support.settings_files import TWO_ELMS

pytestmark = pytest.mark.slow

SERVE = """
import sys, time
import daemon.service.process
from datetime import timedelta
from pathlib import Path
from daemon.system.clock import FixedClock
from daemon.domain.message import Message
from daemon.service.process import serve
from tests.support.farms import DAWN, Steady, farm, mow_morning, person

def look(farm, now, said):
    print("looking", flush=True)
    time.sleep(float(sys.argv[3]))
    return mow_morning()

daemon.service.process.STOP_TIMEOUT = 0.3
ann = person(address=sys.argv[2])
say = lambda farm, morning, kind: {ann: Message("", "mow")}
serve(Steady(farm(ann)), Path(sys.argv[1]) / "state", FixedClock(DAWN + timedelta(minutes=1)), look, say)
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


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_service_shows_its_page_sends_and_ends_when_told(tmp_path: Path, number: signal.Signals) -> None:
    with Gateway() as gateway, serving(tmp_path, gateway.address) as process:
        address = re.sub("^page at ", "", next_line(process, "page at http://127.0.0.1:"))
        next_line(process, "looking")
        wait_until(lambda: gateway.posted, process)
        assert "Today: mow 20 acres" in requests.get(address, timeout=5).text
        process.send_signal(number)
        rest, _ = process.communicate(timeout=10)
        assert rest == "ended\n"
        assert process.returncode == 0
        assert [posted["message"] for posted in gateway.posted] == ["mow"]
        [row] = Outbox(tmp_path / "state" / "postbag.sqlite3").recent()
        assert row.state is MessageState.SENT


def test_a_look_without_an_end_does_not_keep_the_service_from_ending(tmp_path: Path) -> None:
    with serving(tmp_path, "json://127.0.0.1:9", look_takes=60.0) as process:
        next_line(process, "looking")
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=10)
        assert process.returncode == 0


HANG = """
import sys, time
import daemon.service.process
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from daemon.service.process import serve
from tests.support.farms import DAWN, Steady, farm, mow_morning

folder = Path(sys.argv[1])

class Told:
    def now(self):
        return DAWN + timedelta(minutes=float((folder / "minutes").read_text()))

def look(farm, now, said):
    if now > DAWN + timedelta(minutes=30):
        print("hanging", flush=True)
        time.sleep(60)
    morning = mow_morning()
    return replace(morning, prospect=replace(morning.prospect, at=now))

daemon.service.process.ROUND_INTERVAL, daemon.service.process.STOP_TIMEOUT = 0.1, 0.3
serve(Steady(farm()), folder / "state", Told(), look, lambda farm, morning, kind: {})
"""


def test_health_fails_while_a_round_hangs_and_nobody_is_told_that_it_lives(tmp_path: Path) -> None:
    def at(minutes: int) -> None:
        (tmp_path / "draft").write_text(str(minutes))
        (tmp_path / "draft").replace(tmp_path / "minutes")

    at(1)
    with managed(tmp_path, HANG, tmp_path) as (process, manager, address):
        until(manager, "WATCHDOG=1")
        well = requests.get(f"{address}health", timeout=5)
        assert (well.status_code, well.text) == (200, "ok\n")
        assert (tmp_path / "state" / ALIVE_FILE).exists()
        at(70)
        next_line(process, "hanging")
        at(90)
        ill = requests.get(f"{address}health", timeout=5)
        assert ill.status_code == 503
        assert re.match(r"No round has ended for (20|89) minutes\.", ill.text), ill.text
        until_silent(manager)
        process.send_signal(signal.SIGTERM)
        assert "STOPPING=1" in manager.recv(4096).decode()
        assert process.wait(timeout=10) == 0


# --- Settings that change, and the service manager ---------------------------------------------------------------

RUN = """
import sys
import daemon.service.process
from daemon.cli.commands import main
daemon.service.process.ROUND_INTERVAL = 0.1
sys.exit(main(["run", "-c", sys.argv[1], "--now", "2026-06-01T12:00-04:00"]))
"""


@contextmanager
def running(folder: Path) -> Iterator[tuple[subprocess.Popen[str], socket.socket, str]]:
    """The command itself, on a settings file, with a service manager that listens."""
    (folder / "config.toml").write_text(TWO_ELMS, encoding="utf-8")
    with managed(folder, RUN, folder / "config.toml") as all_three:
        yield all_three


@contextmanager
def managed(folder: Path, program: str, *arguments: Path) -> Iterator[tuple[subprocess.Popen[str], socket.socket, str]]:
    """A program that serves, the service manager that it tells, and the address of its page."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(folder / "notify"))
        manager.settimeout(30.0)
        more = {"PYTHONPATH": str(ROOT), "STATE_DIRECTORY": str(folder), "NOTIFY_SOCKET": str(folder / "notify")}
        process = subprocess.Popen(
            [sys.executable, "-c", program, *map(str, arguments)],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env={**os.environ, **more},
        )  # fmt: skip
        try:
            yield process, manager, re.sub("^page at ", "", next_line(process, "page at "))
        finally:
            process.kill()
            process.communicate()


def until(manager: socket.socket, wanted: str) -> list[str]:
    """Return what the manager is told up to the first datagram that holds some words."""
    told: list[str] = []
    ends = monotonic() + 30.0
    while monotonic() < ends:
        told.append(manager.recv(4096).decode())
        if wanted in told[-1]:
            return told
    raise AssertionError(f"{wanted} was never told: {told[-3:]}")


def until_silent(manager: socket.socket) -> None:
    """Take what the manager was told already; what comes later is new."""
    manager.setblocking(False)
    with suppress(BlockingIOError):
        while manager.recv(4096):
            pass
    manager.settimeout(30.0)


def test_the_manager_is_told_of_the_start_each_round_a_reload_and_the_end(tmp_path: Path) -> None:
    with running(tmp_path) as (process, manager, _):
        told = until(manager, "WATCHDOG=1")
        assert told[0].startswith("READY=1\nSTATUS=takes its first look")
        assert "STATUS=No advice today, because weather data is missing" in told[-1]
        process.send_signal(signal.SIGHUP)
        first = until(manager, "RELOADING=1")[-1]
        assert re.search(r"^MONOTONIC_USEC=\d+$", first, re.MULTILINE)
        assert "READY=1" in until(manager, "READY=1")[-1]
        process.send_signal(signal.SIGTERM)
        assert "STOPPING=1" in until(manager, "STOPPING=1")[-1]
        assert process.wait(timeout=10) == 0


def test_links_are_answered_from_when_the_settings_give_an_address(tmp_path: Path) -> None:
    with running(tmp_path) as (process, manager, address):
        until(manager, "WATCHDOG=1")
        assert requests.get(f"{address}answer/x", timeout=5).status_code == 404
        with_one = TWO_ELMS.replace("port = 0", 'port = 0\naddress = "https://mowing.example.org"')
        (tmp_path / "config.toml").write_text(with_one, encoding="utf-8")
        until(manager, "RELOADING=1")
        until(manager, "WATCHDOG=1")
        refused = requests.get(f"{re.sub('^page at ', '', next_line(process, 'page at '))}answer/x", timeout=5)
        assert refused.status_code == 400
        assert "Nothing was noted." in refused.text


def test_a_changed_file_is_taken_up_and_a_bad_one_is_shown(tmp_path: Path) -> None:
    config = tmp_path / "config.toml"
    with running(tmp_path) as (_, manager, address):
        until(manager, "WATCHDOG=1")
        config.write_text(TWO_ELMS.replace("Two Elms", "Three Oaks"), encoding="utf-8")
        until(manager, "RELOADING=1")
        until(manager, "WATCHDOG=1")
        assert "Three Oaks" in requests.get(address, timeout=5).text
        config.write_text(TWO_ELMS.replace("area = 20", "area = -20"), encoding="utf-8")
        until(manager, "RELOADING=1")
        until(manager, "WATCHDOG=1")
        page = requests.get(address, timeout=5).text
        assert "Three Oaks" in page
        assert "what it said before is in use: config.toml line" in page
        assert "given -20" in page


def test_another_port_moves_the_page(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with running(tmp_path) as (process, manager, address):
        until(manager, "WATCHDOG=1")
        (tmp_path / "config.toml").write_text(TWO_ELMS.replace("port = 0", f"port = {port}"), encoding="utf-8")
        assert next_line(process, "page at") == f"page at http://127.0.0.1:{port}/"
        assert requests.get(f"http://127.0.0.1:{port}/", timeout=5).status_code == 200
        with pytest.raises(requests.ConnectionError):
            requests.get(address, timeout=5)


def test_a_note_is_looked_at_in_the_next_round_and_a_spoiled_diary_is_not_looked_at_for_ever(tmp_path: Path) -> None:
    clock, looks = HandClock(DAWN), list[datetime]()

    def look(farm: Farm, now: datetime, said: Morning | None) -> Morning:
        looks.append(now)
        return replace(mow_morning(), prospect=replace(mow_morning().prospect, at=now))

    given = farm()
    service = Service(given, Outbox(tmp_path / "postbag.sqlite3"), clock, look, lambda farm, morning, kind: {})
    diary = Diary(tmp_path / "diary.sqlite3")
    process = ServiceProcess(Steady(given), service, tmp_path, Answers(tmp_path, clock))

    def rounds(count: int) -> int:
        before = len(looks)
        for _ in range(count):
            process.round()
            clock.wait(1)
        return len(looks) - before

    try:
        assert rounds(10) == 1
        noted = diary.add(NoteKind.CUT, "Long Meadow", clock.at, clock.at)
        assert rounds(1) == 1, "in the next round"
        assert rounds(10) == 0
        diary.delete(noted.id)
        assert rounds(10) == 1
        (tmp_path / "diary.sqlite3").write_bytes(b"no diary")
        assert rounds(10) == 0
    finally:
        process.close()


COMMAND: Final = (sys.executable, "-m", "daemon.cli.commands", "run", "-c")


def test_a_second_service_on_the_same_state_ends_with_a_sentence(tmp_path: Path) -> None:
    with running(tmp_path) as (first, _, _):
        environment = os.environ | {"STATE_DIRECTORY": str(tmp_path)}
        second = subprocess.run(
            [*COMMAND, tmp_path / "config.toml"],
            cwd=ROOT,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=60,
        )
        assert (second.returncode, second.stdout, first.poll()) == (1, "", None)
        assert second.stderr.startswith(f"Forenoon runs already for {tmp_path}: forenoon status tells how it stands.")
    (tmp_path / "notify").unlink()
    with running(tmp_path):  # the first one was killed: nothing of it is left to hold up another
        pass


def test_a_page_that_cannot_be_had_is_told_in_plain_words_and_the_service_goes_on(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        (tmp_path / "config.toml").write_text(TWO_ELMS.replace("port = 0", f"port = {port}"), encoding="utf-8")
        shown = on_terminal(tmp_path, "Ctrl-C.")
    assert f"there is no page, but messages go out: something else on this machine has port {port}; write ano" in shown
    assert "Forenoon runs, without a page." in shown


def test_on_a_terminal_one_line_tells_all(tmp_path: Path) -> None:
    (tmp_path / "config.toml").write_text(TWO_ELMS, encoding="utf-8")
    shown = on_terminal(tmp_path, "Ctrl-C.", "--now", "2026-06-01T12:00-04:00")
    assert re.fullmatch(
        r"Forenoon runs; see http://127\.0\.0\.1:\d+/ in a browser\. Next morning message: Tuesday 5:30 am\. "
        r"Stop it with Ctrl-C\.\s*",
        shown,
    )


def on_terminal(folder: Path, end: str, *words: str) -> str:
    """Return what the command shows on a terminal up to some words."""
    master, slave = pty.openpty()
    environment = os.environ | {"STATE_DIRECTORY": str(folder), "TERM": "dumb"}
    command = [*COMMAND, str(folder / "config.toml"), *words]
    with subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, cwd=ROOT, env=environment) as process:
        os.close(slave)
        shown = terminal_text(master, end)
        process.kill()
    os.close(master)
    return shown


@pytest.mark.parametrize(
    ("now", "units", "words"),
    [
        ("2026-06-01T05:00-04:00", Units.US, "Next morning message: Monday 5:30 am."),
        ("2026-06-01T05:30-04:00", Units.METRIC, "Next morning message: Tuesday 5:30."),
        ("2026-09-30T12:00-04:00", Units.US, "Out of season: messages begin again in May."),
        ("2026-12-01T12:00-04:00", Units.US, "Out of season: messages begin again in May."),
    ],
)
def test_the_next_message_is_told(now: str, units: Units, words: str) -> None:
    told = running_line(farm(units=units), "http://127.0.0.1:1/", datetime.fromisoformat(now))
    assert told == f"Forenoon runs; see http://127.0.0.1:1/ in a browser. {words} Stop it with Ctrl-C."

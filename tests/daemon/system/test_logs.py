import json
import logging
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.system.logs import JsonFormatter, PlainFormatter
from tests.support.processes import ROOT, run_python

pytestmark = pytest.mark.slow

SAYS = """
import logging, os, sys
from daemon.system.logs import set_up_logging
if sys.argv[1] == "journal":
    found = os.fstat(2)
    os.environ["JOURNAL_STREAM"] = f"{found.st_dev}:{found.st_ino}"
set_up_logging(as_json=sys.argv[1] == "json")
log = logging.getLogger("daemon.test")
log.info("cut %s", "North\\n<1>forged")
log.warning("late")
try:
    raise ValueError("no\\nwater")
except ValueError:
    log.exception("the pass broke down")
"""


def said(how: str) -> list[str]:
    done = run_python(SAYS, how)
    assert done.returncode == 0, done.stderr
    return done.stderr.splitlines()


def test_each_event_is_one_line_whatever_is_in_it() -> None:
    first, second, third = said("plain")
    assert first == "INFO daemon.test: cut North\\n<1>forged"
    assert second == "WARNING daemon.test: late"
    assert third.startswith("ERROR daemon.test: the pass broke down\\nTraceback")
    assert third.endswith("ValueError: no\\nwater")


def test_the_journal_is_told_priorities() -> None:
    assert [text[:3] for text in said("journal")] == ["<6>", "<4>", "<3>"]
    assert said("journal")[1] == "<4>daemon.test: late"


def test_json_lines() -> None:
    first, _, third = map(json.loads, said("json"))
    assert (first["level"], first["logger"], first["message"]) == ("info", "daemon.test", "cut North\n<1>forged")
    assert first["time"].endswith("+00:00")
    assert third["message"] == "the pass broke down"
    assert third["trace"].splitlines()[0] == "Traceback (most recent call last):"


BREAKS = "\x1b[2J|\x85|\u2028|\v|\0"


def test_nothing_that_ends_a_line_or_orders_a_terminal_comes_through() -> None:
    record = logging.LogRecord("daemon.test", logging.INFO, "", 0, "cut %s é", (BREAKS,), None)
    line = PlainFormatter(journal=False).format(record)
    assert line == "INFO daemon.test: cut \\x1b[2J|\\x85|\\u2028|\\x0b|\\x00 é"
    written = JsonFormatter().format(record)
    assert len(written.splitlines()) == 1
    assert json.loads(written)["message"] == f"cut {BREAKS} é"


BREAKS_DOWN = """
import sys, threading, warnings
from daemon.system.logs import set_up_logging
set_up_logging(as_json=True)
warnings.warn("old")
def broken():
    raise ValueError("no\\nwater")
other = threading.Thread(target=broken)
other.start()
other.join()
broken()
"""


def test_what_nobody_caught_is_one_line_too() -> None:
    done = run_python(BREAKS_DOWN)
    assert done.returncode == 1
    old, thread, whole = map(json.loads, done.stderr.splitlines())
    assert "UserWarning: old" in old["message"]
    for said in (thread, whole):
        assert (said["level"], said["message"]) == ("critical", "broken down: ValueError")
        assert said["trace"].endswith("ValueError: no\nwater")


PARTS = (
    "apscheduler.executors.default",
    "daemon.weather.gather",
    "daemon.messages.outbox.store",
    "daemon.service.process",
)
LEVELS = f"""
import logging, sys
from daemon.system.logs import set_up_logging
set_up_logging(for_command="typed" in sys.argv, verbose="verbose" in sys.argv)
for name in {PARTS}:
    logging.getLogger(name).info("fine")
    logging.getLogger(name).warning("amiss")
"""


@pytest.mark.parametrize(
    ("how", "fine", "amiss"),
    [
        ([], {"daemon.messages.outbox.store", "daemon.service.process"}, 4),
        (["typed"], set(), 3),  # what became of a message is printed
        (["verbose"], set(PARTS), 4),
        (["typed", "verbose"], set(PARTS), 4),
    ],
)
def test_each_round_and_each_request_is_logged_for_who_asks(how: list[str], fine: set[str], amiss: int) -> None:
    done = run_python(LEVELS, *how)
    assert done.returncode == 0, done.stderr
    lines = done.stderr.splitlines()
    assert {one.split(" ")[1].rstrip(":") for one in lines if one.endswith("fine")} == fine
    assert sum(one.endswith("amiss") for one in lines) == amiss


def test_a_service_that_cannot_start_says_so_in_json(tmp_path: Path) -> None:
    path = tmp_path / "config.toml"
    path.write_text("[farm]\n", encoding="utf-8")
    command = [sys.executable, "-m", "daemon.cli.commands", "run", "--json-logs", "-c", str(path)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=60)
    (said,) = map(json.loads, done.stderr.splitlines())
    assert (done.returncode, said["level"]) == (1, "error")
    assert "[farm] name: given nothing" in said["message"]


def test_a_stream_that_goes_elsewhere_has_no_priorities(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JOURNAL_STREAM", "1:2")
    assert said("plain")[1] == "WARNING daemon.test: late"

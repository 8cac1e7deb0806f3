import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SAYS = """
import logging, os, sys
from daemon.logs import set_up
if sys.argv[1] == "journal":
    found = os.fstat(2)
    os.environ["JOURNAL_STREAM"] = f"{found.st_dev}:{found.st_ino}"
set_up(as_json=sys.argv[1] == "json")
log = logging.getLogger("daemon.test")
log.info("cut %s", "North\\n<1>forged")
log.warning("late")
try:
    raise ValueError("no\\nwater")
except ValueError:
    log.exception("the pass broke down")
"""


def said(how: str) -> list[str]:
    done = subprocess.run([sys.executable, "-c", SAYS, how], cwd=ROOT, capture_output=True, text=True, check=True)
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


def test_a_stream_that_goes_elsewhere_has_no_priorities(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JOURNAL_STREAM", "1:2")
    assert said("plain")[1] == "WARNING daemon.test: late"

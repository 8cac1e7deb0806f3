import json
import os
import pty
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing, redirect_stdout
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.metadata import version
from io import StringIO
from pathlib import Path
from typing import Any, Final

import pandas as pd
import pytest

from daemon.cli.commands import main
from daemon.diary.store import Diary
from tests.loopback.hours import LAST, NOW, invented, written
from tests.loopback.open_meteo import ENSEMBLE, FORECAST, Fault, OpenMeteo, nulls
from tests.support.processes import next_line, terminal_text
from tests.support.settings_files import BROOK_FARM

pytestmark = pytest.mark.slow

AT: Final = NOW.isoformat(timespec="minutes")
SERVICE: Final = """contact = "farm@example.org"
forecast_address = "{0}"
ensemble_address = "{0}"
history_address = "{0}/history" """
FIELD_KEYS: Final = {"name", "area_ha", "ripeness", "stage", "ndf", "days", "advice"}
DAY_KEYS: Final = {
    "date", "area_ha", "odds", "start", "mow_until", "bale_from", "wrapped_by", "moisture_at_baling", "reason",
}  # fmt: skip
# Libraries look for IPv6 by binding a socket of their own: that is not the network.
WITHOUT_NETWORK: Final = """
import sys
from daemon.cli.commands import main
def watch(event, details):
    if event in ("socket.connect", "socket.sendto", "socket.getaddrinfo", "socket.gethostbyname"):
        sys.exit(f"{event} {details}")
sys.addaudithook(watch)
sys.exit(main())
"""
# Whoever starts the tests may ignore interrupts (nohup does), and a program begins as its parent goes on.
INTERRUPTIBLE: Final = """
import signal
import sys
from daemon.cli.commands import main
signal.signal(signal.SIGINT, signal.default_int_handler)
sys.exit(main())
"""
HOURS_OF_A_DAY: Final = ("start", "mow_until", "bale_from", "wrapped_by")
POINTS: Final = {"low", "mid", "high"}


@dataclass(frozen=True)
class Ran:
    """What a command gave back."""

    code: int
    said: str
    complaint: str


Run = Callable[..., Ran]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))

    def run(*words: str | Path) -> Ran:
        try:
            code = main([str(word) for word in words])
        except SystemExit as end:
            assert isinstance(end.code, int)
            code = end.code
        return Ran(code, *capsys.readouterr())

    return run


@pytest.fixture(scope="module")
def hours() -> pd.DataFrame:
    return invented("2026-01-01T01:00Z", LAST)


@pytest.fixture
def record_farm(tmp_path: Path, hours: pd.DataFrame) -> Path:
    """A farm whose weather is a file of the hours that came."""
    written(tmp_path / "record.csv", hours)
    return settings(tmp_path, 'source = "file"\npath = "record.csv"')


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory, hours: pd.DataFrame) -> dict[str, Any]:
    """What `once --json` prints for that farm."""
    folder = tmp_path_factory.mktemp("farm")
    written(folder / "record.csv", hours)
    path = settings(folder, 'source = "file"\npath = "record.csv"')
    with redirect_stdout(StringIO()) as printed:
        assert main(["once", "--json", "-c", str(path), "--now", AT]) == 0
    told: dict[str, Any] = json.loads(printed.getvalue())
    return told


@pytest.fixture
def service() -> Iterator[OpenMeteo]:
    with OpenMeteo(invented("2025-12-29T00:00Z", LAST), now=NOW) as server:
        yield server


def settings(folder: Path, weather: str, *changes: tuple[str, str]) -> Path:
    text = BROOK_FARM.format(weather=weather)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "farm.toml"
    path.write_text(text)
    return path


def advices(ran: Ran) -> list[dict[str, Any]]:
    return [field["advice"] for field in json.loads(ran.said)["fields"]]


def test_help_lists_the_commands(run: Run) -> None:
    ran = run("--help")
    assert ran.code == 0
    for command in ("setup", "run", "status", "once", "explain", "note", "check", "test-alert", "demo"):
        assert f"\n    {command}" in ran.said
    for code, meaning in ((0, "good"), (1, "trouble"), (2, "wrong usage"), (130, "interrupted from the keyboard")):
        assert f"\n  {code:<4} {meaning}" in ran.said
    assert run("once", "--help").code == 0


def test_the_version(run: Run) -> None:
    assert run("--version") == Ran(0, f"forenoon {version('forenoon')}\n", "")


@pytest.mark.parametrize(
    "words", [["--help"], ["setup", "--help"], ["demo"], ["check"], ["check", "--show"], ["status"]]
)
def test_no_colours(words: list[str], record_farm: Path, tmp_path: Path) -> None:
    """There are none at all, on a terminal neither, but for those of a Python that colours its help by itself."""
    given = [*words, *(["--page", str(tmp_path / "page.html")] if words == ["demo"] else [])]
    master, slave = pty.openpty()
    surroundings = {
        **os.environ, "NO_COLOR": "1", "TERM": "xterm", "FORENOON_CONFIG": str(record_farm),
        "STATE_DIRECTORY": str(tmp_path / "state"),
    }  # fmt: skip
    command = [sys.executable, "-m", "daemon.cli.commands", *given]
    with subprocess.Popen(command, stdout=slave, stderr=slave, env=surroundings) as running:
        os.close(slave)
        shown = terminal_text(master)
        assert running.wait(60) in (0, 1)
    os.close(master)
    assert shown
    assert "\x1b" not in shown


def test_an_interrupted_command(record_farm: Path, tmp_path: Path) -> None:
    command = [sys.executable, "-c", INTERRUPTIBLE, "setup", "-c", str(tmp_path / "new.toml")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as running:
        next_line(running, "1 of 6")
        running.send_signal(signal.SIGINT)
        assert running.wait(60) == 130
    assert not (tmp_path / "new.toml").exists()


@pytest.mark.parametrize(
    "words",
    [
        *(
            [],
            ["mow"],
            ["setup", "--fast"],
            ["run", "now"],
            ["status", "--all"],
            ["check", "--all"],
            ["test-alert", "me"],
        ),
        *(["explain", "--all", "Mill Field"], ["note", "list", "all"], ["note", "ground"]),
        *(["note", "lodged"], ["note", "height", "Mill Field"], ["note", "stage", "Mill Field"], ["note", "uncut"]),
        *(["note", "wrapped"],),
        *(["mow", "now"], ["once", "--fast"], ["explain"], ["demo", "--now", AT]),
        *(["note"], ["note", "rain"], ["note", "cut"], ["note", "moisture", "Mill Field"], ["note", "undo", "first"]),
    ],
)
def test_wrong_usage(run: Run, words: list[str]) -> None:
    ran = run(*words)
    assert ran.code == 2
    assert ran.said == ""
    assert "usage: forenoon" in ran.complaint


@pytest.mark.parametrize(
    "given", ["2026-06-01T05:30", "half past five", "0001-01-01T00:00+00:00", "2101-01-01T00:00+00:00"]
)
def test_the_time_to_pretend_has_its_offset_and_a_year_of_this_age(run: Run, record_farm: Path, given: str) -> None:
    ran = run("once", "-c", record_farm, "--now", given)
    assert ran.code == 2
    assert f"given '{given}', allowed a time with its offset: 2026-06-01T05:30-04:00" in ran.complaint


def test_explain(run: Run, record_farm: Path) -> None:
    ran = run("explain", "-c", record_farm, "--now", AT, "long field")
    assert ran.code == 0
    assert ran.said.startswith("Long Field, 10 acres\nToday: ")
    assert "temperature sum" in ran.said
    assert "Standing yield 0.6, 0.8, 1.0 tons of dry matter an acre, from the settings" in ran.said


def test_explain_as_data(run: Run, record_farm: Path, data: dict[str, Any]) -> None:
    ran = run("explain", "--json", "-c", record_farm, "--now", AT, "long field")
    assert (ran.code, ran.complaint) == (0, "")
    told = json.loads(ran.said)
    whole = next(field for field in data["fields"] if field["name"] == "Long Field")
    (one,) = told["fields"]
    assert one["advice"].pop("would_change").startswith("odds under 7 in 10")
    assert one == whole
    assert told.keys() == data.keys()
    assert told["about"]["growth"]["put_right_by"].startswith('forenoon note stage "Long Field" WORD')


def test_explain_a_field_that_is_not_there(run: Run, record_farm: Path) -> None:
    ran = run("explain", "-c", record_farm, "--now", AT, "Hill")
    assert ran.code == 2
    assert ran.said == ""
    assert ran.complaint == "explain: given 'Hill', allowed one of: Long Field, Mill Field\n"


@pytest.mark.parametrize(
    ("words", "noted"),
    [
        (["moisture", "long field", "58", "--at", "04:30"], "Long Field: 58% water on 10 June 2026 at 4:30 am"),
        (["moisture", "Long Field", "5", "--sure"], "Long Field: 5% water on 10 June 2026 at 5:20 am"),
        (["moisture", "Long Field", "85"], "Long Field: 85% water on 10 June 2026 at 5:20 am"),
        (["moisture", "Long Field", "57.5%"], "Long Field: 57.5% water on 10 June 2026 at 5:20 am"),
        (
            ["moisture", "Long Field", "58", "--at", "2026-06-09T15:00-04:00"],
            "Long Field: 58% water on 9 June 2026 at 3:00 pm",
        ),
        (["cut", "Long Field"], "Long Field: cut on 10 June 2026"),
        (["cut", "LONG FIELD", "--on", "yesterday", "--area", "2.5"], "Long Field: 2.5 acres of it cut on 9 June 2026"),
        (["cut", "Long Field", "--area", "10"], "Long Field: 10 acres of it cut on 10 June 2026"),
        (["cut", "Mill Field", "--on", "2026-06-08", "--at", "8:15"], "Mill Field: cut on 8 June 2026 at 8:15 am"),
        (["cut", "Mill Field", "--at", "2026-06-08T08:15"], "Mill Field: cut on 8 June 2026 at 8:15 am"),
        (["uncut", "Long Field"], "Long Field: not cut on 10 June 2026"),
        (["wrapped", "Long Field"], "Long Field: wrapped on 10 June 2026 at 5:20 am"),
        (
            ["wrapped", "Long Field", "--moisture", "52", "--at", "2026-06-09T19:00"],
            "Long Field: wrapped on 9 June 2026 at 7:00 pm, 52% water",
        ),
        (["wrapped", "Long Field", "--on", "yesterday"], "Long Field: wrapped on 9 June 2026"),
        (["stage", "Long Field", "No heads yet"], "Long Field: no heads yet on 10 June 2026"),
        (["stage", "Mill Field", "r2", "--on", "yesterday"], "Mill Field: R2 on 9 June 2026"),
        (["height", "Long Field", "22.5", "--on", "2026-06-08"], "Long Field: 22.5 inches tall on 8 June 2026"),
        (["ground", "Long Field", "Ruts"], "Long Field: ground with ruts on 10 June 2026"),
    ],
)
def test_a_note_says_what_was_understood(run: Run, record_farm: Path, words: list[str], noted: str) -> None:
    ran = run("note", *words, "-c", record_farm, "--now", AT)
    assert (ran.code, ran.complaint) == (0, "")
    assert ran.said.splitlines()[0] == f"Noted {noted}; to undo it: forenoon note undo 1"
    assert run("note", "list", "-c", record_farm) == Ran(0, f"   1  {noted}\n", "")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["moisture", "Long Field", "4.9"], "given '4.9' for the moisture, allowed 5 to 95 percent of water"),
        (["moisture", "Long Field", "95.1"], "allowed 5 to 95 percent"),
        (
            ["moisture", "Long Field", "5"],
            "so nothing was noted; if it is right, add --sure",
        ),
        (
            ["moisture", "Long Field", "85.5"],
            "85.5% is wetter than a crop just cut, so nothing",
        ),
        (["wrapped", "Long Field", "--moisture", "14.9"], "14.9% is drier than hay"),
        (["moisture", "Long Field", "4", "--sure"], "allowed 5 to 95 percent"),
        (["moisture", "Long Field", "nan"], "allowed 5 to 95 percent"),
        (["wrapped", "Long Field", "--moisture", "wet"], "given 'wet' for the moisture"),
        (["moisture", "Hill", "58"], "given 'Hill', allowed one of: Long Field, Mill Field"),
        (["moisture", "long feld", "58"], 'allowed one of: Long Field, Mill Field; the nearest is "Long Field"'),
        (
            ["stage", "Long Field", "boots"],
            '"boot", "early heads", "heads here and there", "full heads", "bloom"',
        ),
        (["moisture", "Long Field", "58", "--at", "14:30"], "given 14:30, allowed no time ahead"),
        (
            ["moisture", "Long Field", "58", "--at", "25:00"],
            "given the time '25:00', allowed 14:30 or 2026-06-01T14:30",
        ),
        (
            ["cut", "Long Field", "--on", "2026-06-11"],
            "given 2026-06-11, which is still ahead; give today, yesterday or an earlier day",
        ),
        (["wrapped", "Long Field", "--on", "2026-06-11"], "which is still ahead"),
        (["moisture", "Long Field", "0.52"], "allowed 5 to 95 percent of water; give 52 if that is meant"),
        (["cut", "Long Field", "--on", "2025-06-09"], "given 2025-06-09, allowed nothing older than a year"),
        (["cut", "Long Field", "--at", "0001-01-01T00:00+14:00"], "which is no time that a clock can show"),
        (["cut", "Long Field", "--on", "June"], "given the day 'June', allowed a day such as 2026-06-01, "),
        (["cut", "Long Field", "--on", "today", "--at", "2026-06-08T08:15"], "given the day twice"),
        (
            ["cut", "Long Field", "--area", "10.1"],
            "given '10.1' for the area, allowed 0.01 up to 10 acres, the size of Long Field",
        ),
        (["cut", "Long Field", "--area", "0"], "allowed 0.01 up to"),
        (["cut", "Long Field", "--area", "0.0099"], "given '0.0099' for the area, allowed 0.01 up to"),
        (["cut", "Long Field", "--area", "1e-320"], "given '1e-320' for the area, allowed 0.01 up to"),
        (
            ["stage", "Long Field", "buds"],
            'given \'buds\' for the stage, allowed for the stand of Long Field "no heads yet", "leaf"',
        ),
        (["height", "Long Field", "0.7"], "given '0.7' for the height, allowed 0.8 inches to 98.4 inches, without"),
        (["height", "Long Field", "22 in"], "given '22 in' for the height"),
        (["ground", "Long Field", "mud"], "given 'mud' for the ground, allowed firm (a heel leaves no mark), soft"),
        (["ground", "Long Field", "mud"], "soft (one of about half an inch), ruts (one of over an inch)"),
        (["ground", "Long Field", "soft", "--on", "2026-06-11"], "which is still ahead"),
        (["undo", str(2**63)], f"given line {2**63}, allowed a number that"),
        (["undo", "1"], "given line 1, allowed a number that `forenoon note list` prints"),
    ],
)
def test_a_note_that_cannot_be_is_not_kept(run: Run, record_farm: Path, words: list[str], said: str) -> None:
    ran = run("note", *words, "-c", record_farm, "--now", AT)
    assert (ran.code, ran.said) == (2, "")
    assert said in ran.complaint
    assert len(ran.complaint.splitlines()) == 1
    assert run("note", "list", "-c", record_farm) == Ran(0, "", "")


def test_a_note_says_at_once_what_it_does_not_tell_and_what_it_is_taken_for(run: Run, record_farm: Path) -> None:
    def said(*words: str) -> list[str]:
        return run("note", *words, "-c", record_farm, "--now", AT).said.splitlines()[1:]

    assert said("moisture", "Long Field", "58", "--at", "4:30") == [
        "It is set aside until the cut of Long Field on that day or the day before is noted."
    ]
    assert said("wrapped", "Mill Field", "--on", "yesterday", "--moisture", "52") == [
        "No cut of Mill Field waited for it: all of it is taken as cut that day.",
        "Its moisture teaches nothing without the hour: undo it and give --at too.",
    ]
    assert said("cut", "Long Field", "--on", "yesterday", "--at", "8:00") == []
    assert said("moisture", "Long Field", "58", "--at", "2026-06-09T13:00") == []
    assert said("moisture", "Long Field", "80", "--at", "2026-06-09T08:30") == [
        "It is kept but not used, because it was taken less than an hour after mowing began at 8:00 am."
    ]
    assert said("moisture", "Long Field", "80", "--at", "2026-06-09T07:30") == [
        "It is kept but not used, because it was taken before mowing began at 8:00 am."
    ]
    assert said("wrapped", "Long Field", "--on", "yesterday") == []
    assert said("uncut", "Long Field", "--on", "yesterday") == [
        "It takes back the cut of Long Field that was noted of that day.",
        "Long Field is noted as wrapped that day, so it is held for cut all the same.",
    ]
    assert said("uncut", "Mill Field") == []
    assert said("height", "Long Field", "22") == [
        "Kept, but only alfalfa of 16 to 47 inches tells its fibre by its height; note the stage too."
    ]


@pytest.mark.parametrize(
    ("words", "quoted"),
    [
        (["note", "cut", "Long", "Field"], '"Long Field"'),
        (["note", "cut", "Long", "Field", "--area", "4"], '"Long Field"'),
        (["note", "moisture", "Long", "Field", "52", "--at", "15:30"], '"Long Field" 52'),
        (["explain", "Long", "Field", "--json"], '"Long Field"'),
    ],
)
def test_a_name_of_several_words_without_quotes(run: Run, words: list[str], quoted: str) -> None:
    ran = run(*words)
    assert (ran.code, ran.said) == (2, "")
    assert ran.complaint.splitlines()[-1].endswith(f"error: put the name of the field in quotes: {quoted}")
    assert f"usage: forenoon {' '.join(words[: 1 if words[0] == 'explain' else 2])}" in ran.complaint


def test_what_is_taken_back_is_said_with_what_holds_again(run: Run, record_farm: Path) -> None:
    def said(*words: str) -> list[str]:
        return run("note", *words, "-c", record_farm, "--now", AT).said.splitlines()

    said("cut", "Long Field", "--on", "yesterday")
    said("uncut", "Long Field", "--on", "yesterday")
    assert said("undo", "2") == [
        "Taken back: Long Field: not cut on 9 June 2026",
        "The cut of Long Field that it took back holds again.",
    ]
    said("moisture", "Long Field", "58", "--at", "2026-06-09T13:00")
    assert said("undo", "1")[1:] == [
        "The samples of Long Field of that day are set aside, unless another cut of it is noted."
    ]


def test_what_lies_is_told_before_what_is_advised(run: Run, record_farm: Path) -> None:
    noon = "2026-06-10T12:00-04:00"
    run("note", "cut", "Long Field", "--area", "3", "--at", "7:00", "-c", record_farm, "--now", noon)
    for words in (["once"], ["explain", "Long Field"]):
        said = " ".join(run(*words, "-c", record_farm, "--now", noon).said.split())
        assert "Long Field, 3 acres cut at 7:00 am: on track, rake from" in said
        for advice in ("Text Brook Farm", "Today: "):
            assert advice not in said or said.index("3 acres cut") < said.index(advice)
    assert "Under way" not in run("once", "-c", record_farm, "--now", AT).said


def test_notes_change_the_advice_until_they_are_undone(run: Run, record_farm: Path) -> None:
    def advice() -> str:
        return run("once", "--json", "-c", record_farm, "--now", AT).said

    before = advice()
    assert json.loads(before)["fields"][0]["advice"]["kind"] == "mow"
    run("note", "cut", "Long Field", "--on", "2026-06-08", "-c", record_farm, "--now", AT)
    assert json.loads(advice())["fields"][0]["advice"]["reason"] == "not ripe"
    ran = run("note", "undo", "1", "-c", record_farm)
    assert ran == Ran(0, "Taken back: Long Field: cut on 8 June 2026\n", "")
    assert advice() == before


def test_soft_ground_holds_back_until_it_carries(run: Run, record_farm: Path) -> None:
    ran = run("note", "ground", "Long Field", "soft", "-c", record_farm, "--now", AT)
    assert ran.code == 0
    held = json.loads(run("once", "--json", "-c", record_farm, "--now", AT).said)["fields"][0]
    assert (held["ground"], held["advice"]["kind"], held["advice"]["reason"]) == ("soft", "wait", "ground too soft")
    first = next(day for day in held["days"] if day["carried"] == 1.0)
    assert (held["days"][0]["carried"], held["carries_from"]) == (0.0, first["date"])
    words = run("explain", "Long Field", "-c", record_farm, "--now", AT).said
    assert "Today: wait: the ground will not carry the baler yet." in words
    assert "Ground soft, should carry by " in words
    assert "Seen last: ground soft on 10 June 2026 (line 1)." in words
    assert "ground soft, should carry by " in run("once", "-c", record_farm, "--now", AT).said
    run("note", "ground", "Long Field", "firm", "-c", record_farm, "--now", AT)
    firm = json.loads(run("once", "--json", "-c", record_farm, "--now", AT).said)["fields"][0]
    assert (firm["ground"], firm["advice"]["kind"], firm["carries_from"]) == ("firm", "mow", "2026-06-10")


def test_a_look_that_is_noted_reaches_the_clock(run: Run, record_farm: Path) -> None:
    def field() -> dict[str, Any]:
        said: dict[str, Any] = json.loads(run("once", "--json", "-c", record_farm, "--now", AT).said)["fields"][0]
        return said

    assert (field()["stage"], field()["advice"]["kind"]) == ("bloom", "mow")
    assert run("note", "stage", "Long Field", "boot", "--on", "2026-06-09", "-c", record_farm, "--now", AT).code == 0
    after = field()
    assert after["advice"]["reason"] == "growth not known"
    assert after["advice"]["detail"].startswith("boot on 9 June 2026 does not go with the warmth so far: it would fit ")
    assert after["told"][1:] == ["Seen: boot on 9 June 2026 (line 1)."]


def test_a_note_about_a_field_that_is_gone_is_marked(run: Run, tmp_path: Path, record_farm: Path) -> None:
    run("note", "cut", "Mill Field", "-c", record_farm, "--now", AT)
    path = settings(tmp_path, 'source = "file"\npath = "record.csv"', ('"Mill Field"', '"Forge Field"'))
    assert run("note", "list", "-c", path).said == (
        "   1  Mill Field: cut on 10 June 2026 (no field of the settings has this name)\n"
    )


def test_a_note_from_a_process_of_its_own(tmp_path: Path, record_farm: Path) -> None:
    state = tmp_path / "own" / "state"
    given = [
        sys.executable,
        "-m",
        "daemon.cli.commands",
        "note",
        "moisture",
        "Long Field",
        "58",
        "-c",
        str(record_farm),
    ]
    ran = subprocess.run(
        [*given, "--now", AT],
        env={**os.environ, "STATE_DIRECTORY": str(state)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert Ran(ran.returncode, ran.stdout, ran.stderr) == Ran(
        0,
        "Noted Long Field: 58% water on 10 June 2026 at 5:20 am; to undo it: forenoon note undo 1\n"
        "It is set aside until the cut of Long Field on that day or the day before is noted.\n",
        "",
    )
    given[4:6] = ["ground", "Long Field", "soft"]
    looked = subprocess.run(
        [*given[:7], "-c", str(record_farm), "--on", "yesterday", "--now", AT],
        env={**os.environ, "STATE_DIRECTORY": str(state)},
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    assert looked.stdout == "Noted Long Field: ground soft on 9 June 2026; to undo it: forenoon note undo 2\n"
    told = [(line.id, line.moisture, line.ground) for line in Diary(state / "diary.sqlite3").notes()]
    assert told == [(1, 0.58, None), (2, None, "soft")]


def test_a_diary_that_is_none(run: Run, tmp_path: Path, record_farm: Path) -> None:
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / "diary.sqlite3").write_text("not a database, but long enough to be looked at" * 30)
    for words in (["note", "cut", "Long Field"], ["note", "list"], ["note", "undo", "1"]):
        ran = run(*words, "-c", record_farm)
        assert (ran.code, ran.said) == (1, "")
        assert "diary.sqlite3 cannot be used (file is not a database); make its folder writable" in ran.complaint
    ran = run("once", "-c", record_farm, "--now", AT)
    assert ran.code == 1
    assert "no advice, because: diary: " in ran.complaint


def test_a_line_that_cannot_be_read_is_named_and_can_be_deleted(run: Run, tmp_path: Path, record_farm: Path) -> None:
    for field in ("Long Field", "Mill Field"):
        assert run("note", "cut", field, "-c", record_farm, "--now", AT).code == 0
    with closing(sqlite3.connect(tmp_path / "state" / "diary.sqlite3")) as db, db:
        db.execute("UPDATE lines SET at = '2026-06-09T12:00:00' WHERE id = 1")
    ran = run("note", "list", "-c", record_farm)
    assert (ran.code, ran.said) == (1, "")
    assert "delete it with forenoon note undo 1" in ran.complaint
    assert run("note", "undo", "1", "-c", record_farm) == Ran(0, "Taken back: a line that could not be read\n", "")
    assert run("note", "list", "-c", record_farm).said == "   2  Mill Field: cut on 10 June 2026\n"


def test_check(run: Run, tmp_path: Path, record_farm: Path) -> None:
    good = run("check", "-c", record_farm)
    assert good.code == 0
    assert good.said == f"{record_farm}: good\n"
    assert 'name = "Long Field"' in run("check", "--show", "-c", record_farm).said
    settings(tmp_path, 'source = "file"', ("area = 10", "area = 0"), ("mown_per_hour = 4", ""))
    bad = run("check", "-c", record_farm)
    assert bad.code == 1
    assert bad.said == ""
    assert [word in bad.complaint for word in ("path", "area", "mown_per_hour")] == [True, True, True]


@pytest.mark.parametrize(
    "command",
    [
        *(["once"], ["run"], ["explain", "Long Field"], ["explain", "--json", "Long Field"], ["check"], ["test-alert"]),
        *(["note", "cut", "Long Field"], ["note", "list"], ["note", "undo", "1"]),
    ],
)
def test_settings_that_are_not_there(run: Run, tmp_path: Path, command: list[str]) -> None:
    ran = run(*command, "-c", tmp_path / "none.toml")
    assert ran.code == 1
    assert ran.said == ""
    assert "none.toml" in ran.complaint
    assert len(ran.complaint.splitlines()) == 1


def test_no_settings_anywhere(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("FORENOON_CONFIG", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    ran = run("check")
    assert ran.code == 1
    assert "type forenoon setup, or copy config.example.toml" in ran.complaint


def test_advice_as_data(data: dict[str, Any]) -> None:
    assert {"farm", "issued_at", "weather", "fields"} <= data.keys()
    assert data["farm"] == "Brook Farm"
    assert data["issued_at"] == "2026-06-10T05:20-04:00"
    assert {"source", "issued_at", "age_hours"} <= data["weather"].keys()
    assert data["weather"]["source"] == "file"
    assert [(field["name"], field["area_ha"]) for field in data["fields"]] == [
        ("Long Field", 4.0469),
        ("Mill Field", 2.0234),
    ]
    for field in data["fields"]:
        assert field.keys() >= FIELD_KEYS
        assert field["ndf"].keys() == POINTS
        assert {"kind", "area_ha", "reason"} <= field["advice"].keys()
        first = datetime.fromisoformat(data["issued_at"]).date()
        dates = [(first + timedelta(days=number)).isoformat() for number in range(4)]  # the record ends with the fifth
        assert [day["date"] for day in field["days"]] == dates
    long_field, mill_field = data["fields"]
    assert long_field["advice"]["kind"] == "mow"
    assert mill_field["advice"] == {"kind": "wait", "area_ha": 0.0, "reason": "not ripe", "detail": ""}


def test_the_days_of_the_data_hold_together(data: dict[str, Any]) -> None:
    days = [(field, day) for field in data["fields"] for day in field["days"]]
    mown = [day for _, day in days if day["area_ha"] > 0.0]
    assert mown
    for field, day in days:
        assert day.keys() >= DAY_KEYS
        assert 0.0 <= day["area_ha"] <= field["area_ha"]
        assert (day["reason"] is None) == (day["area_ha"] > 0.0)
        curve = [point["odds"] for point in day["curve"]]
        assert all(0.03 <= chance <= 0.97 for chance in [*curve, *([day["odds"]] if day["odds"] else [])])
        assert curve == sorted(curve, reverse=True)  # more acres are never surer
    for day in mown:
        at = {name: datetime.fromisoformat(day[name]) for name in HOURS_OF_A_DAY}
        assert {moment.utcoffset() for moment in at.values()} == {timedelta(hours=-4)}
        assert {moment.date().isoformat() for moment in at.values()} == {day["date"]}
        assert at["start"] < at["mow_until"] < at["wrapped_by"]
        assert at["start"] < at["bale_from"] < at["wrapped_by"]
        assert day["odds"] >= 0.7
        water = day["moisture_at_baling"]
        assert water.keys() == POINTS
        assert 0.2 < water["low"] <= water["mid"] <= water["high"] < 0.62


def test_the_morning_in_words(run: Run, record_farm: Path) -> None:
    ran = run("once", "-c", record_farm, "--now", AT)
    assert ran.code == 0
    assert "Brook Farm: Wednesday: mow" in ran.said
    assert "Mill Field: not ripe yet" in ran.said


def test_the_demonstration_is_the_same_twice_and_needs_no_network(run: Run, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    first = run("demo", "--page", page)
    assert first.code == 0
    for part in ("The text message", "The email", "The fields", "The status page is in"):
        assert f"--- {part}" in first.said
    assert "mow" in first.said.partition("--- The email")[0]
    assert "Long Bottom" in page.read_text()
    page.unlink()
    given = [sys.executable, "-c", WITHOUT_NETWORK, "demo", "--page", str(page)]
    again = subprocess.run(given, capture_output=True, text=True, check=False, timeout=60)
    assert Ran(again.returncode, again.stdout, again.stderr) == first
    assert page.is_file()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('stand = "orchardgrass"', 'stand = "orchardgras"', 'stand = "orchardgrass"'),
        ("area = 10\n", "", "area: given nothing"),
    ],
)
def test_settings_that_are_wrong(run: Run, tmp_path: Path, old: str, new: str, said: str) -> None:
    path = settings(tmp_path, 'source = "file"\npath = "record.csv"', (old, new))
    ran = run("once", "-c", path, "--now", AT)
    assert ran.code == 1
    assert ran.said == ""
    assert "farm.toml line " in ran.complaint
    assert said in ran.complaint


def test_the_service_as_it_should_be(run: Run, tmp_path: Path, service: OpenMeteo) -> None:
    # What the tests below break: without their faults there is advice to mow.
    path = settings(tmp_path, SERVICE.format(service.address))
    assert advices(run("once", "--json", "-c", path, "--now", AT))[0]["kind"] == "mow"


def no_json(server: OpenMeteo) -> None:
    server.faults[FORECAST] = Fault(body=b"<html>Welcome to the guest network</html>")


def nulls_come(server: OpenMeteo) -> None:
    server.faults[FORECAST] = nulls("precipitation", ["2026-06-09T15:00"])


def nulls_ahead(server: OpenMeteo) -> None:
    for path in (FORECAST, ENSEMBLE):
        server.faults[path] = nulls("shortwave_radiation", ["2026-06-10T17:00"])


def old_run(server: OpenMeteo) -> None:
    server.run = NOW - timedelta(hours=30)


def few_members(server: OpenMeteo) -> None:
    server.members = 4


@pytest.mark.parametrize(
    ("fault", "reason", "said"),
    [
        (no_json, "weather data missing", "the reply is no whole JSON; it ends with '<html>Welcome"),
        (nulls_come, "weather data missing", "the past weather lacks 1 hour: 2026-06-09T15:00Z"),
        (nulls_ahead, "weather data missing", "open-meteo: the forecast ends at 2026-06-10T16:00Z, allowed 2026-06-11"),
        (old_run, "weather data too old", "30 hours old, no more than 18 allowed"),
        (few_members, "too few forecast members", "5 usable members, 8 needed"),
    ],
)
def test_weather_that_cannot_be_trusted(
    run: Run, tmp_path: Path, service: OpenMeteo, fault: Callable[[OpenMeteo], None], reason: str, said: str
) -> None:
    path = settings(tmp_path, SERVICE.format(service.address))
    fault(service)
    ran = run("once", "--json", "-c", path, "--now", AT)
    for advice in advices(ran):
        assert (advice["kind"], advice["area_ha"], advice["reason"]) == ("none", 0.0, reason)
        assert said in advice["detail"]
    assert ran.code == 1
    assert said in ran.complaint
    explained = run("explain", "--json", "-c", path, "--now", AT, "Long Field")
    assert (explained.code, json.loads(explained.said)["trouble"]) == (1, reason)
    assert explained.complaint.splitlines()[-1].startswith("no advice, because: ")
    words = run("once", "-c", path, "--now", AT)
    assert "no advice, because" in words.said
    assert "mow " not in words.said.partition("Email:")[0]


def test_a_record_with_a_gap(run: Run, tmp_path: Path, record_farm: Path, hours: pd.DataFrame) -> None:
    written(tmp_path / "record.csv", hours.drop(hours.index[3000:3002]))
    ran = run("once", "--json", "-c", record_farm, "--now", AT)
    assert [advice["kind"] for advice in advices(ran)] == ["none", "none"]
    assert ran.code == 1
    assert "record.csv: the weather lacks 2 hours: 2026-05-06T01:00Z, 2026-05-06T02:00Z" in ran.complaint

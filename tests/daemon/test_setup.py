"""The first hour: the six questions on a pipe and on a terminal, and the file that comes of them."""

import json
import os
import pty
import re
import select
import stat
import subprocess
import sys
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import pytest

from daemon.farm import Channel, Units
from daemon.settings import check, load, options, show
from daemon.settings.commented import commented
from daemon.setup import SetupError, refuse_taken, settings_text, write
from tests.loopback.receivers import Gateway

GOOD: Final = (
    "Brook Farm",
    "4 acres",
    "43.12, -74.35, 900",
    "",
    "Long Field, 12, orchardgrass",
    "Robin, text, json://127.0.0.1:9/robin",
)
COMMAND: Final = (sys.executable, "-m", "daemon.commands", "setup")


def asked(answers: Iterable[str]) -> tuple[str, str]:
    """Return the text of the file and all that was said on the way."""
    given = iter(answers)
    said: list[str] = []

    def ask(prompt: str) -> str:
        try:
            return next(given)
        except StopIteration:
            raise EOFError from None

    return settings_text(ask, said.append), "\n".join(said)


def answered(number: int, *instead: str) -> list[str]:
    """Return good answers but for one question, which has these."""
    return [*GOOD[: number - 1], *instead, *GOOD[number:]]


def saved(folder: Path, text: str) -> Path:
    path = folder / "config.toml"
    write(path, text)
    return path


def test_the_answers_come_to_a_file_that_check_accepts(tmp_path: Path) -> None:
    path = saved(tmp_path, asked(GOOD)[0])
    assert str(check(path)) == ""
    farm = load(path)
    assert (farm.name, farm.units, farm.place.timezone.key) == ("Brook Farm", Units.US, "America/New_York")
    assert (farm.place.latitude, farm.place.longitude) == (43.12, -74.35)
    assert farm.place.elevation == pytest.approx(274.32)  # 900 ft of 0.3048 m
    assert farm.work.mown_per_hour == pytest.approx(1.6187426)  # 4 acres of 0.40468564 ha
    assert [(field.name, dict(field.stand)) for field in farm.fields] == [("Long Field", {"orchardgrass": 1.0})]
    assert [(one.name, one.channel, one.address) for one in farm.alerts.people] == [
        ("Robin", Channel.TEXT, "json://127.0.0.1:9/robin")
    ]


def test_nobody_but_the_owner_reads_the_file(tmp_path: Path) -> None:
    old = os.umask(0)
    try:
        path = saved(tmp_path / "new" / "folder", asked(GOOD)[0])
        write(path, asked(GOOD)[0], overwrite=True)
    finally:
        os.umask(old)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [one.name for one in path.parent.iterdir()] == ["config.toml"]


def test_what_replaces_a_file_goes_to_its_owner_and_group(tmp_path: Path) -> None:
    path = saved(tmp_path, "mine")
    stranger = 61_005 if os.geteuid() == 0 else os.getuid()
    os.chown(path, stranger, -1)
    path.chmod(0o644)
    before = path.stat()
    write(path, asked(GOOD)[0], overwrite=True)
    found = path.stat()
    assert (found.st_uid, found.st_gid) == (before.st_uid, before.st_gid) == (stranger, before.st_gid)
    assert stat.S_IMODE(found.st_mode) == 0o640, "its group reads it on, and nobody else"
    assert load(path).name == "Brook Farm"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can act as another user")
@pytest.mark.parametrize("mode", [0o755, 0o750])
def test_who_may_write_nothing_there_is_told_so_before_the_questions(tmp_path: Path, mode: int) -> None:
    folder = tmp_path / "etc"
    folder.mkdir()
    folder.chmod(mode)
    for above in (folder, *folder.parents):
        if above not in (folder, Path("/"), Path("/tmp")):
            above.chmod(above.stat().st_mode | stat.S_IXOTH)
    child = os.fork()
    if child == 0:
        os.setgroups([])
        os.setgid(61_005)
        os.setuid(61_005)
        refused = 0
        for path in (folder / "config.toml", folder / "new" / "config.toml"):
            try:
                refuse_taken(path)
            except SetupError as why:
                refused += f"given {path}, where you may write nothing" in str(why)
        os._exit(10 + refused)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 12
    refuse_taken(folder / "new" / "config.toml")  # root may


def test_the_units_are_those_of_the_mowing_rate(tmp_path: Path) -> None:
    metric = [
        "Gard",
        "1,6 ha an hour",
        "59.9 N 10.7 E 150 m",
        "",
        "Jordet, 3.5, timothy 60 + red clover 40, 2026-06-04",
        "",
    ]
    farm = load(saved(tmp_path, asked(metric)[0]))
    assert (farm.units, farm.place.timezone.key, farm.alerts.people) == (Units.METRIC, "Europe/Oslo", ())
    assert (farm.work.mown_per_hour, farm.fields[0].area, farm.place.elevation) == (1.6, 3.5, 150.0)
    assert dict(farm.fields[0].stand) == {"timothy": 0.6, "red clover": 0.4}
    assert str(farm.fields[0].last_cut) == "2026-06-04"


def test_every_option_stands_in_the_file_with_its_default(tmp_path: Path) -> None:
    text = asked(GOOD)[0]
    found, section = set(), ""
    for line in text.splitlines():
        if head := re.match(r"#?\[+([a-z.]+)\]+$", line):
            section = head[1]
        elif key := re.match(r"#?([a-z_]+) =", line):
            found.add(f"{section}.{key[1]}")
    known = {one.name for one in options()}
    assert found == {name for name in known if "looks." not in name} | {"field.looks"}
    # With the # away from each default, it still means the same farm.
    mine, species = text.split("#[[species]]")
    uncommented = re.sub(r"(?m)^#(\w+ = .)", r"\1", mine) + "#[[species]]" + species
    assert uncommented.count("\n#") < text.count("\n#") - 20
    assert show(load(saved(tmp_path, uncommented))) == show(load(saved(tmp_path / "as it was", text)))


@pytest.mark.parametrize("units", list(Units))
def test_what_is_not_given_is_toml_behind_its_mark(units: Units) -> None:
    assert set(tomllib.loads(commented({}, units))) == {
        "farm",
        "weather",
        "work",
        "baleage",
        "alerts",
        "page",
        "estimates",
    }


@pytest.mark.parametrize(
    ("number", "answer", "said"),
    [
        (1, "", 'name: given "", allowed text, one line of 1 to 80 characters'),
        (1, "Bad\tname", "allowed text, one line"),
        (2, "4", 'given "4", allowed a number with its unit; write "4 acres" or "4 ha"'),
        (2, "a lot", 'write "4 acres" or "4 ha"'),
        (2, "0.01 acres", "mown_per_hour: given 0.01, allowed a number from"),
        (3, "95, -74.35, 900", "latitude: given 95, allowed a number from -66 to 66 degrees; the nearest is 66"),
        (3, "-74.35, 43.12, 900", "Degrees north stand first, then degrees east."),
        (3, "43.12, -74.35", "allowed three numbers with commas between, such as 43.12, -74.35, 300"),
        (3, "43.12, -74.35, 900 m", "allowed three numbers"),  # metres on a farm of acres
        (3, "43.12 E, 74.35 N, 900", "allowed three numbers"),
        (3, "43,12, -74,35, 900", "such as 43.12, -74.35, 300; write each fraction with a point"),
        (3, "43,12 -74,35 900", "write each fraction with a point"),
        (3, "43.12, -74.35, 20000", "elevation: given 20000, allowed a number from -1310 to 13100 ft"),
        (4, "America/NewYork", 'timezone: given "America/NewYork", allowed the name of a time zone'),
        (4, "America/NewYork", 'the nearest is "America/New_York"'),
        (4, "SAST", "Enter takes America/New_York."),
        (5, "Long Field", "allowed name, size and stand"),
        (5, "Long Field, 12 ha, orchardgrass", 'area: given "12 ha", allowed a number'),  # on a farm of acres
        (5, "Long Field, acres, orchardgrass", 'area: given "acres", allowed a number'),
        (5, "Long Field, nan, orchardgrass", "area: given nan, allowed a number"),
        (5, "Long Field, 12, orchardgras", 'the nearest is "orchardgrass"'),
        (5, "Long Field, 12, timothy 60 + red clover 30", "the nearest is timothy 66.7 + red clover 33.3"),
        (5, "Long Field, 12, orchardgrass, June", 'last_cut: given "June", allowed a day such as 2026-05-20'),
        (6, "Robin", "given something else, allowed a name, text or email, and an address"),
        (6, "Robin, phone, json://127.0.0.1:9/x", 'by: given "phone", allowed one of "text", "email"'),
        (6, "Robin, text, hunter2", "address: given something that is not shown, allowed an Apprise address"),
    ],
)
def test_nonsense_is_refused_with_what_is_nearest_and_asked_again(number: int, answer: str, said: str) -> None:
    text, told = asked(answered(number, answer, GOOD[number - 1]))
    assert said in told
    assert "hunter2" not in told
    assert text == asked(GOOD)[0]


def test_a_place_that_does_not_lie_in_its_time_zone_is_asked_for_again() -> None:
    text, told = asked([*GOOD[:2], "43.12, 74.35, 900", "America/New_York", *GOOD[2:]])
    assert "allowed a longitude that lies in the time zone, west is negative; write longitude = -74.35" in told
    assert told.count("3 of 6.") == 2
    assert text == asked(GOOD)[0]


@pytest.mark.parametrize(
    "place", ["43.12 -74.35 900", "43.12° N; 74.35° W; 900 ft", "+43.12,-74.35,900 feet", "43,12; -74,35; 900"]
)
def test_a_place_may_be_written_in_other_ways(place: str) -> None:
    assert asked(answered(3, place))[0] == asked(GOOD)[0]


def test_the_quotes_of_the_examples_may_be_typed_too() -> None:
    assert asked([f'"{answer}"' for answer in GOOD])[0] == asked(GOOD)[0]
    quoted = [*GOOD[:4], '"Long Field", 12, "orchardgrass"', '"Robin", "text", "json://127.0.0.1:9/robin"']
    assert asked(quoted)[0] == asked(GOOD)[0]
    assert 'name = "Three \\"Willows\\""' in asked(answered(1, 'Three "Willows"'))[0]


def test_the_size_of_a_field_may_have_the_unit_of_the_farm() -> None:
    assert asked(answered(5, "Long Field, 12 acres, orchardgrass"))[0] == asked(GOOD)[0]


@pytest.mark.parametrize("count", range(6))
def test_answers_that_end_come_to_nothing(count: int) -> None:
    with pytest.raises(
        SetupError, match="given answers that ended before the last of 6 questions; nothing was written"
    ):
        asked(GOOD[:count])


def test_ten_answers_that_cannot_be_taken_are_enough() -> None:
    with pytest.raises(SetupError, match="given 10 answers to question 2"):
        asked(["yes"] * 100)


def piped(folder: Path, answers: Iterable[str], *words: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [*COMMAND, "-c", str(folder / "config.toml"), *words],
        input="".join(f"{answer}\n" for answer in answers),
        env=os.environ | {"STATE_DIRECTORY": str(folder / "state")},
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_the_command_writes_checks_and_sends_the_test_message(tmp_path: Path) -> None:
    with Gateway() as gateway:
        address = gateway.address
        ran = piped(tmp_path, [*answered(6, f"Robin, text, {address}"), "y"])
    assert ran.returncode == 0
    assert f"{tmp_path / 'config.toml'}: good\n" in ran.stdout
    assert "Send Robin a test message now? [y/N] Robin (text): sent" in ran.stdout
    assert "Brook Farm: a test. If you read this" in json.dumps(gateway.posted)
    assert "\x1b" not in ran.stdout  # nothing but text goes down a pipe


def test_the_test_message_is_only_offered(tmp_path: Path) -> None:
    ran = piped(tmp_path, GOOD)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.endswith("then try: forenoon once\n")
    assert not (tmp_path / "state").exists()


def test_settings_that_are_there_stay_until_it_is_said_that_they_may_go(tmp_path: Path) -> None:
    path = tmp_path / "config.toml"
    path.write_text("mine")
    ran = piped(tmp_path, GOOD)
    assert (ran.returncode, ran.stdout, path.read_text()) == (1, "", "mine")
    assert ran.stderr.startswith(f"setup: given {path}, where there are settings already, allowed a new file; ")
    assert len(ran.stderr.splitlines()) == 1
    assert piped(tmp_path, GOOD[:3], "--overwrite").returncode == 1
    assert path.read_text() == "mine"
    assert piped(tmp_path, GOOD, "--overwrite").returncode == 0
    assert load(path).name == "Brook Farm"


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    ran = piped(tmp_path / "file", GOOD)
    assert ran.returncode == 1
    assert str(tmp_path / "file") in ran.stderr
    assert len(ran.stderr.splitlines()) == 1


def test_on_a_terminal(tmp_path: Path) -> None:
    path = tmp_path / "config.toml"
    master, slave = pty.openpty()
    with subprocess.Popen(
        [*COMMAND, "-c", str(path)], stdin=slave, stdout=slave, stderr=slave, close_fds=True
    ) as setup:
        os.close(slave)
        said = ""
        for answer in (*GOOD, "n"):
            said += until(master, "> " if answer != "n" else "[y/N] ")
            os.write(master, f"{answer}\n".encode())
        said += until(master, "forenoon once")
        assert setup.wait(timeout=60) == 0
    os.close(master)
    assert [f"{number} of 6." in said for number in range(1, 7)] == [True] * 6
    assert load(path).fields[0].name == "Long Field"


def until(master: int, end: str) -> str:
    """Return what a terminal shows up to some words."""
    said = ""
    while end not in said:
        ready, _, _ = select.select([master], [], [], 60)
        assert ready, said
        said += os.read(master, 4096).decode()
    return said

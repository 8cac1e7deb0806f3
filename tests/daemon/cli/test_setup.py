"""The first hour: the six questions on a pipe and on a terminal, and the file that comes of them."""

import json
import os
import pty
import re
import stat
import subprocess
import sys
import tomllib
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import pytest

from daemon.cli.setup import SetupError, check_writable, settings_text, write_private_file
from daemon.domain.farm import Channel, Units
from daemon.domain.message import MessageState
from daemon.messages.outbox.store import Outbox
from daemon.settings import check, effective_settings_text, load, options
from daemon.settings.generate import settings_file_text
from tests.loopback.receivers import Gateway
from tests.support.processes import terminal_text

pytestmark = pytest.mark.slow

GOOD: Final = (
    "Brook Farm",
    "4 acres",
    "43.12, -74.35, 900",
    "y",  # it is there, and not half the world away
    "",
    "Long Field, 12, orchardgrass",
    "Robin, text, json://127.0.0.1:9/robin",
)
AT: Final = dict(zip(range(1, 7), (0, 1, 2, 4, 5, 6), strict=True))  # where the answer to a question stands above
NOW: Final = datetime(2026, 6, 20, 12, tzinfo=UTC)
COMMAND: Final = (sys.executable, "-m", "daemon.cli.commands", "setup")


def asked(answers: Iterable[str]) -> tuple[str, str]:
    """Return the text of the file and all that was said on the way."""
    given = iter(answers)
    said: list[str] = []

    def ask(prompt: str) -> str:
        try:
            return next(given)
        except StopIteration:
            raise EOFError from None

    return settings_text(ask, said.append, NOW), "\n".join(said)


def answered(number: int, *instead: str) -> list[str]:
    """Return good answers but for one question, which has these."""
    return [*GOOD[: AT[number]], *instead, *GOOD[AT[number] + 1 :]]


def saved(folder: Path, text: str) -> Path:
    path = folder / "config.toml"
    write_private_file(path, text)
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
        write_private_file(path, asked(GOOD)[0], overwrite=True)
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
    write_private_file(path, asked(GOOD)[0], overwrite=True)
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
                check_writable(path)
            except SetupError as why:
                refused += f"given {path}, where you may write nothing" in str(why)
        os._exit(10 + refused)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 12
    check_writable(folder / "new" / "config.toml")  # root may


def test_the_units_are_those_of_the_mowing_rate(tmp_path: Path) -> None:
    metric = [
        "Gard",
        "1,6 ha an hour",
        "59.9 N 10.7 E 150 m",
        "yes",
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
    assert effective_settings_text(load(saved(tmp_path, uncommented))) == effective_settings_text(
        load(saved(tmp_path / "as it was", text))
    )


@pytest.mark.parametrize("units", list(Units))
def test_what_is_not_given_is_toml_behind_its_mark(units: Units) -> None:
    assert set(tomllib.loads(settings_file_text({}, units))) == {
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
        (1, "", "A name is needed, on one line and of 80 letters at the most."),
        (1, "Bad\tname", "A name is needed, on one line"),
        (2, "4", "A number with its unit is needed. Type 4 acres, or 4 ha."),
        (2, "a lot", "Type 4 acres, or 4 ha."),
        (2, "0.01 acres", "From 0.247 to 49.4 acres in an hour can be mown."),
        (3, "95, -74.35, 900", "Degrees north go from -66 to 66."),
        (3, "-74.35, 43.12, 900", "Degrees north stand first, then degrees east."),
        (3, "43.12, -74.35", "Three numbers are needed, with commas between: 43.12, -74.35, 300"),
        (3, "43.12, -74.35", "Hold a finger on the field in a map on the telephone: it shows the first two."),
        (3, "43.12, -74.35, 900 m", "Three numbers are needed"),  # metres on a farm of acres
        (3, "43.12 E, 74.35 N, 900", "Three numbers are needed"),
        (3, "43,12, -74,35, 900", "43.12, -74.35, 300 (a point in each, not a comma)"),
        (3, "43,12 -74,35 900", "(a point in each, not a comma)"),
        (3, "43.12, -74.35, 20000", "A farm lies from -1310 to 13100 feet above the sea."),
        (4, "America/NewYork", 'There is no clock of the name "America/NewYork". Do you mean America/New_York?'),
        (4, "SAST", "Enter takes America/New_York."),
        (5, "Long Field", "The name, the size and what grows there, with commas between"),
        (5, "Long Field, 12 ha, orchardgrass", "That is not a number of acres. 12 ha are 29.7 acres: type just 29.7."),
        (5, "Long Field, ten, orchardgrass", "That is not a number of acres. Type just 10."),
        (5, "Long Field, nan, orchardgrass", "That is not a number of acres. Type just 10."),
        (5, "Long Field, 5000, orchardgrass", "A field has from 0.0988 to 988 acres."),
        (
            5,
            "Long Field, 12, orchardgras",
            'Nothing is known of "orchardgras". Do you mean orchardgrass? One of: ',
        ),
        (5, "Long Field, 12, Hay", "For grass of many kinds type mixed meadow; else one of: kentucky bluegrass"),
        (5, "Long Field, 12, timothy 60 + red clover 30", "add up to 100. Such as: timothy 66.7 + red clover 33.3"),
        (5, "Long Field, 12, orchardgrass, June", "that is no day. Write it as 2026-06-04."),
        (
            5,
            "Long Field, 12, orchardgrass, 2026-06-21",
            "2026-06-21 has not come yet. Write the day on which",
        ),
        (
            5,
            "Long Field, 12, orchardgrass, 2025-12-31",
            "2025-12-31 is of a former season. Leave it out until",
        ),
        (6, "Robin", "Three things, with commas between: a name, then text or email, then the address. Press Enter to"),
        (6, "Robin, phone, json://127.0.0.1:9/x", "Write text or email between the name and the address."),
        (6, "Robin, text, hunter2", "No message can go to that address (it is not shown here"),
        (6, "ann@example.org", "A plain address is not enough: it must also say by which mail server the message goes"),
        (6, "Ann, email, ann@example.org", "A plain address is not enough"),
        (6, "Ann, text, 555-123-4567", "A number is not enough: a text goes by a paid text service"),
    ],
)
def test_what_cannot_be_taken_is_told_in_plain_words_and_asked_again(number: int, answer: str, said: str) -> None:
    text, told = asked(answered(number, answer, GOOD[AT[number]]))
    assert said in told
    assert "hunter2" not in told
    assert not re.search("given |allowed ", told)
    assert text == asked(GOOD)[0]


def test_what_follows_from_a_wrong_word_is_not_told_too() -> None:
    told = asked(answered(6, "Robin, phone, robin", ""))[1]
    assert "Write text or email between" in told
    assert "No message can go" not in told


@pytest.mark.parametrize("no", ["", "n"])
def test_a_forgotten_minus_does_not_pass_with_enter(no: str) -> None:
    text, told = asked([*GOOD[:2], "43.12, 74.35, 900", no, *GOOD[2:]])
    assert "west of Greenwich the degrees begin with a minus" in told
    assert told.count("3 of 6.") == 2
    assert text == asked(GOOD)[0]


def test_the_place_is_named_with_its_part_of_the_world() -> None:
    prompts: list[str] = []
    given = iter(GOOD)

    def ask(prompt: str) -> str:
        prompts.append(prompt)
        return next(given)

    settings_text(ask, lambda words: None, NOW)
    assert prompts[3] == "That is in America, 170 miles from New York (United States). Right? [y/N] "


def test_another_clock_than_in_the_nearest_town_is_asked_about_once() -> None:
    kept = asked([*GOOD[:4], "America/Chicago", "y", *GOOD[5:]])[0]
    assert 'timezone = "America/Chicago"' in kept
    text, told = asked([*GOOD[:4], "America/Chicago", "", *GOOD[4:]])
    assert told.count("4 of 6.") == 2
    assert text == asked(GOOD)[0]
    assert 'timezone = "US/Eastern"' in asked([*GOOD[:4], "US/Eastern", *GOOD[5:]])[0]


def test_a_place_that_does_not_lie_in_its_time_zone_is_asked_for_again() -> None:
    text, told = asked([*GOOD[:2], "43.12, 74.35, 900", "y", "America/New_York", "y", *GOOD[2:]])
    assert "No place at 74.35 degrees east lives by the clock America/New_York: one of the two is wrong." in told
    assert told.count("3 of 6.") == 2
    assert text == asked(GOOD)[0]


@pytest.mark.parametrize("day", ["June 4", "4 June 2026", "6/4", "4.6.2026", "June 4th, 2026"])
def test_the_day_of_a_cut_may_be_written_as_people_write_it(day: str) -> None:
    assert "\nlast_cut = 2026-06-04\n" in asked(answered(5, f"Long Field, 12, orchardgrass, {day}"))[0]


def test_a_comma_may_stand_in_the_name_of_a_field() -> None:
    assert 'name = "Long Field, north"' in asked(answered(5, "Long Field, north, 12, orchardgrass"))[0]


@pytest.mark.parametrize(
    "place", ["43.12 -74.35 900", "43.12° N; 74.35° W; 900 ft", "+43.12,-74.35,900 feet", "43,12; -74,35; 900"]
)
def test_a_place_may_be_written_in_other_ways(place: str) -> None:
    assert asked(answered(3, place))[0] == asked(GOOD)[0]


def test_the_quotes_of_the_examples_may_be_typed_too() -> None:
    assert asked([f'"{answer}"' for answer in GOOD])[0] == asked(GOOD)[0]
    quoted = [*GOOD[:5], '"Long Field", 12, "orchardgrass"', '"Robin", "text", "json://127.0.0.1:9/robin"']
    assert asked(quoted)[0] == asked(GOOD)[0]
    assert 'name = "Three \\"Willows\\""' in asked(answered(1, 'Three "Willows"'))[0]


def test_the_size_of_a_field_may_have_the_unit_of_the_farm() -> None:
    assert asked(answered(5, "Long Field, 12 acres, orchardgrass"))[0] == asked(GOOD)[0]


@pytest.mark.parametrize("count", range(7))
def test_answers_that_end_come_to_nothing(count: int) -> None:
    with pytest.raises(SetupError, match="answers ended before the last of 6 questions, so nothing was written"):
        asked(GOOD[:count])


@pytest.mark.parametrize("given_up", [["yes"] * 10, ["yes"] * 3 + [""]])
def test_an_answer_that_cannot_be_found_loses_none_of_the_others(tmp_path: Path, given_up: list[str]) -> None:
    text, told = asked(answered(2, *given_up))
    assert "Left for later. The other answers are kept" in told
    (lacking,) = check(saved(tmp_path, text)).problems
    assert (lacking.key, lacking.given) == ("[work] mown_per_hour", "nothing")
    assert text == asked(GOOD)[0].replace("\nmown_per_hour = 4\n", "\n#mown_per_hour =\n")


@pytest.mark.parametrize("number", [1, 3, 4, 5, 6])
def test_any_question_may_be_left_for_later(tmp_path: Path, number: int) -> None:
    wrong = "?, ?, ?, ?" if number > 1 else "\t?\t?"
    whole = (
        asked(answered(number, *[wrong] * 10))[0] if number != 3 else asked([*GOOD[:2], *[wrong] * 10, *GOOD[5:]])[0]
    )
    lacking = {problem.key.partition("] ")[2] or problem.key for problem in check(saved(tmp_path, whole)).problems}
    place = {"latitude", "longitude", "elevation", "timezone"}
    assert lacking == {1: {"name"}, 3: place, 4: {"timezone"}, 5: {"[field]"}, 6: set()}[number]


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
    assert ran.stdout.endswith("then try: forenoon once\n")
    assert "Brook Farm: a test. If you read this" in json.dumps(gateway.posted)
    assert "\x1b" not in ran.stdout  # nothing but text goes down a pipe


def test_a_test_message_that_fails_is_over_and_what_comes_next_is_told_all_the_same(tmp_path: Path) -> None:
    ran = piped(tmp_path, [*answered(6, "Robin, text, json://127.0.0.1:9/robin"), "y"])
    assert ran.returncode == 1
    assert "[y/N] Robin (text): not sent, " in ran.stdout
    assert ran.stdout.endswith("then try: forenoon once\n")
    assert ran.stderr == ""
    (row,) = Outbox(tmp_path / "state" / "postbag.sqlite3").recent()
    assert (row.state, row.is_waiting) == (MessageState.FAILED, False), "it must not go out later with something else"


def test_the_test_message_is_only_offered(tmp_path: Path) -> None:
    ran = piped(tmp_path, GOOD)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.endswith(f"Next: put the other fields into {tmp_path / 'config.toml'}, then try: forenoon once\n")
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
            said += terminal_text(master, "[y/N] " if answer in ("y", "n") else "> ")
            os.write(master, f"{answer}\n".encode())
        said += terminal_text(master, "forenoon once")
        assert setup.wait(timeout=60) == 0
    os.close(master)
    assert [f"{number} of 6." in said for number in range(1, 7)] == [True] * 6
    assert load(path).fields[0].name == "Long Field"

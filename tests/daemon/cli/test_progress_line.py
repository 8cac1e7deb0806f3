"""The line that tells how far a command has come: on a terminal and after two seconds only, and gone in the end."""

import os
import pty
import select
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

import pytest

from daemon.cli import progress_line
from daemon.cli.progress_line import Stages


@pytest.fixture(autouse=True)
def at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(progress_line, "SHOW_AFTER", 0.001)
    monkeypatch.setattr(progress_line, "DRAW_INTERVAL", 0.001)
    monkeypatch.setenv("TERM", "xterm")


@pytest.fixture
def terminal() -> Iterator[tuple[int, TextIO]]:
    """The reading end of a terminal, and the one that a program writes to."""
    master, slave = pty.openpty()
    with os.fdopen(slave, "w") as out:
        yield master, out
    os.close(master)


def until(master: int, words: str) -> str:
    """Return what a terminal shows up to some words."""
    shown = ""
    while words not in shown:
        assert select.select([master], [], [], 30)[0], shown
        shown += os.read(master, 4096).decode()
    return shown


def rest(master: int) -> str:
    shown = ""
    while select.select([master], [], [], 0)[0]:
        shown += os.read(master, 4096).decode()
    return shown


def test_each_stage_is_drawn_and_nothing_is_left(terminal: tuple[int, TextIO]) -> None:
    master, out = terminal
    with Stages("fetching the weather", "reckoning", out=out) as at:
        shown = until(master, "\r[--------------------] fetching the weather, 0 s")
        at.next_stage()
        shown += until(master, "\r[##########----------] reckoning, 0 s")
        at.next_stage()  # there is no third: the last one stays
        shown += until(master, "\r[##########----------] reckoning, 0 s")
    lines = (shown + rest(master)).split("\r")
    assert lines[-1] == ""
    assert lines[-2].strip() == ""
    assert len(lines[-2]) == max(map(len, lines))
    assert "\x1b" not in "".join(lines)  # neither colour nor any other escape
    assert "\n" not in "".join(lines)


def test_the_line_goes_away_where_a_command_breaks_down(terminal: tuple[int, TextIO]) -> None:
    master, out = terminal
    with pytest.raises(KeyboardInterrupt), Stages("reckoning", out=out):
        until(master, "reckoning")
        raise KeyboardInterrupt
    assert rest(master).endswith(" \r")


def test_nothing_is_drawn_before_patience_ends(monkeypatch: pytest.MonkeyPatch, terminal: tuple[int, TextIO]) -> None:
    monkeypatch.setattr(progress_line, "SHOW_AFTER", 3600.0)
    with Stages("reckoning", out=terminal[1]):
        pass
    assert rest(terminal[0]) == ""


@pytest.mark.parametrize("kind", ["dumb", ""])
def test_nothing_is_drawn_where_a_line_cannot_be_drawn_anew(
    kind: str, monkeypatch: pytest.MonkeyPatch, terminal: tuple[int, TextIO]
) -> None:
    monkeypatch.setenv("TERM", kind)
    if not kind:
        monkeypatch.delenv("TERM")
    assert not Stages("reckoning", out=terminal[1]).is_shown


def test_nothing_is_drawn_where_it_is_no_terminal(tmp_path: Path) -> None:
    with (tmp_path / "log").open("w") as out:
        assert not Stages("reckoning", out=out).is_shown


def test_a_terminal_that_went_away_stops_nothing() -> None:
    master, slave = pty.openpty()
    out = os.fdopen(slave, "w")
    with Stages("reckoning", out=out) as at:
        until(master, "reckoning")
        os.close(master)
        assert at.wait_for_end(30.0)  # it has seen that nobody looks on
    os.close(slave)
    with pytest.raises(OSError):
        out.close()

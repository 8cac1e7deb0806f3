"""How far a command has come, on one line of a terminal that goes away when it ends."""

import os
import sys
from threading import Event, Thread
from types import TracebackType
from typing import Final, Self, TextIO

SHOW_AFTER: Final = 2.0  # [s] what takes no longer shows nothing
DRAW_INTERVAL: Final = 0.5  # [s] from one drawing to the next
BAR_WIDTH: Final = 20  # characters of the bar


class Stages:
    """The stages of a command, entered one after the other; used in a `with`.

    Parameters
    ----------
    names : str
        What is done in each, in order.
    out : TextIO, optional
        Where to draw; standard error, which is no part of what a command prints. Nothing is drawn where that is no
        terminal, or one that cannot go back to the start of its line.

    Notes
    -----
    There is no colour in it, so that NO_COLOR has nothing to take away.
    """

    def __init__(self, *names: str, out: TextIO | None = None) -> None:
        self._names, self._at = names, 0
        self._out = sys.stderr if out is None else out
        self._end = Event()
        able = self._out.isatty() and os.environ.get("TERM", "dumb") != "dumb"
        self._thread = Thread(target=self._draw, daemon=True) if able else None

    def __enter__(self) -> Self:
        """Begin with the first stage."""
        if self._thread is not None:
            self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """Take the line away, however the command came to its end."""
        self._end.set()
        if self._thread is not None:
            self._thread.join()

    @property
    def is_shown(self) -> bool:
        """Whether there is a terminal to draw on."""
        return self._thread is not None

    def wait_for_end(self, wait: float) -> bool:
        """Return whether drawing ends within a time [s], by itself where its terminal goes away."""
        return self._end.wait(wait)

    def next_stage(self) -> None:
        """Go on to the next stage."""
        self._at = min(self._at + 1, len(self._names) - 1)

    def _draw(self) -> None:
        """Draw until the end; how long it took is counted in beats."""
        wait, seconds, longest = SHOW_AFTER, SHOW_AFTER, 0
        while not self._end.wait(wait):
            line = self._line(seconds)
            longest = max(longest, len(line))
            self._write(f"\r{line:{longest}}")
            wait, seconds = DRAW_INTERVAL, seconds + DRAW_INTERVAL
        if longest:
            self._write(f"\r{'':{longest}}\r")

    def _line(self, seconds: float) -> str:
        done = BAR_WIDTH * self._at // len(self._names)
        return f"[{'#' * done}{'-' * (BAR_WIDTH - done)}] {self._names[self._at]}, {seconds:.0f} s"

    def _write(self, text: str) -> None:
        try:
            self._out.write(text)
            self._out.flush()
        except (OSError, ValueError):  # the terminal went away: whoever looked on has gone too
            self._end.set()

"""Children that run the service and may be killed: all is loaded once, then each child is only forked.

A program of its own (`python -m tests.faults.forked_service`), since whoever forks must have no threads. It reads one
order a line and says what becomes of the child: "pid N", what the child itself says, "ended N" (below zero: by that
signal).
"""

import gc
import json
import logging
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from select import select
from typing import Any, Final

import apprise

import daemon.service.process
from daemon.domain.advice import Morning
from daemon.domain.farm import Channel, Farm, Person
from daemon.domain.message import Message
from daemon.domain.schedule import TaskKind
from daemon.messages.delivery import smtp
from daemon.messages.outbox.store import Outbox
from daemon.service.process import serve
from daemon.service.rounds import Service
from tests.support.farms import Steady, farm, mow_morning, person

ROOT: Final = Path(__file__).parents[2]
LIMIT: Final = 20.0  # [s] for anything that a child does
STATEMENT: Final = "statement"  # a point: as SQLite begins its nth statement
# Where the way of a message can be cut, besides the stages at the server.
_CALLS: Final[dict[str, tuple[Any, str]]] = {
    "round": (Service, "round"),
    "decide": (sys.modules[__name__], "_look"),
    "word": (sys.modules[__name__], "_say"),
    "keep": (Outbox, "save_value"),
    "insert": (Outbox, "enqueue"),
    "done": (Outbox, "mark_done"),
    "claim": (Outbox, "_claim"),
    "attempt": (smtp, "_transmit"),
    "mark": (Outbox, "_mark"),
}
POINTS: Final = tuple(f"{when} {call}" for call in _CALLS for when in ("before", "after"))


@dataclass(frozen=True)
class Order:
    """How a child is to run: where, to whom, at what time, and the `nth` time at which point it kills itself.

    `speed` is how many seconds of its clock go by in one; with none the clock stands still and there is one round.
    `user` is who it runs as, its parent if 0; `busy` is how long it waits for a lock [s].
    """

    folder: str
    people: tuple[tuple[str, str, str, str], ...]  # name, channel, address, address of the second way
    at: str
    point: str = ""
    nth: int = 1
    speed: float = 0.0
    user: int = 0
    busy: float = 10.0


class Nursery:
    """The program of the children, as seen by who kills them; use it as a context manager."""

    def __enter__(self) -> "Nursery":
        command = [sys.executable, "-m", "tests.faults.forked_service"]
        pipe = subprocess.PIPE
        self._process = subprocess.Popen(command, stdin=pipe, stdout=pipe, cwd=ROOT, bufsize=0)
        self._rest, self._pid = b"", 0
        return self

    def __exit__(self, *error: object) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        if self._pid:  # something went wrong, and the child may hang
            os.kill(self._pid, signal.SIGKILL)
        self._process.stdin.close()
        self._process.wait(LIMIT)
        self._process.stdout.close()

    def begin(self, order: Order) -> int:
        """Fork a child and return its process id; it stays a child's until `reap`."""
        self._tell(json.dumps(asdict(order)))
        self._pid = int(self.hear("pid"))
        return self._pid

    def hear(self, *wanted: str) -> str:
        """Return the rest of the next line that begins with one of some words, the word itself if nothing follows."""
        while True:
            word, _, rest = self._line().partition(" ")
            if word in wanted:
                return rest or word

    def reap(self) -> None:
        """Let a child go that has ended."""
        self._pid = 0
        self._tell("reap")

    def _tell(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n".encode())

    def _line(self) -> str:
        assert self._process.stdout is not None
        while b"\n" not in self._rest:
            if not select([self._process.stdout], [], [], LIMIT)[0]:
                raise TimeoutError("nothing is heard of the child")
            more = self._process.stdout.read(4096)
            if not more:
                raise EOFError("the nursery has ended")
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode()


def main() -> None:
    """Fork a child for each order on the standard input."""
    logging.disable(logging.CRITICAL)
    apprise.Apprise.instantiate("mailto://127.0.0.1:9/ann@example.org?from=farm@example.org")  # loads all its ways
    gc.collect()
    gc.freeze()  # or each child would copy all of it
    for line in sys.stdin:
        order = json.loads(line)
        pid = os.fork()
        if pid == 0:
            _child(Order(**order))
        found = os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)
        assert found is not None
        _report(f"ended {found.si_status if found.si_code == os.CLD_EXITED else -found.si_status}")
        sys.stdin.readline()  # "reap": until then nobody else can have its number
        os.waitid(os.P_PID, pid, os.WEXITED)


def _child(order: Order) -> None:
    code = 1
    try:
        _report(f"pid {os.getpid()}")
        if order.user:
            os.setgid(order.user)
            os.setuid(order.user)
        _connect(timeout=order.busy)
        _arm(order.point, order.nth)
        _hook(Service, "round", after=lambda: _report("rounded"))
        run(_farm(order), Path(order.folder), _clock(order))
        code = 0
    finally:
        os._exit(code)


def run(its: Farm, folder: Path, clock: Any) -> None:
    """Run the service: the only line that knows how it is called."""
    serve(Steady(its), folder, clock, _look, _say)


@dataclass(frozen=True)
class _Clock:
    """Begins somewhere and runs at its own speed; says when it is first asked, as all signals are minded by then."""

    begun: datetime
    speed: float
    since: float
    asked: list[bool] = field(default_factory=list)

    def now(self) -> datetime:
        if not self.asked:
            self.asked.append(True)
            _report("begun")
        return self.begun + timedelta(seconds=(time.monotonic() - self.since) * self.speed)


def _clock(order: Order) -> _Clock:
    if order.speed:
        daemon.service.process.ROUND_INTERVAL = 60.0 / order.speed  # type: ignore[misc,assignment]
    return _Clock(datetime.fromisoformat(order.at).astimezone(UTC), order.speed, time.monotonic())


def _farm(order: Order) -> Farm:
    def one(name: str, channel: str, address: str, second: str) -> Person:
        other = person(name, Channel.TEXT, second) if second else None
        return replace(person(name, Channel(channel), address), second=other)

    return farm(*(one(*given) for given in order.people))


def _look(its: Farm, now: datetime, said: Morning | None) -> Morning:
    found = mow_morning()
    return replace(found, prospect=replace(found.prospect, at=now), date=now.astimezone(UTC).date())


def _say(its: Farm, morning: Morning, kind: TaskKind) -> Mapping[Person, Message]:
    words = f"{kind} of {morning.date}"
    return {who: Message(words, f"{words}\nMow 20 acres.", f"<p>{words}</p>") for who in its.alerts.people}


def _arm(point: str, nth: int) -> None:
    """Let the process kill itself at a point."""
    if not point:
        return
    die = _countdown(nth)
    if point == STATEMENT:
        _connect(step=die)
        return
    when, _, call = point.partition(" ")
    owner, name = _CALLS[call]
    if when == "before":
        _hook(owner, name, before=die)
    else:
        _hook(owner, name, after=die)


def _countdown(nth: int) -> Callable[[], None]:
    left = iter(range(nth - 1))

    def count() -> None:
        if next(left, None) is None:
            os.kill(os.getpid(), signal.SIGKILL)

    return count


def _hook(
    owner: Any, name: str, before: Callable[[], None] = lambda: None, after: Callable[[], None] = lambda: None
) -> None:
    own = getattr(owner, name)

    def hooked(*given: Any, **named: Any) -> Any:
        before()
        found = own(*given, **named)
        after()
        return found

    setattr(owner, name, hooked)


def _connect(step: Callable[[], None] | None = None, **own: Any) -> None:
    """Open every file of SQLite with options of our own, and let each statement take a step before it runs."""
    former = sqlite3.connect

    def connect(*given: Any, **named: Any) -> sqlite3.Connection:
        db: sqlite3.Connection = former(*given, **{**named, **own})
        if step is not None:
            db.set_trace_callback(lambda statement: step())
        return db

    sqlite3.connect = connect  # type: ignore[assignment]


def _report(line: str) -> None:
    os.write(1, f"{line}\n".encode())


if __name__ == "__main__":
    main()

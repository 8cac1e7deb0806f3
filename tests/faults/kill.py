"""The service killed at any moment: what is lost and what comes twice.

`python -m tests.faults.kill --n 1000` kills a real process by SIGKILL up to three times on the way of one morning's
messages to a real mail server, starts it again until all is at rest, and then once more.

The window is the time between the server's taking of a letter and the mark on disk: who is killed in it cannot know
whether the letter was taken, and it goes out again under the same name. Outside of it nothing may come twice.
"""

import argparse
import os
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Final

from daemon.domain.message import MessageState, QueuedMessage
from daemon.messages.outbox.store import Outbox
from tests.faults.counts import Count, report
from tests.faults.forked_service import POINTS, STATEMENT, Nursery, Order
from tests.faults.staged_mail_server import STAGES, Copy, Gone, PostOffice
from tests.support.farms import DAWN

FIRSTS: Final = ("ann@example.org", "ben@example.org")
SECOND: Final = "ben.phone@example.org"
MOST_KILLS: Final = 3
MOST_STARTS: Final = 30  # until all is at rest
RANDOM: Final = "any instant"


@dataclass(frozen=True)
class Kill:
    """Where a child is killed: at a point of its own, at a stage of the server, or after a time [s] since its start."""

    where: str
    nth: int = 1
    after: float = 0.0


@dataclass
class Found:
    """What some trials found; every number but the first five should be 0."""

    trials: int = 0
    kills: int = 0
    missed: int = 0  # kills that came after the round
    in_window: int = 0
    again: int = 0  # copies that came twice for a kill in the window
    lost: int = 0
    doubled: int = 0  # outside the window
    renamed: int = 0  # copies of a message by another name
    strays: int = 0  # by a second way though the first was enough
    unwatched: int = 0  # taken by the server while the advice was not yet kept for the watch
    restless: int = 0  # never at rest, or not marked as sent
    where: Counter[str] = field(default_factory=Counter)


@dataclass
class Trial:
    """One morning with its folder and its mail server."""

    folder: Path
    office: PostOffice
    nursery: Nursery
    minutes: float = 1.0
    pid: int = 0

    def start(self, kill: Kill | None = None) -> str:
        """Run the service for one round, or until it is killed; return how it ended."""
        at_server = kill is not None and kill.where in STAGES
        own = kill if kill is not None and not at_server and kill.where != RANDOM else None
        self.office.at_stage = self._killer(kill) if kill is not None and at_server else lambda stage: None
        people = (("Ann", "email", self.office.address(FIRSTS[0]), ""), self._ben())
        at = (DAWN + timedelta(minutes=self.minutes)).isoformat()
        order = Order(str(self.folder), people, at, own.where if own else "", own.nth if own else 1)
        self.pid = self.nursery.begin(order)
        if kill is not None and kill.where == RANDOM:
            time.sleep(kill.after)
            os.kill(self.pid, signal.SIGKILL)
        ended = self._ended()
        self.office.settle()
        self.office.at_stage = lambda stage: None
        self.nursery.reap()
        self.minutes += 1.0
        return ended

    def rows(self) -> tuple[QueuedMessage, ...]:
        """Return what stands on disk, of a copy: nothing but the service itself opens the file after a crash."""
        with tempfile.TemporaryDirectory() as beside:
            for file in self.folder.glob(f"{Outbox.FILE_NAME}*"):
                shutil.copy(file, beside)
            return Outbox(Path(beside) / Outbox.FILE_NAME).recent()

    def said(self) -> bool:
        """Return whether the advice of the morning is kept for the watch."""
        with tempfile.TemporaryDirectory() as beside:
            for file in self.folder.glob(f"{Outbox.FILE_NAME}*"):
                shutil.copy(file, beside)
            return Outbox(Path(beside) / Outbox.FILE_NAME).load_value("said") is not None

    def _ben(self) -> tuple[str, str, str, str]:
        return ("Ben", "email", self.office.address(FIRSTS[1]), self.office.address(SECOND))

    def _ended(self) -> str:
        found = self.nursery.hear("rounded", "ended")
        if found != "rounded":
            return found
        os.kill(self.pid, signal.SIGTERM)
        return self.nursery.hear("ended")

    def _killer(self, kill: Kill) -> Callable[[str], None]:
        left = iter(range(kill.nth - 1))

        def at_stage(stage: str) -> None:
            if stage != kill.where or next(left, None) is not None:
                return
            os.kill(self.pid, signal.SIGKILL)
            # Killed before its yes, the writer is gone; killed as it is given, the letter is kept all the same.
            if stage not in ("taken", "said"):
                raise Gone

        return at_stage


def trial(folder: Path, office: PostOffice, nursery: Nursery, kills: Sequence[Kill], found: Found) -> None:
    """Kill the service some times on the way of a morning's messages, let it end its work, and count."""
    one = Trial(folder, office, nursery)
    first, before = len(office.copies), Counter[str]()
    allowed = Counter[str]()
    for kill in kills:
        if one.start(kill) != str(-signal.SIGKILL):
            found.missed += 1
            continue
        found.kills += 1
        found.where[kill.where] += 1
        taken = Counter(copy.recipient for copy in office.copies[first:])
        unmarked = {name for name in FIRSTS if _row(one.rows(), name) is not MessageState.SENT}
        window = {name for name in unmarked if taken[name] > before[name]}
        allowed.update(window)
        found.in_window += bool(window)
        found.unwatched += bool(taken) and not one.said()
        before = taken
    _finish(one, found)
    found.trials += 1
    _count(office.copies[first:], allowed, found)


def _finish(one: Trial, found: Found) -> None:
    """Start the service every other minute until all is at rest, and then when the second ways would be due."""
    for _ in range(MOST_STARTS):
        one.start()
        if all(_row(one.rows(), name) is MessageState.SENT for name in FIRSTS):
            break
    one.minutes += 40.0
    one.start()
    states = Counter((row.state, row.channel.value) for row in one.rows())
    found.restless += states != {(MessageState.SENT, "email"): 2, (MessageState.NOT_NEEDED, "text"): 1}


def _row(rows: Sequence[QueuedMessage], recipient: str) -> MessageState | None:
    """Return how far the message to somebody is, None where there is none."""
    return next((row.state for row in rows if row.channel.value == "email" and _is_to(row, recipient)), None)


def _is_to(row: QueuedMessage, recipient: str) -> bool:
    return recipient.startswith(row.person.lower())


def _count(copies: Sequence[Copy], allowed: Counter[str], found: Found) -> None:
    for name in FIRSTS:
        own = [copy for copy in copies if copy.recipient == name]
        more = max(0, len(own) - 1)
        found.lost += not own
        found.again += min(more, allowed[name])
        found.doubled += max(0, more - allowed[name])
        found.renamed += len({copy.name for copy in own}) > 1
    found.strays += sum(copy.recipient not in FIRSTS for copy in copies)


def every_point() -> Iterator[Kill]:
    """Return every point with a name: the calls of the service, and the stages at the server, of either message."""
    yield from (Kill(point, nth) for point in POINTS for nth in (1, 2))
    yield from (Kill(stage, nth) for stage in STAGES for nth in (1, 2))


def drawn(draw: Random, takes: float, statements: int) -> Kill:
    """Return a kill at any instant, in half of the cases, or else at any point."""
    if draw.random() < 0.5:
        return Kill(RANDOM, after=draw.uniform(0.0, takes))
    points = (*((STATEMENT, statements),) * 12, *((name, 2) for name in (*POINTS, *STAGES)))
    where, most = draw.choice(points)
    return Kill(where, draw.randint(1, most))


@contextmanager
def ground(nursery: Nursery) -> Iterator[Callable[[Sequence[Kill], Found], None]]:
    """Give what makes a trial of some kills, each in a folder of its own."""
    with PostOffice() as office, tempfile.TemporaryDirectory() as root:

        def make(kills: Sequence[Kill], found: Found) -> None:
            folder = Path(root) / str(found.trials)
            trial(folder, office, nursery, kills, found)
            shutil.rmtree(folder, ignore_errors=True)

        yield make


def sweep(make: Callable[[Sequence[Kill], Found], None], found: Found) -> int:
    """Kill once at every named point and at every statement of SQLite; return how many statements a round has."""
    for kill in every_point():
        make([kill], found)
    for nth in range(1, 1000):
        missed = found.missed
        make([Kill(STATEMENT, nth)], found)
        if found.missed > missed:
            return nth - 1
    raise RuntimeError("a round has no end of statements")


def at_random(make: Callable[[Sequence[Kill], Found], None], found: Found, n: int, seed: int, statements: int) -> None:
    """Make trials of one to three kills that are drawn."""
    draw = Random(seed)
    begun = time.monotonic()
    make([], Found())
    takes = (time.monotonic() - begun) / 3.0  # one start of about three
    for number in range(n):
        make([drawn(draw, takes, statements) for _ in range(1 + number % MOST_KILLS)], found)


def main() -> int:
    """Print what some thousand kills came to."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--n", type=int, default=1000, help="trials with drawn kills, after one at every point")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    found = Found()
    with Nursery() as nursery, ground(nursery) as make:
        statements = sweep(make, found)
        swept = found.trials
        at_random(make, found, given.n, given.seed, statements)
    print(f"{swept} trials with a kill at every point ({statements} statements of SQLite), {given.n} drawn, "
          f"seed {given.seed}; {found.kills} kills, {found.missed} after the round")  # fmt: skip
    print(f"kills: {', '.join(f'{where} {count}' for where, count in sorted(found.where.items()))}")
    print(f"in the window {found.in_window} kills, {found.again} letters that came again under the same name")
    return report(Count(what, seen, found.trials) for what, seen in faults(found).items())


def faults(found: Found) -> dict[str, int]:
    """Return what must not be, with how often it was."""
    return {
        "a message lost": found.lost,
        "a message twice outside the window": found.doubled,
        "a message by two names": found.renamed,
        "a second way beside the first": found.strays,
        "sent and not watched": found.unwatched,
        "not at rest in the end": found.restless,
    }


if __name__ == "__main__":
    sys.exit(main())

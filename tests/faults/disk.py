"""A disk that is full, read-only, held by another program or damaged, while the service runs and as it starts.

`python -m tests.faults.disk --n 5` runs the real service with a fast clock through a morning, puts a fault on its
folder for a time, and counts: whether it stays up, whether its page says what is wrong, and which messages came.
"""

import argparse
import os
import resource
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import product
from pathlib import Path
from random import Random
from typing import Final

import requests

from daemon.messages.outbox.store import Outbox
from tests.faults.counts import Count, report
from tests.faults.forked_service import Nursery, Order
from tests.faults.staged_mail_server import PostOffice
from tests.support.farms import DAWN, DAY

NOBODY: Final = 65534
SPEED: Final = 1200.0  # a round every 50 ms
BUSY: Final = 0.05  # [s]
PATIENCE: Final = 20.0  # [s]
PEOPLE: Final = ("ann@example.org", "ben@example.org")
MOMENTS: Final = ("as it starts", "before the morning", "as a letter is taken")


class Fault(ABC):
    """What is wrong with a folder from `begin` to `end`; `words` are what the page is to say of it."""

    words: str
    ends = True  # whether nothing is left of it in the end
    user = 0

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @abstractmethod
    def begin(self, pid: int) -> None:
        """Let it begin, for a process."""

    @abstractmethod
    def end(self, pid: int) -> None:
        """Let it end."""


class Full(Fault):
    """No room is left: the folder is a small file system of its own, with a filler in it."""

    words = "full"

    def begin(self, pid: int) -> None:
        with suppress(OSError), self._filler.open("wb", buffering=0) as file:
            while True:
                file.write(b"x" * 512)

    def end(self, pid: int) -> None:
        self._filler.unlink()

    @property
    def _filler(self) -> Path:
        return self.folder / "filler"


class Limited(Fault):
    """The process may write to no file."""

    words = "see whether its disk is full or broken"

    def begin(self, pid: int) -> None:
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))

    def end(self, pid: int) -> None:
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


class ReadOnly(Fault):
    """The service's user may write neither in the folder nor to its files."""

    words = "make its folder writable"
    user = NOBODY if os.getuid() == 0 else 0

    def begin(self, pid: int) -> None:
        self._modes(0o555, 0o444)

    def end(self, pid: int) -> None:
        self._modes(0o755, 0o644)

    def _modes(self, of_folder: int, of_files: int) -> None:
        self.folder.chmod(of_folder)
        for file in self.folder.iterdir():
            with suppress(FileNotFoundError):
                file.chmod(of_files)


class Locked(Fault):
    """Another program writes and does not end."""

    words = "another program holds it"

    def begin(self, pid: int) -> None:
        path = self.folder / Outbox.FILE_NAME
        self._db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=PATIENCE)
        self._db.execute("BEGIN EXCLUSIVE")

    def end(self, pid: int) -> None:
        self._db.close()


class Damaged(Fault):
    """The file and its log are overwritten."""

    words = "The postbag was damaged"
    ends = False

    def begin(self, pid: int) -> None:
        os.kill(pid, signal.SIGSTOP)  # or it might mend the one from the other in between
        for file in (self.folder / Outbox.FILE_NAME, self.folder / f"{Outbox.FILE_NAME}-wal"):
            if file.exists():
                file.write_bytes(b"overwritten" * (1 + file.stat().st_size // 11))
        os.kill(pid, signal.SIGCONT)

    def end(self, pid: int) -> None:
        pass


FAULTS: Final[tuple[type[Fault], ...]] = (Full, Limited, ReadOnly, Locked, Damaged)


@dataclass
class Found:
    """What some mornings found, by fault; every number but the first should be 0."""

    trials: int = 0
    down: list[str] = field(default_factory=list)
    untold: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    again: list[str] = field(default_factory=list)  # after damage, of which the page says so


def morning(nursery: Nursery, fault: Fault, moment: str, waits: float, found: Found) -> None:
    """Run the service through a morning with a fault, and count."""
    case = f"{type(fault).__name__} {moment}"
    with PostOffice() as office:
        pid = _begin(nursery, office, fault)
        began = [moment == MOMENTS[0]]
        if began[0]:
            fault.begin(pid)

        def at_stage(stage: str) -> None:
            if stage == "taken" and not began[0]:
                began[0] = True
                fault.begin(pid)

        page = nursery.hear("page").removeprefix("at ")
        if moment == MOMENTS[1]:
            time.sleep(waits)
            began[0] = True
            fault.begin(pid)
        office.at_stage = at_stage
        try:
            if not _within(lambda: fault.words in _health(page)):
                found.untold.append(f"{case}: {_health(page)}")
            time.sleep(10 * 60 / SPEED)
            fault.end(pid)
            _within(lambda: len({copy.recipient for copy in office.copies}) == len(PEOPLE))
            if fault.ends and not _within(lambda: _health(page) == "ok\n"):
                found.untold.append(f"{case}: mended, and still {_health(page)}")
            time.sleep(40 * 60 / SPEED)  # what would come twice comes by then
        except requests.RequestException as error:
            found.down.append(f"{case}: {type(error).__name__}")
        os.kill(pid, signal.SIGTERM)
        if (ended := nursery.hear("ended")) != "0":
            found.down.append(f"{case}: ended with {ended}")
        nursery.reap()
        copies = Counter((copy.recipient, copy.subject.removeprefix("Late: ")) for copy in office.copies)
    found.trials += 1
    found.lost += [case for name in PEOPLE if not copies[name, f"morning of {DAY}"]]
    twice = [f"{case}: {what}" for what, count in copies.items() if count > 1]
    (found.doubled if fault.ends else found.again).extend(twice)


def _begin(nursery: Nursery, office: PostOffice, fault: Fault) -> int:
    """Start the service twenty minutes before the morning, on the folder of a former run."""
    Outbox(fault.folder / Outbox.FILE_NAME).save_value("former", "run")
    if fault.user:
        for path in (fault.folder, *fault.folder.iterdir()):
            os.chown(path, fault.user, fault.user)
    people = tuple((name.partition("@")[0].capitalize(), "email", office.address(name), "") for name in PEOPLE)
    at = (DAWN - timedelta(minutes=20)).isoformat()
    return nursery.begin(Order(str(fault.folder), people, at, speed=SPEED, user=fault.user, busy=BUSY))


def _health(page: str) -> str:
    return requests.get(f"{page}health", timeout=PATIENCE).text


def _within(holds: Callable[[], bool]) -> bool:
    """Return whether something comes to hold."""
    until = time.monotonic() + PATIENCE
    while not holds():
        if time.monotonic() > until:
            return False
        time.sleep(0.02)
    return True


@contextmanager
def folder_for(fault: type[Fault]) -> Iterator[Path]:
    """Give a folder, of a small file system of its own for the fault that fills it."""
    with tempfile.TemporaryDirectory() as root:
        Path(root).chmod(0o755)
        folder = Path(root) / "state"
        folder.mkdir()
        if fault is not Full:
            yield folder
            return
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "forenoon-test", folder], check=True)
        try:
            yield folder
        finally:
            subprocess.run(["umount", folder], check=True)


def mornings(nursery: Nursery, cases: Iterable[tuple[type[Fault], str]], seed: int) -> Found:
    """Return what mornings with these faults, each at its moment, found."""
    draw, found = Random(seed), Found()
    for kind, moment in cases:
        with folder_for(kind) as folder:
            morning(nursery, kind(folder), moment, draw.uniform(0.0, 0.8), found)
    return found


def main() -> int:
    """Print what some mornings with faults came to."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--n", type=int, default=5, help="mornings with each fault at each moment")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    able = FAULTS if os.getuid() == 0 else FAULTS[1:]
    if able != FAULTS:
        print("left out, for want of the right to mount: a file system that is full")
    with Nursery() as nursery:
        found = mornings(nursery, list(product(able, MOMENTS)) * given.n, given.seed)
    counts = {
        "the service ended or its page did": found.down,
        "the page did not say what is wrong, or still did later": found.untold,
        "a message lost": found.lost,
        "a message twice": found.doubled,
    }
    for what, cases in counts.items():
        print(*(f"{what}: {case}" for case in cases), sep="\n", end="\n" if cases else "")
    print(f"messages that came again after damage, of which the page says so: {len(found.again)}")
    return report(Count(what, len(cases), found.trials) for what, cases in counts.items())


if __name__ == "__main__":
    sys.exit(main())

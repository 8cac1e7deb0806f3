"""The service stopped by SIGTERM and started again a thousand times: what comes twice.

`python -m tests.faults.restarts --n 1000` ends a real process cleanly, half of the times once its round is over and
half of the times at any instant of it, ten times a morning, and counts the copies of each morning's messages.
"""

import argparse
import os
import signal
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from datetime import datetime, timedelta
from random import Random
from typing import Final

from tests.faults.counts import Count, report
from tests.faults.forked_service import Nursery, Order
from tests.faults.staged_mail_server import PostOffice
from tests.support.farms import DAWN

A_MORNING: Final = 10  # restarts
PEOPLE: Final = ("ann@example.org", "ben@example.org")


@dataclass
class Found:
    """What some restarts found."""

    restarts: int = 0
    mornings: int = 0
    cut: int = 0  # restarts whose round was not over as they began
    killed: int = 0  # that did not end by themselves
    repeats: int = 0
    lost: int = 0


def restart(nursery: Nursery, order: Order, wait: float | None, found: Found) -> None:
    """Start the service and end it: once its round is over, or after a wait [s] since it minds signals."""
    pid = nursery.begin(order)
    nursery.hear("begun")
    if wait is None:
        nursery.hear("rounded")
    else:
        time.sleep(wait)
    os.kill(pid, signal.SIGTERM)
    heard = nursery.hear("rounded", "ended")
    found.cut += wait is not None and heard == "rounded"
    ended = heard if heard != "rounded" else nursery.hear("ended")
    found.killed += ended != "0"
    nursery.reap()
    found.restarts += 1


def restarted(nursery: Nursery, n: int, seed: int) -> Found:
    """Return what n restarts found, ten a morning of ever the same folder."""
    draw, found = Random(seed), Found()
    with PostOffice() as office, tempfile.TemporaryDirectory() as folder:
        people = tuple((name.partition("@")[0].capitalize(), "email", office.address(name), "") for name in PEOPLE)
        while found.restarts < n:
            day: datetime = DAWN + timedelta(days=found.mornings)
            for minute in range(min(A_MORNING, n - found.restarts)):
                order = Order(folder, people, (day + timedelta(minutes=minute)).isoformat())
                last = minute == A_MORNING - 1 or found.restarts == n - 1
                wait = draw.uniform(0.0, 0.08) if draw.random() < 0.5 and not last else None
                restart(nursery, order, wait, found)
            found.mornings += 1
        copies = Counter((copy.recipient, copy.subject) for copy in office.copies)
    found.repeats = sum(count - 1 for count in copies.values())
    found.lost = len(PEOPLE) * found.mornings - len(copies)
    return found


def main() -> int:
    """Print what some thousand restarts came to."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--n", type=int, default=1000, help="restarts")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    with Nursery() as nursery:
        found = restarted(nursery, given.n, given.seed)
    print(f"{found.restarts} restarts by SIGTERM on {found.mornings} mornings, {found.cut} of them within a round")
    return report(
        (
            Count("a restart with a repeat", found.repeats, found.restarts),
            Count("a restart that did not end by itself", found.killed, found.restarts),
            Count("a message lost", found.lost, len(PEOPLE) * found.mornings),
        )
    )


if __name__ == "__main__":
    sys.exit(main())

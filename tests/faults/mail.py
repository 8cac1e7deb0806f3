"""A mail server that goes wrong at any point, in any way: what is lost, what comes twice and how long others wait.

`python -m tests.faults.mail` prints what comes of each case with the real patience, then of some drawn ones. Somebody's
mail server goes wrong for some conversations and is well after them; at the same minute another person has a message by
a server that is well. Minutes pass by the clock that the postbag is handed, until all is at rest.

A letter comes twice only where the server had the whole of it and no yes was heard, or it took it for some recipients
only: then its copies have one name. Where that happens twice it rests as one that may not have arrived, which the page
tells and for which the second way goes.
"""

import argparse
import logging
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Final

from daemon.domain.farm import Channel
from daemon.domain.message import Message, MessageState, NewMessage
from daemon.domain.message_kind import MessageKind
from daemon.messages.delivery import smtp
from daemon.messages.outbox.store import Outbox
from tests.faults.counts import Count, report
from tests.loopback.smtp import DROP, FLOOD, HANG, Fault, Plan, SmtpServer, certificate
from tests.support.farms import DAWN, DAY, person

PATIENCE: Final = ("STEP_TIMEOUT", "ACCEPT_TIMEOUT", "TOTAL_TIMEOUT", "QUIT_TIMEOUT")
HASTY: Final = 0.05  # of the real patience; with less, a well server on a busy machine seems to say nothing
IN_ALL: Final = 12  # cases at once
TOO_LATE: Final = 240  # [min]
AT_ONCE: Final = 5.0  # [s] in which another person's letter is out, on a busy machine too
MINUTES: Final = (0, 1, 6, 21, 81, 141, 201, 241)  # at which an attempt may be due
ANSWERS: Final = ("421 closing", "450 not now", "451 error", "535 no", "550 no", "554 no", "999 what", "nonsense")


@dataclass(frozen=True)
class Case:
    """What goes wrong in the first conversations, one plan for each; `for_ever` in all."""

    name: str
    plans: tuple[Plan, ...]
    for_ever: bool = False
    secure: str = "insecure"
    recipients: str = "ben@example.org"


@dataclass(frozen=True)
class Came:
    """What came of a case: the outcomes of the attempts, letters and how long the first one took and others waited."""

    case: Case
    states: tuple[MessageState, ...]
    reason: str
    seconds: float  # of the first attempt
    waited: float  # [s] until the other person's letter was kept
    early: int  # letters kept in the first attempt
    letters: int
    names: int
    other: int  # letters that the other person has

    @property
    def lost(self) -> bool:
        """Whether the server was well again in time and has no letter, and the page does not say so."""
        return self.letters == 0 and not self.case.for_ever and not self.unsure

    @property
    def unsure(self) -> bool:
        """Whether it rests as one that may not have arrived."""
        return self.states[-1] is MessageState.UNKNOWN

    @property
    def forgotten(self) -> bool:
        """Whether it was taken for sent, or not followed, with no letter anywhere."""
        return self.letters == 0 and MessageState.SENT in self.states

    @property
    def excused(self) -> int:
        """How many copies beside the first an unknown outcome accounts for."""
        return sum(state is MessageState.UNKNOWN for state in self.states)

    @property
    def doubled(self) -> bool:
        """Whether it came more often than unknown outcomes account for."""
        return self.letters > 1 + self.excused

    @property
    def renamed(self) -> bool:
        """Whether copies have different names."""
        return self.names > 1


def cases() -> Iterator[Case]:
    """Return the cases of the matrix: each way to go wrong, at each point."""
    for code in ("421", "450", "550"):
        for point in ("connect", "ehlo", "mail", "rcpt", "data", "taken"):
            at = "dot" if point == "taken" else point
            yield Case(f"{code} at {at}", ({at: Fault(f"{code} said")},))
    for point in ("connect", "ehlo", "mail", "rcpt", "data", "body", "dot", "taken", "quit"):
        yield Case(f"drop at {point}", ({point: DROP},))
        yield Case(f"hang at {point}", ({point: HANG},))
        if point != "body":
            yield Case(f"drip at {point}", ({point: Fault(drip=1.0)},))
    for point in ("tls", "starttls", "auth"):
        for name, fault in (("drop", DROP), ("hang", HANG), ("454", Fault("454 not now"))):
            yield Case(f"{name} at {point}", ({point: fault},), secure="starttls")
    yield Case("drip at tls", ({"tls": Fault(drip=1.0)},), secure="starttls")
    yield Case("wrong password, for ever", ({"auth": Fault("535 wrong")},), for_ever=True, secure="starttls")
    yield Case("words without end at ehlo", ({"ehlo": FLOOD},))
    yield Case("words without end after the letter", ({"taken": FLOOD},))
    yield Case("nonsense after the letter", ({"taken": Fault("nonsense")},))
    for code in ("450", "550"):
        plan = {"rcpt": Fault(f"{code} not her", only=1)}
        yield Case(f"{code} for one of two recipients", (plan,), recipients="ben@example.org,ann@example.org")
    yield Case("550 at rcpt, for ever", ({"rcpt": Fault("550 nobody")},), for_ever=True)
    yield Case("hang at connect, for ever", ({"connect": HANG},), for_ever=True)
    yield Case("drop at taken, for ever", ({"taken": DROP},), for_ever=True)


def drawn(draw: Random) -> Case:
    """Return a case of up to three conversations that go wrong in any way, at any points."""
    return Case("drawn", tuple(_plan(draw) for _ in range(draw.randint(1, 3))))


def _plan(draw: Random) -> Plan:
    points = ("connect", "ehlo", "mail", "rcpt", "data", "body", "dot", "taken", "quit")
    return {point: _fault(draw, point) for point in draw.sample(points, draw.randint(1, 2))}


def _fault(draw: Random, point: str) -> Fault:
    if draw.random() < 0.6 and point not in ("body", "taken"):
        return Fault(draw.choice(ANSWERS))
    return draw.choice((DROP, DROP, DROP, HANG))


def tried(case: Case, folder: Path, pem: Path) -> Came:
    """Send a message by a server that goes wrong, and another person's by one that is well, until both are at rest."""
    offers = ("AUTH PLAIN",) if case.secure != "insecure" else ()
    bag = Outbox(folder / "postbag.sqlite3")
    with (
        SmtpServer(*case.plans, for_ever=case.for_ever, secure=case.secure, certificate=pem, offers=offers) as bad,
        SmtpServer() as good,
    ):
        login, more = ("farm:word@", "&verify=no") if offers else ("", "")
        ben = person("Ben", Channel.EMAIL, bad.address(case.recipients, login, more))
        cat = person("Cat", Channel.EMAIL, good.address("cat@example.org"))
        for who in (ben, cat):
            said = Message("Mow today", "Mow 20 acres.", "<p>Mow 20 acres.</p>")
            bag.enqueue(
                NewMessage(DAY, MessageKind.parse("morning"), who, said, DAWN, DAWN + timedelta(minutes=TOO_LATE)), DAWN
            )
        begun = time.monotonic()
        rows = list(bag.deliver(DAWN, (ben, cat)))
        took, early = time.monotonic() - begun, len(bad.letters)
        for at in MINUTES[1:]:
            if any(row.is_waiting for row in bag.recent()):
                rows.extend(bag.deliver(DAWN + timedelta(minutes=at), (ben, cat)))
        bens = [row for row in rows if row.person == "Ben"]
        return Came(
            case=case,
            states=tuple(row.state for row in bens),
            reason=bens[0].reason,
            seconds=took,
            waited=good.seen[0] - begun if good.seen else float("inf"),
            early=early,
            letters=len(bad.letters),
            names=len({each.name for each in bad.letters}),
            other=len(good.letters),
        )


def all_of(given: Sequence[Case]) -> list[Came]:
    """Return what comes of some cases, several at once as most of them only wait."""
    with tempfile.TemporaryDirectory() as root, ThreadPoolExecutor(IN_ALL) as pool:
        pem = certificate(Path(root))
        folders = [Path(root) / str(number) for number in range(len(given))]
        for folder in folders:
            folder.mkdir()
        return list(pool.map(tried, given, folders, [pem] * len(given)))


@contextmanager
def patience(share: float) -> Iterator[None]:
    """Shorten the waiting for a server to a share."""
    before = {name: getattr(smtp, name) for name in PATIENCE}
    for name, seconds in before.items():
        setattr(smtp, name, max(0.15, seconds * share) if name != "QUIT_TIMEOUT" else seconds * share)
    try:
        yield
    finally:
        for name, seconds in before.items():
            setattr(smtp, name, seconds)


@dataclass
class Faults:
    """How often what must not be was seen."""

    of: int = 0
    seen: dict[str, int] = field(default_factory=dict)

    def count(self, came: Came) -> None:
        """Add what came of a case."""
        self.of += 1
        for what, is_so in (
            ("a letter lost though the server was well again", came.lost),
            ("a letter called sent that nobody has", came.forgotten),
            ("a letter more often than an unknown outcome excuses", came.doubled),
            ("a letter by two names", came.renamed),
            ("another person's letter late or not once", came.waited > AT_ONCE or came.other != 1),
        ):
            self.seen[what] = self.seen.get(what, 0) + is_so

    def counts(self) -> tuple[Count, ...]:
        """Return all counts."""
        return tuple(Count(what, seen, self.of) for what, seen in self.seen.items())


def line(came: Came) -> str:
    """Return a line of the matrix."""
    states = " ".join(came.states)
    return (
        f"{came.case.name:<36}{came.states[0]:<8}{came.seconds:>7.2f}{came.waited:>7.2f}{came.early:>4}"
        f"{came.letters:>4}{came.names:>4}  {states:<48} {came.reason.removeprefix('the mail server ')[:56]}"
    )


def crowd(dead: int) -> float:
    """Return how long [s] a letter waits that lies behind those of some others with a server that never answers."""
    with (
        tempfile.TemporaryDirectory() as folder,
        SmtpServer({"connect": Fault(drip=1.0)}, for_ever=True) as bad,
        SmtpServer() as good,
    ):
        bag = Outbox(Path(folder) / "postbag.sqlite3")
        people = [person(f"P{number}", Channel.EMAIL, bad.address()) for number in range(dead)]
        people.append(person("Last", Channel.EMAIL, good.address()))
        for who in people:
            bag.enqueue(
                NewMessage(
                    DAY, MessageKind.parse("morning"), who, Message("Mow", "Mow"), DAWN, DAWN + timedelta(hours=4)
                ),
                DAWN,
            )
        begun = time.monotonic()
        bag.deliver(DAWN, people)
        return good.seen[0] - begun


def main() -> int:
    """Print the matrix and what the drawn cases came to."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--n", type=int, default=1000, help="drawn cases after those of the matrix")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--patience", type=float, default=1.0, help="share of the real patience for the matrix")
    given = parser.parse_args()
    logging.disable(logging.CRITICAL)
    faults, begun = Faults(), time.monotonic()
    print(
        f"{'case':<36}{'first':<8}{'[s]':>7}{'other':>7}{'at 1':>4}{'all':>4}{'name':>5} then, and why the first failed"
    )
    with patience(given.patience):
        for came in all_of(tuple(cases())):
            print(line(came))
            faults.count(came)
        for dead in (1, 7, 8, 16):
            print(f"behind {dead} messages to a server that never answers a letter waits {crowd(dead):.1f} s")
    matrix = faults.of
    draw = Random(given.seed)
    with patience(HASTY):
        drawn_ones = all_of([drawn(draw) for _ in range(given.n)])
    for came in drawn_ones:
        faults.count(came)
    again, unsure = (sum(map(is_so, drawn_ones)) for is_so in (lambda came: came.letters > 1, lambda came: came.unsure))
    print(f"{matrix} cases of the matrix and {given.n} drawn, seed {given.seed}, in {time.monotonic() - begun:.0f} s; "
          f"{sum(len(came.states) for came in drawn_ones)} attempts, {again} drawn letters came again under the same "
          f"name, {unsure} rest as perhaps not arrived; {threading.active_count() - 1} threads left")  # fmt: skip
    return report(faults.counts())


if __name__ == "__main__":
    sys.exit(main())

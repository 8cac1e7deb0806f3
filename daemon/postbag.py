"""The postbag: every message is kept on disk, then sent, then marked, so that none is lost without a word."""

import logging
import sqlite3
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Final

import apprise

from daemon.due import Task, TaskKind
from daemon.farm import Channel, Message, Person

log = logging.getLogger(__name__)
# Their own lines may hold addresses and tokens; what came of a message is logged here.
logging.getLogger("apprise").addHandler(logging.NullHandler())
logging.getLogger("apprise").propagate = False
logging.getLogger("urllib3").setLevel(logging.INFO)

BACKOFF: Final = tuple(timedelta(minutes=minutes) for minutes in (1, 5, 15, 60))
SEND_TIMEOUT: Final = 20.0  # [s] after it a message may or may not have gone out
READ_TIMEOUT: Final = 25.0  # [s] longer, so that a silent gateway shows as a timeout and not as a refusal
SENDERS: Final = 8
REASON_LENGTH: Final = 200

_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS messages (
    id INTEGER PRIMARY KEY,
    day TEXT NOT NULL, kind TEXT NOT NULL, person TEXT NOT NULL, channel TEXT NOT NULL,
    title TEXT NOT NULL, body TEXT NOT NULL, html TEXT,
    state TEXT NOT NULL, attempts INTEGER NOT NULL DEFAULT 0, unknowns INTEGER NOT NULL DEFAULT 0,
    made_at TEXT NOT NULL, next_try TEXT, too_late TEXT NOT NULL, sent_at TEXT,
    address TEXT NOT NULL DEFAULT '', reason TEXT NOT NULL DEFAULT '',
    UNIQUE (day, kind, person, channel)
);
CREATE TABLE IF NOT EXISTS done (kind TEXT, day TEXT, at TEXT NOT NULL, PRIMARY KEY (kind, day));
CREATE TABLE IF NOT EXISTS kept (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""


class PostbagError(Exception):
    """The postbag cannot be opened."""


class State(StrEnum):
    """How far a message has come; only `SENT`, `FAILED` and an `UNKNOWN` without a next try are at rest."""

    NEW = "new"
    SENDING = "sending"
    SENT = "sent"
    FAILED = "failed"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class Posted:
    """A message in the postbag. `address` is masked: of the person's own only the scheme is kept."""

    id: int
    day: date
    kind: str
    person: str
    channel: Channel
    message: Message
    state: State
    attempts: int
    unknowns: int
    made_at: datetime
    next_try: datetime | None
    too_late: datetime
    sent_at: datetime | None
    address: str
    reason: str


@dataclass(frozen=True)
class _Outcome:
    """What came of one attempt."""

    state: State
    address: str
    reason: str


class Postbag:
    """Messages, marks of what was done and a few kept values, in one SQLite file.

    Every call opens the file anew, so the service, the page's threads and a command may use it at once.

    Parameters
    ----------
    path : Path
        The file; it is made if it is not there.

    Raises
    ------
    PostbagError
        If the file cannot be opened or is not a postbag.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            with self._open() as db:
                db.execute("PRAGMA journal_mode = WAL")
                db.executescript(_SCHEMA)
        except sqlite3.Error as error:
            raise PostbagError(
                f"postbag: {path} cannot be used ({error}); make its folder writable, or move the file away"
            ) from error

    def recover(self) -> int:
        """Set free what was being sent when the service ended; call it once at the start of the service.

        Returns
        -------
        int
            How many messages may have gone out without being marked. Each is tried once more: a message that
            comes twice is a smaller harm than one that never comes.
        """
        with self._open() as db:
            found = db.execute(
                "UPDATE messages SET state = ?, unknowns = unknowns + 1, reason = ?,"
                " next_try = CASE WHEN unknowns = 0 THEN made_at END WHERE state = ?",
                (State.UNKNOWN, "the service ended while it was being sent", State.SENDING),
            )
            return found.rowcount

    def put(self, day: date, kind: str, person: Person, message: Message, now: datetime, too_late: datetime) -> bool:
        """Keep a message on disk until it is delivered.

        Parameters
        ----------
        day : date
            The local day that it is for.
        kind : str
            What it is: one person gets one message of a kind a day on each channel.
        person : Person
            Who gets it.
        message : Message
            What it says.
        now, too_late : datetime
            The time, and when it is no longer worth sending.

        Returns
        -------
        bool
            False if there already is such a message; that one is left as it is.
        """
        with self._open() as db:
            added = db.execute(
                "INSERT INTO messages (day, kind, person, channel, title, body, html, state, made_at,"
                " next_try, too_late) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
                (
                    *(day.isoformat(), str(kind), person.name, person.channel),
                    *(message.title, message.body, message.html, State.NEW),
                    *(_text(now), _text(now), _text(too_late)),
                ),
            )
            return added.rowcount == 1

    def deliver(self, now: datetime, people: Iterable[Person]) -> tuple[Posted, ...]:
        """Send what waits, each message on its own, and mark each as soon as its outcome is known.

        Parameters
        ----------
        now : datetime
            The time.
        people : iterable of Person
            Where the addresses come from: they are secrets and never stand in the postbag.

        Returns
        -------
        tuple of Posted
            The messages that were tried or given up, as they stand now.

        Notes
        -----
        A refusal is tried again after 1, 5, 15 and then every 60 minutes until it is too late. A timeout may
        have gone out: it is tried once more and then rests as unknown.
        """
        known = {(person.name, person.channel): person for person in people}
        late, claimed = self._claim(now)
        tried = [self._mark(_given_up(row)) for row in late]
        with ThreadPoolExecutor(SENDERS) as senders:
            running = {senders.submit(_send, known.get((row.person, row.channel)), row): row for row in claimed}
            for sent in as_completed(running):
                tried.append(self._mark(_after(running[sent], sent.result(), now)))
        return tuple(tried)

    def recent(self, count: int = 20) -> tuple[Posted, ...]:
        """Return the newest messages, newest first."""
        with self._open() as db:
            rows = db.execute("SELECT * FROM messages ORDER BY id DESC LIMIT ?", (count,)).fetchall()
        return tuple(map(_posted, rows))

    def mark_done(self, task: Task, now: datetime) -> None:
        """Remember that a task was done for its day."""
        with self._open() as db:
            db.execute("INSERT OR IGNORE INTO done VALUES (?, ?, ?)", (task.kind, task.day.isoformat(), _text(now)))

    def done(self, since: date) -> frozenset[Task]:
        """Return the tasks done for the days from `since` on."""
        with self._open() as db:
            rows = db.execute("SELECT kind, day FROM done WHERE day >= ?", (since.isoformat(),)).fetchall()
        return frozenset(Task(TaskKind(row["kind"]), date.fromisoformat(row["day"])) for row in rows)

    def keep(self, name: str, value: str) -> None:
        """Keep a value under a name, in place of the former one."""
        with self._open() as db:
            db.execute("INSERT OR REPLACE INTO kept VALUES (?, ?)", (name, value))

    def kept(self, name: str) -> str | None:
        """Return the value kept under a name, None if there is none."""
        with self._open() as db:
            row = db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row["value"])

    def _claim(self, now: datetime) -> tuple[list[Posted], list[Posted]]:
        # In one transaction, so that two processes never send the same message.
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            rows = db.execute(
                "SELECT * FROM messages WHERE state IN (?, ?) AND next_try <= ? ORDER BY id",
                (State.NEW, State.UNKNOWN, _text(now)),
            ).fetchall()
            waiting = [_posted(row) for row in rows]
            claimed = [row for row in waiting if now <= row.too_late]
            db.executemany(
                "UPDATE messages SET state = ?, attempts = attempts + 1 WHERE id = ?",
                [(State.SENDING, row.id) for row in claimed],
            )
            db.execute("COMMIT")
        late = [row for row in waiting if row.too_late < now]
        return late, [replace(row, attempts=row.attempts + 1) for row in claimed]

    def _mark(self, row: Posted) -> Posted:
        with self._open() as db:
            db.execute(
                "UPDATE messages SET state = ?, next_try = ?, unknowns = ?, sent_at = ?, address = ?,"
                " reason = ? WHERE id = ?",
                (
                    *(row.state, row.next_try and _text(row.next_try), row.unknowns),
                    *(row.sent_at and _text(row.sent_at), row.address, row.reason, row.id),
                ),
            )
        level = logging.INFO if row.state is State.SENT else logging.WARNING
        told = f" ({row.reason})" if row.reason else ""
        log.log(
            level,
            "%s message for %s, %s by %s: %s%s",
            row.kind,
            row.day,
            row.person,
            row.channel,
            row.state,
            told,
        )
        return row

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        db = sqlite3.connect(self._path, timeout=10.0, isolation_level=None)
        try:
            db.row_factory = sqlite3.Row
            db.execute("PRAGMA synchronous = FULL")  # a message that was promised outlives a power cut
            yield db
        finally:
            db.close()


def _given_up(row: Posted) -> Posted:
    """Return a message whose time has passed; what may have gone out stays unknown."""
    state = State.UNKNOWN if row.state is State.UNKNOWN else State.FAILED
    return replace(row, state=state, next_try=None, reason=f"too late to matter; {row.reason}".rstrip("; "))


def _after(row: Posted, outcome: _Outcome, now: datetime) -> Posted:
    """Return a message as it stands after an attempt: sent, to be tried again, or given up."""
    row = replace(row, address=outcome.address, reason=outcome.reason, next_try=None)
    if outcome.state is State.SENT:
        return replace(row, state=State.SENT, sent_at=now)
    again = now + BACKOFF[min(row.attempts, len(BACKOFF)) - 1]
    in_time = again if again <= row.too_late else None
    if outcome.state is State.UNKNOWN:
        once_more = in_time if row.unknowns == 0 else None
        return replace(row, state=State.UNKNOWN, unknowns=row.unknowns + 1, next_try=once_more)
    return replace(row, state=State.FAILED if in_time is None else State.NEW, next_try=in_time)


def _send(person: Person | None, row: Posted) -> _Outcome:
    """Try to send one message; whatever goes wrong is an outcome and never an exception."""
    if person is None:
        return _Outcome(State.FAILED, row.address, "this person and channel are no longer in the settings")
    try:
        return _notify(person, row.message)
    except Exception as error:  # a plug-in's mistake is one message's trouble, not the service's
        return _Outcome(State.FAILED, row.address, f"the sender broke down: {type(error).__name__}")


def _notify(person: Person, message: Message) -> _Outcome:
    """Hand a message to Apprise: one object for one recipient, so that the result is exactly theirs.

    Notes
    -----
    Apprise takes one body. For HTML mail it makes the plain-text part from the HTML by itself, and the
    Message-ID too: neither can be handed in.
    """
    service = apprise.Apprise.instantiate(person.address)
    if not isinstance(service, apprise.NotifyBase):
        return _Outcome(State.FAILED, "", "the address is none that Apprise knows; see its list of services")
    service.socket_read_timeout = READ_TIMEOUT
    bag = apprise.Apprise()
    bag.add(service)
    html = person.channel is Channel.EMAIL and message.html is not None
    result = bag.notify(
        title=message.title,
        body=message.html or "" if html else message.body,
        body_format=apprise.NotifyFormat.HTML if html else apprise.NotifyFormat.TEXT,
        timeout=SEND_TIMEOUT,
    )
    # Apprise's own masking leaves tokens in paths and headers, so only the scheme is kept.
    scheme, mark, _ = person.address.partition("://")
    address = f"{scheme}://****" if mark else "****"
    if result:
        return _Outcome(State.SENT, address, "")
    timed_out = result.status is apprise.AppriseResultStatus.TIMEOUT
    return _Outcome(State.UNKNOWN if timed_out else State.FAILED, address, _reason(result, person))


def _reason(result: apprise.AppriseResult, person: Person) -> str:
    lines = [entry.message for entry in result.logs()]
    text = lines[-1] if lines else "refused without a reason"
    return " ".join(text.replace(person.address, "****").split())[:REASON_LENGTH]


def _posted(row: sqlite3.Row) -> Posted:
    return Posted(
        id=row["id"],
        day=date.fromisoformat(row["day"]),
        kind=row["kind"],
        person=row["person"],
        channel=Channel(row["channel"]),
        message=Message(row["title"], row["body"], row["html"]),
        state=State(row["state"]),
        attempts=row["attempts"],
        unknowns=row["unknowns"],
        made_at=datetime.fromisoformat(row["made_at"]),
        next_try=_time(row["next_try"]),
        too_late=datetime.fromisoformat(row["too_late"]),
        sent_at=_time(row["sent_at"]),
        address=row["address"],
        reason=row["reason"],
    )


def _text(at: datetime) -> str:
    # One offset and one width, so that SQLite can compare them as text.
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)

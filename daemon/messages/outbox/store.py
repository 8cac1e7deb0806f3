"""The outbox: every message is kept on disk, then sent, then marked, so that none is lost without a word."""

import logging
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import ClassVar, Final

from daemon.domain.farm import Channel, Person
from daemon.domain.message import DeliveryOutcome, Message, MessageState, NewMessage, QueuedMessage
from daemon.domain.message_kind import MessageKind
from daemon.domain.schedule import Task, TaskKind
from daemon.messages.delivery.attempt import attempt_delivery
from daemon.messages.outbox.salvage import is_damage, salvage_rows
from daemon.system.sqlite_store import SqliteStore

log = logging.getLogger(__name__)

BACKOFF: Final = tuple(timedelta(minutes=minutes) for minutes in (1, 5, 15, 60))
SENDER_THREADS: Final = 8

_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS messages (
    id INTEGER PRIMARY KEY,
    day TEXT NOT NULL, kind TEXT NOT NULL, person TEXT NOT NULL, channel TEXT NOT NULL,
    title TEXT NOT NULL, body TEXT NOT NULL, html TEXT, picture BLOB,
    picture_words TEXT NOT NULL DEFAULT '',
    state TEXT NOT NULL, attempts INTEGER NOT NULL DEFAULT 0, unknowns INTEGER NOT NULL DEFAULT 0,
    made_at TEXT NOT NULL, due TEXT NOT NULL, next_try TEXT, too_late TEXT NOT NULL, sent_at TEXT,
    address TEXT NOT NULL DEFAULT '', reason TEXT NOT NULL DEFAULT '', stands_in_for INTEGER,
    UNIQUE (day, kind, person, channel)
);
CREATE TABLE IF NOT EXISTS done (kind TEXT, day TEXT, at TEXT NOT NULL, PRIMARY KEY (kind, day));
CREATE TABLE IF NOT EXISTS kept (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""
# A message made after now, by a clock that was set back since, waits for nothing.
_SELECT_DUE: Final = """
SELECT messages.*, first.state AS first_state FROM messages
LEFT JOIN messages AS first ON first.id = messages.stands_in_for
WHERE messages.state IN ('new', 'unknown') AND messages.next_try IS NOT NULL
AND (messages.next_try <= :now OR messages.made_at > :now) ORDER BY messages.id
"""


class OutboxError(Exception):
    """The outbox cannot be used."""


class Outbox(SqliteStore):
    """Messages, marks of what was done and a few kept values, in one SQLite file.

    Every call opens the file anew, so the service, the page's threads and a command may use it at once. It has a
    write-ahead log and waits for the disk: a message that was promised outlives a power cut.

    Parameters
    ----------
    path : Path
        The file; it is made if it is not there.

    Raises
    ------
    OutboxError
        By every call, if the file cannot be used.
    """

    FILE_NAME: ClassVar[str] = "postbag.sqlite3"
    RETENTION: ClassVar[timedelta] = timedelta(days=800)
    contents = "postbag"
    error_class = OutboxError
    corrupt_errors = (ValueError, TypeError, KeyError)
    file_mode = 0o600  # letters hold the links by which they are answered

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._unmarked: dict[int, QueuedMessage] = {}  # what came of attempts that the disk did not take

    def set_aside_if_damaged(self, now: datetime) -> str:
        """Move a file that is no longer whole out of the way and return what was done, nothing if it is whole.

        Notes
        -----
        A service that does not start because of it would say nothing on any morning. What was sent today may be sent
        again, which the words say.
        """
        damaged = self._damage()
        if not damaged:
            return ""
        beside = self._path.with_name(f"{self._path.name}.damaged-{now:%Y%m%dT%H%M%SZ}")
        try:
            self._path.rename(beside)
        except OSError as error:
            raise self._unusable_error(error) from error
        for rest in ("-wal", "-shm"):
            with suppress(OSError):
                self._path.with_name(self._path.name + rest).rename(beside.with_name(beside.name + rest))
        self._unmarked.clear()  # their numbers are other messages' in the new file
        with self._open() as db:
            brought = salvage_rows(beside, db, {"messages": _message_from_row, "done": _task_from_row})
        return (
            f"the postbag was damaged ({damaged}); it lies at {beside} and a new one was begun with {brought} of its "
            "messages: what was sent today may come again"
        )

    def recover(self, now: datetime) -> int:
        """Set free what was being sent when the service ended; call it once at the start of the service.

        Returns
        -------
        int
            How many messages may have gone out without being marked. Each is tried again: a message that comes twice
            is a smaller harm than one that never comes.
        """
        self._mark_postponed()
        with self._open() as db:
            rows = [_message_from_row(row) for row in db.execute("SELECT * FROM messages WHERE state = 'sending'")]
        for row in rows:
            # The first time at once; then ever later, lest a message that ends the service should go out for ever.
            again = now + (timedelta(0), *BACKOFF)[min(row.attempts, len(BACKOFF) + 1) - 1]
            why = "the service ended while it was being sent"
            self._mark(replace(row, state=MessageState.UNKNOWN, unknowns=row.unknowns + 1, next_try=again, reason=why))
        return len(rows)

    def enqueue(self, item: NewMessage, now: datetime, second: NewMessage | None = None) -> int | None:
        """Keep a message on disk until it is delivered.

        Parameters
        ----------
        item : Outgoing
            One person gets one message of a kind a day on each channel.
        now : datetime
        second : Outgoing, optional
            The same by a second way, kept with it or not at all: it goes out if the first is not delivered by then.

        Returns
        -------
        int or None
            Its number; None if there already is such a message: that one is left as it is.
        """
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            withheld = item.max_per_day is not None and _message_count(db, item) >= item.max_per_day
            state, reason = (
                (MessageState.WITHHELD, f"{item.max_per_day} messages went that day")
                if withheld
                else (MessageState.NEW, "")
            )
            number = _insert(db, item, now, state, reason)
            if second is not None and number is not None and not withheld:
                _insert(db, second, now, MessageState.NEW, "", stands_in_for=number)
            db.execute("COMMIT")
            return number

    def deliver(
        self,
        now: datetime,
        people: Iterable[Person],
        wording: Callable[[QueuedMessage, datetime], Message] = lambda row, now: row.message,
    ) -> tuple[QueuedMessage, ...]:
        """Send what waits, each message on its own, and mark each as soon as its outcome is known.

        Parameters
        ----------
        now : datetime
            The time.
        people : iterable of Person
            Where the addresses come from: they are secrets and never stand in the outbox.
        wording : callable
            Returns what a message says at an attempt, which may be late.

        Returns
        -------
        tuple of Posted
            The messages that were tried or given up, as they stand now.

        Notes
        -----
        A refusal is tried again after 1, 5, 15 and then every 60 minutes until it is too late. A timeout may
        have gone out: it is tried once more and then rests as unknown. An outcome that the disk does not take is
        marked at the next call.
        """
        known = {(person.name, person.channel): person for person in people}
        self._mark_postponed()
        rested, claimed = self._claim(now)
        # No failure from here on may leave a message behind that is claimed and not tried.
        tried = [self._mark_or_postpone(row) for row in rested]
        with ThreadPoolExecutor(SENDER_THREADS) as senders:
            running = {
                senders.submit(
                    attempt_delivery, known.get((row.person, row.channel)), _apply_wording(row, wording, now)
                ): row
                for row in claimed
            }
            for sent in as_completed(running):
                tried.append(self._mark_or_postpone(_after_attempt(running[sent], sent.result(), now)))
        return tuple(tried)

    def recent(self, count: int = 20) -> tuple[QueuedMessage, ...]:
        """Return the newest messages, newest first."""
        with self._open() as db:
            rows = db.execute("SELECT * FROM messages ORDER BY id DESC LIMIT ?", (count,)).fetchall()
            return tuple(map(_message_from_row, rows))

    def messages_of(self, day: date, kind: MessageKind) -> tuple[QueuedMessage, ...]:
        """Return the messages of a kind for a day."""
        with self._open() as db:
            rows = db.execute("SELECT * FROM messages WHERE day = ? AND kind = ?", (day.isoformat(), str(kind)))
            return tuple(map(_message_from_row, rows.fetchall()))

    def was_told(self, person: str, since: datetime) -> bool:
        """Return whether a person was sent something, or is being sent something, that was written since a time."""
        wanted = (
            "SELECT 1 FROM messages WHERE person = ? AND made_at >= ?"
            " AND (state IN ('sent', 'sending', 'new') OR (state = 'unknown' AND next_try IS NOT NULL))"
        )
        with self._open() as db:
            return db.execute(wanted, (person, _time_text(since))).fetchone() is not None

    def mark_done(self, task: Task, now: datetime) -> None:
        """Remember that a task was done for its day."""
        with self._open() as db:
            db.execute(
                "INSERT OR IGNORE INTO done VALUES (?, ?, ?)", (task.kind, task.day.isoformat(), _time_text(now))
            )

    def tasks_done(self, since: date) -> frozenset[Task]:
        """Return the tasks done for the days from `since` on."""
        with self._open() as db:
            rows = db.execute("SELECT kind, day FROM done WHERE day >= ?", (since.isoformat(),)).fetchall()
            return frozenset(map(_task_from_row, rows))

    def prune(self, now: datetime) -> None:
        """Delete messages and marks that are older than two seasons."""
        before = now - self.RETENTION
        with self._open() as db:
            db.execute("DELETE FROM messages WHERE made_at < ?", (_time_text(before),))
            db.execute("DELETE FROM done WHERE day < ?", (before.date().isoformat(),))

    def save_value(self, name: str, value: str) -> None:
        """Keep a value under a name, in place of the former one."""
        with self._open() as db:
            db.execute("INSERT OR REPLACE INTO kept VALUES (?, ?)", (name, value))

    def load_value(self, name: str) -> str | None:
        """Return the value kept under a name, None if there is none."""
        with self._open() as db:
            row = db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
            return None if row is None else str(row["value"])

    def _claim(self, now: datetime) -> tuple[list[QueuedMessage], list[QueuedMessage]]:
        """Return what comes to rest unsent and what is to be sent now, marked as being sent."""
        # In one transaction, so that two processes never send the same message.
        rested: list[QueuedMessage] = []
        claimed: list[QueuedMessage] = []
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            for found in db.execute(_SELECT_DUE, {"now": _time_text(now)}).fetchall():
                row = _message_from_row(found)
                if found["first_state"] == MessageState.SENT:
                    rested.append(replace(row, state=MessageState.NOT_NEEDED, next_try=None))
                elif row.expires_at < now:
                    rested.append(_give_up(row))
                else:
                    claimed.append(replace(row, attempts=row.attempts + 1))
            starts = [(MessageState.SENDING, row.attempts, row.id) for row in claimed]
            db.executemany("UPDATE messages SET state = ?, attempts = ? WHERE id = ?", starts)
            db.execute("COMMIT")
        return rested, claimed

    def _mark_or_postpone(self, row: QueuedMessage) -> QueuedMessage:
        try:
            return self._mark(row)
        except OutboxError as error:
            log.error("what came of a message is marked later: %s", error)
            self._unmarked[row.id] = row
            return row

    def _mark_postponed(self) -> None:
        for number, row in tuple(self._unmarked.items()):
            self._mark(row)
            del self._unmarked[number]

    def _mark(self, row: QueuedMessage) -> QueuedMessage:
        with self._open() as db:
            db.execute(
                "UPDATE messages SET state = ?, next_try = ?, unknowns = ?, sent_at = ?, address = ?,"
                " reason = ? WHERE id = ?",
                (
                    *(row.state, row.next_try and _time_text(row.next_try), row.unknowns),
                    *(row.sent_at and _time_text(row.sent_at), row.address, row.reason, row.id),
                ),
            )
        level = logging.INFO if row.state in (MessageState.SENT, MessageState.NOT_NEEDED) else logging.WARNING
        told = f" ({row.reason})" if row.reason else ""
        log.log(level, "%s message for %s, %s by %s: %s%s", row.kind, row.day, row.person, row.channel, row.state, told)
        return row

    def _damage(self) -> str:
        """Return what is wrong with the file itself, nothing if it is whole, missing, or only cannot be had now."""
        if not self._exists():
            return ""
        try:
            with self._open() as db:
                (found,) = db.execute("PRAGMA quick_check(1)").fetchone()
                for row in db.execute("SELECT * FROM messages"):
                    _message_from_row(row)  # a whole file may hold what no message is, and then none would ever go out
                return "" if found == "ok" else str(found)
        except OutboxError as error:
            return str(error.__cause__) if is_damage(error.__cause__, self.corrupt_errors) else ""

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        with super()._open() as db:
            db.row_factory = sqlite3.Row
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            db.executescript(_SCHEMA)
            yield db


def _message_count(db: sqlite3.Connection, item: NewMessage) -> int:
    """Return how many messages a person has on a day, those not sent for want of the first channel left out."""
    wanted = "SELECT count(*) FROM messages WHERE day = ? AND person = ? AND state NOT IN ('withheld', 'spared')"
    (count,) = db.execute(wanted, (item.day.isoformat(), item.person.name)).fetchone()
    return int(count)


def _insert(
    db: sqlite3.Connection,
    item: NewMessage,
    now: datetime,
    state: MessageState,
    reason: str,
    stands_in_for: int | None = None,
) -> int | None:
    """Return the number of a message that is new, None if there already is such a one."""
    added = db.execute(
        "INSERT INTO messages (day, kind, person, channel, title, body, html, picture, picture_words, state, reason,"
        " made_at, due, next_try, too_late, stands_in_for) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT DO NOTHING",
        (
            *(item.day.isoformat(), str(item.kind), item.person.name, item.person.channel),
            *(item.message.title, item.message.body, item.message.html),
            *(item.message.picture, item.message.alt_text, state, reason),
            *(_time_text(now), _time_text(item.due), _time_text(item.first_try or now), _time_text(item.expires_at)),
            stands_in_for,
        ),
    )
    return added.lastrowid if added.rowcount == 1 else None


def _apply_wording(
    row: QueuedMessage, wording: Callable[[QueuedMessage, datetime], Message], now: datetime
) -> QueuedMessage:
    """Return a message as it is worded at an attempt, or as it was written where that breaks down."""
    try:
        return replace(row, message=wording(row, now))
    except Exception as error:
        log.error("a %s message goes out as it was written: %s: %s", row.kind, type(error).__name__, error)
        return row


def _give_up(row: QueuedMessage) -> QueuedMessage:
    """Return a message whose time has passed; what may have gone out stays unknown."""
    state = MessageState.UNKNOWN if row.state is MessageState.UNKNOWN else MessageState.FAILED
    return replace(row, state=state, next_try=None, reason=f"too late to matter; {row.reason}".rstrip("; "))


def _after_attempt(row: QueuedMessage, outcome: DeliveryOutcome, now: datetime) -> QueuedMessage:
    """Return a message as it stands after an attempt: sent, to be tried again, or given up."""
    row = replace(row, address=outcome.address, reason=outcome.reason, next_try=None)
    if outcome.state is MessageState.SENT:
        return replace(row, state=MessageState.SENT, sent_at=now)
    again = now + BACKOFF[min(row.attempts, len(BACKOFF)) - 1]
    in_time = again if again <= row.expires_at else None
    if outcome.state is MessageState.UNKNOWN:
        once_more = in_time if row.unknowns == 0 else None
        return replace(row, state=MessageState.UNKNOWN, unknowns=row.unknowns + 1, next_try=once_more)
    return replace(row, state=MessageState.FAILED if in_time is None else MessageState.NEW, next_try=in_time)


def _task_from_row(row: sqlite3.Row) -> Task:
    return Task(TaskKind(row["kind"]), date.fromisoformat(row["day"]))


def _message_from_row(row: sqlite3.Row) -> QueuedMessage:
    return QueuedMessage(
        id=row["id"],
        day=date.fromisoformat(row["day"]),
        kind=MessageKind.parse(row["kind"]),
        person=row["person"],
        channel=Channel(row["channel"]),
        message=Message(row["title"], row["body"], row["html"], row["picture"], row["picture_words"]),
        state=MessageState(row["state"]),
        attempts=row["attempts"],
        unknowns=row["unknowns"],
        made_at=datetime.fromisoformat(row["made_at"]),
        due=datetime.fromisoformat(row["due"]),
        next_try=_parse_time(row["next_try"]),
        expires_at=datetime.fromisoformat(row["too_late"]),
        sent_at=_parse_time(row["sent_at"]),
        address=row["address"],
        reason=row["reason"],
        stands_in_for=row["stands_in_for"],
    )


def _time_text(at: datetime) -> str:
    # One offset and one width, so that SQLite can compare them as text.
    return at.astimezone(UTC).isoformat(timespec="microseconds")


def _parse_time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)

"""Stores the key that signs the links for answers, and the links that were used, in a file beside the diary."""

import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import ClassVar, Final

from daemon.system.sqlite_store import SqliteStore

KEY_BYTES: Final = 32
_SCHEMA: Final = (
    "CREATE TABLE IF NOT EXISTS key (id INTEGER PRIMARY KEY CHECK (id = 1), secret BLOB NOT NULL)",
    "CREATE TABLE IF NOT EXISTS used (nonce TEXT PRIMARY KEY, ended_at TEXT NOT NULL, used_at TEXT NOT NULL)",
)


class AnswersError(Exception):
    """The file of the answers cannot be used."""


class AlreadyUsed(Exception):
    """A link was used before."""


class AnswerFile(SqliteStore):
    """The signing key and the links that were used; to delete the file makes all links invalid.

    Parameters
    ----------
    path : Path
        The file; only its owner can read it, and the group of a shared folder.

    Raises
    ------
    AnswersError
        From every call, if the file cannot be used.
    """

    FILE_NAME: ClassVar[str] = "answers.sqlite3"
    # After a link has run out: a clock that is set back shall not let it be used again.
    RETENTION: ClassVar[timedelta] = timedelta(days=60)
    contents = "answers"
    error_class = AnswersError
    corrupt_errors = (ValueError,)
    file_mode = 0o600

    def signing_key(self) -> bytes:
        """Return the key, which is created when it is first needed."""
        key = self._stored_key() if self._exists() else None
        return key or self._create_key()

    def is_used(self, nonce: str) -> bool:
        """Return whether a link was used."""
        with self._open() as db:
            return db.execute("SELECT 1 FROM used WHERE nonce = ?", (nonce,)).fetchone() is not None

    @contextmanager
    def use_once(self, nonce: str, expires_at: datetime, now: datetime) -> Iterator[None]:
        """Mark a link as used once the context is left; if the context raises an exception the link stays valid.

        Parameters
        ----------
        nonce : str
            The nonce of the link.
        expires_at : datetime
            When the link expires.
        now : datetime

        Raises
        ------
        AlreadyUsed
            If the link was used before, also a moment ago by somebody else.

        Notes
        -----
        The mark is stored after what the context stores: by a crash in between an answer can be given twice, but
        none is lost.
        """
        with self._transaction() as db:
            db.execute("DELETE FROM used WHERE ended_at < ?", (_time_text(now - self.RETENTION),))
            row = (nonce, _time_text(expires_at), _time_text(now))
            if db.execute("INSERT OR IGNORE INTO used VALUES (?, ?, ?)", row).rowcount != 1:
                raise AlreadyUsed
            yield

    def _stored_key(self) -> bytes | None:
        """Return the key in the file, None if the file is still empty."""
        with self._open() as db:
            if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'key'").fetchone() is None:
                return None
            return _valid_key(db.execute("SELECT secret FROM key").fetchone())

    def _create_key(self) -> bytes:
        """Create the key, unless another process did so a moment ago, and return the one in the file."""
        with self._transaction() as db:
            db.execute("INSERT OR IGNORE INTO key VALUES (1, ?)", (secrets.token_bytes(KEY_BYTES),))
            return _valid_key(db.execute("SELECT secret FROM key").fetchone())

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._open() as db:
            db.execute("PRAGMA synchronous = FULL")
            db.execute("BEGIN IMMEDIATE")
            for table in _SCHEMA:
                db.execute(table)
            yield db
            db.execute("COMMIT")


def _valid_key(row: tuple[object] | None) -> bytes:
    """Return the key in a row; raises ValueError if it is too short, for it could be guessed."""
    if row is None or not isinstance(row[0], bytes) or len(row[0]) != KEY_BYTES:
        raise ValueError(f"its key is none of {KEY_BYTES} bytes")
    return row[0]


def _time_text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="seconds")

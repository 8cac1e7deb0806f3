"""The diary: notes of what the farmer measured, did and saw, stored on disk."""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from typing import ClassVar, Final

from daemon.diary.schema import SQLITE_MAX_INTEGER, SchemaError, migrate, table_columns, validate_row
from daemon.domain.farm import Field, Place
from daemon.domain.units import DAY
from daemon.system.sqlite_store import SqliteStore

_EVENING: Final = timedelta(hours=23)  # from the first moment of a day, also of the shortest


class DiaryError(Exception):
    """The diary cannot be read or written."""


class NoteKind(StrEnum):
    """What a note is about."""

    MOISTURE = "moisture"
    CUT = "cut"
    UNCUT = "uncut"  # takes back the cuts of its day that were noted earlier
    WRAPPED = "wrapped"
    STAGE = "stage"
    HEIGHT = "height"
    GROUND = "ground"
    LODGED = "lodged"


LOOKS: Final = (NoteKind.STAGE, NoteKind.HEIGHT, NoteKind.GROUND, NoteKind.LODGED)


@dataclass(frozen=True)
class Note:
    """One note of the diary."""

    id: int
    kind: NoteKind
    field: str
    at: datetime  # the time in UTC at which it is true; of a cut, when mowing began
    written_at: datetime
    timed: bool = True  # False: only the day was given, and `at` is its first moment on the farm's clock
    area: float | None = None  # [ha] cut, None: all of the field
    moisture: float | None = None  # [wet basis, 1]
    factor: float | None = None  # drying factor that was fitted to it while its weather was still there [1]
    stage: str | None = None  # seen in the stand, one of models.looks.LOOK_STAGES
    height: float | None = None  # of the tallest stems [m]
    ground: str | None = None  # seen under foot, one of models.firmness.Firmness

    @property
    def effective_at(self) -> datetime:
        """The time by which notes are ordered; a note without an hour was true by the time it was written that day.

        A note of an earlier day is ordered at the beginning of that day, but in its evening if it says that a crop
        was wrapped, which comes after what was cut on that day.
        """
        if self.timed:
            return self.at
        if timedelta(0) <= self.written_at - self.at < DAY:
            return self.written_at
        return self.at + _EVENING if self.kind is NoteKind.WRAPPED else self.at


class Diary(SqliteStore):
    """The notes, in one SQLite file, which is created with its folder by the first note.

    Every call opens the file anew, so the service, the page's threads and a command may use it at once.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    DiaryError
        From every call, if the file cannot be used or is not a diary; from reading, if a note has invalid values.
    """

    FILE_NAME: ClassVar[str] = "diary.sqlite3"
    contents = "diary"
    error_class = DiaryError
    corrupt_errors = (ValueError,)

    def add(
        self,
        kind: NoteKind,
        field: str,
        at: datetime,
        now: datetime,
        *,
        timed: bool = True,
        area: float | None = None,
        moisture: float | None = None,
        stage: str | None = None,
        height: float | None = None,
        ground: str | None = None,
    ) -> Note:
        """Write a note and return it with its number; see `Note` for the parameters."""
        values = (kind, field, _time_text(at), _time_text(now), timed, area, moisture, stage, height, ground)
        with self._transaction() as db:
            added = db.execute(
                "INSERT INTO lines (kind, field, at, written_at, timed, area, moisture, stage, height, ground) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                values,
            )
            return next(self._select(db, "WHERE id = ?", added.lastrowid))

    def notes(self) -> tuple[Note, ...]:
        """Return all notes in the order in which they were written, none if there is no diary yet."""
        if not self._exists():
            return ()
        with self._open() as db:
            return tuple(self._select(db, "ORDER BY id"))

    def note(self, number: int) -> Note | None:
        """Return the note with a number, None if there is none."""
        if not 0 < number <= SQLITE_MAX_INTEGER or not self._exists():
            return None
        with self._open() as db:
            return next(self._select(db, "WHERE id = ?", number), None)

    def delete(self, number: int) -> bool:
        """Delete the note with a number, even one that cannot be read, and return whether there was one."""
        if not 0 < number <= SQLITE_MAX_INTEGER or not self._exists():
            return False
        with self._transaction() as db:
            return db.execute("DELETE FROM lines WHERE id = ?", (number,)).rowcount == 1

    def store_factors(self, factors: Mapping[int, float]) -> None:
        """Store the drying factors that were fitted to samples, by their notes' numbers.

        By the next season the weather of their days is gone, so that they could not be fitted again.
        """
        rows = [(factor, number) for number, factor in factors.items()]
        with self._transaction() as db:
            db.executemany("UPDATE lines SET factor = ? WHERE id = ?", rows)

    def _select(self, db: sqlite3.Connection, which: str, *values: object) -> Iterator[Note]:
        """Yield the notes that a clause of SQL selects."""
        if not table_columns(db):
            return
        for row in db.execute(f"SELECT * FROM lines {which}", values):
            try:
                columns = validate_row(row, tuple(NoteKind))
                yield Note(**{**columns, "kind": NoteKind(columns["kind"])})
            except ValueError as error:
                number = row["id"]
                raise DiaryError(
                    f"diary: line {number} of {self._path} cannot be read ({error}); "
                    f"delete it with forenoon note undo {number}"
                ) from error

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """Open the file for one change, which is made as a whole or not at all."""
        with self._open() as db:
            db.execute("PRAGMA synchronous = FULL")  # so that a note outlives a power cut
            # Files once had a write-ahead log, with which a user who may read but not write cannot open a diary.
            with suppress(sqlite3.OperationalError):  # it is open elsewhere too: the next note will switch it off
                db.execute("PRAGMA journal_mode = DELETE")
            db.execute("BEGIN IMMEDIATE")
            migrate(db)
            yield db
            db.execute("COMMIT")

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        with super()._open() as db:
            db.row_factory = sqlite3.Row
            try:
                yield db
            except SchemaError as error:
                raise DiaryError(f"diary: {self._path} is none that can be used here: {error}") from error


def notes_of(notes: Sequence[Note], field: Field, now: datetime) -> list[Note]:
    """Return the notes about a field up to a time, in the order in which they were true."""
    field_notes = [note for note in notes if _is_about(note, field.name) and note.at <= now]
    return sorted(field_notes, key=lambda note: (note.effective_at, note.id))


def notes_about_day(notes: Sequence[Note], field_name: str, day: date, place: Place) -> list[Note]:
    """Return the notes about a field on a day, in the order given."""
    return [note for note in notes if _is_about(note, field_name) and local_day(note, place) == day]


def _is_about(note: Note, field_name: str) -> bool:
    return note.field.casefold() == field_name.casefold()


def local_day(note: Note, place: Place) -> date:
    """Return the day on the farm's clock on which a note is true."""
    return note.at.astimezone(place.timezone).date()


def _time_text(at: datetime) -> str:
    if at.utcoffset() is None:
        raise ValueError(f"given the time {at} without an offset, allowed one with it")
    return at.astimezone(UTC).isoformat(timespec="microseconds")

"""The diary: what the farmer measured, did and saw, kept on disk a line at a time."""

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
    """What a line of the diary tells."""

    MOISTURE = "moisture"
    CUT = "cut"
    UNCUT = "uncut"  # takes back the cuts of its day that were noted before it
    WRAPPED = "wrapped"
    STAGE = "stage"
    HEIGHT = "height"
    GROUND = "ground"
    LODGED = "lodged"


LOOKS: Final = (NoteKind.STAGE, NoteKind.HEIGHT, NoteKind.GROUND, NoteKind.LODGED)


@dataclass(frozen=True)
class Note:
    """One line of the diary."""

    id: int
    kind: NoteKind
    field: str
    at: datetime  # the moment in UTC for which it is true: of a cut, when mowing began
    written_at: datetime
    timed: bool = True  # False: only the day was told, and `at` is its first moment on the farm's clock
    area: float | None = None  # [ha] cut, None: all of the field
    moisture: float | None = None  # [wet basis, 1]
    factor: float | None = None  # drying factor that it told when its weather was still at hand [1]
    stage: str | None = None  # seen in the stand, one of models.looks.STAGES_SEEN
    height: float | None = None  # of the tallest stems [m]
    ground: str | None = None  # seen under foot, a models.ground.Firmness

    @property
    def effective_at(self) -> datetime:
        """The moment by which it is put in order: without an hour it was over when it was written on its own day.

        What was wrapped on an earlier day was so in its evening, after what was cut on it.
        """
        if self.timed:
            return self.at
        if timedelta(0) <= self.written_at - self.at < DAY:
            return self.written_at
        return self.at + _EVENING if self.kind is NoteKind.WRAPPED else self.at


class Diary(SqliteStore):
    """The lines, in one SQLite file, which is made with its folder by the first line.

    Every call opens the file anew, so the service, the page's threads and a command may use it at once.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    DiaryError
        By every call, if the file cannot be used or is not a diary; by reading, if a line holds what none can hold.
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
        """Write a line and return it with its number; see `Note` for the parameters."""
        values = (kind, field, _time_text(at), _time_text(now), timed, area, moisture, stage, height, ground)
        with self._transaction() as db:
            added = db.execute(
                "INSERT INTO lines (kind, field, at, written_at, timed, area, moisture, stage, height, ground) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                values,
            )
            return next(self._select(db, "WHERE id = ?", added.lastrowid))

    def notes(self) -> tuple[Note, ...]:
        """Return all lines in the order in which they were written; none where there is no diary yet."""
        if not self._exists():
            return ()
        with self._open() as db:
            return tuple(self._select(db, "ORDER BY id"))

    def note(self, number: int) -> Note | None:
        """Return the line of a number, None if there is none."""
        if not 0 < number <= SQLITE_MAX_INTEGER or not self._exists():
            return None
        with self._open() as db:
            return next(self._select(db, "WHERE id = ?", number), None)

    def delete(self, number: int) -> bool:
        """Delete a line for good, one that cannot be read too, and return whether there was one of that number."""
        if not 0 < number <= SQLITE_MAX_INTEGER or not self._exists():
            return False
        with self._transaction() as db:
            return db.execute("DELETE FROM lines WHERE id = ?", (number,)).rowcount == 1

    def store_factors(self, factors: Mapping[int, float]) -> None:
        """Keep with their lines what samples told: by the next season the weather of their days is not at hand."""
        with self._transaction() as db:
            db.executemany("UPDATE lines SET factor = ? WHERE id = ?", [(factors[id], id) for id in factors])

    def _select(self, db: sqlite3.Connection, which: str, *values: object) -> Iterator[Note]:
        """Yield the lines that a clause asks for."""
        if not table_columns(db):
            return
        for row in db.execute(f"SELECT * FROM lines {which}", values):
            try:
                given = validate_row(row, tuple(NoteKind))
                yield Note(**{**given, "kind": NoteKind(given["kind"])})
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
            db.execute("PRAGMA synchronous = FULL")  # what the farmer told outlives a power cut
            # No write-ahead log, which files had once: it hides a diary from those who may read it but not write.
            with suppress(sqlite3.OperationalError):  # another one has it open: the next note will do
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
    """Return the lines about a field that were true by a time, in the order of what they tell."""
    own = [line for line in notes if line.field.casefold() == field.name.casefold() and line.at <= now]
    return sorted(own, key=lambda line: (line.effective_at, line.id))


def local_day(note: Note, place: Place) -> date:
    """Return the day on the farm's clock on which a line was true."""
    return note.at.astimezone(place.timezone).date()


def _time_text(at: datetime) -> str:
    if at.utcoffset() is None:
        raise ValueError(f"given the time {at} without an offset, allowed one with it")
    return at.astimezone(UTC).isoformat(timespec="microseconds")

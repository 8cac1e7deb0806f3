"""The file of the diary: its form, how one of the former form is brought to it, and what a row of it may hold."""

import sqlite3
from collections.abc import Collection
from contextlib import suppress
from datetime import UTC, datetime
from math import inf
from typing import Any, Final

from models.firmness import Firmness
from models.looks import LOOK_STAGES

SCHEMA_VERSION: Final = 4  # kept in the file as user_version: 3 knew no field left uncut, 2 no crop that lies flat
YEARS: Final = range(1900, 2101)  # so that no time zone leads out of what a clock can show
SQLITE_MAX_INTEGER: Final = 2**63 - 1  # the greatest that SQLite counts to
_UPPER_LIMITS: Final = {"area": 1e5, "moisture": 1.0, "factor": inf, "height": 10.0}
_ALLOWED_WORDS: Final = {
    "stage": tuple(word for seen in LOOK_STAGES.values() for word in seen),
    "ground": tuple(Firmness),
}
# What a line of one of these kinds tells, in the column of that name.
_REQUIRED_COLUMNS: Final = ("moisture", "stage", "height", "ground")
# Columns that the first form had not, with what each may hold.
_ADDED_COLUMNS: Final = {
    "factor": "REAL CHECK (factor > 0)",
    "stage": "TEXT",
    "height": "REAL CHECK (height > 0)",
    "ground": "TEXT",
}
# AUTOINCREMENT: the number of a line that was struck never comes back for another one.
_SCHEMA: Final = f"""
CREATE TABLE IF NOT EXISTS lines (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL, field TEXT NOT NULL, at TEXT NOT NULL, written_at TEXT NOT NULL, timed INTEGER NOT NULL,
    area REAL CHECK (area > 0), moisture REAL CHECK (moisture > 0 AND moisture < 1),
    {", ".join(f"{name} {holds}" for name, holds in _ADDED_COLUMNS.items())}
)
"""
_ORIGINAL_COLUMNS: Final = ("id", "kind", "field", "at", "written_at", "timed", "area", "moisture")  # of the first form


class SchemaError(ValueError):
    """A file whose form is none that this program knows."""


def migrate(db: sqlite3.Connection) -> None:
    """Make the table of lines, or bring one of a former form up to this one; call it within a transaction.

    Raises
    ------
    FormError
        If a newer program wrote the file, or if it holds something else.
    """
    found = table_columns(db)
    db.execute(_SCHEMA)
    for name in [name for name in _ADDED_COLUMNS if found and name not in found]:
        db.execute(f"ALTER TABLE lines ADD COLUMN {name} {_ADDED_COLUMNS[name]}")
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def table_columns(db: sqlite3.Connection) -> frozenset[str]:
    """Return the columns of the table of lines, none at all of a file that is still empty.

    Raises
    ------
    FormError
        As `migrate`.
    """
    (form,) = db.execute("PRAGMA user_version").fetchone()
    if form > SCHEMA_VERSION:
        raise SchemaError(
            f"given form {form} of a newer program, allowed up to {SCHEMA_VERSION}; install that program again"
        )
    found = frozenset(row["name"] for row in db.execute("PRAGMA table_info(lines)"))
    is_empty = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    if not is_empty and not found.issuperset(_ORIGINAL_COLUMNS):
        raise SchemaError("given other tables than a diary's; move the file away")
    return found


def validate_row(row: sqlite3.Row, kinds: Collection[str]) -> dict[str, Any]:
    """Return the values of a row by the names of a `Line`, each of its type and in its range, its kind one of these.

    Raises
    ------
    ValueError
        With the column, what it holds and what is allowed.

    Notes
    -----
    SQLite keeps whatever it is given: a file that another program wrote to may hold anything.
    """
    given = {**dict.fromkeys(_ADDED_COLUMNS), **dict(row)}  # a file of a former form lacks some
    if given["kind"] not in kinds:
        raise ValueError(f"kind: given {given['kind']!r}, allowed one of: {', '.join(kinds)}")
    if not isinstance(given["field"], str) or not given["field"].strip():
        raise ValueError(f"field: given {given['field']!r}, allowed the name of a field")
    if given["timed"] not in (0, 1):
        raise ValueError(f"timed: given {given['timed']!r}, allowed 0 or 1")
    if given["kind"] in _REQUIRED_COLUMNS and given[given["kind"]] is None:
        raise ValueError(f"{given['kind']}: none is given, allowed {_allowed_text(given['kind'])}")
    times = {name: _check_time(name, given[name]) for name in ("at", "written_at")}
    numbers = {name: _check_number(name, given[name]) for name in _UPPER_LIMITS}
    words = {name: _check_word(name, given[name]) for name in _ALLOWED_WORDS}
    plain = {name: given[name] for name in ("id", "kind", "field")}
    return {**plain, **times, **numbers, **words, "timed": bool(given["timed"])}


def _check_time(name: str, value: object) -> datetime:
    with suppress(TypeError, ValueError):
        moment = datetime.fromisoformat(value)  # type: ignore[arg-type]  # what is no text raises TypeError
        if moment.utcoffset() is not None and moment.year in YEARS:
            return moment.astimezone(UTC)
    raise ValueError(f"{name}: given {value!r}, allowed a time with its offset in the years {YEARS[0]} to {YEARS[-1]}")


def _check_number(name: str, value: object) -> float | None:
    if value is None or (isinstance(value, int | float) and 0.0 < value <= _UPPER_LIMITS[name]):
        return value
    raise ValueError(f"{name}: given {value!r}, allowed {_allowed_text(name)}")


def _check_word(name: str, value: object) -> str | None:
    if value is None or (isinstance(value, str) and value in _ALLOWED_WORDS[name]):
        return value
    raise ValueError(f"{name}: given {value!r}, allowed {_allowed_text(name)}")


def _allowed_text(name: str) -> str:
    if name in _ALLOWED_WORDS:
        return f"one of: {', '.join(_ALLOWED_WORDS[name])}"
    return f"a number above 0 and up to {_UPPER_LIMITS[name]:g}"

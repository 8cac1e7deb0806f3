"""The schema of the diary's file, its migration, and the validation of its rows."""

import sqlite3
from collections.abc import Collection, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from math import inf
from typing import Any, Final

from models.firmness import Firmness
from models.looks import LOOK_STAGES

SCHEMA_VERSION: Final = 4  # stored as user_version; version 3 had no notes `uncut`, and 2 no `lodged` either
YEARS: Final = range(1900, 2101)  # well within those of datetime, so that no time zone leads out of them
SQLITE_MAX_INTEGER: Final = 2**63 - 1
_UPPER_LIMITS: Final = {"area": 1e5, "moisture": 1.0, "factor": inf, "height": 10.0}
_ALLOWED_WORDS: Final = {
    "stage": (*LOOK_STAGES[False], *LOOK_STAGES[True]),
    "ground": tuple(Firmness),
}
# Kinds of note with a value of their own, in the column of the same name.
_REQUIRED_COLUMNS: Final = ("moisture", "stage", "height", "ground")
# Columns that the first version did not have, with their types.
_ADDED_COLUMNS: Final = {
    "factor": "REAL CHECK (factor > 0)",
    "stage": "TEXT",
    "height": "REAL CHECK (height > 0)",
    "ground": "TEXT",
}
# AUTOINCREMENT: the number of a deleted note is never given to another.
_SCHEMA: Final = f"""
CREATE TABLE IF NOT EXISTS lines (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL, field TEXT NOT NULL, at TEXT NOT NULL, written_at TEXT NOT NULL, timed INTEGER NOT NULL,
    area REAL CHECK (area > 0), moisture REAL CHECK (moisture > 0 AND moisture < 1),
    {", ".join(f"{name} {sql_type}" for name, sql_type in _ADDED_COLUMNS.items())}
)
"""
_ORIGINAL_COLUMNS: Final = ("id", "kind", "field", "at", "written_at", "timed", "area", "moisture")  # of version 1


class SchemaError(ValueError):
    """A file has a schema that this program does not know."""


def migrate(db: sqlite3.Connection) -> None:
    """Create the table of notes, or add the columns that an older one lacks; call it within a transaction.

    Raises
    ------
    SchemaError
        If a newer program wrote the file, or if it holds something else.
    """
    names = table_columns(db)
    db.execute(_SCHEMA)
    missing = [name for name in _ADDED_COLUMNS if name not in names] if names else []
    for name in missing:
        db.execute(f"ALTER TABLE lines ADD COLUMN {name} {_ADDED_COLUMNS[name]}")
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def table_columns(db: sqlite3.Connection) -> frozenset[str]:
    """Return the columns of the table of notes, none if the file is still empty.

    Raises
    ------
    SchemaError
        If a newer program wrote the file, or if it holds something else.
    """
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if version > SCHEMA_VERSION:
        raise SchemaError(
            f"given form {version} of a newer program, allowed up to {SCHEMA_VERSION}; install that program again"
        )
    names = frozenset(row["name"] for row in db.execute("PRAGMA table_info(lines)"))
    is_empty = db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    if not is_empty and not names.issuperset(_ORIGINAL_COLUMNS):
        raise SchemaError("given other tables than a diary's; move the file away")
    return names


def validate_row(row: sqlite3.Row, kinds: Collection[str]) -> dict[str, Any]:
    """Return the values of a row by the field names of a `Note`, after checking the type and range of each.

    Parameters
    ----------
    row : sqlite3.Row
    kinds : collection of str
        The kinds of note that are allowed.

    Raises
    ------
    ValueError
        The text names the column, its value and what is allowed.

    Notes
    -----
    SQLite stores any value in any column, so that a file to which another program wrote may hold anything.
    """
    values = {**dict.fromkeys(_ADDED_COLUMNS), **dict(row)}  # a file of an older version lacks some of these columns
    _check_kind(values, kinds)
    if not isinstance(values["field"], str) or not values["field"].strip():
        raise ValueError(f"field: given {values['field']!r}, allowed the name of a field")
    if values["timed"] not in (0, 1):
        raise ValueError(f"timed: given {values['timed']!r}, allowed 0 or 1")
    _check_required(values)
    plain = {name: values[name] for name in ("id", "kind", "field")}
    times = {name: _check_time(name, values[name]) for name in ("at", "written_at")}
    numbers = {name: _check_number(name, values[name]) for name in _UPPER_LIMITS}
    words = {name: _check_word(name, values[name]) for name in _ALLOWED_WORDS}
    return {**plain, **times, **numbers, **words, "timed": bool(values["timed"])}


def _check_kind(values: Mapping[str, Any], kinds: Collection[str]) -> None:
    if values["kind"] not in kinds:
        raise ValueError(f"kind: given {values['kind']!r}, allowed one of: {', '.join(kinds)}")


def _check_required(values: Mapping[str, Any]) -> None:
    """Refuse a note whose kind has a value of its own, if it lacks that value."""
    kind = values["kind"]
    if kind in _REQUIRED_COLUMNS and values[kind] is None:
        raise ValueError(f"{kind}: none is given, allowed {_allowed_text(kind)}")


def _check_time(name: str, value: object) -> datetime:
    with suppress(TypeError, ValueError):
        moment = datetime.fromisoformat(value)  # type: ignore[arg-type]  # a value that is no text raises TypeError
        if moment.utcoffset() is not None and moment.year in YEARS:
            return moment.astimezone(UTC)
    raise ValueError(f"{name}: given {value!r}, allowed a time with its offset in the years {YEARS[0]} to {YEARS[-1]}")


def _check_number(name: str, value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, int | float) and 0.0 < value <= _UPPER_LIMITS[name]:
        return value
    raise ValueError(f"{name}: given {value!r}, allowed {_allowed_text(name)}")


def _check_word(name: str, value: object) -> str | None:
    if value is None:
        return None
    if isinstance(value, str) and value in _ALLOWED_WORDS[name]:
        return value
    raise ValueError(f"{name}: given {value!r}, allowed {_allowed_text(name)}")


def _allowed_text(name: str) -> str:
    if name in _ALLOWED_WORDS:
        return f"one of: {', '.join(_ALLOWED_WORDS[name])}"
    return f"a number above 0 and up to {_UPPER_LIMITS[name]:g}"

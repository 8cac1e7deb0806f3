"""What can still be read of a damaged outbox, row by row, so that little is lost and little comes twice."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Final

# Of the kept values those that are looked at before they are believed.
_SALVAGED_ROWS: Final = {"messages": "1", "done": "1", "kept": "name IN ('said', 'morning')"}


def is_damage(why: BaseException | None, spoiled: tuple[type[Exception], ...]) -> bool:
    """Return whether an error tells of what is in a file, and not of a disk, a right or a lock."""
    if isinstance(why, sqlite3.Error):
        code: int | None = getattr(why, "sqlite_errorcode", None)  # none: found by Python in a value
        return code is None or code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
    return isinstance(why, spoiled)


def salvage_rows(damaged: Path, db: sqlite3.Connection, checks: dict[str, Callable[[sqlite3.Row], object]]) -> int:
    """Bring over what can be read of a damaged file into a new one that is open, and return how many messages.

    Parameters
    ----------
    damaged : Path
    db : sqlite3.Connection
        Has the same tables, empty.
    checks : dict of callable
        By table: raises ValueError for a row that is none.
    """
    found = 0
    for table, which in _SALVAGED_ROWS.items():
        for row in _rows(damaged, table, which):
            with suppress(ValueError, TypeError, KeyError, sqlite3.Error):
                checks.get(table, tuple)(row)
                places = ", ".join("?" * len(row))
                added = db.execute(f"INSERT OR IGNORE INTO {table} VALUES ({places})", tuple(row))
                found += added.rowcount if table == "messages" else 0
    return found


def _rows(damaged: Path, table: str, which: str) -> Iterator[sqlite3.Row]:
    """Yield the rows of a table from both ends up to the first that cannot be read."""
    for order in ("DESC", "ASC"):
        with suppress(sqlite3.Error), closing(sqlite3.connect(damaged)) as db:
            db.row_factory = sqlite3.Row
            yield from db.execute(f"SELECT * FROM {table} WHERE {which} ORDER BY rowid {order}")

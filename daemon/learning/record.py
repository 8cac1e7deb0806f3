"""The farm's own record: the odds that were said of each field and day, with what came of them, and what looks told.

What the looks of a season told of a field's stage clock is kept for the season after it, when their weather is gone.
"""

import logging
from collections.abc import Iterable, Mapping
from dataclasses import fields
from datetime import UTC, date, datetime, timedelta
from typing import ClassVar, Final

import numpy as np

from daemon.domain.prospect import ForecastCase
from daemon.system.sqlite_store import SqliteStore
from models import coefficients as c
from models.calibration import COLUMN_LIMITS, VerificationRecord, within_limits
from models.looks import Prior

log = logging.getLogger(__name__)

VERIFY_WITHIN: Final = timedelta(days=10)  # after it the hours of a day are not looked for any more
# The key is in the order of days: by them it is searched and pruned.
_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS said (
    field TEXT NOT NULL, day TEXT NOT NULL, lead INTEGER NOT NULL, odds REAL NOT NULL, rain REAL NOT NULL,
    area REAL NOT NULL, start TEXT NOT NULL, dry_matter REAL NOT NULL, start_moisture REAL NOT NULL,
    crop_factor REAL NOT NULL, soil_factor REAL NOT NULL, drying_factor REAL NOT NULL, drying_spread REAL NOT NULL,
    outcome REAL, PRIMARY KEY (day, field, lead)
) WITHOUT ROWID
"""
_PRIORS_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS carried (
    season TEXT NOT NULL, field TEXT NOT NULL, kind TEXT NOT NULL, offset REAL NOT NULL, spread REAL NOT NULL,
    PRIMARY KEY (season, field, kind)
) WITHOUT ROWID
"""
_COLUMNS: Final = tuple(column.name for column in fields(ForecastCase))


class ForecastRecordError(Exception):
    """The record cannot be read or written."""


class ForecastRecord(SqliteStore):
    """What was said and what came of it, in one SQLite file, which is made with its folder by the first line.

    Every call opens the file anew, so the service and a command may use it at once. Fields that the farm no longer has
    stay in it: their days tell as much of the forecast as others.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    LedgerError
        By every call, if the file cannot be used or is not a record.
    """

    FILE_NAME: ClassVar[str] = "record.sqlite3"
    RETENTION: ClassVar[timedelta] = timedelta(days=3 * 365)
    contents = "record"
    error_class = ForecastRecordError
    corrupt_errors = (TypeError, ValueError)

    def store_cases(self, cases: Iterable[ForecastCase], today: date) -> int:
        """Keep what a pass said, and forget what is too old.

        Returns
        -------
        int
            How many lines are new: of the passes of a day the first one is kept, or a day would be told of by the
            pass that came when most was known.
        """
        places = ", ".join("?" * len(_COLUMNS))
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            db.execute(_SCHEMA)
            added = db.executemany(
                f"INSERT OR IGNORE INTO said ({', '.join(_COLUMNS)}) VALUES ({places})", map(_row_values, cases)
            )
            count = added.rowcount
            db.execute("DELETE FROM said WHERE day < ?", ((today - self.RETENTION).isoformat(),))
            db.execute("DELETE FROM said WHERE outcome IS NULL AND day < ?", ((today - VERIFY_WITHIN).isoformat(),))
            db.execute("COMMIT")
        return max(count, 0)

    def unverified(self, today: date) -> tuple[ForecastCase, ...]:
        """Return what was said of days before today whose outcome is not known yet, but may still be found out."""
        days = ((today - VERIFY_WITHIN).isoformat(), today.isoformat())
        wanted = f"SELECT {', '.join(_COLUMNS)} FROM said WHERE outcome IS NULL AND day >= ? AND day < ? ORDER BY day"
        if not self._exists():
            return ()
        with self._open() as db:
            return tuple(map(_case_from_row, db.execute(wanted, days)))

    def store_outcomes(self, outcomes: Mapping[ForecastCase, float]) -> None:
        """Write down what came of some lines."""
        rows = [(outcome, said.day.isoformat(), said.field, said.lead) for said, outcome in outcomes.items()]
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            db.executemany("UPDATE said SET outcome = ? WHERE day = ? AND field = ? AND lead = ?", rows)
            db.execute("COMMIT")

    def load_record(self, today: date) -> VerificationRecord:
        """Return the lines of days before today whose outcome is known; none where there is no file yet.

        What no pass can have written, such as the outcome of a day to come, is left out and counted in the log.
        """
        found: list[tuple[float, float, float, float, str]] = []
        if self._exists():
            with self._open() as db:
                wanted = f"SELECT {', '.join(COLUMN_LIMITS)}, day FROM said WHERE outcome IS NOT NULL ORDER BY day"
                found = db.execute(wanted).fetchall()
        try:
            numbers = np.array([row[:-1] for row in found], dtype=np.float64).reshape(-1, len(COLUMN_LIMITS)).T
            day = np.array([row[-1] for row in found], dtype="datetime64[D]")
        except (TypeError, ValueError) as error:
            raise self._unusable_error(error) from error
        right = np.all([within_limits(*column) for column in zip(COLUMN_LIMITS, numbers, strict=True)], axis=0)
        right &= day < np.datetime64(today)
        if not right.all():
            log.warning(
                "record: %d of %d cases in %s are left out: their day is to come, or odds, lead, rain or outcome are "
                "out of range", np.count_nonzero(~right), right.size, self._path
            )  # fmt: skip
        return VerificationRecord(**dict(zip(COLUMN_LIMITS, numbers[:, right], strict=True)), day=day[right])

    def store_priors(self, priors: Mapping[str, Mapping[str, Prior]], season: date) -> None:
        """Keep what the looks of a season have told by now of some fields in their first growth, by kind of plant.

        Parameters
        ----------
        priors : mapping
            Of each of the fields all there is: what was kept before and is not in it is forgotten.
        season : date
            The first day of the season.
        """
        rows = [
            (season.isoformat(), field, kind, prior.offset, prior.spread)
            for field, kinds in priors.items()
            for kind, prior in kinds.items()
        ]
        with self._open() as db:
            db.execute("BEGIN IMMEDIATE")
            db.execute(_PRIORS_SCHEMA)
            db.executemany(
                "DELETE FROM carried WHERE season = ? AND field = ?", [(season.isoformat(), field) for field in priors]
            )
            db.executemany("INSERT INTO carried VALUES (?, ?, ?, ?, ?)", rows)
            db.execute("DELETE FROM carried WHERE season < ?", ((season - self.RETENTION).isoformat(),))
            db.execute("COMMIT")

    def load_priors(self, season: date) -> dict[str, dict[str, Prior]]:
        """Return what the looks of a season told of each field, by kind of plant; none where nothing was kept."""
        found: dict[str, dict[str, Prior]] = {}
        if not self._exists():
            return found
        with self._open() as db:
            if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'carried'").fetchone():
                return found
            wanted = "SELECT field, kind, offset, spread FROM carried WHERE season = ?"
            for field, kind, offset, spread in db.execute(wanted, (season.isoformat(),)):
                prior = Prior(float(offset), float(spread))
                if abs(prior.offset) <= c.MAX_PRIOR_OFFSET and 0.0 < prior.spread <= c.MAX_PRIOR_OFFSET:
                    found.setdefault(field, {})[kind] = prior
                else:
                    log.warning("record: %s of %s is left out: no look can have told it", prior, field)
        return found


def _row_values(case: ForecastCase) -> tuple[str | float, ...]:
    """Return a line as SQLite keeps it."""
    given = {name: getattr(case, name) for name in _COLUMNS}
    return tuple({**given, "day": case.day.isoformat(), "start": case.start.astimezone(UTC).isoformat()}.values())


def _case_from_row(row: tuple[str | float, ...]) -> ForecastCase:
    given = dict(zip(_COLUMNS, row, strict=True))
    day, start = date.fromisoformat(str(given["day"])), datetime.fromisoformat(str(given["start"]))
    return ForecastCase(**{**given, "day": day, "start": start})  # type: ignore[arg-type]

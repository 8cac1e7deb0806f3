"""An archive of past hours and issued forecasts on disk, so that an outage loses neither.

An hour that no service has reported yet holds its last forecast and is marked as such.
"""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from io import BytesIO
from typing import Any, ClassVar, Final, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.system.sqlite_store import SqliteStore
from daemon.weather.contract import FILLED, NATIVE_STEP, REQUIRED, Hours, build_dataset, is_filled, to_datetime64

HOURS_RETENTION: Final = timedelta(days=800)  # two seasons
FORECAST_RETENTION: Final = timedelta(days=14)
MAX_FORECAST_BYTES: Final = 100_000_000  # of all forecasts together
RECORDED, FORECAST = 1, 0  # where an hour comes from, as stored in the column "told"
_SCHEMA: Final = f"""
CREATE TABLE IF NOT EXISTS hours (
    place TEXT NOT NULL, hour INTEGER NOT NULL, told INTEGER NOT NULL, source TEXT NOT NULL,
    {", ".join(f"{name} REAL NOT NULL" for name in REQUIRED)}, PRIMARY KEY (place, hour)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS forecasts (
    id INTEGER PRIMARY KEY, place TEXT NOT NULL, source TEXT NOT NULL, model TEXT NOT NULL, fetched_at TEXT NOT NULL,
    first_fetched_at TEXT NOT NULL, digest TEXT NOT NULL, data BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS calls (host TEXT NOT NULL, at TEXT NOT NULL, weight REAL NOT NULL);
"""


class ArchiveError(Exception):
    """The archive cannot be read or written."""


class Archive(SqliteStore):
    """Past hours and forecasts of places in one SQLite file, created with its folder at the first write.

    Every call opens the file anew, so the service and a command may use it at the same time.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    ArchiveError
        By every call, if the file cannot be used or is not a weather archive.
    """

    FILE_NAME: ClassVar[str] = "weather.sqlite3"
    contents = "weather archive"
    error_class = ArchiveError
    corrupt_errors = (TypeError, ValueError, KeyError, EOFError)

    def store_past(self, place: Place, past: xr.Dataset, now: datetime) -> None:
        """Store recorded hours in place of what was stored of them; skip those that are only forecast or incomplete.

        Parameters
        ----------
        place : Place
        past : xr.Dataset
            One member, in the contract's form.
        now : datetime
            Hours beyond `HOURS_RETENTION` before it are deleted.
        """
        with self._transaction() as db:
            _upsert_hours(db, place, past.isel(time=~is_filled(past)), RECORDED)
            db.execute("DELETE FROM hours WHERE hour < ?", (_hour_number(now - HOURS_RETENTION),))

    def store_forecast(self, place: Place, ahead: xr.Dataset, now: datetime) -> None:
        """Store a forecast, and its mean for the hours not yet recorded; prune the oldest beyond a bound.

        A forecast that equals the stored one only gets a new time of fetching: it keeps its age.
        """
        row = _forecast_row(place, ahead)  # packed before the file is locked
        coming = ahead.sel(time=slice(to_datetime64(now), None))
        mean = coming.mean("member", keep_attrs=True).expand_dims(member=["mean"])
        with self._transaction() as db:
            _upsert_forecast(db, row)
            _upsert_hours(db, place, mean, FORECAST)
            _prune(db, now)

    def recent_calls(self, host: str, now: datetime) -> tuple[float, float]:
        """Return how many calls a service has counted in the hour and in the day before now."""
        hour, day = (_utc_text(now - timedelta(hours=hours)) for hours in (1, 24))
        sums = "SELECT total(weight) FILTER (WHERE at > ?), total(weight) FROM calls WHERE host = ? AND at > ?"
        with self._transaction() as db:
            last_hour, last_day = db.execute(sums, (hour, host, day)).fetchone()
        return last_hour, last_day

    def count_call(self, host: str, weight: float, now: datetime) -> None:
        """Count a call to a service, and delete the calls of more than a day ago."""
        with self._transaction() as db:
            db.execute("DELETE FROM calls WHERE at < ?", (_utc_text(now - timedelta(days=1)),))
            db.execute("INSERT INTO calls VALUES (?, ?, ?)", (host, _utc_text(now), weight))

    def past_hours(self, place: Place, first: datetime, last: datetime) -> xr.Dataset | None:
        """Return the stored hours of a span in the contract's form, None if there are none.

        Returns
        -------
        xr.Dataset or None
            One member; hours that are not stored are left out. The coordinate `filled` marks those only forecast.
        """
        names = ", ".join(REQUIRED)
        query = f"SELECT hour, told, {names} FROM hours WHERE place = ? AND hour BETWEEN ? AND ? ORDER BY hour"
        with self._open_to_read() as db:
            span = (_place_key(place), _hour_number(first), _hour_number(last))
            rows = db.execute(query, span).fetchall() if db else []
            # Converted while the file is open, so that values spoiled in it raise an ArchiveError.
            table = np.array(rows, dtype=np.float64).T
        if not rows:
            return None
        attributes = {"source": "archive", "model": "archive", "credit": "", "kind": "record"}
        values = {name: column[None, None] for name, column in zip(REQUIRED, table[2:], strict=True)}
        labels = table[0].astype(np.int64).astype("datetime64[h]")
        hours = _dataset_with_gaps(values, labels, place, attributes)
        return hours.assign_coords({FILLED: ("time", table[1] == FORECAST)})

    def newest_forecast(self, place: Place, since: datetime) -> xr.Dataset | None:
        """Return the forecast that was fetched last, None if none was fetched since a time."""
        return self._last_forecast("fetched_at >= ? ORDER BY fetched_at", place, _utc_text(since))

    def forecast_before(self, place: Place, source: str, model: str, time: datetime) -> xr.Dataset | None:
        """Return the newest forecast of a source and model that was first fetched before a time."""
        clause = "first_fetched_at < ? AND source = ? AND model = ? ORDER BY first_fetched_at"
        return self._last_forecast(clause, place, _utc_text(time), source, model)

    def _last_forecast(self, clause: str, place: Place, *values: str) -> xr.Dataset | None:
        """Return the last of the forecasts that a clause selects and orders."""
        query = f"SELECT data FROM forecasts WHERE place = ? AND {clause} DESC LIMIT 1"
        with self._open_to_read() as db:
            row = db.execute(query, (_place_key(place), *values)).fetchone() if db else None
            return None if row is None else _unpack(row[0])

    @contextmanager
    def _open_to_read(self) -> Iterator[sqlite3.Connection | None]:
        """Open the file to read, None where it or its tables do not exist yet."""
        if not self._exists():
            yield None
            return
        with self._open() as db:
            tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master")}
            yield db if {"hours", "forecasts"} <= tables else None

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._open() as db:
            db.executescript(_SCHEMA)
            db.execute("BEGIN IMMEDIATE")
            yield db
            db.execute("COMMIT")


class _ForecastRow(NamedTuple):
    """A forecast as a row of its table, in the order of the columns after the id."""

    place: str
    source: str
    model: str
    fetched_at: str
    first_fetched_at: str
    digest: str
    data: bytes


def _forecast_row(place: Place, ahead: xr.Dataset) -> _ForecastRow:
    """Pack a forecast for its table."""
    digest = sha256(np.ascontiguousarray(_stack_values(ahead)).tobytes()).hexdigest()
    fetched = ahead.attrs["fetched_at"]
    return _ForecastRow(
        place=_place_key(place),
        source=ahead.attrs["source"],
        model=ahead.attrs["model"],
        fetched_at=fetched,
        first_fetched_at=fetched,
        digest=digest,
        data=_pack(ahead),
    )


def _upsert_forecast(db: sqlite3.Connection, row: _ForecastRow) -> None:
    """Write a forecast, or only its new time of fetching if the same values are stored."""
    same = db.execute(
        "SELECT id FROM forecasts WHERE place = ? AND source = ? AND model = ? AND digest = ?",
        (row.place, row.source, row.model, row.digest),
    ).fetchone()
    if same:
        db.execute("UPDATE forecasts SET fetched_at = ? WHERE id = ?", (row.fetched_at, same[0]))
        return
    db.execute(
        "INSERT INTO forecasts (place, source, model, fetched_at, first_fetched_at, digest, data) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        row,
    )


def _upsert_hours(db: sqlite3.Connection, place: Place, hours: xr.Dataset, origin: int) -> None:
    """Write the complete hours of one member; a forecast never replaces a recorded hour."""
    table = np.stack([hours[name].isel(member=0).to_numpy() for name in REQUIRED], axis=1)
    whole = np.isfinite(table).all(axis=1)
    numbers, source = _hour_numbers(hours["time"].to_numpy()), str(hours.attrs["source"])
    rows = [
        (_place_key(place), int(hour), origin, source, *map(float, values))
        for hour, values in zip(numbers[whole], table[whole], strict=True)
    ]
    places = ", ".join("?" * (4 + len(REQUIRED)))
    only_forecasts = " WHERE told = 0" if origin == FORECAST else ""
    changes = ", ".join(f"{name} = excluded.{name}" for name in ("told", "source", *REQUIRED))
    db.executemany(
        f"INSERT INTO hours VALUES ({places}) ON CONFLICT (place, hour) DO UPDATE SET {changes}{only_forecasts}", rows
    )


def _prune(db: sqlite3.Connection, now: datetime) -> None:
    """Delete forecasts that are too old, and then the oldest until the others fit."""
    db.execute("DELETE FROM forecasts WHERE fetched_at < ?", (_utc_text(now - FORECAST_RETENTION),))
    total = 0
    too_many = []
    for number, size in db.execute("SELECT id, length(data) FROM forecasts ORDER BY fetched_at DESC").fetchall():
        total += size
        if total > MAX_FORECAST_BYTES:
            too_many.append((number,))
    db.executemany("DELETE FROM forecasts WHERE id = ?", too_many)


def _dataset_with_gaps(
    values: dict[str, NDArray[np.float64]], labels: Hours, place: Place, attributes: dict[str, Any]
) -> xr.Dataset:
    """Return hours in the contract's form, though some between them may be missing."""
    every_hour = np.arange(labels[0], labels[-1] + 1)
    at = np.searchsorted(every_hour, labels)
    spread = {name: np.full((1, 1, every_hour.size), np.nan) for name in values}
    for name, array in values.items():
        spread[name][..., at] = array
    # The contract allows no gap, so the missing hours are built as NaN and then left out.
    return build_dataset(spread, every_hour.astype("datetime64[ns]"), ["archive"], [place], attributes).isel(time=at)


def _pack(ahead: xr.Dataset) -> bytes:
    """Return a forecast as compressed arrays."""
    file = BytesIO()
    np.savez_compressed(
        file,
        about=np.frombuffer(json.dumps(_metadata(ahead)).encode(), dtype=np.uint8),
        values=_stack_values(ahead),
        time=ahead["time"].to_numpy(),
        step=ahead[NATIVE_STEP].to_numpy(),
    )
    return file.getvalue()


def _metadata(ahead: xr.Dataset) -> dict[str, object]:
    """Return what belongs to a forecast besides its arrays, ready for JSON."""
    names = [str(name) for name in ahead.data_vars]
    return {
        "attributes": {name: value for name, value in ahead.attrs.items() if isinstance(value, str | int | float)},
        "names": names,
        "origins": [ahead[name].attrs["origin"] for name in names],
        "members": [str(member) for member in ahead["member"].to_numpy()],
        "place": [float(ahead[axis]) for axis in ("latitude", "longitude") if axis in ahead.coords],
    }


def _unpack(data: bytes) -> xr.Dataset:
    """Restore a forecast from compressed arrays."""
    with np.load(BytesIO(data), allow_pickle=False) as arrays:
        about, table = json.loads(arrays["about"].tobytes()), arrays["values"].astype(np.float64)
        time, step = arrays["time"], arrays["step"]
    values = dict(zip(about["names"], table[:, None], strict=True))
    forecast = build_dataset(values, time, about["members"], [], about["attributes"], step=step)
    for name, origin in zip(about["names"], about["origins"], strict=True):
        forecast[name].attrs["origin"] = origin
    return forecast.assign_coords(dict(zip(("latitude", "longitude"), about["place"], strict=False)))


def _stack_values(ahead: xr.Dataset) -> NDArray[np.float32]:
    """Return all values, shape (variable, member, time), in single precision, which halves the space they take."""
    return np.stack([ahead[name].transpose("member", "time").to_numpy() for name in ahead.data_vars]).astype(np.float32)


def _place_key(place: Place) -> str:
    return f"{place.latitude:.4f},{place.longitude:.4f}"


def _hour_numbers(labels: Hours) -> NDArray[np.int64]:
    """Return labels as hours since 1970."""
    return labels.astype("datetime64[h]").astype(np.int64)


def _hour_number(hour: datetime) -> int:
    return int(to_datetime64(hour).astype("datetime64[h]").astype(np.int64))


def _utc_text(at: datetime) -> str:
    return at.astimezone(UTC).isoformat(timespec="seconds")

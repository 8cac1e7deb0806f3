"""The weather that was had: past hours and the forecasts issued, kept on disk so that an outage loses neither.

An hour that no service has told yet stands as it was forecast last, and says so.
"""

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from io import BytesIO
from typing import Any, Final

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.system.sqlite_store import SqliteStore
from daemon.weather.contract import FILLED, NATIVE_STEP, REQUIRED, Hours, build_dataset, is_filled, to_datetime64

DATABASE: Final = "weather.sqlite3"
HOURS_RETENTION: Final = timedelta(days=800)  # two seasons
FORECAST_RETENTION: Final = timedelta(days=14)
MAX_FORECAST_BYTES: Final = 100_000_000  # of forecasts
RECORDED, FORECAST = 1, 0  # where an hour comes from
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
    """The weather that was had cannot be read or written."""


class Archive(SqliteStore):
    """Past hours and forecasts of places, in one SQLite file, which is made with its folder when something is kept.

    Every call opens the file anew, so the service and a command may use it at once.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    ArchiveError
        By every call, if the file cannot be used or is none of weather.
    """

    contents = "weather archive"
    error_class = ArchiveError
    corrupt_errors = (TypeError, ValueError, KeyError, EOFError)

    def store_past(self, place: Place, past: xr.Dataset, now: datetime) -> None:
        """Keep hours that came, in place of what was held of them; not those that are filled or lack a value.

        Parameters
        ----------
        place : Place
        past : xr.Dataset
            One member, in the contract's form.
        now : datetime
            What is much older is forgotten.
        """
        with self._transaction() as db:
            _upsert_hours(db, place, past.isel(time=~is_filled(past)), RECORDED)
            db.execute("DELETE FROM hours WHERE hour < ?", (_hour_number(now - HOURS_RETENTION),))

    def store_forecast(self, place: Place, ahead: xr.Dataset, now: datetime) -> None:
        """Keep a forecast, and its mean for the hours that no service has told; forget the oldest beyond a bound.

        A forecast that has not changed since it was kept last only gets a new time of fetching: it is as old as it was.
        """
        attributes, data = ahead.attrs, _pack(ahead)
        digest = sha256(np.ascontiguousarray(_stack_values(ahead)).tobytes()).hexdigest()
        fetched, who = attributes["fetched_at"], (_place_key(place), attributes["source"], attributes["model"])
        coming = (
            ahead.sel(time=slice(to_datetime64(now), None)).mean("member", keep_attrs=True).expand_dims(member=["mean"])
        )
        with self._transaction() as db:
            same = db.execute(
                "SELECT id FROM forecasts WHERE place = ? AND source = ? AND model = ? AND digest = ?", (*who, digest)
            ).fetchone()
            if same:
                db.execute("UPDATE forecasts SET fetched_at = ? WHERE id = ?", (fetched, same[0]))
            else:
                row = (*who, fetched, fetched, digest, data)
                db.execute(
                    "INSERT INTO forecasts (place, source, model, fetched_at, first_fetched_at, digest, data) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?)", row
                )  # fmt: skip
            _upsert_hours(db, place, coming, FORECAST)
            _prune(db, now)

    def recent_calls(self, host: str, now: datetime) -> tuple[float, float]:
        """Return what a service was asked in the hour and in the day before now, in its own count of calls."""
        hour, day = (_utc_text(now - timedelta(hours=hours)) for hours in (1, 24))
        sums = "SELECT total(weight) FILTER (WHERE at > ?), total(weight) FROM calls WHERE host = ? AND at > ?"
        with self._transaction() as db:
            last_hour, last_day = db.execute(sums, (hour, host, day)).fetchone()
        return last_hour, last_day

    def count_call(self, host: str, weight: float, now: datetime) -> None:
        """Keep that a service is asked, and forget what was more than a day ago."""
        with self._transaction() as db:
            db.execute("DELETE FROM calls WHERE at < ?", (_utc_text(now - timedelta(days=1)),))
            db.execute("INSERT INTO calls VALUES (?, ?, ?)", (host, _utc_text(now), weight))

    def past_hours(self, place: Place, first: datetime, last: datetime) -> xr.Dataset | None:
        """Return what is held of some hours, in the contract's form, None if nothing is.

        Returns
        -------
        xr.Dataset or None
            One member; hours that are not held are left out. The coordinate `filled` says which were only forecast.
        """
        names = ", ".join(REQUIRED)
        wanted = f"SELECT hour, told, {names} FROM hours WHERE place = ? AND hour BETWEEN ? AND ? ORDER BY hour"
        with self._open_to_read() as db:
            span = (_place_key(place), _hour_number(first), _hour_number(last))
            rows = db.execute(wanted, span).fetchall() if db else []
            table = np.array(rows, dtype=np.float64).T  # in here: it is where a spoiled file is found out
        if not rows:
            return None
        attributes = {"source": "archive", "model": "archive", "credit": "", "kind": "record"}
        values = {name: values[None, None] for name, values in zip(REQUIRED, table[2:], strict=True)}
        labels = table[0].astype(np.int64).astype("datetime64[h]")
        return _dataset_with_gaps(values, labels, place, attributes).assign_coords(
            {FILLED: ("time", table[1] == FORECAST)}
        )

    def newest_forecast(self, place: Place, since: datetime) -> xr.Dataset | None:
        """Return the forecast that was fetched last, None if there is none since a time."""
        return self._last_forecast("fetched_at >= ? ORDER BY fetched_at", place, _utc_text(since))

    def forecast_before(self, place: Place, source: str, model: str, time: datetime) -> xr.Dataset | None:
        """Return the newest forecast of a source and model that was first fetched before a time."""
        which = "first_fetched_at < ? AND source = ? AND model = ? ORDER BY first_fetched_at"
        return self._last_forecast(which, place, _utc_text(time), source, model)

    def _last_forecast(self, clause: str, place: Place, *values: str) -> xr.Dataset | None:
        """Return the last of the forecasts that a clause asks for."""
        with self._open_to_read() as db:
            wanted = f"SELECT data FROM forecasts WHERE place = ? AND {clause} DESC LIMIT 1"
            row = db.execute(wanted, (_place_key(place), *values)).fetchone() if db else None
            return None if row is None else _unpack(row[0])

    @contextmanager
    def _open_to_read(self) -> Iterator[sqlite3.Connection | None]:
        """Open the file to read, None where there is none yet."""
        if not self._exists():
            yield None
            return
        with self._open() as db:
            has = {name for (name,) in db.execute("SELECT name FROM sqlite_master")}
            yield db if {"hours", "forecasts"} <= has else None

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._open() as db:
            db.executescript(_SCHEMA)
            db.execute("BEGIN IMMEDIATE")
            yield db
            db.execute("COMMIT")


def _upsert_hours(db: sqlite3.Connection, place: Place, hours: xr.Dataset, origin: int) -> None:
    """Write whole hours of one member; what came is never replaced by what was forecast."""
    table = np.stack([hours[name].isel(member=0).to_numpy() for name in REQUIRED], axis=1)
    whole = np.isfinite(table).all(axis=1)
    numbers, source = _hour_numbers(hours["time"].to_numpy()), str(hours.attrs["source"])
    rows = [
        (_place_key(place), int(hour), origin, source, *map(float, values))
        for hour, values in zip(numbers[whole], table[whole], strict=True)
    ]
    places = ", ".join("?" * (4 + len(REQUIRED)))
    known = " WHERE told = 0" if origin == FORECAST else ""
    changes = ", ".join(f"{name} = excluded.{name}" for name in ("told", "source", *REQUIRED))
    db.executemany(
        f"INSERT INTO hours VALUES ({places}) ON CONFLICT (place, hour) DO UPDATE SET {changes}{known}", rows
    )


def _prune(db: sqlite3.Connection, now: datetime) -> None:
    """Forget forecasts that are too old, and then the oldest until the others fit."""
    db.execute("DELETE FROM forecasts WHERE fetched_at < ?", (_utc_text(now - FORECAST_RETENTION),))
    sizes = db.execute("SELECT id, length(data) FROM forecasts ORDER BY fetched_at DESC").fetchall()
    total = np.cumsum([size for _, size in sizes])
    too_many = [(number,) for (number, _), size in zip(sizes, total, strict=True) if size > MAX_FORECAST_BYTES]
    db.executemany("DELETE FROM forecasts WHERE id = ?", too_many)


def _dataset_with_gaps(
    values: dict[str, NDArray[np.float64]], labels: Hours, place: Place, attributes: dict[str, Any]
) -> xr.Dataset:
    """Return hours in the contract's form though some may be missing between them."""
    whole = np.arange(labels[0], labels[-1] + 1)
    at = np.searchsorted(whole, labels)
    spread = {name: np.full((1, 1, whole.size), np.nan) for name in values}
    for name, array in values.items():
        spread[name][..., at] = array
    return build_dataset(spread, whole.astype("datetime64[ns]"), ["archive"], [place], attributes).isel(time=at)


def _pack(ahead: xr.Dataset) -> bytes:
    """Return a forecast as compressed arrays."""
    names = [str(name) for name in ahead.data_vars]
    about = {
        "attributes": {name: value for name, value in ahead.attrs.items() if isinstance(value, str | int | float)},
        "names": names,
        "origins": [ahead[name].attrs["origin"] for name in names],
        "members": [str(member) for member in ahead["member"].to_numpy()],
        "place": [float(ahead[axis]) for axis in ("latitude", "longitude") if axis in ahead.coords],
    }
    file = BytesIO()
    np.savez_compressed(
        file,
        about=np.frombuffer(json.dumps(about).encode(), dtype=np.uint8),
        values=_stack_values(ahead),
        time=ahead["time"].to_numpy(),
        step=ahead[NATIVE_STEP].to_numpy(),
    )
    return file.getvalue()


def _unpack(data: bytes) -> xr.Dataset:
    with np.load(BytesIO(data), allow_pickle=False) as held:
        about, table = json.loads(held["about"].tobytes()), held["values"].astype(np.float64)
        time, step = held["time"], held["step"]
    values = dict(zip(about["names"], table[:, None], strict=True))
    found = build_dataset(values, time, about["members"], [], about["attributes"], step=step)
    for name, origin in zip(about["names"], about["origins"], strict=True):
        found[name].attrs["origin"] = origin
    return found.assign_coords(dict(zip(("latitude", "longitude"), about["place"], strict=False)))


def _stack_values(ahead: xr.Dataset) -> NDArray[np.float32]:
    """Return all values, shape (variable, member, time); half of the digits take half of the room."""
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

"""Weather from a CSV file: a record of the hours that came, or a forecast with its members.

The file has a column ``time`` (UTC, end of the hour), perhaps ``member``, and the contract's names in the
contract's units. Units cannot be seen in a file: the contract's ranges find most wrong ones, not all.
"""

import csv
import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import xarray as xr

from daemon.domain.farm import Place
from daemon.weather.clean import clean, start_of_ahead
from daemon.weather.contract import REQUIRED, VARIABLES, Refused, Weather, build_dataset, iso_text, to_datetime64
from daemon.weather.plausibility import drop_implausible

MAX_BYTES: Final = 100_000_000  # [bytes] a year of 50 members is about 40 MB
ISSUED_PREFIX: Final = "# issued_at:"
BEFORE_NOW: Final = timedelta(hours=36)  # last night and yesterday stay in the hours ahead


def read(path: Path, now: datetime, place: Place | None = None) -> Weather:
    """Read the weather from a CSV file.

    Parameters
    ----------
    path : Path
        A file without a ``member`` column is a record, one line of hours that came, taken at its word,
        unless it holds hours later than itself. A file with one is a forecast; its first member also tells
        the past. Optional variables and single values may be missing.
    now : datetime
        The moment of the pass: parts the past from what is ahead, and is when a record was issued. A
        forecast was issued at the time in its first line, ``# issued_at: 2026-06-01T00:00Z``, or else when
        the file was written.
    place : Place, optional
        With it, sun in the dark is detected, which reveals times in local time instead of UTC.

    Raises
    ------
    Refused
        With the file, row and column, what was given and what is allowed.
    """
    try:
        return _read_table(path, now, place)
    except csv.Error as error:
        raise Refused(f"{path}: not a CSV file: {error}") from None
    except Refused as reason:
        raise reason.with_prefix(f"{path}: ") from None


def _read_table(path: Path, now: datetime, place: Place | None) -> Weather:
    """Read the weather; a refusal does not name the file yet."""
    text = _read_text(path)
    rows = list(csv.reader(text.splitlines(), strict=True))
    skipped = 1 if text.startswith("#") else 0
    frame = _parse_rows(rows[skipped:], skipped + 1)
    written = datetime.fromtimestamp(path.stat().st_mtime, tz=UTC)
    # A file with hours later than itself cannot be a record, even without a column of members.
    is_record = "member" not in rows[skipped] and _is_over_by(frame, written)
    issued = now if is_record else _issue_time(text, written)
    if issued > now + timedelta(hours=1):
        raise Refused(
            f"the forecast is from {issued:%Y-%m-%d %H:%M} UTC, after the time of the pass; "
            f"say when it was made in a first line: {ISSUED_PREFIX} 2026-06-01T00:00Z"
        )
    return _split(_to_dataset(frame, _attributes(path, is_record, issued, now), place), now)


def _is_over_by(frame: pd.DataFrame, moment: datetime) -> bool:
    return bool(frame.index.get_level_values("time").max() <= to_datetime64(moment))


def _read_text(path: Path) -> str:
    """Read the text of the file, which must be a regular file of no more than `MAX_BYTES`."""
    if not path.is_file():
        raise Refused("there is no such file; write its name in [weather] path")
    try:
        if path.stat().st_size > MAX_BYTES:
            raise Refused(f"given {path.stat().st_size} bytes, allowed {MAX_BYTES}")
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise Refused(f"not UTF-8 text at byte {error.start}; save it as UTF-8") from None
    except OSError as error:
        raise Refused(f"cannot be read: {error.strerror}") from None


def _parse_rows(rows: Sequence[Sequence[str]], header_row: int) -> pd.DataFrame:
    """Parse the values by member and time, with checks that can still name the row."""
    if len(rows) < 2:
        raise Refused("allowed a line with the names of the columns and at least one hour")
    header = [name.strip() for name in rows[0]]
    _check_header(header)
    names = [name for name in header if name in VARIABLES]
    values: dict[tuple[str, datetime], list[float]] = {}
    for number, row in enumerate(rows[1:], header_row + 1):
        if not row:
            continue
        cells = _cells_by_column(header, row, number)
        key = (cells.get("member", "record"), _parse_hour(cells["time"], number))
        if key in values:
            raise Refused(f"row {number}, column time: {cells['time']} is given twice, allowed once a member")
        values[key] = [_parse_value(cells[name], number, name) for name in names]
    labels = [(member, to_datetime64(hour)) for member, hour in values]
    index = pd.MultiIndex.from_tuples(labels, names=["member", "time"])
    return pd.DataFrame(list(values.values()), index=index, columns=names, dtype=float)


def _cells_by_column(header: Sequence[str], row: Sequence[str], number: int) -> dict[str, str]:
    """Return the text of each cell of a row by the name of its column."""
    if len(row) != len(header):
        raise Refused(f"row {number}: given {len(row)} columns, allowed {len(header)} as in the first line")
    return {name: cell.strip() for name, cell in zip(header, row, strict=True)}


def _check_header(header: Sequence[str]) -> None:
    """Refuse unknown, duplicate and missing columns."""
    allowed = ("time", "member", *VARIABLES)
    for name in header:
        if name not in allowed:
            near = get_close_matches(name, allowed, 1, 0.5)
            hint = f"; perhaps {near[0]}" if near else ""
            raise Refused(f"column {name!r} is not known{hint}; allowed: {', '.join(allowed)}")
        if header.count(name) > 1:
            raise Refused(f"column {name} is given twice")
    missing = [name for name in ("time", *REQUIRED) if name not in header]
    if missing:
        raise Refused(f"column {', '.join(missing)} is missing")


def _parse_hour(text: str, row: int) -> datetime:
    """Parse a label, which must be a whole hour in UTC; one without a zone counts as UTC."""
    try:
        hour = datetime.fromisoformat(text)
    except ValueError:
        hour = None
    if hour is not None and hour.tzinfo is None:
        hour = hour.replace(tzinfo=UTC)
    if hour is None or not _is_whole_utc_hour(hour):
        raise Refused(f"row {row}, column time: given {text!r}, allowed a whole hour in UTC such as 2026-06-01T14:00Z")
    return hour


def _is_whole_utc_hour(hour: datetime) -> bool:
    return hour.utcoffset() == timedelta(0) and (hour.minute, hour.second, hour.microsecond) == (0, 0, 0)


def _parse_value(text: str, row: int, column: str) -> float:
    """Parse a value; an empty cell is a missing one."""
    try:
        value = float(text) if text else math.nan
    except ValueError:
        value = math.inf
    variable = VARIABLES[column]
    if value < variable.low or value > variable.high:
        raise Refused(f"row {row}, column {column}: given {text!r}, allowed a number from {variable.range_text}")
    return value


def _issue_time(text: str, written: datetime) -> datetime:
    """Return when the forecast was made, from the first line or else from the file's date."""
    first = text.partition("\n")[0].strip()
    if not first.startswith("#"):
        return written
    try:
        issued = datetime.fromisoformat(first.removeprefix(ISSUED_PREFIX).strip())
    except ValueError:
        raise Refused(f"row 1: given {first!r}, allowed {ISSUED_PREFIX} 2026-06-01T00:00Z") from None
    return issued.replace(tzinfo=UTC) if issued.tzinfo is None else issued.astimezone(UTC)


def _attributes(path: Path, is_record: bool, issued: datetime, now: datetime) -> dict[str, object]:
    """Return the attributes that the contract asks for."""
    return {
        "source": "file",
        "model": path.stem,
        "issued_at": issued.astimezone(UTC).isoformat(timespec="seconds"),
        "fetched_at": now.astimezone(UTC).isoformat(timespec="seconds"),
        "credit": f"Weather from the file {path.name}",
        "kind": "record" if is_record else "forecast",
    }


def _to_dataset(frame: pd.DataFrame, attributes: dict[str, object], place: Place | None) -> xr.Dataset:
    """Convert the values to a Dataset; hours that one member lacks are null in it."""
    members = list(dict.fromkeys(frame.index.get_level_values("member")))
    time = frame.index.get_level_values("time").unique().sort_values()
    full = frame.reindex(pd.MultiIndex.from_product([members, time]))
    shape = (1, len(members), len(time))
    values = {str(name): np.ascontiguousarray(full[name].to_numpy()).reshape(shape) for name in frame}
    return build_dataset(values, time.to_numpy(), members, [place] if place else [], attributes)


def _split(table: xr.Dataset, now: datetime) -> Weather:
    """Split a table into the past of its first member and the hours ahead of all members."""
    first = pd.Timestamp(table["time"].values[0], tz=UTC).to_pydatetime()
    past = table.isel(member=[0]).assign_attrs(kind="record")
    last = table["time"].values[-1]
    if last <= to_datetime64(now):
        raise Refused(f"its last hour is {iso_text(last)}: put newer hours into it")
    since = min(to_datetime64(now - BEFORE_NOW), to_datetime64(start_of_ahead(now)))
    weather = clean(past, table.sel(time=slice(since, None)), first, now)
    return replace(weather, ahead=drop_implausible(weather.ahead, now, single=True))

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
    """Return the weather that a CSV file holds.

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
        With it, sun in the dark is found out, which is how times in local time instead of UTC show.

    Raises
    ------
    Refused
        With the file, row and column, what was given and what is allowed.
    """
    try:
        text = _read_text(path)
        rows = list(csv.reader(text.splitlines(), strict=True))
        skipped = 1 if text.startswith("#") else 0
        frame = _parse_rows(rows[skipped:], skipped + 1)
        written = datetime.fromtimestamp(path.stat().st_mtime, tz=UTC)
        # Hours that had not come when the file was written cannot be a record, whatever it lacks.
        record = "member" not in rows[skipped] and frame.index.get_level_values("time").max() <= to_datetime64(written)
        issued = now if record else _issue_time(text, written)
        if issued > now + timedelta(hours=1):
            raise Refused(
                f"the forecast is from {issued:%Y-%m-%d %H:%M} UTC, after the time of the pass; "
                f"say when it was made in a first line: {ISSUED_PREFIX} 2026-06-01T00:00Z"
            )
        attributes = _attributes(path, record, issued, now)
        table = _to_dataset(frame, attributes, place)
        return _split(table, now)
    except csv.Error as error:
        raise Refused(f"{path}: not a CSV file: {error}") from None
    except Refused as reason:
        raise reason.with_prefix(f"{path}: ") from None


def _read_text(path: Path) -> str:
    """Return the text of the file, which must be an ordinary one of a size to be read whole."""
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
    """Return the values by member and time, after checks that can still name the row."""
    if len(rows) < 2:
        raise Refused("allowed a line with the names of the columns and at least one hour")
    header = [name.strip() for name in rows[0]]
    _check_header(header)
    index: dict[tuple[str, datetime], list[float]] = {}
    names = [name for name in header if name in VARIABLES]
    for number, row in enumerate(rows[1:], header_row + 1):
        if not row:
            continue
        if len(row) != len(header):
            raise Refused(f"row {number}: given {len(row)} columns, allowed {len(header)} as in the first line")
        cells = dict(zip(header, (cell.strip() for cell in row), strict=True))
        key = (cells.get("member", "record"), _parse_hour(cells["time"], number))
        if key in index:
            raise Refused(f"row {number}, column time: {cells['time']} is given twice, allowed once a member")
        index[key] = [_parse_value(cells[name], number, name) for name in names]
    keys = pd.MultiIndex.from_tuples(
        [(member, to_datetime64(hour)) for member, hour in index], names=["member", "time"]
    )
    return pd.DataFrame(list(index.values()), index=keys, columns=names, dtype=float)


def _check_header(header: Sequence[str]) -> None:
    """Refuse unknown, doubled and missing columns."""
    known = ("time", "member", *VARIABLES)
    for name in header:
        if name not in known:
            near = get_close_matches(name, known, 1, 0.5)
            hint = f"; perhaps {near[0]}" if near else ""
            raise Refused(f"column {name!r} is not known{hint}; allowed: {', '.join(known)}")
        if header.count(name) > 1:
            raise Refused(f"column {name} is given twice")
    missing = [name for name in ("time", *REQUIRED) if name not in header]
    if missing:
        raise Refused(f"column {', '.join(missing)} is missing")


def _parse_hour(text: str, row: int) -> datetime:
    """Return a label in UTC."""
    try:
        hour = datetime.fromisoformat(text)
    except ValueError:
        hour = None
    if hour is not None and hour.tzinfo is None:
        hour = hour.replace(tzinfo=UTC)
    if hour is None or hour.utcoffset() != timedelta(0) or (hour.minute, hour.second, hour.microsecond) != (0, 0, 0):
        raise Refused(f"row {row}, column time: given {text!r}, allowed a whole hour in UTC such as 2026-06-01T14:00Z")
    return hour


def _parse_value(text: str, row: int, column: str) -> float:
    """Return a value; an empty cell is one that is not known."""
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
    """Return the values as a Dataset; hours that one member lacks are null in it."""
    members = list(dict.fromkeys(frame.index.get_level_values("member")))
    time = frame.index.get_level_values("time").unique().sort_values()
    whole = frame.reindex(pd.MultiIndex.from_product([members, time]))
    shape = (1, len(members), len(time))
    values = {str(name): np.ascontiguousarray(whole[name].to_numpy()).reshape(shape) for name in frame}
    return build_dataset(values, time.to_numpy(), members, [place] if place else [], attributes)


def _split(table: xr.Dataset, now: datetime) -> Weather:
    """Return the past of the first member and what lies ahead for all."""
    first = pd.Timestamp(table["time"].values[0], tz=UTC).to_pydatetime()
    come = table.isel(member=[0]).assign_attrs(kind="record")
    last = table["time"].values[-1]
    if last <= to_datetime64(now):
        raise Refused(f"its last hour is {iso_text(last)}: put newer hours into it")
    since = min(to_datetime64(now - BEFORE_NOW), to_datetime64(start_of_ahead(now)))
    weather = clean(come, table.sel(time=slice(since, None)), first, now)
    return replace(weather, ahead=drop_implausible(weather.ahead, now, single=True))

"""Weather from a NetCDF file with CF names: a region cut out of a public ensemble, or a single point.

Whoever fetches the file writes it under another name and renames it when it is whole. Of a grid only the nearest point
is read. GRIB is not read: convert it first, with time bounds, so that the hours of its sums are known.

References
----------
Eaton, B. and others, NetCDF Climate and Forecast (CF) Metadata Conventions 1.11.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place, WeatherSource
from daemon.weather.contract import NP_HOUR, VARIABLES, Refused, build_dataset, iso_text
from daemon.weather.derive import AIR, CLOUD, DEW, RAIN, SUN
from daemon.weather.sources.cf_hours import (
    HourlySeries,
    hours_from_instants,
    hours_from_maxima,
    spread_over_hours,
    step_sums,
)
from daemon.weather.sources.cf_names import EAST, GUST, HUMIDITY, NORTH, SECONDS_PER_HOUR, WIND
from daemon.weather.sources.cf_point import (
    CfSeries,
    decode_times,
    has_quantity,
    member_labels,
    nearest_point,
    read_series,
)
from models.humidity import dew_point_temperature

Array = NDArray[np.float64]

SOURCE: Final = "netcdf"
SUFFIXES: Final = (".nc", ".nc4", ".cdf")
PACKING_FALL: Final = {RAIN: 0.1, SUN: 36_000.0}  # [mm], [J m-2] that packing can make a growing sum fall; estimate
PACKING_SLACK: Final = 0.02  # in any unit, that packing can carry a value over the end of its range; estimate
MAX_HUMIDITY: Final = 1.2  # [1] models may be above saturation by so much; estimate
# What the reader raises on a file that is cut off, not NetCDF, or says nonsense of itself.
READ_ERRORS: Final = (OSError, RuntimeError, ValueError, TypeError, LookupError, ArithmeticError)


def fetch(source: WeatherSource, place: Place, now: datetime, *, path: Path) -> xr.Dataset:
    """Return the hours of a forecast in a NetCDF file, all members, at the point nearest to a place.

    Parameters
    ----------
    source : WeatherSource
        As for every source; a file needs none of it but the path.
    place : Place
        Where.
    now : datetime
        The moment of the pass.
    path : Path
        A file, or a directory whose newest file is taken.

    Returns
    -------
    xr.Dataset
        In the contract's form, from the file's first hour on that has all that is needed, which may be past.

    Raises
    ------
    Refused
        When there is no such file, it cannot be read, or lacks what is needed; with the file's name.

    Notes
    -----
    The run's start is taken for the time of issue: from the forecast_reference_time, else from the file's attributes,
    else the file's own date stands for it and ``attrs["issued_at_origin"]`` is "file".
    """
    chosen = _newest_file(path)
    try:
        with _open_file(chosen) as file:
            return parse(file, place, _attributes(chosen, file, now))
    except Refused as reason:
        raise reason.with_prefix(f"{chosen}: ") from None
    except READ_ERRORS as error:
        raise Refused(f"{chosen}: damaged or no NetCDF file ({error}); write it anew") from None


def parse(file: xr.Dataset, place: Place, attributes: Mapping[str, object]) -> xr.Dataset:
    """Return an open file's hours at the point nearest to a place.

    Parameters
    ----------
    file : xr.Dataset
        With times not decoded, see `fetch`.
    place : Place
        Where.
    attributes : mapping
        For the Dataset, see `daemon.weather.contract.validate`.

    Raises
    ------
    Refused
        When the file has no point near, or lacks a variable, a unit or hours that are needed.

    Notes
    -----
    Sums and means are of the hours that their time bounds tell. Where there are none, they are taken to end at their
    label and begin at the label before, and ``attrs["note"]`` says so; but names and words of sums since the start of
    the run are believed. Rain of a longer step is spread evenly over its hours, sun in the proportions of the sun on
    top of the atmosphere, a gust is that of each hour; instants follow `interpolate_hourly`.
    """
    point = nearest_point(file, place)
    over = {name: read_series(point, name) for name in (SUN, RAIN)}
    found = _required_hours(point, over, place)
    first, last = max(one.time[0] for one in found.values()), min(one.time[-1] for one in found.values())
    if first > last:
        raise Refused(f"no hour has all variables: one begins at {iso_text(first)}, one ends at {iso_text(last)}")
    found |= _optional_hours(point)
    time, members = np.arange(first, last + NP_HOUR, NP_HOUR), member_labels(point)
    values = {
        name: _clip_packing_error(name, hourly.values_at(time, len(members)))[np.newaxis]
        for name, hourly in found.items()
    }
    steps = found[RAIN].step[np.searchsorted(found[RAIN].time, time)]
    table = build_dataset(values, time, members, [place], {**attributes, **_bounds_note(over)}, step=steps)
    return table.assign({name: table[name].assign_attrs(origin=hourly.origin) for name, hourly in found.items()})


def _newest_file(path: Path) -> Path:
    """Return the file, or the newest one of a directory."""
    try:
        if path.is_file():
            return path
        if not path.is_dir():
            raise Refused(f"{path}: there is no such file or directory; write its name in [weather] path")
        files = [one for one in path.iterdir() if one.suffix in SUFFIXES and one.is_file()]
        if not files:
            raise Refused(f"{path}: the directory holds no file whose name ends with {', '.join(SUFFIXES)}")
        return max(files, key=lambda one: (one.stat().st_mtime, one.name))
    except OSError as error:
        raise Refused(f"{path}: cannot be read: {error.strerror}") from None


def _open_file(path: Path) -> xr.Dataset:
    """Return the file open, nothing of it read; the reader is imported here, as few farms need it."""
    try:
        import netCDF4  # noqa: F401, PLC0415
    except ImportError:
        raise Refused(
            "reading NetCDF needs one more package; install it with: pip install 'forenoon[netcdf]'"
        ) from None
    # Times are decoded one by one, so that an odd one that nobody needs does no harm.
    return xr.open_dataset(path, engine="netcdf4", decode_times=False, cache=False)


def _attributes(path: Path, file: xr.Dataset, now: datetime) -> dict[str, object]:
    """Return the attributes that the contract asks for."""
    run = _run_start(file)
    issued = run or datetime.fromtimestamp(path.stat().st_mtime, tz=UTC)
    made_by = file.attrs.get("institution")
    return {
        "source": SOURCE,
        "model": path.stem,
        "issued_at": issued.isoformat(timespec="seconds"),
        "issued_at_origin": "run" if run else "file",
        "fetched_at": now.astimezone(UTC).isoformat(timespec="seconds"),
        "credit": f"Weather from the file {path.name}" + (f", made by {made_by}" if made_by else ""),
        "kind": "forecast",
    }


def _run_start(file: xr.Dataset) -> datetime | None:
    """Return when the run started, if the file tells."""
    for name in file.variables:
        if file[name].attrs.get("standard_name") == "forecast_reference_time":
            told = decode_times(file[name], file[name].values.ravel())
            if np.unique(told).size != 1:
                raise Refused(f"{name}: given {np.unique(told).size} runs, allowed one in a file")
            return datetime.fromisoformat(str(told[0].astype("datetime64[s]"))).replace(tzinfo=UTC)
    for name in ("forecast_reference_time", "reference_time", "date_created"):
        try:
            told_at = datetime.fromisoformat(str(file.attrs.get(name)))
        except ValueError:
            continue
        return told_at.replace(tzinfo=UTC) if told_at.tzinfo is None else told_at.astimezone(UTC)
    return None


def _required_hours(point: xr.Dataset, sums: Mapping[str, CfSeries], place: Place) -> dict[str, HourlySeries]:
    """Return the hours of what every forecast must have."""
    air = read_series(point, AIR)
    return {
        AIR: hours_from_instants(air),
        DEW: _dew_point(point, air),
        WIND: _wind_speed(point),
        SUN: _joules_to_watts(spread_over_hours(step_sums(sums[SUN], PACKING_FALL[SUN]), place)),
        RAIN: spread_over_hours(step_sums(sums[RAIN], PACKING_FALL[RAIN])),
    }


def _optional_hours(point: xr.Dataset) -> dict[str, HourlySeries]:
    """Return the hours of what a forecast may tell; what cannot be read is not known."""
    found = {}
    for name, hours_of in ((CLOUD, hours_from_instants), (GUST, hours_from_maxima)):
        try:
            found[name] = hours_of(read_series(point, name))
        except Refused:
            continue
    return found


def _dew_point(point: xr.Dataset, air: CfSeries) -> HourlySeries:
    """Return the dew point; hours between follow its distance from the air, lest they come to lie above it."""
    told = has_quantity(point, DEW)
    other = read_series(point, DEW if told or not has_quantity(point, HUMIDITY) else HUMIDITY)
    _check_same_times(air, other)
    dew = other.values if told else _dew_point_from_humidity(air.values, other)
    below = hours_from_instants(replace(air, values=air.values - dew))
    return replace(
        below, values=hours_from_instants(air).values - below.values, origin=below.origin if told else "derived"
    )


def _dew_point_from_humidity(air: Array, humidity: CfSeries) -> Array:
    """Return the dew point by the relative humidity; one of 0 or less is not known."""
    if (humidity.values > MAX_HUMIDITY).any():
        given = float(np.nanmax(humidity.values))
        raise Refused(f"{humidity.name}: given {given:g}, allowed up to {MAX_HUMIDITY:g}; is it in %? write its unit")
    share = np.where(humidity.values > 0.0, np.minimum(humidity.values, 1.0), np.nan)
    return np.asarray(dew_point_temperature(air, share))


def _wind_speed(point: xr.Dataset) -> HourlySeries:
    """Return the wind's speed, from its two components where it is not told."""
    if has_quantity(point, WIND) or not has_quantity(point, EAST):
        return hours_from_instants(read_series(point, WIND))
    east, north = read_series(point, EAST), read_series(point, NORTH)
    _check_same_times(east, north)
    return replace(hours_from_instants(replace(east, values=np.hypot(east.values, north.values))), origin="derived")


def _check_same_times(first: CfSeries, second: CfSeries) -> None:
    """Refuse two variables that belong together at different times."""
    if not np.array_equal(first.axis.labels, second.axis.labels):
        raise Refused(f"{first.name} and {second.name} are given at different times, allowed the same")


def _joules_to_watts(energy: HourlySeries) -> HourlySeries:
    """Return sums of the hours [J m-2] as means [W m-2]."""
    return replace(energy, values=energy.values / SECONDS_PER_HOUR)


def _clip_packing_error(name: str, values: Array) -> Array:
    """Return values with those that packing carried over the end of their range set back."""
    back = np.clip(values, VARIABLES[name].low, VARIABLES[name].high)
    return np.where(np.abs(values - back) < PACKING_SLACK, back, values)


def _bounds_note(sums: Mapping[str, CfSeries]) -> dict[str, str]:
    """Return a note where the file does not say of which hours its sums are."""
    assumed = [one.name for one in sums.values() if one.axis.begin is None and not one.is_running_sum]
    said = f"the file does not say of which hours {' and '.join(assumed)} are: taken to end at their labels"
    return {"note": said} if assumed else {}

"""Weather from a NetCDF file with CF names: a region of a public ensemble, or a single point.

Whoever fetches the file writes it under another name and renames it when it is complete. Of a grid only the nearest
point is read. GRIB is not read: convert it first, with time bounds, so that the hours of its sums are known.

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
from daemon.weather.contract import NP_HOUR, VARIABLES, Hours, Refused, build_dataset, iso_text
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
PACKING_FALL: Final = {RAIN: 0.1, SUN: 36_000.0}  # [mm], [J m-2] by which packing can make a running sum fall; estimate
PACKING_SLACK: Final = 0.02  # in any unit, by which packing can push a value out of its range; estimate
MAX_HUMIDITY: Final = 1.2  # [1] models may be above saturation by so much; estimate
# Errors of the reader on a file that is truncated, not NetCDF, or has nonsense in its metadata.
READ_ERRORS: Final = (OSError, RuntimeError, ValueError, TypeError, LookupError, ArithmeticError)


def fetch(source: WeatherSource, place: Place, now: datetime, *, path: Path) -> xr.Dataset:
    """Return the hours of all members in a NetCDF file at the point nearest to a place.

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
        In the contract's form, from the file's first complete hour on, which may be past.

    Raises
    ------
    Refused
        When there is no such file, it cannot be read, or lacks what is needed; with the file's name.

    Notes
    -----
    The time of issue is the start of the run: from the forecast_reference_time, else from the file's attributes, else
    the file's own date stands for it and ``attrs["issued_at_origin"]`` is "file".
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
    """Read the hours of an open file at the point nearest to a place.

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
    Sums and means cover their time bounds. Without bounds they are taken to end at their label and begin at the label
    before, and ``attrs["note"]`` says so; but a name or attribute that makes a variable a sum since the start of the
    run is believed. Rain of a longer step is spread evenly over its hours, radiation in proportion to that at the top
    of the atmosphere, a gust counts for each hour; instants follow `interpolate_hourly`.
    """
    point = nearest_point(file, place)
    sums = {name: read_series(point, name) for name in (SUN, RAIN)}
    hourly_by_name = _required_hours(point, sums, place)
    time = _common_hours(hourly_by_name)
    hourly_by_name |= _optional_hours(point)
    members = member_labels(point)
    values = {}
    for name, hourly in hourly_by_name.items():
        values[name] = _clip_packing_error(name, hourly.values_at(time, len(members)))[np.newaxis]
    rain = hourly_by_name[RAIN]
    steps = rain.step[np.searchsorted(rain.time, time)]
    forecast = build_dataset(values, time, members, [place], {**attributes, **_bounds_note(sums)}, step=steps)
    for name, hourly in hourly_by_name.items():
        forecast[name].attrs["origin"] = hourly.origin
    return forecast


def _common_hours(hourly_by_name: Mapping[str, HourlySeries]) -> Hours:
    """Return the hours that all series have."""
    first = max(hourly.time[0] for hourly in hourly_by_name.values())
    last = min(hourly.time[-1] for hourly in hourly_by_name.values())
    if first > last:
        raise Refused(f"no hour has all variables: one begins at {iso_text(first)}, one ends at {iso_text(last)}")
    return np.arange(first, last + NP_HOUR, NP_HOUR)


def _newest_file(path: Path) -> Path:
    """Return the file, or the newest one of a directory."""
    try:
        if path.is_file():
            return path
        if not path.is_dir():
            raise Refused(f"{path}: there is no such file or directory; write its name in [weather] path")
        files = [file for file in path.iterdir() if file.suffix in SUFFIXES and file.is_file()]
        if not files:
            raise Refused(f"{path}: the directory holds no file whose name ends with {', '.join(SUFFIXES)}")
        return max(files, key=lambda file: (file.stat().st_mtime, file.name))
    except OSError as error:
        raise Refused(f"{path}: cannot be read: {error.strerror}") from None


def _open_file(path: Path) -> xr.Dataset:
    """Open the file without reading its values; the reader is imported here, because few farms need it."""
    try:
        import netCDF4  # noqa: F401, PLC0415
    except ImportError:
        raise Refused(
            "reading NetCDF needs one more package; install it with: pip install 'forenoon[netcdf]'"
        ) from None
    # Times are decoded one by one, so that an odd one that is not needed does no harm.
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
    """Return when the run started, None where the file does not say."""
    for name in file.variables:
        if file[name].attrs.get("standard_name") == "forecast_reference_time":
            runs = np.unique(decode_times(file[name], file[name].values.ravel()))
            if runs.size != 1:
                raise Refused(f"{name}: given {runs.size} runs, allowed one in a file")
            return datetime.fromisoformat(str(runs[0].astype("datetime64[s]"))).replace(tzinfo=UTC)
    for name in ("forecast_reference_time", "reference_time", "date_created"):
        try:
            run = datetime.fromisoformat(str(file.attrs.get(name)))
        except ValueError:
            continue
        return run.replace(tzinfo=UTC) if run.tzinfo is None else run.astimezone(UTC)
    return None


def _required_hours(point: xr.Dataset, sums: Mapping[str, CfSeries], place: Place) -> dict[str, HourlySeries]:
    """Return the hours of the variables that every forecast must have."""
    air = read_series(point, AIR)
    return {
        AIR: hours_from_instants(air),
        DEW: _dew_point(point, air),
        WIND: _wind_speed(point),
        SUN: _joules_to_watts(spread_over_hours(step_sums(sums[SUN], PACKING_FALL[SUN]), place)),
        RAIN: spread_over_hours(step_sums(sums[RAIN], PACKING_FALL[RAIN])),
    }


def _optional_hours(point: xr.Dataset) -> dict[str, HourlySeries]:
    """Return the hours of the optional variables; one that cannot be read counts as absent."""
    hourly_by_name = {}
    for name, hours_of in ((CLOUD, hours_from_instants), (GUST, hours_from_maxima)):
        try:
            hourly_by_name[name] = hours_of(read_series(point, name))
        except Refused:
            continue
    return hourly_by_name


def _dew_point(point: xr.Dataset, air: CfSeries) -> HourlySeries:
    """Return the dew point, from relative humidity where the file has no dew point.

    The dew point depression is interpolated instead of the dew point, so that this never rises above the air.
    """
    has_dew = has_quantity(point, DEW)
    moisture = read_series(point, DEW if has_dew or not has_quantity(point, HUMIDITY) else HUMIDITY)
    _check_same_times(air, moisture)
    dew = moisture.values if has_dew else _dew_point_from_humidity(air.values, moisture)
    depression = hours_from_instants(replace(air, values=air.values - dew))
    hourly_dew = hours_from_instants(air).values - depression.values
    return replace(depression, values=hourly_dew, origin=depression.origin if has_dew else "derived")


def _dew_point_from_humidity(air: Array, humidity: CfSeries) -> Array:
    """Return the dew point at a relative humidity; a humidity of 0 or less counts as unknown."""
    if (humidity.values > MAX_HUMIDITY).any():
        given = float(np.nanmax(humidity.values))
        raise Refused(f"{humidity.name}: given {given:g}, allowed up to {MAX_HUMIDITY:g}; is it in %? write its unit")
    share = np.where(humidity.values > 0.0, np.minimum(humidity.values, 1.0), np.nan)
    return np.asarray(dew_point_temperature(air, share))


def _wind_speed(point: xr.Dataset) -> HourlySeries:
    """Return the wind speed, from its two components where the file has no speed."""
    if has_quantity(point, WIND) or not has_quantity(point, EAST):
        return hours_from_instants(read_series(point, WIND))
    east, north = read_series(point, EAST), read_series(point, NORTH)
    _check_same_times(east, north)
    return replace(hours_from_instants(replace(east, values=np.hypot(east.values, north.values))), origin="derived")


def _check_same_times(first: CfSeries, second: CfSeries) -> None:
    """Refuse two variables that belong together but have different times."""
    if not np.array_equal(first.axis.labels, second.axis.labels):
        raise Refused(f"{first.name} and {second.name} are given at different times, allowed the same")


def _joules_to_watts(energy: HourlySeries) -> HourlySeries:
    """Convert hourly sums [J m-2] to means [W m-2]."""
    return replace(energy, values=energy.values / SECONDS_PER_HOUR)


def _clip_packing_error(name: str, values: Array) -> Array:
    """Clip values that packing has pushed slightly out of their range; values farther out stay for the contract."""
    clipped = np.clip(values, VARIABLES[name].low, VARIABLES[name].high)
    return np.where(np.abs(values - clipped) < PACKING_SLACK, clipped, values)


def _bounds_note(sums: Mapping[str, CfSeries]) -> dict[str, str]:
    """Return a note where the file has no time bounds for its sums."""
    assumed = []
    for series in sums.values():
        if series.axis.begin is None and not series.is_running_sum:
            assumed.append(series.name)
    if not assumed:
        return {}
    return {"note": f"the file does not say of which hours {' and '.join(assumed)} are: taken to end at their labels"}

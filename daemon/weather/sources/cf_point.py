"""Read the weather of one point from an open file with CF names: which variable, when, in which unit.

References
----------
Eaton, B. and others, NetCDF Climate and Forecast (CF) Metadata Conventions 1.11, sections 4.4, 5, 7.1 and 7.3.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.weather.contract import NP_HOUR, Hours, Refused
from daemon.weather.derive import SUN
from daemon.weather.sources.cf_names import ALTERNATIVE_TEXT, QUANTITIES, RUN_TOTAL_NAMES, CfUnit, Quantity

Array = NDArray[np.float64]

CALENDARS: Final = ("standard", "gregorian", "proleptic_gregorian")
MEMBER_DIMENSIONS: Final = ("realization", "number", "member", "ensemble", "ensemble_member")
SINGLE_MEMBER: Final = "forecast"
MAX_POINT_DISTANCE: Final = 0.5  # [deg] a point without a grid that is farther away is another place's
MAX_CELLS_AWAY: Final = 1.5  # [cells] of a grid, to its nearest point
MAX_GRID_DISTANCE: Final = 1.0  # [deg] the most, however wide the cells are
MAX_FILE_STEP: Final = 6  # [h] from which hours can be made; a file is read up to where its steps grow longer
MAX_VALUES: Final = 2_000_000  # values of one variable at one point; a year of 50 members is 440,000


@dataclass(frozen=True)
class TimeAxis:
    """The labels of a variable, and the bounds of each value where the file gives them; shape (label,), UTC."""

    labels: Hours
    begin: Hours | None
    end: Hours

    def cut(self, span: slice) -> "TimeAxis":
        """Return the axis of a span of the labels."""
        begin = None if self.begin is None else self.begin[span]
        return TimeAxis(self.labels[span], begin, self.end[span])


@dataclass(frozen=True)
class CfSeries:
    """One variable at the point: values of shape (member, label) in the contract's unit, or per second of it."""

    name: str
    axis: TimeAxis
    values: Array
    is_rate: bool
    is_running_sum: bool  # a sum since the start of the run, by the variable's name or attributes


def decode_times(array: xr.DataArray, values: NDArray[np.generic]) -> Hours:
    """Decode numbers in the CF time units of a variable to UTC.

    Parameters
    ----------
    array : xr.DataArray
        Its attributes hold the units and the calendar.
    values : array
        Numbers, of any shape.

    Raises
    ------
    Refused
        When the calendar is not supported, or a number is no time.
    """
    units, calendar = str(array.attrs.get("units")), str(array.attrs.get("calendar", "standard")).lower()
    if calendar not in CALENDARS:
        raise Refused(f"{array.name}: given the calendar {calendar}, allowed {' or '.join(CALENDARS)}")
    coded = xr.Dataset({"times": ("flat", values.ravel(), {"units": units, "calendar": calendar})})
    times = xr.decode_cf(coded)["times"].values.reshape(values.shape)
    if times.dtype.kind != "M" or np.isnat(times).any():
        raise Refused(f"{array.name}: given a time that cannot be read in {units!r}")
    # Fractions of a day are an hour only to within a few nanoseconds, so times are rounded to the second.
    return np.asarray((times + np.timedelta64(500, "ms")).astype("datetime64[s]").astype("datetime64[ns]"))


def nearest_point(file: xr.Dataset, place: Place) -> xr.Dataset:
    """Return the file at its point nearest to a place; only its coordinates are read yet.

    Raises
    ------
    Refused
        When the file does not say where its points are, or the nearest is too far away.
    """
    north, east = xr.broadcast(*(_coordinate(file, *words) for words in (("latitude", "lat"), ("longitude", "lon"))))
    lat, lon = (np.asarray(axis.values, dtype=np.float64) for axis in (north, east))
    away = _great_circle_degrees(lat, lon, place.latitude, place.longitude)
    if np.isnan(away).all() or np.nanmax(np.abs(lat)) > 90.0:
        raise Refused("latitude and longitude are no degrees")
    at = np.unravel_index(int(np.nanargmin(away)), away.shape)
    allowed = _max_distance(lat, lon, at)
    if away[at] > allowed:
        raise Refused(
            f"given {lat[at]:.3f}, {lon[at]:.3f} as nearest point, {away[at]:.2f} deg from the farm at "
            f"{place.latitude}, {place.longitude}, allowed {allowed:.2f} deg"
        )
    return file.isel(dict(zip(north.dims, map(int, at), strict=True)))


def _coordinate(file: xr.Dataset, standard: str, short: str) -> xr.DataArray:
    """Return the latitude or the longitude of the file's points, found by standard name or else by name."""
    names = [name for name in file.variables if file[name].attrs.get("standard_name") == standard]
    names += [name for name in (standard, short) if name in file.variables]
    for name in names:
        if file[name].size:
            return file[name].reset_coords(drop=True)
    raise Refused(f"the file does not say where its points lie: no {standard}")


def _great_circle_degrees(lat: Array, lon: Array, latitude: float, longitude: float) -> Array:
    """Return the distance of points from a place [deg of a great circle], whatever range their longitudes have."""
    phi, other, turn = np.radians(lat), np.radians(latitude), np.radians(lon - longitude)
    half = np.sin((phi - other) / 2) ** 2 + np.cos(phi) * np.cos(other) * np.sin(turn / 2) ** 2
    return np.asarray(np.degrees(2 * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0)))))


def _max_distance(lat: Array, lon: Array, at: tuple[np.intp, ...]) -> float:
    """Return how far away the nearest point may be [deg]: in a grid, by the size of the cells around it."""
    if lat.ndim < 2:
        return MAX_POINT_DISTANCE
    cells = []
    for axis, size in enumerate(lat.shape):
        if size > 1:
            neighbour = list(at)
            neighbour[axis] += 1 if at[axis] + 1 < size else -1
            cells.append(_distance_between(lat, lon, tuple(neighbour), at))
    if not cells:
        return MAX_POINT_DISTANCE
    return min(MAX_CELLS_AWAY * max(cells), MAX_GRID_DISTANCE)


def _distance_between(lat: Array, lon: Array, first: tuple[np.intp, ...], second: tuple[np.intp, ...]) -> float:
    """Return the distance between two points of a grid [deg of a great circle]."""
    return float(_great_circle_degrees(lat[first], lon[first], lat[second], lon[second]))


def read_series(point: xr.Dataset, name: str) -> CfSeries:
    """Read a variable of the file in the contract's unit, on the times of the file.

    Parameters
    ----------
    point : xr.Dataset
        From `nearest_point`.
    name : str
        Of `daemon.weather.sources.cf_names.QUANTITIES`.

    Raises
    ------
    Refused
        When there is none or more than one, in an unknown unit, without times, or without a value at the point.

    Notes
    -----
    Times before the first value of any member are left out, and times after steps that are too long.
    """
    array = _choose_variable(point, name)
    unit = _unit_of(array, QUANTITIES[name].units)
    label = _time_labels(point, array)
    member = [dim for dim in array.dims if _is_member_dim(point, str(dim))]
    if array.size > MAX_VALUES:
        raise Refused(f"{array.name}: given {array.size} values at one point, allowed {MAX_VALUES}")
    values = array.transpose(*member, label.name).values.astype(np.float64).reshape(-1, label.size)
    axis = _time_axis(point, label)
    with_values = np.flatnonzero(np.isfinite(values[:, : axis.labels.size]).any(axis=0))
    if not with_values.size:
        raise Refused(f"{array.name} has no value at the nearest point: is that the sea, or beyond the model's edge?")
    span = slice(with_values[0], axis.labels.size)
    return CfSeries(
        name=str(array.name),
        axis=axis.cut(span),
        values=values[:, span] * unit.factor + unit.offset,
        is_rate=unit.is_rate,
        is_running_sum=not unit.is_rate and _is_running_sum(array, name),
    )


def has_quantity(point: xr.Dataset, name: str) -> bool:
    """Return whether the file has a variable for a quantity."""
    return bool(_candidate_variables(point, QUANTITIES[name]))


def _choose_variable(point: xr.Dataset, name: str) -> xr.DataArray:
    """Return the one variable of a quantity; its usual names take precedence over its standard name."""
    quantity = QUANTITIES[name]
    candidates = _candidate_variables(point, quantity)
    chosen = [array for array in candidates if array.name in quantity.names] or candidates
    if len(chosen) > 1:
        names = ", ".join(str(array.name) for array in chosen)
        raise Refused(f"given {names} for {name}, allowed one of them in a file")
    if not chosen:
        raise Refused(_missing_variable_text(name, quantity))
    return chosen[0]


def _missing_variable_text(name: str, quantity: Quantity) -> str:
    """Return that a file has no variable of a quantity, and which it might have."""
    allowed = f"standard_name {' or '.join(quantity.standard_names)}, or named {' or '.join(quantity.names)}"
    height = f" at {quantity.height:g} m" if quantity.height else ""
    methods = ", ".join(f"time: {method}" for method in quantity.methods if method)
    return (
        f"the file lacks {name}{height}{ALTERNATIVE_TEXT.get(name, '')}; allowed: a variable with {allowed}, "
        f"of time and member alone at one point, with no cell_methods or {methods}"
    )


def _candidate_variables(point: xr.Dataset, quantity: Quantity) -> list[xr.DataArray]:
    """Return the variables that may be a quantity; the maximum or the mean of a step is no instant."""
    candidates = []
    for array in point.data_vars.values():
        is_named = array.attrs.get("standard_name") in quantity.standard_names or array.name in quantity.names
        if not is_named or _time_method(array) not in quantity.methods:
            continue
        series = _at_height(point, array, quantity.height)
        if series is not None:
            candidates.append(series)
    return candidates


def _time_method(array: xr.DataArray) -> str | None:
    """Return the CF method by which the values represent their time, such as mean, None where there is none."""
    match = re.search(r"(?:time|step):\s*(\w+)", str(array.attrs.get("cell_methods", "")))
    return match[1] if match else None


def _at_height(point: xr.Dataset, array: xr.DataArray, height: float | None) -> xr.DataArray | None:
    """Return a variable at a height [m] with the dimensions time and member alone, None where it is not there."""
    for coord in array.coords.values():
        if height is None or not _is_vertical(coord):
            continue
        at = np.flatnonzero(np.isclose(coord.values, height))
        if coord.attrs.get("units") != "m" or at.size != 1:
            return None
        array = array.isel({dim: int(at[0]) for dim in coord.dims})
    other = [dim for dim in array.dims if not _is_time_or_member(point, str(dim))]
    if any(array.sizes[dim] != 1 for dim in other):
        return None
    return array.squeeze(other, drop=True)


def _is_vertical(coord: xr.DataArray) -> bool:
    """Return whether a coordinate is a height or a pressure level."""
    if coord.attrs.get("axis") == "Z":
        return True
    if coord.attrs.get("standard_name") in ("height", "altitude", "air_pressure"):
        return True
    return str(coord.name).startswith(("height", "isobaric", "plev", "level"))


def _is_time_or_member(point: xr.Dataset, dim: str) -> bool:
    """Return whether a dimension is that of the members or of time."""
    return _is_member_dim(point, dim) or bool(_time_coordinates(point, dim))


def _is_member_dim(point: xr.Dataset, dim: str) -> bool:
    """Return whether a dimension is that of the members."""
    if dim in MEMBER_DIMENSIONS:
        return True
    return dim in point.coords and point[dim].attrs.get("standard_name") == "realization"


def member_labels(point: xr.Dataset) -> list[str]:
    """Return the labels of the members."""
    dims = [str(dim) for dim in point.dims if _is_member_dim(point, str(dim))]
    if len(dims) > 1:
        raise Refused(f"given {' and '.join(dims)} as dimensions of members, allowed one")
    if not dims:
        return [SINGLE_MEMBER]
    return [str(label) for label in point[dims[0]].values]


def _time_coordinates(point: xr.Dataset, dim: str) -> list[xr.DataArray]:
    """Return the coordinates of valid time along a dimension; one with the standard name "time" comes first."""
    along = [point[name] for name, variable in point.variables.items() if variable.dims == (dim,)]
    timed = [coord for coord in along if " since " in str(coord.attrs.get("units"))]
    valid = [coord for coord in timed if coord.attrs.get("standard_name") != "forecast_reference_time"]
    return sorted(valid, key=lambda coord: coord.attrs.get("standard_name") != "time")


def _time_labels(point: xr.Dataset, array: xr.DataArray) -> xr.DataArray:
    """Return the time labels of a variable, under the name of their dimension."""
    for dim in array.dims:
        for label in _time_coordinates(point, str(dim)):
            return label.rename(dim)
    raise Refused(f"{array.name} has no times such as hours since 2026-06-01")


def _time_axis(point: xr.Dataset, label: xr.DataArray) -> TimeAxis:
    """Return the times and bounds of labels, up to where the steps grow too long."""
    times = decode_times(label, label.values)
    steps = np.diff(times) / NP_HOUR
    if times.size < 2 or (steps <= 0).any() or steps[0] > MAX_FILE_STEP:
        raise Refused(f"{label.name}: allowed two times or more in order, {MAX_FILE_STEP} h apart at most")
    bounds = point.get(str(label.attrs.get("bounds")))
    if bounds is None:
        axis = TimeAxis(times, None, times)
    else:
        pairs = decode_times(label, bounds.values)
        axis = TimeAxis(times, pairs[:, 0], pairs[:, 1])
    return axis.cut(slice(1 + int(np.argmax(np.append(steps, np.inf) > MAX_FILE_STEP))))


def _unit_of(array: xr.DataArray, allowed: Mapping[str, CfUnit]) -> CfUnit:
    """Return the conversion of a variable's unit, which may write powers as m2, m^2 or m**2."""
    given = str(array.attrs.get("units", "")).strip()
    unit = allowed.get(given.replace("**", "").replace("^", ""))
    if unit is None:
        raise Refused(f"{array.name}: given the unit {given!r}, allowed {', '.join(allowed)}")
    return unit


def _is_running_sum(array: xr.DataArray, name: str) -> bool:
    """Return whether a variable's name or attributes make it a sum since the start of the run."""
    words = f"{array.name} {' '.join(map(str, array.attrs.values()))}".lower()
    if "accum" in words or "integral_wrt_time" in words or str(array.name).endswith("_acc"):
        return True
    return _time_method(array) is None and (name == SUN or array.name in RUN_TOTAL_NAMES)

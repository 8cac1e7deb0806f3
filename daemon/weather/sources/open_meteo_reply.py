"""Parse the replies of a service with the Open-Meteo interface into the contract's names, units, labels and steps."""

import json
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.weather.contract import REQUIRED, Hours, Refused, build_dataset, to_datetime64

Array = NDArray[np.float64]
ValuesByMember = dict[str, dict[str, Array]]  # by the contract's name and by member, shape (time,)

MAX_CELL_DISTANCE: Final = 1.0  # [deg] a cell farther from the place than this is another place's
LABEL_PATTERN: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d")  # without a zone, as GMT was asked for
CONTROL_MEMBER: Final = "00"
THUNDER: Final = "thunderstorm_probability"
WMO_CODE_UNIT: Final = "wmo code"
# WMO 4677, remembered: 17, 95-99 thunder at the time; 29, 91-94 in the hour before. The service has 95, 96 and 99;
# the others cost nothing, and none of them can be anything but thunder.
THUNDER_CODES: Final = (17, 29, *range(91, 100))


class OpenMeteoField(NamedTuple):
    """A variable of the service: its name in the contract, the unit it must come in, and the factor to ours."""

    name: str
    unit: str
    factor: float = 1.0


FIELDS: Final[Mapping[str, OpenMeteoField]] = {
    "temperature_2m": OpenMeteoField("air_temperature", "°C"),
    "dew_point_2m": OpenMeteoField("dew_point_temperature", "°C"),
    "wind_speed_10m": OpenMeteoField("wind_speed", "m/s"),
    "shortwave_radiation": OpenMeteoField("surface_downwelling_shortwave_flux_in_air", "W/m²"),
    "precipitation": OpenMeteoField("precipitation_amount", "mm"),
    "cloud_cover": OpenMeteoField("cloud_area_fraction", "%", 0.01),
    "wind_gusts_10m": OpenMeteoField("wind_speed_of_gust", "m/s"),
    "precipitation_probability": OpenMeteoField("probability_of_precipitation", "%", 0.01),
    "weather_code": OpenMeteoField(THUNDER, WMO_CODE_UNIT),  # read by `_thunder_from_codes`
}
# The length of a model's own steps, as pairs of the lead time from which it holds and the length [h, h].
HOURLY_STEPS: Final = ((0, 1),)
NATIVE_STEPS: Final[Mapping[str, Sequence[tuple[int, int]]]] = {
    "best_match": ((0, 1), (90, 3), (144, 6)),  # remembered, of the coarsest that it may be made of
    "ecmwf_ifs025_ensemble": ((0, 3), (144, 6)),
    "ecmwf_ifs025": ((0, 3), (144, 6)),
    **dict.fromkeys(
        ("ecmwf_aifs025_ensemble", "ecmwf_aifs025", "ncep_aigefs025", "google_weathernext2_ensemble"), ((0, 6),)
    ),
    # Hourly, then coarser: from when on is remembered.
    **dict.fromkeys(
        ("icon_seamless_eps", "icon_seamless", "icon_global_eps", "icon_global"), ((0, 1), (48, 3), (72, 6), (120, 12))
    ),
    **dict.fromkeys(("icon_eu_eps", "icon_d2_eps", "ukmo_global_ensemble_20km"), HOURLY_STEPS),
}
DEFAULT_STEPS: Final = ((0, 3),)  # of any other model


def parse(
    reply: bytes,
    places: Sequence[Place],
    model: str,
    fields: Sequence[str],
    attributes: Mapping[str, object],
) -> xr.Dataset:
    """Parse a reply into the contract's form, including its nulls.

    Parameters
    ----------
    reply : bytes
        JSON: an object for one place, an array of them for several.
    places : sequence of Place
        Those asked for, in the order asked for.
    model : str
        The model asked for.
    fields : sequence of str
        The variables asked for, in the service's names.
    attributes : mapping
        For the Dataset, see `daemon.weather.contract.validate`.

    Raises
    ------
    Refused
        When the reply is no JSON, is an error, is for another place, or lacks a variable that is needed.

    Notes
    -----
    A variable has no member suffix for the control member and ``_memberNN`` for the others. The name of the
    model may follow it. An optional variable that the model does not have is left out. A series of another
    length than the time labels counts as empty, so that one bad member does not spoil the others.

    Thunder is derived from the weather code: 1 in hours with a code of thunder, unknown in all others, because the "no"
    of a single run is no all-clear. A code that cannot be read is unknown too.
    """
    answers = _answers(reply, len(places))
    for answer, place in zip(answers, places, strict=True):
        _check_cell(answer, place)
    time = _common_labels(answers)
    tables = [_values_by_member(answer, model, fields, len(time)) for answer in answers]
    members = _member_labels(tables)
    values = _stack_places(tables, members, len(time))
    missing = [name for name in REQUIRED if name not in values]
    if missing:
        raise Refused(f"the reply lacks {', '.join(missing)}; does model {model} have it?")
    steps = native_steps(model, time, datetime.fromisoformat(str(attributes["issued_at"])))
    origin = "native" if (steps == 1).all() else "interpolated"
    dataset = build_dataset(values, time, members, places, attributes, origin=origin, step=steps)
    if THUNDER in values:
        dataset[THUNDER].attrs["origin"] = "derived"
    return dataset


def _common_labels(answers: Sequence[Mapping[str, Any]]) -> Hours:
    """Return the time labels, which must be the same for all places."""
    first, *others = [_time_labels(answer) for answer in answers]
    for labels in others:
        if not np.array_equal(labels, first):
            raise Refused("the reply has other hours for one place than for another")
    return first


def _member_labels(tables: Sequence[ValuesByMember]) -> list[str]:
    """Return the labels of all members of any variable and place, in order."""
    members: set[str] = set()
    for table in tables:
        for series_by_member in table.values():
            members |= series_by_member.keys()
    return sorted(members)


def _stack_places(tables: Sequence[ValuesByMember], members: Sequence[str], hours: int) -> dict[str, Array]:
    """Return the variables that all places have, shape (place, member, time); a member that lacks one is NaN."""
    empty = np.full(hours, np.nan)
    values = {}
    for name in tables[0]:
        if all(name in table for table in tables):
            by_place = [[table[name].get(member, empty) for member in members] for table in tables]
            values[name] = np.stack(by_place)
    return values


def native_steps(model: str, time: Hours, issued: datetime) -> NDArray[np.int64]:
    """Return the length of the model's own step that each hour lies in [h], shape (time,).

    >>> labels = np.array(["2026-06-01T06", "2026-06-07T07"], dtype="datetime64[ns]")
    >>> native_steps("ecmwf_ifs025", labels, datetime.fromisoformat("2026-06-01T00:00Z"))
    array([3, 6])
    """
    lead = (time - to_datetime64(issued)) / np.timedelta64(1, "h")
    (_, first_step), *later_steps = NATIVE_STEPS.get(model, DEFAULT_STEPS)
    steps = np.full(time.shape, first_step, dtype=np.int64)
    for after, step in later_steps:
        steps[lead > after] = step
    return steps


def _answers(reply: bytes, count: int) -> list[dict[str, Any]]:
    """Return the reply's objects, one for each place."""
    try:
        content = json.loads(reply)
    except (ValueError, RecursionError):
        # An error in the middle of a reply is appended to what was already sent.
        tail = reply[-120:].decode("utf-8", "replace").strip()
        raise Refused(f"the reply is no whole JSON; it ends with {tail!r}") from None
    answers = content if isinstance(content, list) else [content]
    if not all(isinstance(answer, dict) for answer in answers):
        raise Refused("the reply holds something else than objects")
    if answers and answers[0].get("error"):
        raise Refused(f"the server says: {answers[0].get('reason', 'no reason')}")
    if len(answers) != count:
        raise Refused(f"the reply is for {len(answers)} places, asked for {count}")
    return answers


def _check_cell(answer: Mapping[str, Any], place: Place) -> None:
    """Refuse a reply in another zone or for somewhere else."""
    if answer.get("utc_offset_seconds") != 0:
        raise Refused(f"the reply is {answer.get('utc_offset_seconds')} s off UTC, asked for GMT")
    try:
        north = abs(float(answer["latitude"]) - place.latitude)
        east = abs((float(answer["longitude"]) - place.longitude + 180) % 360 - 180)
    except (KeyError, TypeError, ValueError, OverflowError):
        raise Refused("the reply does not say for which place it is") from None
    if not max(north, east) <= MAX_CELL_DISTANCE:
        raise Refused(
            f"the reply is for {answer['latitude']}, {answer['longitude']}, "
            f"asked for {place.latitude}, {place.longitude}"
        )


def _time_labels(answer: Mapping[str, Any]) -> Hours:
    """Parse the time labels, which have no zone because they are in the one asked for."""
    try:
        if answer["hourly_units"]["time"] != "iso8601":
            raise Refused(f"the times are in {answer['hourly_units']['time']}, asked for iso8601")
        labels = answer["hourly"]["time"]
        if not all(LABEL_PATTERN.fullmatch(label) for label in labels):
            raise ValueError
        return np.array(labels, dtype="datetime64[ns]").reshape(-1)
    except (KeyError, TypeError, ValueError, OverflowError):
        raise Refused("the reply has no hours that can be read") from None


def _values_by_member(answer: Mapping[str, Any], model: str, fields: Sequence[str], hours: int) -> ValuesByMember:
    """Return the values of one place by the contract's name and by member."""
    pattern = re.compile(rf"({'|'.join(fields)})(?:_member(\d{{2,}}))?(?:_{re.escape(model)})?")
    table: ValuesByMember = {}
    for key, values in answer["hourly"].items():
        match = pattern.fullmatch(key)
        unit = answer["hourly_units"].get(key)
        if match is None or unit == "undefined":
            continue
        field, member = FIELDS[match[1]], match[2] or CONTROL_MEMBER
        table.setdefault(field.name, {})[member] = _in_contract_unit(field, key, unit, values, hours)
    return table


def _in_contract_unit(field: OpenMeteoField, key: str, unit: object, values: object, hours: int) -> Array:
    """Convert one series to the contract's unit; codes in another unit are unknown and no reason to refuse."""
    if field.unit == WMO_CODE_UNIT:
        return _thunder_from_codes(values if unit == WMO_CODE_UNIT else None, hours)
    if unit != field.unit:
        raise Refused(f"{key} is in {unit}, asked for {field.unit}")
    return _parse_series(key, values, hours) * field.factor


def _thunder_from_codes(codes: object, hours: int) -> Array:
    """Return 1 where a code is one of thunder, else NaN: unknown.

    The service calls a code an instant but, as remembered, derives it from the rain of the hour before. So it stays at
    its label, whose hour in the contract is the one that ends there.
    """
    hourly_codes = codes if isinstance(codes, list) and len(codes) == hours else [None] * hours
    return np.where([code in THUNDER_CODES for code in hourly_codes], 1.0, np.nan)


def _parse_series(key: str, values: object, hours: int) -> Array:
    """Parse one series, a null as NaN; one of another length counts as empty."""
    try:
        series = np.array(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise Refused(f"{key} holds something else than numbers") from None
    return series if series.shape == (hours,) else np.full(hours, np.nan)

"""What a service with the Open-Meteo interface replies, in the form of the contract: names, units, labels, steps."""

import json
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.weather.contract import (
    REQUIRED,
    Hours,
    Refused,
    build_dataset,
    to_datetime64,
)

MAX_CELL_DISTANCE: Final = 1.0  # [deg] a cell farther from the place than this is another place's
LABEL_PATTERN: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d")  # with a zone behind it, it is not what was asked for
CONTROL_MEMBER: Final = "00"
THUNDER: Final = "thunderstorm_probability"
WMO_CODE_UNIT: Final = "wmo code"
# WMO 4677, remembered: 17, 95-99 thunder at the time; 29, 91-94 in the hour before. The service has 95, 96 and 99;
# the others cost nothing, and none of them can be anything but thunder.
THUNDER_CODES: Final = (17, 29, *range(91, 100))


class OpenMeteoField(NamedTuple):
    """What one of the service's variables is in the contract: name, unit it must come in, factor to ours."""

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
# The hours between a model's own steps, from each number of hours after the beginning of its run on [h, h].
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
DEFAULT_STEPS: Final = ((0, 3),)  # of a model that is not here


def parse(
    reply: bytes,
    places: Sequence[Place],
    model: str,
    fields: Sequence[str],
    attributes: Mapping[str, object],
) -> xr.Dataset:
    """Return a reply in the contract's form, nulls and all.

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
    length than the time labels counts as empty, so that one bad member does not take the others with it.

    Thunder is derived from the weather code: 1 in hours with a code of thunder, not known in all others,
    because the "no" of a single run is no all-clear. A code that cannot be read is not known either.
    """
    answers = _answers(reply, len(places))
    for answer, place in zip(answers, places, strict=True):
        _check_cell(answer, place)
    times = [_time_labels(answer) for answer in answers]
    if any(not np.array_equal(time, times[0]) for time in times):
        raise Refused("the reply has other hours for one place than for another")
    tables = [_values_by_member(answer, model, fields, len(times[0])) for answer in answers]
    members = sorted({member for table in tables for series in table.values() for member in series})
    empty = np.full(len(times[0]), np.nan)
    values = {
        name: np.stack([[table[name].get(member, empty) for member in members] for table in tables])
        for name in tables[0]
        if all(name in table for table in tables)
    }
    missing = [name for name in REQUIRED if name not in values]
    if missing:
        raise Refused(f"the reply lacks {', '.join(missing)}; does model {model} have it?")
    steps = native_steps(model, times[0], datetime.fromisoformat(str(attributes["issued_at"])))
    origin = "native" if (steps == 1).all() else "interpolated"
    found = build_dataset(values, times[0], members, places, attributes, origin=origin, step=steps)
    derived = {name: found[name].assign_attrs(origin="derived") for name in values if name == THUNDER}
    return found.assign(derived)


def native_steps(model: str, time: Hours, issued: datetime) -> NDArray[np.int64]:
    """Return the step of a model's own that each hour lies in [h], shape (time,).

    >>> labels = np.array(["2026-06-01T06", "2026-06-07T07"], dtype="datetime64[ns]")
    >>> native_steps("ecmwf_ifs025", labels, datetime.fromisoformat("2026-06-01T00:00Z"))
    array([3, 6])
    """
    lead = (time - to_datetime64(issued)) / np.timedelta64(1, "h")
    found = np.empty(time.shape, dtype=np.int64)
    for number, (after, step) in enumerate(NATIVE_STEPS.get(model, DEFAULT_STEPS)):
        found[lead > after if number else slice(None)] = step
    return found


def _answers(reply: bytes, count: int) -> list[dict[str, Any]]:
    """Return the reply's objects, one for each place."""
    try:
        content = json.loads(reply)
    except (ValueError, RecursionError):
        # An error in the middle of a reply is written behind what was already sent.
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
    """Return the time labels, which carry no zone and are in the one asked for."""
    try:
        if answer["hourly_units"]["time"] != "iso8601":
            raise Refused(f"the times are in {answer['hourly_units']['time']}, asked for iso8601")
        told = answer["hourly"]["time"]
        if not all(LABEL_PATTERN.fullmatch(label) for label in told):
            raise ValueError
        return np.array(told, dtype="datetime64[ns]").reshape(-1)
    except (KeyError, TypeError, ValueError, OverflowError):
        raise Refused("the reply has no hours that can be read") from None


def _values_by_member(
    answer: Mapping[str, Any], model: str, fields: Sequence[str], hours: int
) -> dict[str, dict[str, NDArray[np.float64]]]:
    """Return the values of one place by the contract's name and by member."""
    named = re.compile(rf"({'|'.join(fields)})(?:_member(\d{{2,}}))?(?:_{re.escape(model)})?")
    table: dict[str, dict[str, NDArray[np.float64]]] = {}
    for key, values in answer["hourly"].items():
        match = named.fullmatch(key)
        unit = answer["hourly_units"].get(key)
        if match is None or unit == "undefined":
            continue
        field = FIELDS[match[1]]
        table.setdefault(field.name, {})[match[2] or CONTROL_MEMBER] = _in_contract_unit(
            field, key, unit, values, hours
        )
    return table


def _in_contract_unit(field: OpenMeteoField, key: str, unit: object, values: object, hours: int) -> NDArray[np.float64]:
    """Return one series in the contract's unit; a code in another unit is unknown, for none is worth a refusal."""
    if field.unit == WMO_CODE_UNIT:
        return _thunder_from_codes(values if unit == WMO_CODE_UNIT else None, hours)
    if unit != field.unit:
        raise Refused(f"{key} is in {unit}, asked for {field.unit}")
    return _parse_series(key, values, hours) * field.factor


def _thunder_from_codes(codes: object, hours: int) -> NDArray[np.float64]:
    """Return 1 where a code is one of thunder, else NaN: not known.

    The code of a label is, as remembered, called an instant by the service but made from the rain of the hour
    before. So it stays at its label, whose hour in the contract is the one that ends there.
    """
    told = codes if isinstance(codes, list) and len(codes) == hours else [None] * hours
    return np.where([code in THUNDER_CODES for code in told], 1.0, np.nan)


def _parse_series(key: str, values: object, hours: int) -> NDArray[np.float64]:
    """Return one series, a null as NaN; one of another length is empty."""
    try:
        series = np.array(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise Refused(f"{key} holds something else than numbers") from None
    return series if series.shape == (hours,) else np.full(hours, np.nan)

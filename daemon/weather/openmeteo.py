"""Weather from a service with the Open-Meteo interface: forecast, ensemble and past hours.

Everything is asked for in GMT and in explicit units, and the units of the reply are compared with those
asked for: a reply's own offset is that of today for every hour of it, and its default wind is in km/h. Sums
and means are of the hour before the label, as the contract has them.

References
----------
Open-Meteo, API documentation and server source, https://github.com/open-meteo/open-meteo
"""

import json
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final, NamedTuple

import numpy as np
import requests
import xarray as xr
from numpy.typing import NDArray

from daemon.farm import Place, WeatherSource
from daemon.settings.secrets import is_reference
from daemon.weather.contract import (
    REQUIRED,
    STEP,
    Hours,
    Refused,
    Weather,
    assembled,
    at_utc,
    checked,
    drop_bad_members,
    iso,
    settled,
    start_of_ahead,
    trimmed,
    without_gap,
)
from daemon.weather.plausible import long_enough
from daemon.weather.transport import get, open_session, shown
from daemon.weather.weights import MEMBERS, MOST_MEMBERS, Count, call_weight, unlimited

NAME: Final = "open-meteo"
KEPT_DAYS: Final = 92  # past days that the forecast service keeps
AHEAD_DAYS: Final = 10
ENSEMBLE_PAST_DAYS: Final = 2
FARTHEST_CELL: Final = 1.0  # [deg] a cell farther from the place than this is another place's
CLOCKS_APART: Final = (timedelta(minutes=-15), timedelta(minutes=15))  # of farm and server, estimate
LABEL: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d")  # with a zone behind it, it is not what was asked for
CONTROL: Final = "00"
LONE: Final = "forecast"

THUNDER: Final = "thunderstorm_probability"
WMO_CODE: Final = "wmo code"
# WMO 4677, remembered: 17, 95-99 thunder at the time; 29, 91-94 in the hour before. The service has 95, 96 and 99;
# the others cost nothing, and none of them can be anything but thunder.
THUNDER_CODES: Final = (17, 29, *range(91, 100))


class Series(NamedTuple):
    """What one of the service's variables is in the contract: name, unit it must come in, factor to ours."""

    name: str
    unit: str
    factor: float = 1.0


FIELDS: Final[Mapping[str, Series]] = {
    "temperature_2m": Series("air_temperature", "°C"),
    "dew_point_2m": Series("dew_point_temperature", "°C"),
    "wind_speed_10m": Series("wind_speed", "m/s"),
    "shortwave_radiation": Series("surface_downwelling_shortwave_flux_in_air", "W/m²"),
    "precipitation": Series("precipitation_amount", "mm"),
    "cloud_cover": Series("cloud_area_fraction", "%", 0.01),
    "wind_gusts_10m": Series("wind_speed_of_gust", "m/s"),
    "precipitation_probability": Series("probability_of_precipitation", "%", 0.01),
    "weather_code": Series(THUNDER, WMO_CODE),  # read by `_thunder`
}
FORECAST_FIELDS: Final = tuple(FIELDS)
ENSEMBLE_FIELDS: Final = FORECAST_FIELDS[:6]  # each costs as much as three calls with 31 members

# The hours between a model's own steps, from each number of hours after the beginning of its run on [h, h].
HOURLY: Final = ((0, 1),)
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
    **dict.fromkeys(("icon_eu_eps", "icon_d2_eps", "ukmo_global_ensemble_20km"), HOURLY),
}
UNKNOWN_STEPS: Final = ((0, 3),)  # of a model that is not here


def fetch(
    source: WeatherSource,
    places: Sequence[Place],
    since: date,
    now: datetime,
    session: requests.Session | None = None,
    count: Count = unlimited,
) -> Weather:
    """Return the past hours since a date and the hours ahead, for one place or several.

    Parameters
    ----------
    source : WeatherSource
        Addresses without the path of the call, models, key and contact.
    places : sequence of Place
        The Datasets have a dimension `place` when there is more than one.
    since : date
        First day wanted. The past starts at 00 UTC of the day before, so that this day is whole in every
        zone.
    now : datetime
        The moment of the pass.
    session : requests.Session, optional
        One made by `open_session`.
    count : callable
        Told of each request before it goes out: to which address and as how many calls it counts. It may refuse.

    Raises
    ------
    Refused
        When the past or everything ahead cannot be had, with all the reasons.

    Notes
    -----
    The past hours are the first hours of each forecast run put together, not observations. The single
    forecast joins the ensemble as one more member. Without the ensemble it stands alone, and
    ``ahead.attrs["note"]`` says so.
    """
    first = utc_midnight(since - timedelta(days=1))
    with nullcontext(session) if session else open_session(source.contact) as http:
        calls = _Calls(source, places, now, http, count)
        reasons: list[str] = []
        lone = _tried(lambda: calls.forecast(first), "forecast", reasons)
        members = _tried(calls.ensemble, "ensemble", reasons)
        if lone is None:
            raise Refused("; ".join(reasons))
        past = calls.with_history(lone, first)
    start = slice(at_utc(start_of_ahead(now)), None)
    lone = lone.sel(time=start)
    if members is None:
        ahead = lone.assign_attrs(note=f"one forecast only, because the {'; '.join(reasons)}")
    else:
        ahead = _joined(members.sel(time=start), lone)
    return settled(past.assign_attrs(kind="record"), ahead, first, now)


def past(
    source: WeatherSource,
    place: Place,
    since: date,
    now: datetime,
    session: requests.Session,
    count: Count = unlimited,
) -> xr.Dataset:
    """Return the past hours since a date, for sources that tell none.

    Parameters
    ----------
    source, since, now, session, count
        As for `fetch`.
    place : Place

    Raises
    ------
    Refused
        When they cannot be had.
    """
    first = utc_midnight(since - timedelta(days=1))
    calls = _Calls(source, [place], now, session, count)
    told = calls.with_history(calls.forecast(first), first)
    last = now.replace(minute=0, second=0, microsecond=0)
    return checked(without_gap(told.assign_attrs(kind="record"), first, last))


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
        For the Dataset, see `daemon.weather.contract.checked`.

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
    times = [_labels(answer) for answer in answers]
    if any(not np.array_equal(time, times[0]) for time in times):
        raise Refused("the reply has other hours for one place than for another")
    tables = [_table(answer, model, fields, len(times[0])) for answer in answers]
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
    found = assembled(values, times[0], members, places, attributes, origin=origin, step=steps)
    derived = {name: found[name].assign_attrs(origin="derived") for name in values if name == THUNDER}
    return found.assign(derived)


@dataclass(frozen=True)
class _Calls:
    """The calls of one pass: where, for which places and when."""

    source: WeatherSource
    places: Sequence[Place]
    now: datetime
    session: requests.Session
    count: Count = unlimited

    @property
    def today(self) -> date:
        """The day in UTC, which is the service's."""
        return self.now.astimezone(UTC).date()

    def forecast(self, first: datetime) -> xr.Dataset:
        """Return the single forecast with the past days that the service keeps.

        One day more than is wanted, because the first hour of a sum can be null.
        """
        past = min((self.today - first.date()).days + 1, KEPT_DAYS)
        window = {"past_days": str(past), "forecast_days": str(AHEAD_DAYS)}
        return self._asked(self.source.forecast_address, "forecast", window)

    def ensemble(self) -> xr.Dataset:
        """Return the usable members, up to where they end."""
        window = {"past_days": str(ENSEMBLE_PAST_DAYS), "forecast_days": str(AHEAD_DAYS)}
        found = self._asked(self.source.ensemble_address, "ensemble", window)
        start = slice(at_utc(start_of_ahead(self.now)), None)
        members, dropped = drop_bad_members(trimmed(found.sel(time=start)))
        long_enough(members, self.now)
        return members.assign_attrs(members_dropped=dropped)

    def with_history(self, lone: xr.Dataset, first: datetime) -> xr.Dataset:
        """Return the single forecast with what lies before the days that its service keeps."""
        # From the second day kept on, because the first hour of a sum can be null.
        border = utc_midnight(self.today - timedelta(days=KEPT_DAYS - 1))
        if first >= border:
            return lone
        start, end = first.date() - timedelta(days=1), border.date() - timedelta(days=1)
        window = {"start_date": start.isoformat(), "end_date": end.isoformat()}
        older = self._asked(self.source.history_address, "forecast", window)
        halves = [
            older.sel(time=older["time"] < at_utc(border)),
            lone.sel(time=lone["time"] >= at_utc(border)),
        ]
        shared = [name for name in lone.data_vars if name in older.data_vars]
        joined = xr.concat([half[shared] for half in halves], "time", join="exact", combine_attrs="override")
        return joined.assign_attrs(lone.attrs)

    def _asked(self, address: str, call: str, window: Mapping[str, str]) -> xr.Dataset:
        """Ask for the call's one model and return the reply in the contract's form."""
        single = call == "forecast"
        model = self.source.forecast_model if single else self.source.ensemble_model
        fields = FORECAST_FIELDS if single else ENSEMBLE_FIELDS
        url = f"{address.rstrip('/')}/v1/{call}"
        series = 1 if single else MEMBERS.get(model, MOST_MEMBERS)
        self.count(address, call_weight(len(fields), _days(window), series, len(self.places)))
        reply = get(self.session, url, self._query(model, fields, window))
        issued = self._issued(address, model)
        try:
            found = parse(reply, self.places, model, fields, self._attributes(model, issued))
            self._refuse_other_days(found, window)
        except Refused as reason:
            raise Refused(f"{shown(url)}: {reason}") from None
        return found

    def _refuse_other_days(self, found: xr.Dataset, window: Mapping[str, str]) -> None:
        """Refuse hours that begin on another day than was asked for: those of an old run, or whole days off."""
        begins = found["time"].values[0]
        # Near midnight the server may be in another day than we are.
        allowed = [_begin(window, (self.now + off).astimezone(UTC).date()) for off in (timedelta(0), *CLOCKS_APART)]
        if begins not in [at_utc(begin) for begin in allowed]:
            raise Refused(f"its hours begin at {iso(begins)}, asked for from {iso(at_utc(allowed[0]))}")

    def _query(self, model: str, fields: Iterable[str], window: Mapping[str, str]) -> dict[str, str]:
        """Return the query, every unit and the zone in it."""
        query = {
            "latitude": ",".join(f"{place.latitude:.4f}" for place in self.places),
            "longitude": ",".join(f"{place.longitude:.4f}" for place in self.places),
            "elevation": ",".join(f"{place.elevation:.0f}" for place in self.places),
            "hourly": ",".join(fields),
            "models": model,
            "timezone": "GMT",
            "timeformat": "iso8601",
            "temperature_unit": "celsius",
            "wind_speed_unit": "ms",
            "precipitation_unit": "mm",
            **window,
        }
        if is_reference(self.source.api_key):
            raise Refused(f"its key, {self.source.api_key}, is at hand only in the service")
        return {**query, "apikey": self.source.api_key} if self.source.api_key else query

    def _attributes(self, model: str, issued: datetime | None) -> dict[str, object]:
        """Return the attributes; where the run's time cannot be had, the time of fetching stands for it."""
        fetched = self.now.astimezone(UTC)
        return {
            "source": NAME,
            "model": model,
            "issued_at": (issued or fetched).isoformat(timespec="seconds"),
            "issued_at_origin": "run" if issued else "fetched",
            "fetched_at": fetched.isoformat(timespec="seconds"),
            "credit": f"Weather data by Open-Meteo.com (CC BY 4.0), model {model}, changed: units and layout",
            "kind": "forecast",
        }

    def _issued(self, address: str, model: str) -> datetime | None:
        """Return when the newest run of a model started, if the server says so."""
        try:
            reply = get(self.session, f"{address.rstrip('/')}/data/{model}/static/meta.json", {})
            return datetime.fromtimestamp(json.loads(reply)["last_run_initialisation_time"], tz=UTC)
        except (Refused, ValueError, KeyError, TypeError, OverflowError, OSError):
            return None


def native_steps(model: str, time: Hours, issued: datetime) -> NDArray[np.int64]:
    """Return the step of a model's own that each hour lies in [h], shape (time,).

    >>> labels = np.array(["2026-06-01T06", "2026-06-07T07"], dtype="datetime64[ns]")
    >>> native_steps("ecmwf_ifs025", labels, datetime(2026, 6, 1, tzinfo=UTC))
    array([3, 6])
    """
    lead = (time - at_utc(issued)) / np.timedelta64(1, "h")
    found = np.empty(time.shape, dtype=np.int64)
    for number, (after, step) in enumerate(NATIVE_STEPS.get(model, UNKNOWN_STEPS)):
        found[lead > after if number else slice(None)] = step
    return found


def _begin(window: Mapping[str, str], today: date) -> datetime:
    """Return the first hour that is asked for."""
    if "start_date" in window:
        return utc_midnight(date.fromisoformat(window["start_date"]))
    return utc_midnight(today - timedelta(days=int(window["past_days"])))


def _days(window: Mapping[str, str]) -> int:
    """Return how many days a request is for."""
    if "start_date" in window:
        return (date.fromisoformat(window["end_date"]) - date.fromisoformat(window["start_date"])).days + 1
    return int(window["past_days"]) + int(window["forecast_days"])


def utc_midnight(day: date) -> datetime:
    """Return the start of a day in UTC."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _tried(call: Callable[[], xr.Dataset], name: str, reasons: list[str]) -> xr.Dataset | None:
    """Return what a call gives, or None with its reason added to `reasons`."""
    try:
        return call()
    except Refused as reason:
        reasons.append(f"{name} was refused: {reason}")
        return None


def _joined(members: xr.Dataset, lone: xr.Dataset) -> xr.Dataset:
    """Return the ensemble with the single forecast as its last member.

    The ensemble gives the hours: a forecast that ends before it has nulls there and is dropped as a bad
    member. What only one of them has stays unknown in the other.
    """
    extra = lone.reindex(time=members["time"]).assign_coords(member=[LONE], native_step=members[STEP])
    names = list(dict.fromkeys([*members.data_vars, *extra.data_vars]))
    halves = [_with_unknown(half, other)[names] for half, other in ((members, extra), (extra, members))]
    return xr.concat(halves, "member", join="exact", combine_attrs="override")


def _with_unknown(half: xr.Dataset, other: xr.Dataset) -> xr.Dataset:
    """Return a half of the forecast with what only the other has, as not known."""
    blank = xr.full_like(half["air_temperature"], np.nan)
    return half.assign({name: blank.assign_attrs(other[name].attrs) for name in other.data_vars if name not in half})


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
    if not max(north, east) <= FARTHEST_CELL:
        raise Refused(
            f"the reply is for {answer['latitude']}, {answer['longitude']}, "
            f"asked for {place.latitude}, {place.longitude}"
        )


def _labels(answer: Mapping[str, Any]) -> Hours:
    """Return the time labels, which carry no zone and are in the one asked for."""
    try:
        if answer["hourly_units"]["time"] != "iso8601":
            raise Refused(f"the times are in {answer['hourly_units']['time']}, asked for iso8601")
        told = answer["hourly"]["time"]
        if not all(LABEL.fullmatch(label) for label in told):
            raise ValueError
        return np.array(told, dtype="datetime64[ns]").reshape(-1)
    except (KeyError, TypeError, ValueError, OverflowError):
        raise Refused("the reply has no hours that can be read") from None


def _table(
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
        table.setdefault(field.name, {})[match[2] or CONTROL] = _in_our_unit(field, key, unit, values, hours)
    return table


def _in_our_unit(field: Series, key: str, unit: object, values: object, hours: int) -> NDArray[np.float64]:
    """Return one series in the contract's unit; a code in another unit is unknown, for none is worth a refusal."""
    if field.unit == WMO_CODE:
        return _thunder(values if unit == WMO_CODE else None, hours)
    if unit != field.unit:
        raise Refused(f"{key} is in {unit}, asked for {field.unit}")
    return _series(key, values, hours) * field.factor


def _thunder(codes: object, hours: int) -> NDArray[np.float64]:
    """Return 1 where a code is one of thunder, else NaN: not known.

    The code of a label is, as remembered, called an instant by the service but made from the rain of the hour
    before. So it stays at its label, whose hour in the contract is the one that ends there.
    """
    told = codes if isinstance(codes, list) and len(codes) == hours else [None] * hours
    return np.where([code in THUNDER_CODES for code in told], 1.0, np.nan)


def _series(key: str, values: object, hours: int) -> NDArray[np.float64]:
    """Return one series, a null as NaN; one of another length is empty."""
    try:
        series = np.array(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise Refused(f"{key} holds something else than numbers") from None
    return series if series.shape == (hours,) else np.full(hours, np.nan)

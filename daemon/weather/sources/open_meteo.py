"""Weather from a service with the Open-Meteo interface: forecast, ensemble and past hours.

Everything is requested in GMT and in explicit units, and the units of the reply are compared with those requested: in
another zone a reply has today's offset for every hour of it, and its default wind is in km/h. Sums and means are of the
hour before the label, as in the contract.

References
----------
Open-Meteo, API documentation and server source, https://github.com/open-meteo/open-meteo
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final

import numpy as np
import requests
import xarray as xr

from daemon.domain.farm import Place, WeatherSource
from daemon.domain.refusal import Refusal
from daemon.system.secrets import is_reference
from daemon.weather.clean import clean, drop_bad_members, select_complete, start_of_ahead, trim_to_horizon
from daemon.weather.contract import NATIVE_STEP, Refused, Weather, iso_text, to_datetime64, validate
from daemon.weather.http.client import get, open_session, redacted_url
from daemon.weather.http.quota import MAX_MEMBERS, MEMBER_COUNTS, CallCounter, call_weight, count_nothing
from daemon.weather.plausibility import refuse_too_short
from daemon.weather.sources.open_meteo_reply import FIELDS, parse

SOURCE: Final = "open-meteo"
MAX_PAST_DAYS: Final = 92  # days of the past that the forecast service has
FORECAST_DAYS: Final = 10
ENSEMBLE_PAST_DAYS: Final = 2
CLOCK_SKEWS: Final = (timedelta(minutes=-15), timedelta(minutes=15))  # of farm and server, estimate
SINGLE_MEMBER: Final = "forecast"

FORECAST_FIELDS: Final = tuple(FIELDS)
ENSEMBLE_FIELDS: Final = FORECAST_FIELDS[:6]  # each costs as much as three calls with 31 members


def fetch(
    source: WeatherSource,
    places: Sequence[Place],
    since: date,
    now: datetime,
    session: requests.Session | None = None,
    count: CallCounter = count_nothing,
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
        Called before each request with its address and the number of calls it costs. It may refuse.

    Raises
    ------
    Refused
        When the past or everything ahead is unavailable, with all the reasons.

    Notes
    -----
    The past hours are the first hours of each forecast run put together, not observations. The single forecast joins
    the ensemble as one more member. Without the ensemble it is used alone, and ``ahead.attrs["note"]`` says so.
    """
    first = utc_midnight(since - timedelta(days=1))
    with nullcontext(session) if session else open_session(source.contact) as http:
        calls = _Requests(source, places, now, http, count)
        reasons: list[Refusal] = []
        single = _try_call(lambda: calls.fetch_forecast(first), "forecast", reasons)
        members = _try_call(calls.fetch_ensemble, "ensemble", reasons)
        if single is None:
            raise Refused(*reasons)
        past = calls.prepend_history(single, first)
    start = slice(to_datetime64(start_of_ahead(now)), None)
    single = single.sel(time=start)
    if members is None:
        ahead = single.assign_attrs(note=f"one forecast only, because the {Refused(*reasons)}")
    else:
        ahead = _join_members(members.sel(time=start), single)
    return clean(past.assign_attrs(kind="record"), ahead, first, now)


def fetch_past(
    source: WeatherSource,
    place: Place,
    since: date,
    now: datetime,
    session: requests.Session,
    count: CallCounter = count_nothing,
) -> xr.Dataset:
    """Return the past hours since a date, for sources that have none.

    Parameters
    ----------
    source, since, now, session, count
        As for `fetch`.
    place : Place

    Raises
    ------
    Refused
        When they are unavailable.
    """
    first = utc_midnight(since - timedelta(days=1))
    calls = _Requests(source, [place], now, session, count)
    forecast = calls.prepend_history(calls.fetch_forecast(first), first)
    last = now.replace(minute=0, second=0, microsecond=0)
    return validate(select_complete(forecast.assign_attrs(kind="record"), first, last))


@dataclass(frozen=True)
class _Requests:
    """The requests of one pass: to which source, for which places and when."""

    source: WeatherSource
    places: Sequence[Place]
    now: datetime
    session: requests.Session
    count: CallCounter = count_nothing

    @property
    def today(self) -> date:
        """The day in UTC, which is the service's."""
        return self.now.astimezone(UTC).date()

    def fetch_forecast(self, first: datetime) -> xr.Dataset:
        """Fetch the single forecast with the past days that the service has.

        It starts a day early, because the first hour of a sum can be null.
        """
        past = min((self.today - first.date()).days + 1, MAX_PAST_DAYS)
        window = {"past_days": str(past), "forecast_days": str(FORECAST_DAYS)}
        return self._fetch_call(self.source.forecast_address, "forecast", window)

    def fetch_ensemble(self) -> xr.Dataset:
        """Fetch the usable members of the ensemble, up to their horizon."""
        window = {"past_days": str(ENSEMBLE_PAST_DAYS), "forecast_days": str(FORECAST_DAYS)}
        ensemble = self._fetch_call(self.source.ensemble_address, "ensemble", window)
        start = slice(to_datetime64(start_of_ahead(self.now)), None)
        members, dropped = drop_bad_members(trim_to_horizon(ensemble.sel(time=start)))
        refuse_too_short(members, self.now)
        return members.assign_attrs(members_dropped=dropped)

    def prepend_history(self, single: xr.Dataset, first: datetime) -> xr.Dataset:
        """Prepend the days that the forecast service no longer has, from the service of past forecasts."""
        # From the second day of the forecast on, because the first hour of a sum can be null.
        border = utc_midnight(self.today - timedelta(days=MAX_PAST_DAYS - 1))
        if first >= border:
            return single
        start, end = first.date() - timedelta(days=1), border.date() - timedelta(days=1)
        window = {"start_date": start.isoformat(), "end_date": end.isoformat()}
        older = self._fetch_call(self.source.history_address, "forecast", window)
        halves = [
            older.sel(time=older["time"] < to_datetime64(border)),
            single.sel(time=single["time"] >= to_datetime64(border)),
        ]
        shared = [name for name in single.data_vars if name in older.data_vars]
        joined = xr.concat([half[shared] for half in halves], "time", join="exact", combine_attrs="override")
        return joined.assign_attrs(single.attrs)

    def _fetch_call(self, address: str, call: str, window: Mapping[str, str]) -> xr.Dataset:
        """Fetch one model and return the reply in the contract's form."""
        is_forecast = call == "forecast"
        model = self.source.forecast_model if is_forecast else self.source.ensemble_model
        fields = FORECAST_FIELDS if is_forecast else ENSEMBLE_FIELDS
        url = f"{address.rstrip('/')}/v1/{call}"
        series = 1 if is_forecast else MEMBER_COUNTS.get(model, MAX_MEMBERS)
        self.count(address, call_weight(len(fields), _day_count(window), series, len(self.places)))
        reply = get(self.session, url, self._query(model, fields, window))
        issued = self._run_start(address, model)
        try:
            dataset = parse(reply, self.places, model, fields, self._attributes(model, issued))
            self._refuse_other_days(dataset, window)
        except Refused as reason:
            raise reason.with_prefix(f"{redacted_url(url)}: ") from None
        return dataset

    def _refuse_other_days(self, dataset: xr.Dataset, window: Mapping[str, str]) -> None:
        """Refuse hours that begin on another day than requested: those of an old run, or whole days off."""
        begins = dataset["time"].values[0]
        allowed = []
        # Near midnight the server may be in another day than we are.
        for skew in (timedelta(0), *CLOCK_SKEWS):
            today = (self.now + skew).astimezone(UTC).date()
            allowed.append(to_datetime64(_first_hour(window, today)))
        if begins not in allowed:
            raise Refused(f"its hours begin at {iso_text(begins)}, asked for from {iso_text(allowed[0])}")

    def _query(self, model: str, fields: Iterable[str], window: Mapping[str, str]) -> dict[str, str]:
        """Return the query, with the zone and every unit stated."""
        if is_reference(self.source.api_key):
            raise Refused(f"its key, {self.source.api_key}, is at hand only in the service")
        key = {"apikey": self.source.api_key} if self.source.api_key else {}
        return {
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
            **key,
        }

    def _attributes(self, model: str, issued: datetime | None) -> dict[str, object]:
        """Return the attributes; where the run's time is unknown, the time of fetching stands for it."""
        fetched = self.now.astimezone(UTC)
        return {
            "source": SOURCE,
            "model": model,
            "issued_at": (issued or fetched).isoformat(timespec="seconds"),
            "issued_at_origin": "run" if issued else "fetched",
            "fetched_at": fetched.isoformat(timespec="seconds"),
            "credit": f"Weather data by Open-Meteo.com (CC BY 4.0), model {model}, changed: units and layout",
            "kind": "forecast",
        }

    def _run_start(self, address: str, model: str) -> datetime | None:
        """Return when the newest run of a model started, None where the server does not say."""
        try:
            reply = get(self.session, f"{address.rstrip('/')}/data/{model}/static/meta.json", {})
            return datetime.fromtimestamp(json.loads(reply)["last_run_initialisation_time"], tz=UTC)
        except (Refused, ValueError, KeyError, TypeError, OverflowError, OSError):
            return None


def _first_hour(window: Mapping[str, str], today: date) -> datetime:
    """Return the first hour of a requested window."""
    if "start_date" in window:
        return utc_midnight(date.fromisoformat(window["start_date"]))
    return utc_midnight(today - timedelta(days=int(window["past_days"])))


def _day_count(window: Mapping[str, str]) -> int:
    """Return the number of days of a requested window."""
    if "start_date" in window:
        return (date.fromisoformat(window["end_date"]) - date.fromisoformat(window["start_date"])).days + 1
    return int(window["past_days"]) + int(window["forecast_days"])


def utc_midnight(day: date) -> datetime:
    """Return the start of a day in UTC."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _try_call(call: Callable[[], xr.Dataset], name: str, reasons: list[Refusal]) -> xr.Dataset | None:
    """Make a call; if it is refused, return None and add the reason to `reasons`."""
    try:
        return call()
    except Refused as reason:
        reasons.extend(reason.with_prefix(f"{name} was refused: ").refusals)
        return None


def _join_members(members: xr.Dataset, single: xr.Dataset) -> xr.Dataset:
    """Add the single forecast to the ensemble as its last member.

    The ensemble sets the hours: a single forecast that ends earlier has nulls there and is dropped as a bad member. A
    variable that only one of the two has is unknown in the other.
    """
    extra = single.reindex(time=members["time"]).assign_coords(member=[SINGLE_MEMBER], native_step=members[NATIVE_STEP])
    names = list(dict.fromkeys([*members.data_vars, *extra.data_vars]))
    halves = [_with_missing_variables(members, extra)[names], _with_missing_variables(extra, members)[names]]
    return xr.concat(halves, "member", join="exact", combine_attrs="override")


def _with_missing_variables(half: xr.Dataset, other: xr.Dataset) -> xr.Dataset:
    """Add the variables that only the other half has, as unknown values."""
    blank = xr.full_like(half["air_temperature"], np.nan)
    missing = {name: blank.assign_attrs(other[name].attrs) for name in other.data_vars if name not in half}
    return half.assign(missing)

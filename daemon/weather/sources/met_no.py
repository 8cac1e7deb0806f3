"""Weather from MET Norway's Locationforecast 2.0: the hours ahead, anywhere on land or sea.

Times are UTC. What ``next_1_hours`` tells covers the hour that follows its time, so it goes to the label one hour
later. Where the steps are of six hours, rain is spread evenly over them and instants are drawn between them. The
service has no radiation and no members: the sun is derived from cloud, members from chances of rain if there are any.

References
----------
MET Norway, Locationforecast 2.0, data model, and Terms of Service, https://api.met.no
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any, Final, NamedTuple

import numpy as np
import requests
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place, WeatherSource
from daemon.domain.refusal import Refusal, RefusalKind
from daemon.weather.clean import trim_to_horizon
from daemon.weather.contract import (
    NATIVE_STEP,
    NP_HOUR,
    REQUIRED,
    VARIABLES,
    Hours,
    Refused,
    build_dataset,
    iso_text,
    to_datetime64,
)
from daemon.weather.derive import RainPeriods, draw_scenarios, interpolate_hourly, sun_from_cloud
from daemon.weather.http.client import get, redacted_url
from models.humidity import dew_point_temperature

Array = NDArray[np.float64]

ADDRESS: Final = "https://api.met.no"
PRODUCT: Final = "/weatherapi/locationforecast/2.0/complete"
SOURCE: Final = "met.no"
MODEL: Final = "Locationforecast 2.0"
CREDIT: Final = "Data from MET Norway (https://api.met.no, CC BY 4.0), changed: units, layout, {derived} derived"
NO_CONTACT: Final = "no contact given"  # what the settings hold where the farm has not written one

WET_THRESHOLD: Final = 0.1  # [mm] that the chance of rain is counted from, remembered
UPPER_QUANTILE: Final = 0.9  # [1] of cases lie below precipitation_amount_max, remembered
LONG_STEP: Final = 6  # [h] the step of the later days; those of a day begin at 00 UTC
MAX_LEAD: Final = timedelta(days=30)  # from now; the service ends after about 10 days
MAX_START_LAG: Final = timedelta(hours=6)  # before now; the service begins with the hour in which it is asked
MAX_PLACE_OFFSET: Final = 0.1  # [deg] the reply repeats the place asked for
MAX_HUMIDITY: Final = 1.1  # [1] humidity above 1 by this is rounding or fog

STATUS_REASONS: Final[Mapping[int | None, str]] = {
    400: "it cannot read the place asked for; look at latitude, longitude and elevation in the settings",
    403: "it does not take who is asking: write your mail or web address as contact in [weather]",
    404: "it has nothing for this place",
    422: "this place lies outside the area that it covers",
    429: "too much is asked from this network address; it asks to be left alone for some time",
}


class MetNoField(NamedTuple):
    """How one of the service's variables is read: the unit it must come in, factor to ours, our name for its range."""

    unit: str
    factor: float
    name: str


FIELDS: Final[Mapping[str, MetNoField]] = {
    "air_temperature": MetNoField("celsius", 1.0, "air_temperature"),
    "dew_point_temperature": MetNoField("celsius", 1.0, "dew_point_temperature"),
    "relative_humidity": MetNoField("%", 0.01, "relative_humidity"),
    "wind_speed": MetNoField("m/s", 1.0, "wind_speed"),
    "wind_speed_of_gust": MetNoField("m/s", 1.0, "wind_speed_of_gust"),
    "cloud_area_fraction": MetNoField("%", 0.01, "cloud_area_fraction"),
    "precipitation_amount": MetNoField("mm", 1.0, "precipitation_amount"),
    "precipitation_amount_max": MetNoField("mm", 1.0, "precipitation_amount"),
    "probability_of_precipitation": MetNoField("%", 0.01, "probability_of_precipitation"),
    "probability_of_thunder": MetNoField("%", 0.01, "thunderstorm_probability"),
}
AIR: Final = "air_temperature"
CLOUD: Final = "cloud_area_fraction"
SUN: Final = "surface_downwelling_shortwave_flux_in_air"
DEW: Final = "dew_point_temperature"
RAIN: Final = "precipitation_amount"
CHANCE: Final = "probability_of_precipitation"
INSTANTS: Final = (AIR, "wind_speed", CLOUD, "wind_speed_of_gust")


def fetch(
    source: WeatherSource, place: Place, now: datetime, session: requests.Session, *, address: str = ADDRESS
) -> xr.Dataset:
    """Return the hours ahead at a place.

    Parameters
    ----------
    source : WeatherSource
        Its contact must be given: the service turns away who does not say who asks.
    place : Place
    now : datetime
        The moment of the pass.
    session : requests.Session
        One made by `daemon.weather.http.client.open_session` with the contact, and with a cache: the service must not
        be asked again before its reply expires.
    address : str
        Of the service, without a path.

    Returns
    -------
    xr.Dataset
        In the contract's form, from the first hour told to the horizon. Where chances of rain are told: members drawn
        from them, up to where those end, with ``attrs["synthetic"] = 1``. Elsewhere one member.

    Raises
    ------
    Refused
        When there is no contact, no good reply, or nothing in it that can be used.
    """
    if source.contact.strip() in ("", NO_CONTACT):
        raise Refused(
            f"contact in [weather]: given {source.contact!r}, allowed a mail or web address; MET Norway answers only "
            'those who say who asks, so write for instance contact = "you@example.org"'
        )
    url = f"{address.rstrip('/')}{PRODUCT}"
    reply = _fetch_reply(session, url, place)
    try:
        single, periods = parse(reply, place, now)
        if not periods.first.size:
            return single.assign_attrs(note="one forecast only, because no chance of rain is told for this place")
        many = draw_scenarios(single, periods, wet_threshold=WET_THRESHOLD)
        return many.assign_attrs(credit=f"{many.attrs['credit']}, rain drawn from its chances")
    except Refused as reason:
        raise reason.with_prefix(f"{redacted_url(url)}: ") from None


def parse(reply: bytes, place: Place, now: datetime) -> tuple[xr.Dataset, RainPeriods]:
    """Return the one forecast of a reply, and what it tells of the chances of rain.

    Parameters
    ----------
    reply : bytes
        GeoJSON, of the complete or the compact product.
    place : Place
        The one asked for.
    now : datetime
        When it was fetched.

    Returns
    -------
    single : xr.Dataset
        One member, in the contract's form, up to where something needed is not told.
    periods : RainPeriods
        Without a gap from the first hour on, up to where chances are not told: none at all where the first hour has
        none. A whole six hours from 00, 06, 12 or 18 UTC are one period, other hours one each.

    Raises
    ------
    Refused
        When the reply is no JSON, is for another place, is in other units, holds impossible values or lacks what is
        needed.

    Notes
    -----
    A six-hour total is used only where the next step comes six hours later, else it is a sliding window. Nothing is
    filled: an hour without rain told ends the forecast. Gusts are instants as the service has them. A chance of thunder
    of six hours stands at each of them.

    The dew point is derived from relative humidity where it is not told.
    """
    told = _parse_timeseries(reply, place, now)
    values = _hourly_values(told, place) | {
        RAIN: told.step_values(RAIN, LONG_STEP),
        CHANCE: told.step_values(CHANCE),
        "thunderstorm_probability": told.step_values("probability_of_thunder"),
    }
    dew_derived = np.isnan(told.column("instant", DEW)) & np.isfinite(told.dew_points)
    derived = (SUN, DEW) if dew_derived.any() else (SUN,)
    missing = [name for name in REQUIRED if np.isnan(values[name]).all()]
    if missing:
        raise Refused(f"the reply lacks {', '.join(missing)}, or what it is derived from")
    series = {name: array[None, None] for name, array in values.items()}
    attributes = _attributes(told, now, derived)
    # A step that is longer still has no rain told, so nothing of it stays.
    steps = np.minimum(told.step, LONG_STEP)
    whole = trim_to_horizon(build_dataset(series, told.hours[1:], ["forecast"], [place], attributes, step=steps))
    periods, end = _rain_periods(told, whole[RAIN].values[0], whole[CHANCE].values[0])
    return _with_origins(whole.isel(time=slice(end or None)), derived), periods


@dataclass(frozen=True)
class _Timeseries:
    """The elements of a reply, in order of time: `time` is the beginning of each one's step."""

    issued: datetime
    time: Hours  # (element,)
    data: Sequence[Mapping[str, Any]]  # (element,)
    units: Mapping[str, Any]

    @cached_property
    def hours(self) -> Hours:
        """Every hour from the first instant to the last, shape (hour + 1,)."""
        return np.arange(self.time[0], self.time[-1] + NP_HOUR, NP_HOUR)

    @cached_property
    def element_index(self) -> NDArray[np.int64]:
        """The element in whose step the hour after each of `hours` lies, shape (hour,)."""
        return np.searchsorted(self.time, self.hours[1:]) - 1

    @cached_property
    def step(self) -> NDArray[np.int64]:
        """The length of the step that each hour lies in [h], shape (hour,)."""
        return (np.diff(self.time) // NP_HOUR)[self.element_index]

    def column(self, part: str, key: str) -> Array:
        """Return one variable of each element, in our unit; NaN where it is not told."""
        unit, factor, name = FIELDS[key]
        given = np.array([_parse_number(key, _details(one, part).get(key)) for one in self.data])
        if np.isfinite(given).any() and self.units.get(key) != unit:
            raise Refused(f"{key} is in {self.units.get(key)!r}, allowed {unit!r}")
        low, high = (limit / factor for limit in (VARIABLES[name][1:3] if name in VARIABLES else (0.0, MAX_HUMIDITY)))
        wrong = (given < low) | (given > high)
        if wrong.any():
            at, value = iso_text(self.time[wrong][0]), given[wrong][0]
            raise Refused(f"{key} at {at}: given {value:g}, allowed {low:g} to {high:g} {unit}")
        return given * factor

    @cached_property
    def dew_points(self) -> Array:
        """The dew point of each element [degC], from humidity where it is not told."""
        air, dew, humidity = (self.column("instant", key) for key in (AIR, DEW, "relative_humidity"))
        known = np.where(humidity > 0.0, np.minimum(humidity, 1.0), np.nan)
        return np.where(np.isnan(dew), dew_point_temperature(air, known), dew)

    def step_values(self, key: str, shares: int = 1) -> Array:
        """Return what is told of the step that each hour lies in, of a long one its share."""
        one, six = self.column("next_1_hours", key), self.column("next_6_hours", key) / shares
        long = (self.step == LONG_STEP) & (_since_midnight(self.time[self.element_index]) % LONG_STEP == 0)
        return np.where(self.step == 1, one[self.element_index], np.where(long, six[self.element_index], np.nan))

    def six_hour_values(self, key: str) -> Array:
        """Return what is told of the six hours that begin with the step of each hour."""
        return self.column("next_6_hours", key)[self.element_index]


def _fetch_reply(session: requests.Session, url: str, place: Place) -> bytes:
    """Return the service's reply; no more than four decimals, or it turns us away."""
    where = {"lat": f"{place.latitude:.4f}", "lon": f"{place.longitude:.4f}", "altitude": f"{place.elevation:.0f}"}
    try:
        return get(session, url, where)
    except Refused as reason:
        words = STATUS_REASONS.get(reason.status)
        if words is None:
            raise
        raise Refused(Refusal(RefusalKind.ERROR_STATUS, f"{reason}: {words}"), status=reason.status) from None


def _parse_timeseries(reply: bytes, place: Place, now: datetime) -> _Timeseries:
    """Return the elements of a reply that is for the place and the time, and can be read."""
    content = _parse_json(reply)
    try:
        about = content["properties"]["meta"]
        issued, units = _parse_time(about["updated_at"]), dict(about["units"])
        east, north = (float(degrees) for degrees in content["geometry"]["coordinates"][:2])
        series = [(_parse_time(one["time"]), one["data"]) for one in content["properties"]["timeseries"]]
    except (ValueError, LookupError, TypeError, OverflowError):
        raise Refused("the reply has no forecast in it that can be read") from None
    off = (abs(north - place.latitude), abs((east - place.longitude + 180.0) % 360.0 - 180.0))
    if not all(degrees <= MAX_PLACE_OFFSET for degrees in off):
        raise Refused(f"the reply is for {north:g}, {east:g}, asked for {place.latitude}, {place.longitude}")
    times = _check_times([time for time, _ in series], now)
    if times[0] < to_datetime64(now - MAX_START_LAG):
        raise Refused(
            f"the times begin at {iso_text(times[0])}, allowed {iso_text(to_datetime64(now - MAX_START_LAG))} or later"
        )
    return _Timeseries(issued, times, [data for _, data in series], units)


def _parse_json(reply: bytes) -> Any:
    try:
        return json.loads(reply)
    except (ValueError, RecursionError):
        tail = reply[-120:].decode("utf-8", "replace").strip()
        raise Refused(f"the reply is no whole JSON; it ends with {tail!r}") from None


def _check_times(moments: Sequence[datetime], now: datetime) -> Hours:
    """Return the times of the elements, which must be whole hours, one later than the other and not too far off."""
    if len(moments) < 2:
        raise Refused(f"the reply holds {len(moments)} times, allowed two or more")
    for moment in moments:
        if moment.minute or moment.second or moment.microsecond or abs(moment - now) > MAX_LEAD:
            raise Refused(f"given the time {moment.isoformat()}, allowed whole hours within 30 days of now")
    times = np.array([to_datetime64(moment) for moment in moments])
    if (np.diff(times) <= np.timedelta64(0)).any():
        raise Refused("the times are out of order or given twice")
    return times


def _parse_time(text: str) -> datetime:
    """Return a time in UTC; one without its zone cannot be known."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(text)
    return moment.astimezone(UTC)


def _details(data: object, part: str) -> Mapping[str, Any]:
    """Return what an element tells of an instant or of a window, empty where it has none."""
    window = data.get(part) if isinstance(data, dict) else None
    details = window.get("details") if isinstance(window, dict) else None
    return details if isinstance(details, dict) else {}


def _parse_number(key: str, value: object) -> float:
    """Return a value, NaN where it is null: missing is never 0."""
    if value is None:
        return np.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Refused(f"{key} holds {value!r}, allowed numbers")
    try:
        return float(value)
    except OverflowError:
        return np.inf


def _since_midnight(time: Hours) -> NDArray[np.int64]:
    """Return the hours since a midnight in UTC."""
    return time.astype("datetime64[h]").astype(np.int64)


def _hourly_values(timeseries: _Timeseries, place: Place) -> dict[str, Array]:
    """Return the instants at the end of each hour, and the sun of the hour, which needs the cloud before it too."""
    at, hours = timeseries.time, timeseries.hours
    values = {
        name: interpolate_hourly(at, timeseries.column("instant", name), hours, allow_overshoot=name == AIR)
        for name in INSTANTS
    }
    values[CLOUD] = np.clip(values[CLOUD], 0.0, 1.0)
    values[SUN] = sun_from_cloud(values[CLOUD], place, hours)
    # Between two instants the curve of the dew point must not cross that of the air.
    dew = interpolate_hourly(at, timeseries.dew_points, hours)
    values[DEW] = np.where(np.isin(hours, at), dew, np.minimum(dew, values[AIR]))
    return {name: series[1:] for name, series in values.items()}


def _with_origins(single: xr.Dataset, derived: Sequence[str]) -> xr.Dataset:
    """Return the forecast without what is not told at all, and with the origin of each series."""
    kept = single[[name for name in single.data_vars if single[name].notnull().any()]]
    origin = "native" if (kept[NATIVE_STEP] == 1).all() else "interpolated"
    origins = {name: "derived" if name in derived else origin for name in kept.data_vars}
    return kept.assign({name: kept[name].assign_attrs(origin=origins[name]) for name in kept.data_vars})


def _attributes(timeseries: _Timeseries, now: datetime, derived: Sequence[str]) -> dict[str, object]:
    names = "sunshine" if DEW not in derived else "sunshine and dew point"
    return {
        "source": SOURCE,
        "model": MODEL,
        "issued_at": timeseries.issued.isoformat(timespec="seconds"),
        "issued_at_origin": "run",
        "fetched_at": now.astimezone(UTC).isoformat(timespec="seconds"),
        "credit": CREDIT.format(derived=names),
        "kind": "forecast",
    }


def _rain_periods(timeseries: _Timeseries, rain: Array, hourly_chance: Array) -> tuple[RainPeriods, int]:
    """Return chances and amounts of rain of the first hours, and how many hours these are.

    The service counts the chance of six hours from its members, so it knows better than six chances of one hour how far
    these hang together.
    """
    six, most = timeseries.six_hour_values(CHANCE), timeseries.six_hour_values("precipitation_amount_max")
    starts, first = _since_midnight(timeseries.hours), 0
    rows: list[tuple[int, int, float, float]] = []
    while first < rain.size:
        whole = bool(first + LONG_STEP <= rain.size and starts[first] % LONG_STEP == 0 and np.isfinite(six[first]))
        hours = slice(first, first + (LONG_STEP if whole else 1))
        chance = _period_chance(hourly_chance[hours], six[first], whole)
        if np.isnan(chance):
            break
        amount = _expected_rain(rain[hours].sum(), most[first] if whole else np.nan, chance)
        rows.append((*_wet_part(hours, hourly_chance, rain), chance, amount))
        first = hours.stop
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    begin, end = table[:, :2].astype(np.int64).T
    return RainPeriods(begin, end, table[:, 2], table[:, 3]), first


def _period_chance(hourly: Array, six: float, whole: bool) -> float:
    """Return the chance of a period: of six hours no less than of one of them, of one hour no more than of its six."""
    if whole:
        return float(np.fmax.reduce(np.append(hourly, six)))
    return six if np.isnan(hourly[0]) else float(hourly[0])


def _wet_part(hours: slice, chance: Array, rain: Array) -> tuple[int, int]:
    """Return the part of a period in which it may rain: from the first hour with a chance to after the last."""
    may = np.flatnonzero((rain[hours] > 0.0) | (chance[hours] != 0.0))  # one that is not told may
    return (hours.start + int(may[0]), hours.start + int(may[-1]) + 1) if may.size else (hours.start, hours.stop)


def _expected_rain(amount: float, upper_end: float, chance: float) -> float:
    """Return the rain expected of a period [mm]: what is told, or more if the upper end of the likely range says more.

    Rain of wet cases is taken to be exponential: P(R > x) = p exp(-x / mu), of which the upper end gives mu. As p nears
    the share of cases above that end mu grows beyond bounds, so it is held at the upper end itself.
    """
    if not upper_end > 0.0 or chance <= 0.0:
        return amount
    return max(amount, chance * upper_end / max(float(np.log(chance / (1.0 - UPPER_QUANTILE))), 1.0))

"""Weather and official warnings of the US National Weather Service.

A point leads to its cell in the grid of a forecast office, and the cell has layers: values, each with the time span for
which it is valid. An hourly label lies in one of these spans, the hour before it in another or the same: the
temperature of a label is that of the span that begins there, its rain is of the hour that ends there.

References
----------
National Weather Service, API documentation and openapi.yaml, https://github.com/weather-gov/api
"""

import json
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final, TypeVar

import numpy as np
import requests
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place, WeatherSource
from daemon.domain.prospect import OfficialWarning
from daemon.weather.clean import start_of_ahead
from daemon.weather.contract import NP_HOUR, VARIABLES, Hours, Refused, build_dataset, iso_text, to_datetime64, validate
from daemon.weather.derive import AIR, CLOUD, DEW, RAIN, SUN, RainPeriods, draw_scenarios, sun_from_cloud
from daemon.weather.http.client import get, is_same_host, redacted_url
from daemon.weather.sources.weather_gov_spans import PARSE_ERRORS, Layer, parse_span, parse_time, read_layer

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]
T = TypeVar("T")

ADDRESS: Final = "https://api.weather.gov"
ACCEPT: Final = "application/geo+json"  # without it the service may send a copy that is days old
SOURCE: Final = "weather.gov"
CREDIT: Final = (
    "Weather data by the US National Weather Service (public domain), changed: units and hourly layout, "
    "sunshine from the cloud"
)
MAX_GRID_AGE: Final = timedelta(hours=24)  # an older grid is one that its office has abandoned
MAX_LAYER_LAG: Final = timedelta(hours=24)  # of a layer before its grid was made; 7 is usual
MIN_HORIZON: Final = timedelta(hours=24)
MAX_HORIZON: Final = timedelta(days=11)
MEASURABLE_RAIN: Final = 0.254  # [mm] a hundredth of an inch: the least rain that the chances count
EVEN_STEPS: Final = (1, 2, 3, 4, 6, 8, 12, 24)  # [h] that divide a day evenly
NOT_FOUND: Final = 404
QUARTER_DAY_HOURS: Final = 6  # [h] the usual step of the amounts of rain

CHANCE: Final = "probability_of_precipitation"
# The layers of instants, and those whose values hold for all hours of their span.
INSTANT_LAYERS: Final[Mapping[str, str]] = {
    "temperature": AIR,
    "dewpoint": DEW,
    "windSpeed": "wind_speed",
    "skyCover": CLOUD,
}
CHANCE_LAYER: Final = "probabilityOfPrecipitation"
SPAN_LAYERS: Final[Mapping[str, str]] = {
    "windGust": "wind_speed_of_gust",
    "probabilityOfThunder": "thunderstorm_probability",
    CHANCE_LAYER: CHANCE,
}
RAIN_LAYER: Final = "quantitativePrecipitation"
REQUIRED_LAYERS: Final = (*INSTANT_LAYERS, RAIN_LAYER)
VARIABLE_OF_LAYER: Final[Mapping[str, str]] = {**INSTANT_LAYERS, **SPAN_LAYERS, RAIN_LAYER: RAIN}
DEFAULT_UNITS: Final[Mapping[str, str]] = {"probabilityOfThunder": "percent"}  # comes without a unit


def fetch(
    source: WeatherSource, place: Place, now: datetime, session: requests.Session, *, address: str = ADDRESS
) -> xr.Dataset:
    """Return the hours ahead of a place in the United States.

    Parameters
    ----------
    source : WeatherSource
        Its contact is that of the session.
    place : Place
    now : datetime
        The moment of the pass.
    session : requests.Session
        One made by `open_session`; the service does not answer anonymous requests.
    address : str
        Where the service is.

    Returns
    -------
    xr.Dataset
        See `parse`.

    Raises
    ------
    Refused
        When the service does not cover the place or has no grid for it that can be used.
    """
    grid = _grid_url(place, session, address)
    try:
        return _fetch_and_read(session, grid, {}, lambda reply: parse(reply, place, now))
    except Refused as reason:
        if reason.status != NOT_FOUND:
            raise
        # Offices move their grids, and a cached reply may lead to the old one.
        moved = _grid_url(place, session, address, bypass_cache=True)
        if moved == grid:
            raise
    return _fetch_and_read(session, moved, {}, lambda reply: parse(reply, place, now))


def parse(reply: bytes, place: Place, now: datetime) -> xr.Dataset:
    """Parse the layers of a grid cell into hours of the contract's form.

    Parameters
    ----------
    reply : bytes
        Of the call gridpoints.
    place : Place
        For the height of the sun.
    now : datetime
        The moment of the pass.

    Returns
    -------
    xr.Dataset
        From the first hour that all layers have, which may be past, to the first that one of them lacks. Members drawn
        from the chances of rain, or one member where there are none.

    Raises
    ------
    Refused
        When the grid is old, ends within a day or lacks a required layer.

    Notes
    -----
    Temperature, dew point, wind and cloud hold from the beginning of their span up to but not including its end; the
    service does not say whether cloud is an instant or a mean, and it is taken for an instant. Gusts and chances hold
    for every hour of the span. An amount of rain is the sum of its span and is spread evenly, with the length as the
    hours' own step.
    """
    grid = _properties(reply)
    issued = _issue_time(grid, now)
    first, last = to_datetime64(start_of_ahead(now)), to_datetime64(now + MAX_HORIZON).astype("datetime64[h]")
    time = np.arange(first, last, NP_HOUR)
    layers = _read_layers(grid)
    _refuse_early(layers, issued)
    values = _hourly_values(layers, time)
    span = _complete_span(values, time, now)
    hours = {name: array[span] for name, array in values.items()}
    step, begins = _rain_steps(layers[RAIN_LAYER], time[span])
    single = _single_forecast(hours, time[span], step, place, _attributes(grid, issued, now))
    if CHANCE not in hours:
        return single
    return draw_scenarios(single, rain_periods(hours[CHANCE], hours[RAIN], begins), wet_threshold=MEASURABLE_RAIN)


def rain_periods(chance: Array, rain: Array, begins: IntArray) -> RainPeriods:
    """Return the periods each of which a scenario draws wet or dry as a whole.

    Parameters
    ----------
    chance : array [1], shape (hour,)
        Of measurable rain in the period that each hour lies in.
    rain : array [mm], shape (hour,)
        Expected of each hour.
    begins : array of int [h], shape (hour,)
        Beginning of the amount that each hour has a share of, counted from a midnight in UTC.

    Notes
    -----
    The service joins periods of equal chance and its offices spread one chance over several hours, so the true periods
    are unknown. An amount is never divided; amounts that begin in the same quarter of the UTC day are one period, with
    the highest chance of its hours, which is the least that it can be. Two quarters that make a half day, from 00 or 12
    UTC, are one period where the chance stays the same: remembered as the service's own periods.

    Examples
    --------
    >>> drawn = rain_periods(np.repeat([0.4, 0.2, 0.5], [12, 6, 6]), np.full(24, 0.5), np.arange(24))
    >>> drawn.first.tolist(), drawn.chance.tolist(), drawn.amount.tolist()
    ([0, 12, 18], [0.4, 0.2, 0.5], [6.0, 3.0, 3.0])
    """
    quarter = begins // QUARTER_DAY_HOURS
    half = quarter // 2
    is_constant = [np.ptp(chance[half == half_of_hour]) == 0.0 for half_of_hour in half]
    number = np.where(is_constant, 2 * half, quarter)
    first = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    end = np.append(first[1:], number.size)
    return RainPeriods(first, end, np.maximum.reduceat(chance, first), np.add.reduceat(rain, first))


def fetch_warnings(
    place: Place, now: datetime, session: requests.Session, *, address: str = ADDRESS
) -> tuple[OfficialWarning, ...]:
    """Fetch the official warnings in force at a place now or later, in the order in which they begin.

    Parameters
    ----------
    place : Place
    now : datetime
        The moment of the pass.
    session : requests.Session
        One made by `open_session`.
    address : str
        Where the service is.

    Raises
    ------
    Refused
        When they are unavailable or unreadable: then it is unknown whether there are any.
    """
    url = f"{address.rstrip('/')}/alerts/active"
    return _fetch_and_read(session, url, {"point": _point_text(place)}, lambda reply: parse_warnings(reply, now))


def parse_warnings(reply: bytes, now: datetime) -> tuple[OfficialWarning, ...]:
    """Parse the warnings of a reply that are in force or still to come: no tests, none replaced, cancelled or over.

    Raises
    ------
    Refused
        When one of them cannot be read.
    """
    try:
        alerts = [feature["properties"] for feature in _parse_object(reply)["features"]]
        warnings = [_parse_warning(alert) for alert in _standing_alerts(alerts)]
    except PARSE_ERRORS as error:
        raise Refused(f"an official warning cannot be read ({error})") from None
    ahead = [warning for warning in warnings if warning.ends is None or warning.ends > now]
    return tuple(sorted(ahead, key=lambda warning: (warning.begins, warning.event, warning.headline)))


def _standing_alerts(alerts: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the actual alerts that no later one replaces or cancels."""
    actual = {alert["id"]: alert for alert in alerts if alert["status"] == "Actual"}
    replaced = set()
    for alert in actual.values():
        for reference in alert.get("references") or ():
            replaced.add(reference["identifier"])
    standing = []
    for name, alert in actual.items():
        if name not in replaced and alert["messageType"] != "Cancel":
            standing.append(alert)
    return standing


def _parse_warning(alert: Mapping[str, Any]) -> OfficialWarning:
    """Convert one alert; the expiry of its text stands for an end that is not given."""
    ends = alert.get("ends") or alert.get("expires")
    return OfficialWarning(
        event=str(alert["event"]),
        issuer=str(alert["senderName"]),
        begins=parse_time(alert.get("onset") or alert["effective"]),
        ends=parse_time(ends) if ends else None,
        headline=str(alert.get("headline") or ""),
    )


def _fetch_and_read(
    session: requests.Session,
    url: str,
    query: Mapping[str, str],
    read_reply: Callable[[bytes], T],
    bypass_cache: bool = False,
) -> T:
    """Fetch a reply and read it; a refusal names its address."""
    reply = get(session, url, query, accept=ACCEPT, bypass_cache=bypass_cache)
    try:
        return read_reply(reply)
    except Refused as reason:
        raise reason.with_prefix(f"{redacted_url(url)}: ") from None


def _grid_url(place: Place, session: requests.Session, address: str, bypass_cache: bool = False) -> str:
    """Fetch the address of the grid cell that contains a place."""
    url = f"{address.rstrip('/')}/points/{_point_text(place)}"
    try:
        grid = _fetch_and_read(session, url, {}, lambda reply: _properties(reply).get("forecastGridData"), bypass_cache)
    except Refused as reason:
        if reason.status != NOT_FOUND:
            raise
        grid = None
    if not grid:
        raise Refused(
            f"weather.gov does not cover {_point_text(place)} (it has the United States and their territories); "
            "name another source in [weather], or put the place right"
        )
    if not is_same_host(url, str(grid)):
        raise Refused(
            f"{redacted_url(url)} leads to {grid!r:.80}; write that host's address in [weather] if it is right"
        )
    return str(grid)


def _point_text(place: Place) -> str:
    """Return a place as the service wants it: at most four decimals, no trailing zeros."""
    return f"{_degrees_text(place.latitude)},{_degrees_text(place.longitude)}"


def _degrees_text(angle: float) -> str:
    """Return an angle without trailing zeros, which the service would answer with a redirect.

    >>> _degrees_text(-89.50004), _degrees_text(40.0), _degrees_text(44.02128)
    ('-89.5', '40', '44.0213')
    """
    return f"{angle:.4f}".rstrip("0").rstrip(".")


def _parse_object(reply: bytes) -> dict[str, Any]:
    """Parse a reply, which must be a JSON object."""
    try:
        content = json.loads(reply)
    except (ValueError, RecursionError):
        raise Refused("the reply is no whole JSON") from None
    if not isinstance(content, dict):
        raise Refused("the reply is no object")
    return content


def _properties(reply: bytes) -> dict[str, Any]:
    properties = _parse_object(reply).get("properties")
    if not isinstance(properties, dict):
        raise Refused("the reply has no properties")
    return properties


def _issue_time(grid: Mapping[str, Any], now: datetime) -> datetime:
    """Return when the office last wrote the grid, which must be recent and reach far enough."""
    try:
        issued = parse_time(grid["updateTime"])
        _, end = parse_span(grid["validTimes"])
    except PARSE_ERRORS:
        raise Refused("the grid does not say when it was made and for which time") from None
    if now - issued > MAX_GRID_AGE:
        raise Refused(
            f"the grid was made at {issued:%Y-%m-%d %H:%M} UTC, allowed {_hours_text(MAX_GRID_AGE)} before now or later"
        )
    if end < now + MIN_HORIZON:
        raise Refused(
            f"the grid ends at {end:%Y-%m-%d %H:%M} UTC, allowed {_hours_text(MIN_HORIZON)} from now or later"
        )
    return issued


def _read_layers(grid: Mapping[str, Any]) -> dict[str, Layer]:
    """Read the layers; an optional one that cannot be read is left out."""
    layers = {}
    for key in (*REQUIRED_LAYERS, *SPAN_LAYERS):
        unit = VARIABLES[VARIABLE_OF_LAYER[key]].unit
        try:
            layers[key] = read_layer(grid.get(key) or {}, unit, DEFAULT_UNITS.get(key))
        except Refused as reason:
            if key in REQUIRED_LAYERS:
                raise reason.with_prefix(f"layer {key} ") from None
    return layers


def _refuse_early(layers: Mapping[str, Layer], issued: datetime) -> None:
    """Refuse layers that begin long before the grid was issued: their times are days off."""
    for key in REQUIRED_LAYERS:
        begins = layers[key].start[0]
        if begins < to_datetime64(issued - MAX_LAYER_LAG):
            raise Refused(
                f"layer {key} begins at {iso_text(begins)}, allowed {_hours_text(MAX_LAYER_LAG)} before it was made"
            )


def _hourly_values(layers: Mapping[str, Layer], time: Hours) -> dict[str, Array]:
    """Return the values of the layers at labels, by the contract's names; NaN where they have none."""
    before = time - NP_HOUR
    values = {name: layers[key].values_at(time) for key, name in INSTANT_LAYERS.items()}
    for key, name in SPAN_LAYERS.items():
        if key in layers:
            values[name] = layers[key].values_at(before)
    totals = layers[RAIN_LAYER]
    values[RAIN] = totals._replace(value=totals.value / totals.duration_hours).values_at(before)
    return values


def _complete_span(values: Mapping[str, Array], time: Hours, now: datetime) -> slice:
    """Return the hours around now for which all required layers, and any chances of rain, have values."""
    keys = {*REQUIRED_LAYERS, CHANCE_LAYER} if CHANCE in values else set(REQUIRED_LAYERS)
    needed = {key: values[name] for key, name in VARIABLE_OF_LAYER.items() if key in keys}
    at = int(np.searchsorted(time, to_datetime64(now)))
    _refuse_missing(needed, time, at)
    gaps = np.flatnonzero(np.isnan(np.stack(list(needed.values()))).any(axis=0))
    return slice(max(gaps[gaps < at], default=-1) + 1, min(gaps[gaps > at], default=time.size))


def _refuse_missing(needed: Mapping[str, Array], time: Hours, at: int) -> None:
    """Refuse layers that lack a value within the least horizon from the label number `at` on."""
    end = at + MIN_HORIZON // timedelta(hours=1)
    for key, array in needed.items():
        missing = np.flatnonzero(np.isnan(array[at:end]))
        if missing.size:
            hour = iso_text(time[at + missing[0]])
            raise Refused(
                f"layer {key} has nothing for {hour}, allowed a value for all of {_hours_text(MIN_HORIZON)} from now"
            )


def _rain_steps(totals: Layer, time: Hours) -> tuple[IntArray, IntArray]:
    """Return the length [h] of the amount that each hour has a share of, and its beginning, counted from a midnight."""
    longest = int(totals.duration_hours.max())
    if longest > EVEN_STEPS[-1]:
        raise Refused(f"layer {RAIN_LAYER} has an amount of {longest} h, allowed up to {EVEN_STEPS[-1]} h")
    # In the contract steps divide the day: one that was cut short counts as the next longer.
    step = np.array(EVEN_STEPS, dtype=np.float64)[np.searchsorted(EVEN_STEPS, totals.duration_hours)]
    start = totals.start.astype("datetime64[h]").astype(np.float64)
    length, begins = (
        totals._replace(value=values).values_at(time - NP_HOUR).astype(np.int64) for values in (step, start)
    )
    return length, begins


def _single_forecast(
    hours: Mapping[str, Array], time: Hours, step: IntArray, place: Place, attributes: Mapping[str, object]
) -> xr.Dataset:
    """Return the service's single forecast, with radiation derived from its cloud."""
    values = {**hours, SUN: sun_from_cloud(hours[CLOUD], place, time, opaque=True)}
    table = {name: array[np.newaxis, np.newaxis] for name, array in values.items()}
    single = build_dataset(table, time, ["forecast"], [place], attributes, step=step)
    single[SUN].attrs["origin"] = "derived"
    single[RAIN].attrs["origin"] = "native" if (step == 1).all() else "interpolated"
    return validate(single)


def _attributes(grid: Mapping[str, Any], issued: datetime, now: datetime) -> dict[str, object]:
    return {
        "source": SOURCE,
        "model": f"grid {grid.get('gridId')} {grid.get('gridX')},{grid.get('gridY')}",
        "issued_at": issued.isoformat(timespec="seconds"),
        "issued_at_origin": "run",
        "fetched_at": now.astimezone(UTC).isoformat(timespec="seconds"),
        "credit": CREDIT,
        "kind": "forecast",
    }


def _hours_text(length: timedelta) -> str:
    return f"{length / timedelta(hours=1):g} hours"

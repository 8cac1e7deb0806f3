"""Weather from MET Norway's Locationforecast 2.0: the hours ahead, anywhere on land or sea.

Times are UTC. ``next_1_hours`` covers the hour after its time, so its values go to the label one hour later. Where the
steps are of six hours, rain is spread evenly over them and instants are interpolated. The service has no radiation and
no members: radiation is derived from cloud, members are drawn from the chances of rain if there are any.

References
----------
MET Norway, Locationforecast 2.0, data model, and Terms of Service, https://api.met.no
"""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Final

import numpy as np
import requests
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place, WeatherSource
from daemon.domain.refusal import Refusal, RefusalKind
from daemon.weather.clean import trim_to_horizon
from daemon.weather.contract import NATIVE_STEP, REQUIRED, Refused, build_dataset
from daemon.weather.derive import (
    AIR,
    CLOUD,
    DEW,
    RAIN,
    SUN,
    RainPeriods,
    draw_scenarios,
    interpolate_hourly,
    sun_from_cloud,
)
from daemon.weather.http.client import get, redacted_url
from daemon.weather.sources.met_no_timeseries import LONG_STEP, Timeseries, hours_since_midnight, parse_timeseries

Array = NDArray[np.float64]

ADDRESS: Final = "https://api.met.no"
PRODUCT: Final = "/weatherapi/locationforecast/2.0/complete"
SOURCE: Final = "met.no"
MODEL: Final = "Locationforecast 2.0"
CREDIT: Final = "Data from MET Norway (https://api.met.no, CC BY 4.0), changed: units, layout, {derived} derived"
NO_CONTACT: Final = "no contact given"  # what the settings hold where the farm has not written one

WET_THRESHOLD: Final = 0.1  # [mm] from which the chance of rain counts as wet, remembered
UPPER_QUANTILE: Final = 0.9  # [1] of the cases lie below precipitation_amount_max, remembered

STATUS_REASONS: Final[Mapping[int | None, str]] = {
    400: "it cannot read the place asked for; look at latitude, longitude and elevation in the settings",
    403: "it does not take who is asking: write your mail or web address as contact in [weather]",
    404: "it has nothing for this place",
    422: "this place lies outside the area that it covers",
    429: "too much is asked from this network address; it asks to be left alone for some time",
}

CHANCE: Final = "probability_of_precipitation"
INSTANTS: Final = (AIR, "wind_speed", CLOUD, "wind_speed_of_gust")


def fetch(
    source: WeatherSource, place: Place, now: datetime, session: requests.Session, *, address: str = ADDRESS
) -> xr.Dataset:
    """Return the hours ahead at a place.

    Parameters
    ----------
    source : WeatherSource
        Its contact must be given: the service rejects anonymous requests.
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
        In the contract's form, from the first hour of the reply to the horizon. Where the reply has chances of rain:
        members drawn from them, up to where they end, with ``attrs["synthetic"] = 1``. Elsewhere one member.

    Raises
    ------
    Refused
        When there is no contact, no good reply, or nothing usable in it.
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
    """Parse the single forecast of a reply and its chances of rain.

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
        One member, in the contract's form, up to where a required variable ends.
    periods : RainPeriods
        Without a gap from the first hour on, up to where the chances end: empty where the first hour has none. Six
        full hours from 00, 06, 12 or 18 UTC are one period, other hours one each.

    Raises
    ------
    Refused
        When the reply is no JSON, is for another place, is in other units, has impossible values or lacks a required
        variable.

    Notes
    -----
    A six-hour total is used only where the next step comes six hours later; elsewhere it is a sliding window. Nothing
    is filled: an hour without rain ends the forecast. Gusts are instants, as in the service. A chance of thunder of six
    hours holds for each of them.

    The dew point is derived from relative humidity where it is missing.
    """
    timeseries = parse_timeseries(reply, place, now)
    values = _hourly_values(timeseries, place) | _step_values(timeseries)
    missing = [name for name in REQUIRED if np.isnan(values[name]).all()]
    if missing:
        raise Refused(f"the reply lacks {', '.join(missing)}, or what it is derived from")
    series = {name: array[None, None] for name, array in values.items()}
    derived = _derived_variables(timeseries)
    attributes = _attributes(timeseries, now, derived)
    # A step of more than six hours has no rain, so nothing of it remains after the trimming.
    steps = np.minimum(timeseries.step, LONG_STEP)
    hourly = build_dataset(series, timeseries.hours[1:], ["forecast"], [place], attributes, step=steps)
    single = trim_to_horizon(hourly)
    periods, end = _rain_periods(timeseries, single[RAIN].values[0], single[CHANCE].values[0])
    return _with_origins(single.isel(time=slice(end or None)), derived), periods


def _derived_variables(timeseries: Timeseries) -> tuple[str, ...]:
    """Return which variables are derived: the radiation always, the dew point where one comes from humidity."""
    from_humidity = np.isnan(timeseries.column("instant", DEW)) & np.isfinite(timeseries.dew_points)
    return (SUN, DEW) if from_humidity.any() else (SUN,)


def _fetch_reply(session: requests.Session, url: str, place: Place) -> bytes:
    """Fetch the service's reply; it rejects a place with more than four decimals."""
    where = {"lat": f"{place.latitude:.4f}", "lon": f"{place.longitude:.4f}", "altitude": f"{place.elevation:.0f}"}
    try:
        return get(session, url, where)
    except Refused as reason:
        words = STATUS_REASONS.get(reason.status)
        if words is None:
            raise
        raise Refused(Refusal(RefusalKind.ERROR_STATUS, f"{reason}: {words}"), status=reason.status) from None


def _hourly_values(timeseries: Timeseries, place: Place) -> dict[str, Array]:
    """Return the instants at the end of each hour, and the radiation over the hour."""
    at, hours = timeseries.time, timeseries.hours
    values = {}
    for name in INSTANTS:
        instants = timeseries.column("instant", name)
        values[name] = interpolate_hourly(at, instants, hours, allow_overshoot=name == AIR)
    values[CLOUD] = np.clip(values[CLOUD], 0.0, 1.0)
    values[SUN] = sun_from_cloud(values[CLOUD], place, hours)
    # Between two instants the curve of the dew point must not cross that of the air.
    dew = interpolate_hourly(at, timeseries.dew_points, hours)
    values[DEW] = np.where(np.isin(hours, at), dew, np.minimum(dew, values[AIR]))
    # The first instant ends no hour of the reply; it was needed for the cloud at the beginning of the first hour.
    return {name: series[1:] for name, series in values.items()}


def _step_values(timeseries: Timeseries) -> dict[str, Array]:
    """Return the variables that the service gives for steps, at each hour."""
    return {
        RAIN: timeseries.step_values(RAIN, LONG_STEP),
        CHANCE: timeseries.step_values(CHANCE),
        "thunderstorm_probability": timeseries.step_values("probability_of_thunder"),
    }


def _with_origins(single: xr.Dataset, derived: Sequence[str]) -> xr.Dataset:
    """Drop the variables without any value, and set the origin of the others."""
    present = single[[name for name in single.data_vars if single[name].notnull().any()]]
    origin = "native" if (present[NATIVE_STEP] == 1).all() else "interpolated"
    origins = {name: "derived" if name in derived else origin for name in present.data_vars}
    return present.assign({name: present[name].assign_attrs(origin=origins[name]) for name in present.data_vars})


def _attributes(timeseries: Timeseries, now: datetime, derived: Sequence[str]) -> dict[str, object]:
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


def _rain_periods(timeseries: Timeseries, rain: Array, hourly_chance: Array) -> tuple[RainPeriods, int]:
    """Return the chances and amounts of rain of the first hours, and how many hours these are.

    The service counts the chance of six hours from its members, so it knows better than six hourly chances how strongly
    the hours are correlated.
    """
    six_hour_chance = timeseries.six_hour_values(CHANCE)
    upper_end = timeseries.six_hour_values("precipitation_amount_max")
    is_six_hours = np.isfinite(six_hour_chance) & (hours_since_midnight(timeseries.hours[:-1]) % LONG_STEP == 0)
    rows: list[tuple[int, int, float, float]] = []
    first = 0
    while first < rain.size:
        is_long = bool(is_six_hours[first]) and first + LONG_STEP <= rain.size
        hours = slice(first, first + (LONG_STEP if is_long else 1))
        chance = _period_chance(hourly_chance[hours], six_hour_chance[first], is_long)
        if np.isnan(chance):
            break
        amount = _expected_rain(rain[hours].sum(), upper_end[first] if is_long else np.nan, chance)
        rows.append((*_wet_part(hours, hourly_chance, rain), chance, amount))
        first = hours.stop
    table = np.array(rows, dtype=np.float64).reshape(-1, 4)
    begin, end = table[:, :2].astype(np.int64).T
    return RainPeriods(begin, end, table[:, 2], table[:, 3]), first


def _period_chance(hourly: Array, six_hour_chance: float, is_long: bool) -> float:
    """Return the chance of a period: of six hours at least that of any, of one hour its own or else that of its six."""
    if is_long:
        return float(np.fmax.reduce(np.append(hourly, six_hour_chance)))
    return six_hour_chance if np.isnan(hourly[0]) else float(hourly[0])


def _wet_part(hours: slice, chance: Array, rain: Array) -> tuple[int, int]:
    """Return the part of a period in which it may rain: from the first hour with a chance to after the last."""
    may_rain = np.flatnonzero((rain[hours] > 0.0) | (chance[hours] != 0.0))  # an unknown chance may be rain
    if not may_rain.size:
        return hours.start, hours.stop
    return hours.start + int(may_rain[0]), hours.start + int(may_rain[-1]) + 1


def _expected_rain(amount: float, upper_end: float, chance: float) -> float:
    """Return the expected rain of a period [mm]: the amount, or more if the upper end of the likely range implies more.

    Rain of wet cases is taken to be exponential: P(R > x) = p exp(-x / mu), so that the upper end gives mu. As p nears
    the share of cases above that end, mu grows beyond bounds, so it is limited to the upper end itself.
    """
    if not upper_end > 0.0 or chance <= 0.0:
        return amount
    return max(amount, chance * upper_end / max(float(np.log(chance / (1.0 - UPPER_QUANTILE))), 1.0))

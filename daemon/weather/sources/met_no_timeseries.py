"""The time series of a reply of MET Norway's Locationforecast: what each of its elements says of an instant and a step.

A time is the beginning of its element's step. Values are in the contract's units, NaN where the service gives none.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.weather.contract import NP_HOUR, VARIABLES, Hours, Refused, iso_text, to_datetime64
from daemon.weather.derive import AIR, DEW
from models.humidity import dew_point_temperature

Array = NDArray[np.float64]

LONG_STEP: Final = 6  # [h] the step of the later days; those of a day begin at 00 UTC
MAX_LEAD: Final = timedelta(days=30)  # from now; the service ends after about 10 days
MAX_START_LAG: Final = timedelta(hours=6)  # before now; the service begins with the hour of the request
MAX_PLACE_OFFSET: Final = 0.1  # [deg] the reply repeats the place requested
MAX_HUMIDITY: Final = 1.1  # [1] humidity above 1 by this is rounding or fog


class MetNoField(NamedTuple):
    """A variable of the service: the unit it must come in, the factor to ours, and our name, which gives its range."""

    unit: str
    factor: float
    name: str

    @property
    def limits(self) -> tuple[float, float]:
        """The least and the greatest value that is plausible, in the service's unit."""
        if self.name not in VARIABLES:  # relative humidity
            return 0.0, MAX_HUMIDITY / self.factor
        variable = VARIABLES[self.name]
        return variable.low / self.factor, variable.high / self.factor


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


@dataclass(frozen=True)
class Timeseries:
    """The elements of a reply in order of time."""

    issued: datetime
    time: Hours  # beginning of each element's step, (element,)
    data: Sequence[Mapping[str, Any]]  # (element,)
    units: Mapping[str, Any]

    @cached_property
    def hours(self) -> Hours:
        """Every hour from the first instant to the last, shape (hour + 1,)."""
        return np.arange(self.time[0], self.time[-1] + NP_HOUR, NP_HOUR)

    @cached_property
    def element_index(self) -> NDArray[np.int64]:
        """The number of the element whose step contains the hour after each of `hours`, shape (hour,)."""
        return np.searchsorted(self.time, self.hours[1:]) - 1

    @cached_property
    def step(self) -> NDArray[np.int64]:
        """The length of the step that each hour lies in [h], shape (hour,)."""
        return (np.diff(self.time) // NP_HOUR)[self.element_index]

    def column(self, part: str, key: str) -> Array:
        """Return one variable of each element in the contract's unit; NaN where it is missing."""
        field = FIELDS[key]
        values = np.array([_parse_number(key, _details(element, part).get(key)) for element in self.data])
        if np.isfinite(values).any() and self.units.get(key) != field.unit:
            raise Refused(f"{key} is in {self.units.get(key)!r}, allowed {field.unit!r}")
        low, high = field.limits
        wrong = (values < low) | (values > high)
        if wrong.any():
            at, value = iso_text(self.time[wrong][0]), values[wrong][0]
            raise Refused(f"{key} at {at}: given {value:g}, allowed {low:g} to {high:g} {field.unit}")
        return values * field.factor

    @cached_property
    def dew_points(self) -> Array:
        """The dew point of each element [degC], from relative humidity where it is missing."""
        air, dew, humidity = (self.column("instant", key) for key in (AIR, DEW, "relative_humidity"))
        share = np.where(humidity > 0.0, np.minimum(humidity, 1.0), np.nan)
        return np.where(np.isnan(dew), dew_point_temperature(air, share), dew)

    def step_values(self, key: str, shares: int = 1) -> Array:
        """Return the value of the step that each hour lies in; that of a long step is divided by `shares`."""
        hourly = self.column("next_1_hours", key)[self.element_index]
        six_hourly = (self.column("next_6_hours", key) / shares)[self.element_index]
        begins = hours_since_midnight(self.time[self.element_index])
        is_long = (self.step == LONG_STEP) & (begins % LONG_STEP == 0)
        return np.where(self.step == 1, hourly, np.where(is_long, six_hourly, np.nan))

    def six_hour_values(self, key: str) -> Array:
        """Return the value of the six hours that begin with the step of each hour."""
        return self.column("next_6_hours", key)[self.element_index]


def parse_timeseries(reply: bytes, place: Place, now: datetime) -> Timeseries:
    """Parse the elements of a reply, which must be for the place and the time."""
    content = _parse_json(reply)
    try:
        meta, elements = content["properties"]["meta"], content["properties"]["timeseries"]
        issued, units = _parse_time(meta["updated_at"]), dict(meta["units"])
        east, north = (float(degrees) for degrees in content["geometry"]["coordinates"][:2])
        moments = [_parse_time(element["time"]) for element in elements]
        data = [element["data"] for element in elements]
    except (ValueError, LookupError, TypeError, OverflowError):
        raise Refused("the reply has no forecast in it that can be read") from None
    _check_place(north, east, place)
    times = _check_times(moments, now)
    earliest = to_datetime64(now - MAX_START_LAG)
    if times[0] < earliest:
        raise Refused(f"the times begin at {iso_text(times[0])}, allowed {iso_text(earliest)} or later")
    return Timeseries(issued, times, data, units)


def _check_place(north: float, east: float, place: Place) -> None:
    """Refuse a reply for another place; NaN is another place too."""
    off_north = abs(north - place.latitude)
    off_east = abs((east - place.longitude + 180.0) % 360.0 - 180.0)
    if not (off_north <= MAX_PLACE_OFFSET and off_east <= MAX_PLACE_OFFSET):
        raise Refused(f"the reply is for {north:g}, {east:g}, asked for {place.latitude}, {place.longitude}")


def _parse_json(reply: bytes) -> Any:
    try:
        return json.loads(reply)
    except (ValueError, RecursionError):
        tail = reply[-120:].decode("utf-8", "replace").strip()
        raise Refused(f"the reply is no whole JSON; it ends with {tail!r}") from None


def _check_times(moments: Sequence[datetime], now: datetime) -> Hours:
    """Return the times of the elements, which must be whole hours in order and not too far off."""
    if len(moments) < 2:
        raise Refused(f"the reply holds {len(moments)} times, allowed two or more")
    for moment in moments:
        is_whole_hour = (moment.minute, moment.second, moment.microsecond) == (0, 0, 0)
        if not is_whole_hour or abs(moment - now) > MAX_LEAD:
            raise Refused(f"given the time {moment.isoformat()}, allowed whole hours within 30 days of now")
    times = np.array([to_datetime64(moment) for moment in moments])
    if (np.diff(times) <= np.timedelta64(0)).any():
        raise Refused("the times are out of order or given twice")
    return times


def _parse_time(text: str) -> datetime:
    """Parse a time, which must say its zone, and return it in UTC."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(text)
    return moment.astimezone(UTC)


def _details(data: object, part: str) -> Mapping[str, Any]:
    """Return the values of an element's instant or window, empty where it has none."""
    window = data.get(part) if isinstance(data, dict) else None
    details = window.get("details") if isinstance(window, dict) else None
    return details if isinstance(details, dict) else {}


def _parse_number(key: str, value: object) -> float:
    """Parse a value; null becomes NaN, because missing is never 0."""
    if value is None:
        return np.nan
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Refused(f"{key} holds {value!r}, allowed numbers")
    try:
        return float(value)
    except OverflowError:
        return np.inf


def hours_since_midnight(time: Hours) -> NDArray[np.int64]:
    """Return times as hours since some midnight in UTC."""
    return time.astype("datetime64[h]").astype(np.int64)

"""A server on the loopback interface that answers as MET Norway's Locationforecast 2.0 does, from one table of hours.

The table has the contract's names and units, in UTC, labelled at the end of the hour. The duties of a caller are kept
here too: who asks must say so, coordinates have four decimals at most, and If-Modified-Since is taken byte for byte.
"""

import gzip
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from email.utils import format_datetime
from typing import Any, Final

import pandas as pd

from models.humidity import relative_humidity
from tests.loopback.open_meteo import Fault
from tests.loopback.server import Answering, Serving

Reply = dict[str, Any]
Hour = Mapping[Any, float]
Table = Mapping[Any, Hour]

PRODUCT: Final = "/weatherapi/locationforecast/2.0/complete"  # that asked for; the other one only parses
EXPIRES_IN: Final = timedelta(minutes=30)
HOUR: Final = pd.Timedelta(hours=1)
UNITS: Final = {
    "air_pressure_at_sea_level": "hPa",
    "air_temperature": "celsius",
    "air_temperature_max": "celsius",
    "air_temperature_min": "celsius",
    "air_temperature_percentile_10": "celsius",
    "air_temperature_percentile_90": "celsius",
    "cloud_area_fraction": "%",
    "dew_point_temperature": "celsius",
    "precipitation_amount": "mm",
    "precipitation_amount_max": "mm",
    "precipitation_amount_min": "mm",
    "probability_of_precipitation": "%",
    "probability_of_thunder": "%",
    "relative_humidity": "%",
    "wind_from_direction": "degrees",
    "wind_speed": "m/s",
    "wind_speed_of_gust": "m/s",
}
# What only the complete product has.
MORE: Final = ("dew_point_temperature", "wind_speed_of_gust", "precipitation_amount_max", "precipitation_amount_min")
CHANCES: Final = ("probability_of_precipitation", "probability_of_thunder", "precipitation_amount_max")
NO_PAGE: Final = b"<html><head><title>400 Bad Request</title></head><body><h1>400 Bad Request</h1></body></html>"
FORBIDDEN: Final = b"<html><head><title>403 Forbidden</title></head><body><h1>403 Forbidden</h1></body></html>"


@dataclass
class Asked:
    """One request as it came."""

    path: str
    query: dict[str, str]
    headers: dict[str, str]
    status: int = 0  # of the answer


class MetNo(Serving):
    """The server; use it as a context manager.

    Parameters
    ----------
    table : pd.DataFrame
        The hours; a step of six hours is made where all of its hours are in it.
    now : datetime
        The server's time. The reply begins with the hour that this lies in.
    hourly : int
        Hours told one by one; then the steps go on to the next 00, 06, 12 or 18 UTC, and from there by six.
    chances : bool
        Whether chances and likely ranges are told here.
    """

    def __init__(self, table: pd.DataFrame, *, now: datetime, hourly: int = 60, chances: bool = True) -> None:
        super().__init__(_Handler)
        self.table, self.now, self.hourly, self.chances = table, now, hourly, chances
        self.updated = now - timedelta(minutes=49)
        self.modified = format_datetime(self.updated, usegmt=True)
        self.fault: Fault | None = None
        self.asked: list[Asked] = []

    def reply(self, north: float = 43.0, east: float = -75.0, height: float = 300.0, complete: bool = True) -> Reply:
        """The JSON of a good request."""
        steps = list(self._steps())
        hours = dict(zip(self.table.index, self.table.to_dict("records"), strict=True))
        elements = [self._element(hours, *step, complete) for step in steps]
        elements.append(self._element(hours, steps[-1][1], None, complete))  # an instant only
        return {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [east, north, height]},
            "properties": {
                "meta": {"updated_at": f"{self.updated:%Y-%m-%dT%H:%M:%SZ}", "units": dict(UNITS)},
                "timeseries": elements,
            },
        }

    def _steps(self) -> Iterator[tuple[pd.Timestamp, pd.Timestamp]]:
        """Begin and end of each step."""
        begin = pd.Timestamp(self.now).floor("h")
        change = (begin + self.hourly * HOUR).ceil("6h")
        while begin < self.table.index[-1]:
            end = begin + (HOUR if begin < change else 6 * HOUR)
            if end > self.table.index[-1]:
                return
            yield begin, end
            begin = end

    def _element(self, table: Table, begin: pd.Timestamp, end: pd.Timestamp | None, complete: bool) -> Reply:
        data: Reply = {"instant": {"details": self._kept(_instant(table[begin]), complete)}}
        if end is not None:
            for length in (1, 6) if end - begin == HOUR else (6,):
                window = [table[begin + n * HOUR] for n in range(1, length + 1) if begin + n * HOUR in table]
                if len(window) == length:
                    told = {"summary": {"symbol_code": "cloudy"}, "details": self._kept(_window(window), complete)}
                    data[f"next_{length}_hours"] = told
            data["next_12_hours"] = {"summary": {"symbol_code": "cloudy"}, "details": {}}
        return {"time": f"{begin:%Y-%m-%dT%H:%M:%SZ}", "data": data}

    def _kept(self, details: Reply, complete: bool) -> Reply:
        """What the product tells at this place."""
        absent = (() if complete else (*MORE, *CHANCES)) + (() if self.chances else CHANCES)
        return {name: value for name, value in details.items() if name not in absent}


def _instant(hour: Hour) -> Reply:
    air, dew = hour["air_temperature"], hour["dew_point_temperature"]
    return {
        "air_pressure_at_sea_level": 1014.2,
        "air_temperature": air,
        "cloud_area_fraction": round(hour["cloud_area_fraction"] * 100.0, 1),
        "dew_point_temperature": dew,
        "relative_humidity": round(float(relative_humidity(air, dew)) * 100.0, 1),
        "wind_from_direction": 231.0,
        "wind_speed": hour["wind_speed"],
        "wind_speed_of_gust": hour["wind_speed_of_gust"],
    }


def _window(hours: Sequence[Hour]) -> Reply:
    """What is told of the hours after a time. It rains in them at least as surely as in the surest of them."""
    rain = round(sum(hour["precipitation_amount"] for hour in hours), 1)
    return {
        "precipitation_amount": rain,
        "precipitation_amount_max": 2.0 * rain,
        "precipitation_amount_min": 0.0,
        "probability_of_precipitation": round(max(hour["probability_of_precipitation"] for hour in hours) * 100.0, 1),
        "probability_of_thunder": round(max(hour["thunderstorm_probability"] for hour in hours) * 100.0, 1),
    }


class _Handler(Answering):
    site: MetNo

    def do_GET(self) -> None:
        path, query = self.path_and_query()
        self.site.asked.append(Asked(path, query, dict(self.headers.items())))
        with suppress(ConnectionError):
            self._answer(path, query)

    def _answer(self, path: str, query: Mapping[str, str]) -> None:
        fault = self._fault()
        if fault.body is not None:
            self._send(fault.status, fault.body, fault.headers)
        elif self._is_rude(query):
            self._send(403, FORBIDDEN, {})
        elif not re.fullmatch(r"-?\d+", query.get("altitude", "0")):
            self._send(400, NO_PAGE, {})
        else:
            self._good(path, query, fault)

    def _is_rude(self, query: Mapping[str, str]) -> bool:
        """Whether nobody is named who asks, or a place is given too closely to be kept for others."""
        named = re.search(r"\(\S+@\S+\)|\(https?://\S+\)", self.headers.get("User-Agent", ""))
        return not named or any(len(query.get(axis, "").partition(".")[2]) > 4 for axis in ("lat", "lon"))

    def _fault(self) -> Fault:
        fault = self.site.fault or Fault()
        fault.times -= 1
        if fault.times <= 0:
            self.site.fault = None
        return fault

    def _good(self, path: str, query: Mapping[str, str], fault: Fault) -> None:
        if path != PRODUCT:
            self._send(404, b"", {})
            return
        kept = {
            "Last-Modified": self.site.modified,
            "Expires": format_datetime(self.site.now + EXPIRES_IN, usegmt=True),
            "Date": format_datetime(self.site.now, usegmt=True),
        }
        if self.headers.get("If-Modified-Since") == self.site.modified:
            self._send(304, b"", kept)
            return
        place = (float(query["lat"]), float(query["lon"]), float(query.get("altitude", 0)))
        content = self.site.reply(*place)
        if fault.change:
            fault.change(content)
        body = json.dumps(content).encode()
        self._send(fault.status, body if fault.cut is None else body[: fault.cut], kept)

    def _send(self, status: int, body: bytes, headers: Mapping[str, str]) -> None:
        self.site.asked[-1].status = status
        packed = "gzip" in self.headers.get("Accept-Encoding", "") and bool(body)
        body = gzip.compress(body) if packed else body
        self.send_response_only(status)
        self.send_header("Content-Type", "application/json" if status in (200, 203) else "text/html")
        if status != 304:
            self.send_header("Content-Length", str(len(body)))
        if packed:
            self.send_header("Content-Encoding", "gzip")
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)


def page(status: int, **headers: str) -> Fault:
    """A refusal, with the HTML that comes with it."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return Fault(status, b"<html><head><title>%d</title></head></html>" % status, headers=named)


def each(change: Callable[[int, Reply], None]) -> Fault:
    """A change of each element's data, by its number."""

    def changed(reply: Reply) -> None:
        for number, element in enumerate(reply["properties"]["timeseries"]):
            change(number, element["data"])

    return Fault(change=changed)

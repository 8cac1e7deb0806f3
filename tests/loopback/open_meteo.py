"""A server on the loopback interface that answers as Open-Meteo does, from one table of hours.

``python -m tests.loopback.open_meteo table.csv --now 2026-06-10T09:00Z`` runs it as a process and prints its address.
The table has the contract's names and units, in UTC, labelled at the end of the hour; weather_code, which the contract
does not have, goes by the service's name. Forecast, ensemble and history are all served below the one address, and
meta.json too.
"""

import argparse
import json
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

import numpy as np
import pandas as pd

from tests.loopback.server import Answering, Serving, next_fault

Reply = dict[str, Any]
Perturb = Callable[[pd.DataFrame, int], pd.DataFrame]

# The service's name: our name, its unit, factor to that unit from ours, decimals it prints.
SERVED: Final[Mapping[str, tuple[str, str, float, int]]] = {
    "temperature_2m": ("air_temperature", "°C", 1.0, 1),
    "dew_point_2m": ("dew_point_temperature", "°C", 1.0, 1),
    "wind_speed_10m": ("wind_speed", "km/h", 3.6, 2),
    "shortwave_radiation": ("surface_downwelling_shortwave_flux_in_air", "W/m²", 1.0, 1),
    "precipitation": ("precipitation_amount", "mm", 1.0, 2),
    "cloud_cover": ("cloud_area_fraction", "%", 100.0, 0),
    "wind_gusts_10m": ("wind_speed_of_gust", "km/h", 3.6, 2),
    "precipitation_probability": ("probability_of_precipitation", "%", 100.0, 0),
    "weather_code": ("weather_code", "wmo code", 1.0, 0),
}
WIND_UNITS: Final = {"kmh": ("km/h", 1.0), "ms": ("m/s", 1 / 3.6), "mph": ("mp/h", 0.621371), "kn": ("kn", 0.539957)}
FORECAST: Final = "/v1/forecast"
ENSEMBLE: Final = "/v1/ensemble"
HISTORY: Final = "/history/v1/forecast"  # the service has it on a host of its own
DRIP: Final = 0.05  # [s] between two bytes


@dataclass
class Fault:
    """What goes wrong with the replies to one path, for the next `times` requests."""

    status: int = 200
    body: bytes | None = None  # instead of the true one
    kind: str = "application/json; charset=utf-8"
    headers: Mapping[str, str] = field(default_factory=dict)
    change: Callable[[Reply], None] | None = None  # of each place's object, before it is written
    cut: int | None = None  # bytes after which the server writes an error text and ends
    drip: bool = False
    times: int = 1_000_000


def error(status: int, reason: str, **headers: str) -> Fault:
    """The service's own error."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    return Fault(status, json.dumps({"error": True, "reason": reason}).encode(), headers=named)


def bad_gateway() -> Fault:
    """The HTML of a proxy in front."""
    return Fault(502, b"<html><body><h1>502 Bad Gateway</h1></body></html>", "text/html")


def redirect(location: str) -> Fault:
    """A lead to somewhere else."""
    return Fault(301, b"", headers={"Location": location})


def nulls(variable: str, hours: Sequence[str] | None = None, member: int | None = None) -> Fault:
    """Nulls at some hours (or all) in all members (or one) of a variable; member 0 is the control."""

    def change(reply: Reply) -> None:
        times = reply["hourly"]["time"]
        for key in [key for key in reply["hourly"] if _is(key, variable, member)]:
            values = zip(times, reply["hourly"][key], strict=True)
            reply["hourly"][key] = [None if hours is None or time in hours else value for time, value in values]

    return Fault(change=change)


def undefined(variable: str) -> Fault:
    """A variable that the model does not have."""

    def change(reply: Reply) -> None:
        for key in [key for key in reply["hourly"] if _is(key, variable, None)]:
            reply["hourly_units"][key] = "undefined"
            reply["hourly"][key] = [None] * len(reply["hourly"][key])

    return Fault(change=change)


def _is(key: str, variable: str, member: int | None) -> bool:
    name, _, number = key.partition("_member")
    return name == variable and (member is None or int(number or 0) == member)


def a_little_windier(frame: pd.DataFrame, member: int) -> pd.DataFrame:
    """No two members alike, and none like the single forecast, but hardly other weather."""
    return frame.assign(wind_speed=frame["wind_speed"] + 0.01 * (member + 1))


@dataclass
class Asked:
    """One request as it came."""

    path: str
    query: dict[str, str]
    user_agent: str


class OpenMeteo(Serving):
    """The server; use it as a context manager.

    `faults` maps a path to what goes wrong there, `asked` lists the requests, `run` is when the newest run started
    (None: meta.json is not served).
    """

    def __init__(
        self,
        table: pd.DataFrame,
        *,
        now: datetime,
        members: int = 31,
        perturb: Perturb | None = None,
        run: datetime | None = None,
        port: int = 0,
    ) -> None:
        super().__init__(_Handler, port)
        self.table, self.now, self.members, self.run = table, now, members, run
        self.perturb = perturb or a_little_windier
        self.faults: dict[str, Fault] = {}
        self.asked: list[Asked] = []

    def fault(self, path: str) -> Fault:
        """What goes wrong with the next reply to a path, if anything."""
        return next_fault(self.faults, path, Fault())

    def reply(self, path: str, query: Mapping[str, str]) -> Any:
        """The JSON of a good request; ValueError with the service's words for a bad one."""
        hours = self._hours(query, 92 if path != ENSEMBLE else 3)
        north, east = ([float(text) for text in query[axis].split(",")] for axis in ("latitude", "longitude"))
        if len(north) != len(east):
            raise ValueError("Parameter 'latitude' and 'longitude' must have the same number of elements")
        height = [float(text) for text in query.get("elevation", "").split(",") if text]
        places = zip(north, east, height or [0.0] * len(north), strict=True)
        replies = [self._place(path, query, hours, i, *place) for i, place in enumerate(places)]
        return replies[0] if len(replies) == 1 else replies

    def _hours(self, query: Mapping[str, str], most_past: int) -> pd.DatetimeIndex:
        today = self.now.astimezone(UTC).date()
        if "start_date" in query:
            if {"past_days", "forecast_days"} & set(query):
                raise ValueError("Parameter 'past_days' is mutually exclusive with 'start_date' and 'end_date'")
            first, last = (date.fromisoformat(query[name]) for name in ("start_date", "end_date"))
        else:
            past, days = int(query.get("past_days", "0")), int(query.get("forecast_days", "7"))
            if not 0 <= past <= most_past:
                raise ValueError(f"Past days is invalid. Allowed range 0 to {most_past}. Given {most_past}.")
            if not 0 <= days <= 16:
                raise ValueError("Forecast days is invalid. Allowed range 0 to 16. Given 16.")
            first, last = today - timedelta(days=past), today + timedelta(days=days - 1)
        return pd.date_range(pd.Timestamp(first), pd.Timestamp(last) + pd.Timedelta(hours=23), freq="h", tz="UTC")

    def _place(
        self,
        path: str,
        query: Mapping[str, str],
        hours: pd.DatetimeIndex,
        number: int,
        north: float,
        east: float,
        height: float,
    ) -> Reply:
        reply: Reply = {
            "latitude": round(north * 4) / 4,
            "longitude": round(east * 4) / 4,
            "generationtime_ms": 0.31,
            "utc_offset_seconds": 0,
            "timezone": "GMT",
            "timezone_abbreviation": "GMT",
            "elevation": height,
        }
        if number:
            reply["location_id"] = number
        units, series = {"time": "iso8601"}, {"time": list(hours.strftime("%Y-%m-%dT%H:%M"))}
        for key, unit, values in self._series(path, query, hours):
            units[key], series[key] = unit, values
        return {**reply, "hourly_units": units, "hourly": series}

    def _series(
        self, path: str, query: Mapping[str, str], hours: pd.DatetimeIndex
    ) -> Iterator[tuple[str, str, list[Any]]]:
        count = self.members if path == ENSEMBLE else 1
        frames = [self.perturb(self.table, m) if path == ENSEMBLE else self.table for m in range(count)]
        models = query.get("models", "best_match").split(",")
        for name in query["hourly"].split(","):
            if name not in SERVED or (path == ENSEMBLE and name == "precipitation_probability"):
                raise ValueError(
                    f"Data corrupted at path ''. Cannot initialize VariableAndPreset from invalid String value {name}."
                )
            for member, frame in enumerate(frames):
                unit, values = _printed(name, frame.reindex(hours), query)
                for model in models:
                    suffix = (f"_member{member:02d}" if member else "") + (f"_{model}" if len(models) > 1 else "")
                    yield name + suffix, unit, values


def _printed(name: str, frame: pd.DataFrame, query: Mapping[str, str]) -> tuple[str, list[Any]]:
    """A series in the units asked for; nulls where the table ends, "undefined" where it has no such column."""
    ours, unit, factor, decimals = SERVED[name]
    if ours not in frame:
        return "undefined", [None] * len(frame)
    if name.startswith("wind"):
        unit, more = WIND_UNITS[query.get("wind_speed_unit", "kmh")]
        factor *= more
    values = frame[ours].to_numpy(dtype=float) * factor
    if unit == "°C" and query.get("temperature_unit") == "fahrenheit":
        unit, values = "°F", values * 1.8 + 32
    if unit == "mm" and query.get("precipitation_unit") == "inch":
        unit, values = "inch", values / 25.4
    digits = decimals or None
    return unit, [round(float(value), digits) if np.isfinite(value) else None for value in values]


def _freshness(run: datetime) -> Reply:
    started = int(run.timestamp())
    return {
        "last_run_initialisation_time": started,
        "last_run_modification_time": started + 12_600,
        "last_run_availability_time": started + 13_200,
        "temporal_resolution_seconds": 3600,
        "data_end_time": started + 864_000,
        "update_interval_seconds": 21_600,
        "chunk_time_length": 121,
        "crs_wkt": "",
    }


class _Handler(Answering):
    site: OpenMeteo

    def do_GET(self) -> None:
        path, query = self.path_and_query()
        self.site.asked.append(Asked(path, query, self.headers.get("User-Agent", "")))
        fault = self.site.fault(path)
        with suppress(ConnectionError):
            self._answer(path, query, fault)

    def _answer(self, path: str, query: Mapping[str, str], fault: Fault) -> None:
        if fault.body is not None:
            self._send(fault.status, fault.body, fault)
            return
        try:
            content = self._content(path, query)
        except KeyError:
            self._send(404, b'{"error":true,"reason":"Not Found"}', fault)
            return
        except ValueError as problem:
            self._send(400, json.dumps({"error": True, "reason": str(problem)}).encode(), fault)
            return
        if fault.change:
            for reply in content if isinstance(content, list) else [content]:
                fault.change(reply)
        body = json.dumps(content, ensure_ascii=False, separators=(",", ":")).encode()
        if fault.cut is not None:
            body = body[: fault.cut] + b"Unexpected error while streaming data: invented error"
        self._send(200, body, fault)

    def _content(self, path: str, query: Mapping[str, str]) -> Any:
        if path.endswith("/static/meta.json") and self.site.run:
            return _freshness(self.site.run)
        if path not in (FORECAST, ENSEMBLE, HISTORY):
            raise KeyError(path)
        return self.site.reply(path, query)

    def _send(self, status: int, body: bytes, fault: Fault) -> None:
        self.send_response(status)
        self.send_header("Content-Type", fault.kind)
        self.send_header("Content-Length", str(len(body)))
        for name, value in fault.headers.items():
            self.send_header(name, value)
        self.end_headers()
        if not fault.drip:
            self.wfile.write(body)
            return
        for byte in body:
            if self.site.stopped.wait(DRIP):
                return
            self.wfile.write(bytes([byte]))


def read_table(path: str) -> pd.DataFrame:
    """The table of a CSV file with a column time and the contract's names."""
    frame = pd.read_csv(path, comment="#")
    return frame.set_index(pd.DatetimeIndex(pd.to_datetime(frame.pop("time"), utc=True)))


def main() -> None:
    """Serve until the standard input ends or the process is ended."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("table")
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--members", type=int, default=31)
    parser.add_argument("--now", type=datetime.fromisoformat, required=True)
    parser.add_argument("--run", type=datetime.fromisoformat)
    given = parser.parse_args()
    options = {"now": given.now, "members": given.members, "run": given.run, "port": given.port}
    with OpenMeteo(read_table(given.table), **options) as server:
        print(server.address, flush=True)
        with suppress(KeyboardInterrupt):
            threading.Event().wait()


if __name__ == "__main__":
    main()

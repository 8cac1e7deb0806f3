"""A server on the loopback interface that answers as api.weather.gov does, from one table of hours.

The table has the contract's names and units, in UTC, labelled at the end of the hour. What holds at a label is written
from that label on, equal neighbours joined; an amount is of the hours that it is written for, and never joined.
"""

import json
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from itertools import groupby
from typing import Any, Final

import numpy as np
import pandas as pd

from tests.loopback.server import Answering, Serving, next_fault

Reply = dict[str, Any]
Values = list[dict[str, Any]]

# The service's layer: our column, its unit, factor to that unit from ours, hours from the label to where it begins.
LAYERS: Final[Mapping[str, tuple[str, str | None, float, int]]] = {
    "temperature": ("air_temperature", "wmoUnit:degC", 1.0, 0),
    "dewpoint": ("dew_point_temperature", "wmoUnit:degC", 1.0, 0),
    "windSpeed": ("wind_speed", "wmoUnit:km_h-1", 3.6, 0),
    "skyCover": ("cloud_area_fraction", "wmoUnit:percent", 100.0, 0),
    "windGust": ("wind_speed_of_gust", "wmoUnit:km_h-1", 3.6, -1),
    "probabilityOfThunder": ("thunderstorm_probability", None, 100.0, -1),
    "probabilityOfPrecipitation": ("probability_of_precipitation", "wmoUnit:percent", 100.0, -1),
}
TOTALS: Final = "quantitativePrecipitation"
GRID: Final = "/gridpoints/XYZ/70,82"
ALERTS: Final = "/alerts/active"
JSON: Final = "application/geo+json"
HOUR: Final = pd.Timedelta(hours=1)


@dataclass
class Fault:
    """What goes wrong with the replies to one path, for the next `times` requests."""

    status: int = 200
    body: bytes | None = None  # instead of the true one
    kind: str = JSON
    headers: Mapping[str, str] = field(default_factory=dict)
    change: Callable[[Reply], None] | None = None  # of the properties, before they are written
    times: int = 1_000_000


@dataclass
class Asked:
    """One request as it came."""

    path: str
    query: dict[str, str]
    headers: dict[str, str]


def problem(status: int, name: str, title: str, detail: str, times: int = 1_000_000) -> Fault:
    """The service's own error, RFC 7807."""
    body = {
        "correlationId": "1a2b3c4d",
        "title": title,
        "type": f"https://api.weather.gov/problems/{name}",
        "status": status,
        "detail": detail,
        "instance": "https://api.weather.gov/requests/1a2b3c4d",
    }
    return Fault(status, json.dumps(body).encode(), "application/problem+json", times=times)


def uncovered() -> Fault:
    """A point that no office forecasts for."""
    return problem(404, "InvalidPoint", "Data Unavailable For Requested Point", "Unable to provide data for this point")


def expired() -> Fault:
    """A grid that its office has not renewed."""
    detail = "The requested forecast grid was issued 2026-05-31T02:50:40+00:00 and has expired."
    return problem(503, "ForecastGridExpired", "Forecast Grid Expired", detail)


def bad_gateway() -> Fault:
    """The HTML of the network in front."""
    return Fault(502, b"<html><head><title>502 Bad Gateway</title></head></html>", "text/html")


def alert(name: str, **changes: Any) -> Reply:
    """One alert in the true shape, numbers and words invented."""
    properties: Reply = {
        "id": f"urn:oid:2.49.0.1.840.0.{name}",
        "areaDesc": "Somewhere",
        "references": [],
        "sent": "2026-06-10T03:12:00-04:00",
        "effective": "2026-06-10T03:12:00-04:00",
        "onset": "2026-06-10T14:00:00-04:00",
        "expires": "2026-06-10T11:00:00-04:00",
        "ends": "2026-06-10T22:00:00-04:00",
        "status": "Actual",
        "messageType": "Alert",
        "category": "Met",
        "severity": "Severe",
        "certainty": "Likely",
        "urgency": "Expected",
        "event": "Severe Thunderstorm Watch",
        "senderName": "NWS Somewhere",
        "headline": "Severe Thunderstorm Watch until 10 PM",
        "description": "",
        "instruction": None,
    }
    return {"type": "Feature", "geometry": None, "properties": properties | changes}


def replaces(name: str) -> Reply:
    """The way in which an alert names one that it replaces."""
    identifier = f"urn:oid:2.49.0.1.840.0.{name}"
    return {"@id": f"https://api.weather.gov/alerts/{identifier}", "identifier": identifier, "sender": "w@example.org"}


class WeatherGov(Serving):
    """The server; use it as a context manager.

    `faults` maps a path to what goes wrong there, `asked` lists the requests, `issued` is when the office wrote the
    grid, `amount` the hours of one amount of rain, `alerts` those in force.
    """

    def __init__(self, table: pd.DataFrame, *, issued: datetime, amount: int = 6) -> None:
        super().__init__(_Handler)
        self.table, self.issued, self.amount = table, issued, amount
        self.alerts: list[Reply] = []
        self.faults: dict[str, Fault] = {}
        self.asked: list[Asked] = []

    def fault(self, path: str) -> Fault:
        """What goes wrong with the next reply to a path, if anything."""
        return next_fault(self.faults, path, Fault())

    def reply(self, path: str, accept: str) -> Reply:
        """The reply to a good request."""
        if path == ALERTS:
            return {"type": "FeatureCollection", "features": self.alerts, "title": "Current watches and warnings"}
        if path.startswith("/points/"):
            return _feature({"gridId": "XYZ", "gridX": 70, "gridY": 82, "forecastGridData": self.address + GRID})
        # Who does not say what he accepts is served from a copy that is days old.
        issued = self.issued if accept == JSON else self.issued - timedelta(days=3)
        return _feature(written_grid(self.table, issued, self.amount, self.address))


def written_grid(
    table: pd.DataFrame, issued: datetime, amount: int = 6, address: str = "https://weather.example.org"
) -> Reply:
    """The layers of the one cell, rain in amounts of so many hours."""
    first, last = table.index[0], table.index[-1]
    days, seconds = divmod(int((last - first).total_seconds()), 86_400)
    return {
        "@id": address + GRID,
        "@type": "wx:Gridpoint",
        "updateTime": issued.isoformat(timespec="seconds"),
        "validTimes": f"{_iso(first)}/P{days}DT{seconds // 3600}H",
        "elevation": {"unitCode": "wmoUnit:m", "value": 300.0},
        "gridId": "XYZ",
        "gridX": 70,
        "gridY": 82,
        **{key: _layer(table, *told) for key, told in LAYERS.items()},
        TOTALS: {"uom": "wmoUnit:mm", "values": list(_totals(table, amount))},
        "snowLevel": {"values": []},
        "hazards": {"values": []},
    }


def _layer(table: pd.DataFrame, column: str, uom: str | None, factor: float, shift: int) -> Reply:
    if column not in table:
        return {"values": []}
    return {**({"uom": uom} if uom else {}), "values": list(_joined(table[column] * factor, shift))}


def _totals(table: pd.DataFrame, amount: int) -> Iterator[dict[str, Any]]:
    """An amount for each whole step of the UTC day."""
    begin = pd.DatetimeIndex(table.index).shift(-1, freq="h").floor(f"{amount}h")
    for start, part in table["precipitation_amount"].groupby(begin):
        if len(part) == amount:
            yield {"validTime": f"{_iso(start)}/PT{amount}H", "value": float(part.sum())}


def _feature(properties: Reply) -> Reply:
    return {"@context": [], "type": "Feature", "geometry": None, "properties": properties}


def _joined(series: "pd.Series[float]", shift: int) -> Iterator[dict[str, Any]]:
    """Values with the time that each holds for, equal neighbours joined."""
    for value, run in groupby(zip(series.index, series, strict=True), lambda pair: pair[1]):
        labels = [label for label, _ in run]
        days, hours = divmod(len(labels), 24)
        length = f"P{f'{days}D' if days else ''}{f'T{hours}H' if hours else ''}"
        shown = None if np.isnan(value) else float(value)
        yield {"validTime": f"{_iso(labels[0] + shift * HOUR)}/{length}", "value": shown}


def _iso(label: pd.Timestamp) -> str:
    return label.isoformat(timespec="seconds")


class _Handler(Answering):
    site: WeatherGov

    def do_GET(self) -> None:
        path, query = self.path_and_query()
        self.site.asked.append(Asked(path, query, dict(self.headers)))
        with suppress(ConnectionError):
            self._send(*self._answer(path, query, self.site.fault(path)))

    def _answer(self, path: str, query: Mapping[str, str], fault: Fault) -> tuple[bytes, Fault]:
        fault = fault if fault.body is not None else self._turned_away(path, query) or fault
        if fault.body is not None:
            return fault.body, fault
        stamp = format_datetime(self.site.issued.astimezone(UTC), usegmt=True)
        fault.headers = {"Last-Modified": stamp, "Cache-Control": "public, max-age=0", **fault.headers}
        if self.headers.get("If-Modified-Since") == stamp:
            return b"", Fault(304, headers=fault.headers)
        reply = self.site.reply(path, self.headers.get("Accept", ""))
        if fault.change:
            fault.change(reply.get("properties", reply))
        return json.dumps(reply).encode(), fault

    def _turned_away(self, path: str, query: Mapping[str, str]) -> Fault | None:
        """What a bad request is told, a long or untidy point among them; None for a good one."""
        if not re.search(r"\(.+\)", self.headers.get("User-Agent", "")):
            return problem(403, "Forbidden", "Forbidden", "A User-Agent with a contact is required")
        if set(query) - ({"point"} if path == ALERTS else set()):
            return problem(400, "BadRequest", "Bad Request", "Query parameter is not recognized")
        if path.startswith("/points/"):
            tidy = ",".join(_tidy(angle) for angle in path.removeprefix("/points/").split(","))
            return Fault(301, b"", headers={"Location": f"/points/{tidy}"}) if path != f"/points/{tidy}" else None
        if path not in (GRID, ALERTS):
            return problem(404, "NotFound", "Not Found", "Not Found")
        return None

    def _send(self, body: bytes, fault: Fault) -> None:
        self.send_response(fault.status)
        self.send_header("Content-Type", fault.kind)
        self.send_header("Content-Length", str(len(body)))
        for name, value in fault.headers.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)


def _tidy(angle: str) -> str:
    """Cut to four decimals, then without zeros at the end."""
    whole, point, rest = angle.partition(".")
    return f"{whole}{point}{rest[:4]}".rstrip("0").rstrip(".") if point else whole

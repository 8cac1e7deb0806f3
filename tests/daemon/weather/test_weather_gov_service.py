from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
import requests
import xarray as xr

from daemon.domain.farm import Place
from daemon.domain.prospect import OfficialWarning
from daemon.weather.contract import Refused, validate
from daemon.weather.http.client import open_session
from daemon.weather.sources import weather_gov
from tests.loopback.hours import HERE, NOW, invented, source
from tests.loopback.weather_gov import (
    ALERTS,
    GRID,
    JSON,
    Fault,
    Reply,
    WeatherGov,
    alert,
    bad_gateway,
    expired,
    problem,
    replaces,
    uncovered,
)

pytestmark = pytest.mark.slow

ISSUED: Final = NOW - timedelta(hours=3)
POINT: Final = "/points/43,-75"
RAIN: Final = "precipitation_amount"
DRY: Final = invented("2026-06-10T01:00", "2026-06-14T12:00").drop(columns=["probability_of_precipitation"])


@pytest.fixture
def server() -> Iterator[WeatherGov]:
    with WeatherGov(DRY.copy(), issued=ISSUED) as server:
        yield server


@pytest.fixture
def session() -> Iterator[requests.Session]:
    with open_session("mail@farm.example.org", backoff=0) as session:
        yield session


def fetched(server: WeatherGov, session: requests.Session, place: Place = HERE) -> xr.Dataset:
    return validate(weather_gov.fetch(source(), place, NOW, session, address=server.address))


def test_one_wet_hour_stays_at_its_label_all_the_way(server: WeatherGov, session: requests.Session) -> None:
    server.table.loc["2026-06-11T14:00Z", RAIN] = 3.2
    server.amount = 1
    rain = fetched(server, session)[RAIN].isel(member=0).to_series()
    assert rain[rain > 0].to_dict() == {pd.Timestamp("2026-06-11T14:00"): pytest.approx(3.2)}


def test_chances_of_rain_become_members(server: WeatherGov, session: requests.Session) -> None:
    server.table["probability_of_precipitation"] = 0.2
    found = fetched(server, session)
    assert found.attrs["synthetic"] == 1
    assert found.sizes["member"] >= 20


# --- The service ----------------------------------------------------------------------------------------------


def test_a_point_is_asked_for_as_the_service_wants_it(server: WeatherGov, session: requests.Session) -> None:
    fetched(server, session, replace(HERE, latitude=43.00004, longitude=-75.1234999))
    assert [asked.path for asked in server.asked] == ["/points/43,-75.1235", GRID]
    assert all(asked.query == {} for asked in server.asked)
    assert {asked.headers["Accept"] for asked in server.asked} == {JSON}
    assert all("mail@farm.example.org" in asked.headers["User-Agent"] for asked in server.asked)


def test_a_redirect_of_the_point_is_followed(server: WeatherGov, session: requests.Session) -> None:
    server.faults[POINT] = Fault(301, b"", headers={"Location": "/points/43.0001,-75"})
    assert fetched(server, session).sizes["member"] == 1
    assert [asked.path for asked in server.asked] == [POINT, "/points/43.0001,-75", GRID]


def test_the_address_of_the_grid_is_that_of_the_reply(server: WeatherGov, session: requests.Session) -> None:
    def moved(reply: Reply) -> None:
        reply["forecastGridData"] = f"{server.address}/gridpoints/ABC/1,2"

    server.faults[POINT] = Fault(change=moved)
    with pytest.raises(Refused, match=r"gridpoints/ABC/1,2 answered 404"):
        fetched(server, session)


@pytest.mark.parametrize(
    "url", ["http://weather.example.org/gridpoints/XYZ/70,82", "file:///etc/hostname", "gridpoints", "http://[", [1]]
)
def test_a_point_leads_to_no_other_host(server: WeatherGov, session: requests.Session, url: object) -> None:
    server.faults[POINT] = Fault(change=lambda reply: reply.update(forecastGridData=url))
    with pytest.raises(Refused, match="/points/43,-75 leads to"):
        fetched(server, session)
    assert len(server.asked) == 1


def test_a_place_that_is_not_covered_is_told_so(server: WeatherGov, session: requests.Session) -> None:
    server.faults["/points/50.25,10"] = uncovered()
    away = Place(50.25, 10.0, 300.0, ZoneInfo("Europe/Berlin"))
    with pytest.raises(Refused, match=r"^weather.gov does not cover 50.25,10 .*name another source"):
        fetched(server, session, away)
    server.faults[POINT] = Fault(change=lambda reply: reply.update(forecastGridData=None))
    with pytest.raises(Refused, match=r"^weather.gov does not cover 43,-75"):
        fetched(server, session)


def test_who_does_not_name_himself_is_told_why_he_is_refused(server: WeatherGov) -> None:
    with requests.Session() as nameless, pytest.raises(Refused, match=r"answered 403: .*User-Agent"):
        fetched(server, nameless)


def test_a_failure_that_passes_is_got_over(server: WeatherGov, session: requests.Session) -> None:
    server.faults[GRID] = problem(500, "UnexpectedProblem", "Unexpected Problem", "An unexpected problem", times=1)
    assert fetched(server, session).sizes["member"] == 1
    assert [asked.path for asked in server.asked] == [POINT, GRID, GRID]


def test_a_grid_that_has_expired_is_refused_in_the_service_s_words(
    server: WeatherGov, session: requests.Session
) -> None:
    server.faults[GRID] = expired()
    with pytest.raises(Refused, match=r"answered 503.*issued 2026-05-31.*1a2b3c4d"):
        fetched(server, session)
    assert len(server.asked) <= 5  # the point, and a few tries


def test_the_html_of_a_proxy_is_told_shortly(server: WeatherGov, session: requests.Session) -> None:
    server.faults[GRID] = bad_gateway()
    with pytest.raises(Refused, match="answered 502") as refused:
        fetched(server, session)
    assert "<" not in str(refused.value)


@pytest.mark.parametrize("path", [POINT, GRID])
def test_html_with_a_good_status_is_no_reply(server: WeatherGov, session: requests.Session, path: str) -> None:
    server.faults[path] = Fault(body=b"<html></html>", kind="text/html")
    with pytest.raises(Refused, match=f"{path}: the reply is no whole JSON"):
        fetched(server, session)


def test_an_old_grid_is_refused_with_its_address(server: WeatherGov, session: requests.Session) -> None:
    server.issued = NOW - timedelta(days=2)
    with pytest.raises(Refused, match=r"gridpoints/XYZ/70,82: the grid was made at 2026-06-08"):
        fetched(server, session)


def test_what_has_not_changed_is_not_sent_again(server: WeatherGov, tmp_path: Path) -> None:
    found = []
    for _ in range(2):
        with open_session("mail@farm.example.org", backoff=0, cache=tmp_path) as session:
            found.append(fetched(server, session))
    xr.testing.assert_identical(*found)
    again = [asked for asked in server.asked if asked.path == GRID][1:]
    assert [asked.headers.get("If-Modified-Since") for asked in again] == ["Wed, 10 Jun 2026 06:20:00 GMT"]


# --- Official warnings ----------------------------------------------------------------------------------------


def told(server: WeatherGov, session: requests.Session, now: datetime = NOW) -> list[str]:
    found = weather_gov.fetch_warnings(HERE, now, session, address=server.address)
    return [warning.event for warning in found]


def test_a_warning_is_told_with_who_issued_it_and_when_it_holds(server: WeatherGov, session: requests.Session) -> None:
    server.alerts = [alert("1")]
    assert weather_gov.fetch_warnings(HERE, NOW, session, address=server.address) == (
        OfficialWarning(
            "Severe Thunderstorm Watch",
            "NWS Somewhere",
            datetime(2026, 6, 10, 18, tzinfo=UTC),
            datetime(2026, 6, 11, 2, tzinfo=UTC),
            "Severe Thunderstorm Watch until 10 PM",
        ),
    )
    assert [(asked.path, asked.query) for asked in server.asked] == [(ALERTS, {"point": "43,-75"})]


def test_no_alert_is_no_warning(server: WeatherGov, session: requests.Session) -> None:
    assert told(server, session) == []


def test_a_warning_is_told_once_and_not_after_it_is_replaced(server: WeatherGov, session: requests.Session) -> None:
    update = alert("2", event="Tornado Warning", messageType="Update", references=[replaces("1")])
    server.alerts = [alert("1"), update, update, alert("3", event="Flood Watch")]
    assert told(server, session) == ["Flood Watch", "Tornado Warning"]


def test_a_cancelled_warning_is_none(server: WeatherGov, session: requests.Session) -> None:
    server.alerts = [alert("1"), alert("2", messageType="Cancel", references=[replaces("1")])]
    assert told(server, session) == []


@pytest.mark.parametrize("status", ["Test", "Exercise", "Draft", "System"])
def test_a_test_neither_warns_nor_replaces(server: WeatherGov, session: requests.Session, status: str) -> None:
    server.alerts = [alert("1"), alert("2", event="Nothing", status=status, references=[replaces("1")])]
    assert told(server, session) == ["Severe Thunderstorm Watch"]


def test_a_warning_ends_when_it_says_or_else_when_its_text_does(server: WeatherGov, session: requests.Session) -> None:
    server.alerts = [
        alert("1"),
        alert("2", event="Short", ends=None),
        alert("3", event="Open", ends=None, expires=None),
    ]
    at_three, later = (datetime(2026, 6, 10, hour, tzinfo=UTC) for hour in (14, 15))
    assert told(server, session, at_three) == ["Open", "Severe Thunderstorm Watch", "Short"]
    assert told(server, session, later) == ["Open", "Severe Thunderstorm Watch"]  # 11 EDT is 15 UTC
    assert told(server, session, datetime(2026, 6, 11, 2, tzinfo=UTC)) == ["Open"]


def test_warnings_stand_in_the_order_in_which_they_begin(server: WeatherGov, session: requests.Session) -> None:
    late, early = alert("1", event="Late"), alert("2", event="Early", onset=None)  # effective from the night on
    server.alerts = [late, early]
    assert told(server, session) == ["Early", "Late"]


@pytest.mark.parametrize(
    "changes", [{"effective": None, "onset": None}, {"ends": "tonight"}, {"id": []}, {"references": [{}]}]
)
def test_a_warning_that_cannot_be_read_is_not_passed_over(
    server: WeatherGov, session: requests.Session, changes: Reply
) -> None:
    server.alerts = [alert("1", **changes)]
    with pytest.raises(Refused, match="alerts/active: an official warning cannot be read"):
        told(server, session)


@pytest.mark.parametrize("body", [b"", b"[]", b'{"features": [1]}', b'{"features": null}', b"{}"])
def test_what_is_no_list_of_warnings_is_refused(body: bytes) -> None:
    with pytest.raises(Refused):
        weather_gov.parse_warnings(body, NOW)


def test_warnings_that_cannot_be_had_are_not_known(server: WeatherGov, session: requests.Session) -> None:
    server.faults[ALERTS] = problem(503, "UnavailableWebService", "Unavailable", "Try again later")
    with pytest.raises(Refused, match="answered 503"):
        told(server, session)

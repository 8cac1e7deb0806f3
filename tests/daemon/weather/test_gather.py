"""The sources in their order, against real servers in the shape of each: who is taken, and what is said of it."""

import json
from dataclasses import replace
from datetime import timedelta
from html import unescape
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from daemon.advice.advise import Stores, advise
from daemon.domain.farm import Place, Units
from daemon.domain.prospect import Reason, reason_of
from daemon.page.server import render_page
from daemon.service.health import take_snapshot
from daemon.weather.contract import Refused, Weather, validate
from daemon.weather.gather import SOURCES, Request, SourceReply, gather
from daemon.weather.sources import met_no
from daemon.words.causes import unknown_detail_text
from tests.loopback.hours import NOW
from tests.loopback.met_no import page
from tests.loopback.open_meteo import ENSEMBLE, FORECAST
from tests.loopback.open_meteo import Fault as OpenMeteoFault
from tests.loopback.weather_gov import ALERTS, GRID, Fault, alert, problem, uncovered
from tests.loopback.world import AIR, World, world
from tests.support.farms import stand_of
from tests.support.weather import field

pytestmark = pytest.mark.slow

ALL = ("open-meteo", "weather.gov", "met.no")
HOUR = timedelta(hours=1)
POINT = "/points/43,-75"


def source_of(weather: Weather) -> str:
    return str(weather.ahead.attrs["source"])


def note(weather: Weather) -> str:
    return str(weather.ahead.attrs["note"])


# --- Who is taken ------------------------------------------------------------------------------------------------


def test_the_first_source_is_taken_and_nothing_is_said(servers: World) -> None:
    found = servers.told(*ALL)
    assert (source_of(found), note(found)) == ("open-meteo", "")
    assert found.ahead.sizes["member"] == 9
    assert servers.met_no.asked == []
    assert [asked.path for asked in servers.weather_gov.asked] == [ALERTS]
    validate(found.past)


def test_where_the_first_is_refused_the_next_takes_over_and_why_is_said(servers: World) -> None:
    servers.told(*ALL, now=NOW - HOUR)
    servers.refuse_open_meteo("the store is being rebuilt")
    found = servers.told(*ALL, warmer=1.0)
    assert source_of(found) == "weather.gov"
    assert note(found).startswith("open-meteo: forecast was refused: ")
    assert "answered 400: the store is being rebuilt" in note(found)
    assert found.ahead.attrs["synthetic"] == 1


def test_the_switch_stands_on_the_morning_that_the_page_shows(servers: World) -> None:
    servers.told("open-meteo", now=NOW - HOUR)
    servers.refuse_open_meteo("the store is being rebuilt")
    servers.at(NOW)
    morning = advise(servers.farm(*ALL), NOW, stores=Stores(archive=servers.archive))
    assert morning.prospect.weather is not None
    assert morning.prospect.weather.source == "weather.gov"
    shown = unescape(render_page(take_snapshot(servers.farm(*ALL), morning, (), NOW)))
    assert "answered 400: the store is being rebuilt" in shown
    assert "from weather.gov (" in shown


def test_a_late_forecast_gives_way_to_the_next_and_its_past_hours_are_used(servers: World) -> None:
    servers.open_meteo.run = NOW - 19 * HOUR
    found = servers.told(*ALL)
    assert source_of(found) == "weather.gov"
    assert note(found).startswith("open-meteo: its forecast is 19 hours old, no more than 18 allowed")
    asked = [asked.path for asked in servers.open_meteo.asked]
    assert asked.count(FORECAST) == 1, "what it told of the past is not asked for again"
    servers.open_meteo.run = NOW - 17 * HOUR
    assert source_of(servers.told(*ALL)) == "open-meteo"


def test_a_late_forecast_that_nobody_replaces_comes_with_its_age(servers: World) -> None:
    servers.open_meteo.run = NOW - 30 * HOUR
    servers.weather_gov.faults[POINT], servers.met_no.fault = uncovered(), page(422)
    morning = advise(servers.farm(*ALL), NOW, stores=Stores(archive=servers.archive, is_recording=True))
    assert "30 hours old, no more than 18 allowed" in unknown_detail_text(morning.prospect.trouble, Units.US)
    assert {one.kind.name for one in morning.advices} == {"NONE"}
    assert servers.archive.newest_forecast(servers.place, NOW - 48 * HOUR) is None, (
        "it must not stand in as a good one later"
    )


def test_a_forecast_that_has_stood_still_for_a_day_gives_way(servers: World) -> None:
    servers.told("open-meteo", now=NOW - 25 * HOUR)
    found = servers.told(*ALL)
    assert source_of(found) == "weather.gov"
    assert note(found).startswith("open-meteo: its forecast has not changed for 24 hours")


def test_a_forecast_that_has_stood_still_for_less_is_taken(servers: World) -> None:
    servers.told("open-meteo", now=NOW - 23 * HOUR)
    assert source_of(servers.told(*ALL)) == "open-meteo"


def test_an_ensemble_that_stands_still_is_found_out_beside_a_forecast_that_does_not(servers: World) -> None:
    servers.told("open-meteo", now=NOW - 25 * HOUR)
    servers.at(NOW)

    def warmer(reply: dict[str, dict[str, list[float]]]) -> None:
        reply["hourly"]["temperature_2m"] = [value + 1.0 for value in reply["hourly"]["temperature_2m"]]

    servers.open_meteo.faults[FORECAST] = OpenMeteoFault(change=warmer)
    found = gather(servers.farm(*ALL), NOW, servers.archive)
    assert "open-meteo: its forecast has not changed for 24 hours" in note(found)


def test_what_has_stood_still_does_not_stand_in_for_itself(servers: World) -> None:
    for hours in (25, 20, 14, 8, 1):  # kept anew on the other side of midnight, where other hours are told
        servers.told("open-meteo", now=NOW - hours * HOUR)
    with pytest.raises(Refused, match=r"^open-meteo: its forecast has not changed for 24 hours$"):
        servers.told("open-meteo")


def test_too_few_members_give_way_to_members_drawn_from_chances(servers: World) -> None:
    servers.open_meteo.members = 3
    found = servers.told("open-meteo", "met.no")
    assert (source_of(found), found.ahead.attrs["synthetic"]) == ("met.no", 1)
    assert note(found) == "open-meteo: 4 usable members, 8 needed"
    assert found.ahead.sizes["member"] >= 20


def test_few_members_that_nobody_replaces_never_stand_in_as_a_good_forecast(servers: World) -> None:
    servers.open_meteo.members = 3
    found = servers.told("open-meteo")
    assert (source_of(found), found.ahead.sizes["member"]) == ("open-meteo", 4)
    servers.refuse_open_meteo(paths=(FORECAST, ENSEMBLE))
    with pytest.raises(Refused, match=r"^open-meteo: forecast was refused"):
        servers.told("open-meteo", now=NOW + HOUR)


def test_a_source_that_breaks_down_does_not_take_the_next_with_it(
    servers: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(asked: Request) -> SourceReply:
        return SourceReply(met_no.fetch(asked.farm.weather, None, asked.now, asked.session))  # type: ignore[arg-type]

    servers.told("open-meteo")
    monkeypatch.setitem(SOURCES, "weather.gov", broken)
    found = servers.told("weather.gov", "met.no")
    assert source_of(found) == "met.no"
    assert "weather.gov: what it told could not be read (AttributeError: " in note(found)


def test_a_forecast_that_breaks_the_rules_gives_way_to_the_next(
    servers: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    def wrong(asked: Request) -> SourceReply:
        told = truth(asked)
        return SourceReply(told.ahead.assign_attrs(credit=""))

    truth = SOURCES["met.no"]
    servers.told("open-meteo")
    monkeypatch.setitem(SOURCES, "met.no", wrong)
    found = servers.told("met.no", "weather.gov")
    assert source_of(found) == "weather.gov"
    assert note(found).startswith("met.no: attribute credit")


def test_who_told_the_past_hours_is_named_beside_who_told_the_forecast(servers: World) -> None:
    looks = (("open-meteo", NOW), ("met.no", NOW + HOUR))
    ahead, both = (servers.told(name, now=now).ahead.attrs["credit"] for name, now in looks)
    assert ahead.count("Open-Meteo.com") == 1
    assert both.startswith("Data from MET Norway (https://api.met.no, CC BY 4.0)")
    assert "; past hours: Weather data by Open-Meteo.com (CC BY 4.0), model best_match" in both


# --- When none can be had ------------------------------------------------------------------------------------------


def refuse_all(servers: World) -> None:
    servers.refuse_open_meteo("no power")
    servers.weather_gov.faults[GRID] = problem(503, "ForecastGridExpired", "Expired", "The grid has expired.")
    servers.met_no.fault = page(403)


def test_the_last_good_forecast_stands_in_and_its_age_is_said(servers: World) -> None:
    before = servers.told(*ALL, now=NOW - 10 * HOUR)
    refuse_all(servers)
    found = servers.told(*ALL)
    assert "the last good forecast stands in: it is 10 hours old, no more than 18 allowed" in note(found)
    assert [name for name in ALL if f"{name}: " in note(found)] == list(ALL)
    hours = found.ahead["time"].to_numpy() > np.datetime64("2026-06-10T09")
    air = before.ahead[AIR].sel(time=found.ahead["time"][hours])
    assert np.allclose(found.ahead[AIR].sel(time=air["time"]), air, atol=1e-5)
    morning = advise(servers.farm(*ALL), NOW, stores=Stores(archive=servers.archive))
    shown = unescape(render_page(take_snapshot(servers.farm(*ALL), morning, (), NOW)))
    assert "Weather data 10 hours old, from open-meteo" in shown
    assert "the last good forecast stands in: it is 10 hours old, no more than 18 allowed" in shown


def test_a_forecast_that_stands_in_does_not_grow_younger(servers: World) -> None:
    servers.told(*ALL, now=NOW - 10 * HOUR)
    refuse_all(servers)
    servers.told(*ALL, now=NOW - 5 * HOUR)
    assert "it is 10 hours old" in note(servers.told(*ALL))


def test_an_old_forecast_does_not_stand_in_and_all_reasons_are_told(servers: World) -> None:
    servers.told(*ALL, now=NOW - 18.02 * HOUR)
    refuse_all(servers)
    told = note(servers.told(*ALL))
    assert "open-meteo: forecast was refused" in told
    assert "no power" in told
    assert "weather.gov: " in told
    assert "The grid has expired." in told
    assert "met.no: " in told
    assert "who is asking" in told
    assert "stands in" not in told
    morning = advise(servers.farm(*ALL), NOW, stores=Stores(archive=servers.archive))
    assert morning.mows == ()
    assert reason_of(morning.prospect.trouble) is Reason.DATA_STALE
    assert unknown_detail_text(morning.prospect.trouble, Units.US) == "18.1 hours old, no more than 18 allowed"
    assert all(stand_of(one).stage and stand_of(one).ndf and not one.days for one in morning.prospect.fields), (
        "growth goes on"
    )


def test_without_an_old_forecast_all_reasons_are_the_refusal(servers: World) -> None:
    refuse_all(servers)
    with pytest.raises(Refused, match=r"open-meteo: forecast was refused.*weather\.gov: .*met\.no: "):
        servers.told(*ALL)


# --- Official warnings ---------------------------------------------------------------------------------------------


def test_a_warning_in_the_hours_of_work_is_told_whoever_tells_the_weather(servers: World) -> None:
    servers.weather_gov.alerts = [alert("1")]
    found = servers.told(*ALL)
    assert source_of(found) == "open-meteo"
    assert [(one.event, one.issuer) for one in found.warnings] == [("Severe Thunderstorm Watch", "NWS Somewhere")]


def test_warnings_that_cannot_be_had_are_said_to_be_unknown(servers: World) -> None:
    servers.weather_gov.faults[ALERTS] = problem(503, "UnavailableWebService", "Unavailable", "Try again later")
    found = servers.told(*ALL)
    assert found.warnings == ()
    assert note(found).startswith("official warnings could not be had, so there may be some: ")
    assert "alerts/active answered 503" in note(found)


def test_who_names_no_service_of_warnings_is_told_nothing_of_them(servers: World) -> None:
    found = servers.told("open-meteo", "met.no")
    assert note(found) == ""
    assert servers.weather_gov.asked == []


# --- What is asked -------------------------------------------------------------------------------------------------


def test_many_fields_cost_the_same_requests_as_one(servers: World) -> None:
    counts = []
    for number in (1, 4):
        servers.open_meteo.asked.clear()
        farm = servers.farm("open-meteo")
        fields = tuple(field(f"Field {one}", 5 + one) for one in range(number))
        advise(replace(farm, fields=fields), NOW)
        counts.append([(asked.path, asked.query["latitude"]) for asked in servers.open_meteo.asked if asked.query])
    assert counts[0] == counts[1]
    assert sorted(path for path, _ in counts[0]) == sorted([FORECAST, ENSEMBLE, "/history/v1/forecast"])


def test_a_grid_that_its_office_has_moved_is_found_from_the_point_anew(servers: World, tmp_path: Path) -> None:
    old = json.dumps({"properties": {"forecastGridData": f"{servers.weather_gov.address}/gridpoints/XYZ/1,1"}}).encode()
    servers.weather_gov.faults[POINT] = Fault(body=old, headers={"Cache-Control": "max-age=86400"}, times=1)
    servers.told("open-meteo")
    farm = servers.farm("weather.gov")
    found = gather(farm, NOW, servers.archive, tmp_path / "replies")
    assert source_of(found) == "weather.gov"
    assert [asked.path for asked in servers.weather_gov.asked] == [POINT, "/gridpoints/XYZ/1,1", POINT, GRID, ALERTS]


def test_a_grid_that_is_gone_where_the_point_still_leads_is_refused(servers: World) -> None:
    servers.weather_gov.faults[GRID] = problem(404, "NotFound", "Not Found", "Not Found")
    with pytest.raises(Refused, match=r"weather.gov: .*70,82 answered 404"):
        servers.told("weather.gov", now=NOW + 20 * HOUR)
    assert [asked.path for asked in servers.weather_gov.asked][:3] == [POINT, GRID, POINT]


def test_south_of_the_equator_the_season_is_one_of_its_own(tmp_path: Path) -> None:
    place = Place(-38.2, 175.5, 60.0, ZoneInfo("Pacific/Auckland"))
    now = NOW.replace(month=12, year=2025)
    with world(tmp_path, place, "2025-06-25T00:00Z", now) as servers:
        found = servers.told("met.no", now=now)
        asked = servers.met_no.asked[0].query
    assert (asked["lat"], asked["lon"]) == ("-38.2000", "175.5000")
    assert str(found.past["time"].to_numpy()[0])[:13] == "2025-06-30T00", "the day before 1 July"
    assert found.ahead.attrs["source"] == "met.no"
    sun = found.ahead["surface_downwelling_shortwave_flux_in_air"].mean("member")
    noon = sun["time"].to_numpy()[int(np.argmax(sun.to_numpy()))].astype("datetime64[h]").astype(int) % 24
    assert noon in (0, 1), "noon there is near the UTC midnight"

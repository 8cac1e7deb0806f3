import json
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.request import urlopen
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
import requests
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.domain.farm import Place
from daemon.planning.forecast_hours import forecast_hours
from daemon.weather.contract import Refused, Weather
from daemon.weather.http.client import get, open_session
from daemon.weather.sources import open_meteo
from daemon.weather.sources.open_meteo_reply import FIELDS, _check_cell, parse
from tests.loopback.hours import HERE, NOW, invented, source, written
from tests.loopback.open_meteo import (
    ENSEMBLE,
    FORECAST,
    HISTORY,
    Fault,
    OpenMeteo,
    bad_gateway,
    error,
    nulls,
    redirect,
    undefined,
)
from tests.support.processes import next_line
from tests.support.weather import working_farm

SINCE = date(2026, 6, 5)
RUN = datetime(2026, 6, 10, 0, tzinfo=UTC)
TABLE = invented("2026-06-01", "2026-06-19T23:00")
RAIN = "precipitation_amount"
SUN = "surface_downwelling_shortwave_flux_in_air"
THUNDER = "thunderstorm_probability"
ATTRIBUTES = {
    "source": "open-meteo",
    "model": "best_match",
    "issued_at": "2026-06-01T00:00:00+00:00",
    "fetched_at": "2026-06-01T01:00:00+00:00",
    "credit": "invented",
    "kind": "forecast",
}


@pytest.fixture
def server() -> Iterator[OpenMeteo]:
    with OpenMeteo(TABLE.copy(), now=NOW, members=4, run=RUN) as server:
        yield server


@pytest.fixture
def session() -> Iterator[requests.Session]:
    with open_session("mail@farm.example.org", backoff=0) as session:
        yield session


def fetched(server: OpenMeteo, session: requests.Session, **changes: Any) -> Weather:
    return open_meteo.fetch(source(server.address, **changes), [HERE], SINCE, NOW, session)


# --- Labels, units, members -----------------------------------------------------------------------------------


def test_one_wet_hour_stays_at_its_label_in_every_member(server: OpenMeteo, session: requests.Session) -> None:
    server.table.loc["2026-06-11T14:00Z", RAIN] = 3.2
    server.table.loc["2026-06-08T05:00Z", RAIN] = 1.1
    weather = fetched(server, session)
    wet = weather.ahead[RAIN].to_series().loc[lambda rain: rain > 0]
    assert list(wet) == [3.2] * 5
    assert set(wet.index.get_level_values("time")) == {pd.Timestamp("2026-06-11T14:00")}
    came = weather.past[RAIN].isel(member=0).to_series().loc[lambda rain: rain > 0]
    assert came.to_dict() == {pd.Timestamp("2026-06-08T05:00"): 1.1}


def test_a_reply_of_the_documented_shape_is_read_as_it_is_labelled() -> None:
    # shape as the service's JSON writer gives it, numbers invented
    reply = """{"latitude":43.0,"longitude":-75.0,"generationtime_ms":0.31,"utc_offset_seconds":0,"timezone":"GMT",
     "timezone_abbreviation":"GMT","elevation":331.0,
     "hourly_units":{"time":"iso8601","temperature_2m":"°C","dew_point_2m":"°C","wind_speed_10m":"m/s",
                     "shortwave_radiation":"W/m²","precipitation":"mm","cloud_cover":"%"},
     "hourly":{"time":["2026-06-01T00:00","2026-06-01T01:00","2026-06-01T02:00"],
               "temperature_2m":[14.2,13.8,null],"dew_point_2m":[11,10.5,null],"wind_speed_10m":[1.9,1.7,null],
               "shortwave_radiation":[12.0,0.0,null],"precipitation":[0.00,0.30,null],"cloud_cover":[81,84,null]}}"""
    table = parse(reply.encode(), [HERE], "best_match", open_meteo.FORECAST_FIELDS, ATTRIBUTES)
    assert table.sizes == {"member": 1, "time": 3}
    assert float(table[RAIN].sel(time="2026-06-01T01:00").item()) == 0.3
    assert table["cloud_area_fraction"].values[0, :2].tolist() == pytest.approx([0.81, 0.84])
    assert np.isnan(table["air_temperature"].values[0, 2])
    assert "wind_speed_of_gust" not in table


def test_members_carry_their_numbers_with_and_without_the_model_in_the_name() -> None:
    keys = {"": 0.0, "_member01": 1.0, "_member02_ncep_gefs025": 2.0, "_member12": 12.0}
    hourly: dict[str, list[Any]] = {"time": ["2026-06-01T00:00"]}
    units = {"time": "iso8601"}
    for name in open_meteo.ENSEMBLE_FIELDS:
        for suffix, value in keys.items():
            hourly[name + suffix], units[name + suffix] = [value], FIELDS[name].unit
    answer = {"latitude": 43, "longitude": -75, "utc_offset_seconds": 0, "hourly_units": units, "hourly": hourly}
    table = parse(json.dumps(answer).encode(), [HERE], "ncep_gefs025", open_meteo.ENSEMBLE_FIELDS, ATTRIBUTES)
    assert table["member"].values.tolist() == ["00", "01", "02", "12"]
    assert table["wind_speed"].values[:, 0].tolist() == [0, 1, 2, 12]


def test_values_come_back_in_our_units_in_both_halves(server: OpenMeteo, session: requests.Session) -> None:
    weather = fetched(server, session)
    for name in TABLE:
        lone = weather.ahead[str(name)].sel(member="forecast").to_series()
        expected = TABLE[name].tz_convert(None).loc["2026-06-09T00:00":]
        np.testing.assert_allclose(lone, expected, atol=0.006)
        past = weather.past[str(name)].isel(member=0).to_series()
        np.testing.assert_allclose(past, TABLE[name].loc["2026-06-04T00:00Z":"2026-06-10T09:00Z"], atol=0.006)
    assert weather.past.attrs["kind"] == "record"
    assert set(weather.ahead["native_step"].to_numpy()) == {3}
    assert weather.ahead[RAIN].attrs == {"units": "mm", "origin": "interpolated"}


def test_the_query_names_every_unit_the_zone_and_one_model(server: OpenMeteo, session: requests.Session) -> None:
    fetched(server, session, api_key="1234-abcd")
    forecast, ensemble = (next(asked for asked in server.asked if asked.path == path) for path in (FORECAST, ENSEMBLE))
    for asked, model in ((forecast, "best_match"), (ensemble, "ncep_gefs025")):
        expected = {
            "latitude": "43.0000",
            "longitude": "-75.0000",
            "elevation": "300",
            "timezone": "GMT",
            "temperature_unit": "celsius",
            "wind_speed_unit": "ms",
            "precipitation_unit": "mm",
            "models": model,
            "apikey": "1234-abcd",
            "forecast_days": "10",
        }
        assert expected.items() <= asked.query.items()
        assert asked.user_agent.startswith("forenoon/")
        assert asked.user_agent.endswith(" (mail@farm.example.org)")
    assert (forecast.query["past_days"], ensemble.query["past_days"]) == ("7", "2")
    assert "precipitation_probability" not in ensemble.query["hourly"]


def test_the_forecast_joins_the_members_and_keeps_what_only_it_knows(
    server: OpenMeteo, session: requests.Session
) -> None:
    server.perturb = lambda frame, member: frame.assign(wind_speed=frame["wind_speed"] + member)
    ahead = fetched(server, session).ahead
    assert ahead["member"].values.tolist() == ["00", "01", "02", "03", "forecast"]
    wind = ahead["wind_speed"].isel(time=20)
    assert (wind - wind[0]).values.tolist() == pytest.approx([0, 1, 2, 3, 0])
    gusts = ahead["wind_speed_of_gust"].isel(time=20).values
    assert np.isnan(gusts[:4]).all()
    assert gusts[4] > 5
    assert ahead["probability_of_precipitation"].attrs["units"] == "1"


def test_several_places_are_told_apart_by_their_order(server: OpenMeteo, session: requests.Session) -> None:
    there = Place(43.6, -75.6, 410.0, ZoneInfo("America/New_York"))
    weather = open_meteo.fetch(source(server.address), [there, HERE], SINCE, NOW, session)
    assert weather.ahead["air_temperature"].dims == ("place", "member", "time")
    assert weather.past["latitude"].values.tolist() == [43.6, 43.0]
    assert weather.ahead.sizes["member"] == 5
    with pytest.raises(Refused, match="the reply is for 43"):
        reply = json.dumps(server.reply(FORECAST, {"latitude": "43", "longitude": "-75", "hourly": "precipitation"}))
        far = replace(HERE, longitude=-77.0)
        parse(reply.encode(), [far], "best_match", open_meteo.FORECAST_FIELDS, ATTRIBUTES)


def test_a_place_beside_the_date_line_is_near_a_cell_across_it() -> None:
    place = replace(HERE, longitude=179.9)
    _check_cell({"utc_offset_seconds": 0, "latitude": 43.0, "longitude": -180.0}, place)


# --- Thunder --------------------------------------------------------------------------------------------------

SHOWERS = {"2026-06-11T18:00Z": 82, "2026-06-11T19:00Z": 95, "2026-06-11T20:00Z": 96, "2026-06-11T21:00Z": 81}


def stormy(server: OpenMeteo, codes: Mapping[str, float]) -> None:
    """Have the server tell a code of the weather in every hour: overcast, but for the hours given."""
    told = pd.Series(codes).set_axis(pd.to_datetime(list(codes), utc=True))
    server.table["weather_code"] = told.reindex(server.table.index, fill_value=3)


def test_thunder_stays_at_its_label_and_no_thunder_is_not_known(server: OpenMeteo, session: requests.Session) -> None:
    stormy(server, SHOWERS)
    weather = fetched(server, session)
    thunder = weather.ahead[THUNDER]
    assert thunder.attrs == {"units": "1", "origin": "derived"}
    told = thunder.to_series().dropna()
    labels = ("2026-06-11T19:00", "2026-06-11T20:00")
    assert told.to_dict() == {("forecast", pd.Timestamp(label)): 1.0 for label in labels}
    assert weather.ahead.attrs["members_dropped"] == 0
    assert weather.ahead["wind_speed_of_gust"].attrs["origin"] == "interpolated"
    for asked in server.asked:
        assert ("weather_code" in asked.query.get("hourly", "")) == (asked.path == FORECAST)


@pytest.mark.parametrize("code", [17, 29, *range(91, 100)])
def test_each_code_of_thunder_is_heard(code: int) -> None:
    assert thunder_of([code, code - 0.5, 80]) == [1.0, None, None]


# 13 is lightning without thunder, 18 squalls, 28 fog, 90 hail without thunder
@pytest.mark.parametrize(
    "code", [0, 13, 16, 18, 28, 30, 82, 90, 100, -95, 1e9, 10**400, "95", "", None, True, [95], {}]
)
def test_another_code_and_what_is_no_code_make_thunder_unknown_and_nothing_worse(code: object) -> None:
    assert thunder_of([95, code, 3]) == [1.0, None, None]


@pytest.mark.parametrize("codes", [[95, 95], [95] * 4, [], None, 95, "95", {"95": 95}])
def test_codes_that_are_not_one_for_each_hour_make_thunder_unknown(codes: object) -> None:
    assert thunder_of(codes) == [None, None, None]


@pytest.mark.parametrize("unit", ["", "%", None, ["wmo code"]])
def test_codes_of_another_kind_make_thunder_unknown(unit: object) -> None:
    assert thunder_of([95, 95, 95], unit) == [None, None, None]


def thunder_of(codes: object, unit: object = "wmo code") -> list[float | None]:
    """Return the thunder of a reply of three hours, a NaN as None."""
    reply = json.loads(json.dumps(SMALL))
    hourly = {key: series[:3] for key, series in reply["hourly"].items()}
    reply["hourly"], reply["hourly_units"]["weather_code"] = {**hourly, "weather_code": codes}, unit
    table = parse(json.dumps(reply).encode(), [HERE], "best_match", open_meteo.FORECAST_FIELDS, ATTRIBUTES)
    assert not table["air_temperature"].isnull().any()
    return [None if np.isnan(value) else value for value in table[THUNDER].sel(member="00").values.tolist()]


def unreadable(reply: dict[str, Any]) -> None:
    reply["hourly"]["weather_code"] = ["95", -95, 1e9, *([95] for _ in reply["hourly"]["weather_code"][3:])]


def test_codes_that_cannot_be_read_cost_no_forecast(server: OpenMeteo, session: requests.Session) -> None:
    stormy(server, SHOWERS)
    server.faults[FORECAST] = Fault(change=unreadable)
    ahead = fetched(server, session).ahead
    assert ahead.sizes["member"] == 5
    assert ahead.attrs["members_dropped"] == 0
    assert ahead[THUNDER].isnull().all()


def test_a_model_without_codes_tells_nothing_of_thunder(server: OpenMeteo, session: requests.Session) -> None:
    weather = fetched(server, session)
    assert THUNDER not in weather.ahead
    assert THUNDER not in weather.past
    assert weather.ahead.sizes["member"] == 5


@pytest.mark.parametrize("history_has_it", [True, False])
def test_thunder_ahead_does_not_hang_on_the_past(history_has_it: bool, session: requests.Session) -> None:
    with OpenMeteo(invented("2026-01-01", "2026-06-19T23:00"), now=NOW, members=2) as server:
        stormy(server, {**SHOWERS, "2026-02-20T20:00Z": 95})
        if not history_has_it:
            server.faults[HISTORY] = undefined("weather_code")
        weather = open_meteo.fetch(source(server.address), [HERE], NOW.date() - timedelta(days=120), NOW, session)
    assert weather.ahead[THUNDER].sum() == 2
    assert (THUNDER in weather.past) == history_has_it
    if history_has_it:
        assert list(weather.past[THUNDER].to_series().dropna().index) == [("00", pd.Timestamp("2026-02-20T20:00"))]


@pytest.mark.parametrize("alone", [False, True])
def test_the_hours_of_work_get_the_thunder_of_the_hour_that_ends_at_its_label(
    alone: bool, server: OpenMeteo, session: requests.Session
) -> None:
    stormy(server, SHOWERS)
    if alone:
        server.faults[ENSEMBLE] = bad_gateway()
    hours = forecast_hours(working_farm(), fetched(server, session), NOW.date())
    assert hours.thunder_probability is not None
    assert hours.thunder_probability.shape == hours.air_temperature.shape == (1 if alone else 5, hours.ends.size)
    heard = np.argwhere(~np.isnan(hours.thunder_probability))
    lone = 0 if alone else 4
    assert [(member, str(hours.ends[hour])[:13]) for member, hour in heard] == [
        (lone, "2026-06-11T19"),
        (lone, "2026-06-11T20"),
    ]
    assert np.nanmin(hours.thunder_probability) == 1.0


# --- Past -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("days", [90, 91, 120])
def test_the_past_is_whole_on_both_sides_of_what_the_service_keeps(days: int, session: requests.Session) -> None:
    table = invented("2026-01-01", "2026-06-19T23:00")
    since = NOW.date() - timedelta(days=days)
    with OpenMeteo(table, now=NOW, members=2) as server:
        # the first hour of a sum has no hour before it
        start = f"{NOW.date() - timedelta(days=min(days + 2, 92))}T00:00"
        server.faults[FORECAST] = nulls("precipitation", [start])
        past = open_meteo.fetch(source(server.address), [HERE], since, NOW, session).past
        asked = [request.query for request in server.asked if request.path == HISTORY]
    first = pd.Timestamp(since - timedelta(days=1))
    assert past["time"].values[0] == first
    assert past["time"].values[-1] == pd.Timestamp("2026-06-10T09:00")
    air = table["air_temperature"].tz_convert(None).loc[first : pd.Timestamp("2026-06-10T09:00")]
    assert past["air_temperature"].values[0].tolist() == air.tolist()
    assert [query["end_date"] for query in asked] == (["2026-03-10"] if days > 90 else [])


def test_an_hour_missing_in_the_past_is_named(server: OpenMeteo, session: requests.Session) -> None:
    server.faults[FORECAST] = nulls("shortwave_radiation", ["2026-06-07T13:00", "2026-06-07T14:00"])
    with pytest.raises(Refused, match=r"2 hours: 2026-06-07T13:00Z, 2026-06-07T14:00Z"):
        fetched(server, session)


# --- Nulls and bad members ------------------------------------------------------------------------------------


def test_trailing_nulls_are_cut_at_the_first_variable_that_ends(session: requests.Session) -> None:
    table = invented("2026-06-01", "2026-06-17T06:00")
    table.loc["2026-06-16T04:00Z":, SUN] = np.nan
    with OpenMeteo(table, now=NOW, members=3) as server:
        ahead = fetched(server, session).ahead
    assert ahead["time"].values[-1] == pd.Timestamp("2026-06-16T03:00")
    assert ahead.sizes["member"] == 4
    assert ahead.attrs["members_dropped"] == 0


@pytest.mark.parametrize("member", [0, 2])
def test_a_bad_member_is_lost_and_counted(server: OpenMeteo, session: requests.Session, member: int) -> None:
    server.faults[ENSEMBLE] = nulls("dew_point_2m", ["2026-06-12T10:00"], member)
    ahead = fetched(server, session).ahead
    assert f"{member:02d}" not in ahead["member"].values
    assert ahead.sizes["member"] == 4
    assert ahead.attrs["members_dropped"] == 1


def test_a_forecast_that_ends_before_the_members_does_not_shorten_them(
    server: OpenMeteo, session: requests.Session
) -> None:
    late = [f"{hour:%Y-%m-%dT%H:%M}" for hour in pd.date_range("2026-06-12T10:00", "2026-06-19T23:00", freq="h")]
    server.faults[FORECAST] = nulls("temperature_2m", late)
    ahead = fetched(server, session).ahead
    assert ahead["time"].values[-1] == pd.Timestamp("2026-06-19T23:00")
    assert "forecast" not in ahead["member"].values
    assert ahead.attrs["members_dropped"] == 1


def short(reply: dict[str, Any]) -> None:
    reply["hourly"]["precipitation_member01"].pop()


def test_a_series_of_another_length_costs_its_member_only(server: OpenMeteo, session: requests.Session) -> None:
    server.faults[ENSEMBLE] = Fault(change=short)
    assert fetched(server, session).ahead["member"].values.tolist() == ["00", "02", "03", "forecast"]


# --- Replies that are refused ---------------------------------------------------------------------------------


def in_kmh(reply: dict[str, Any]) -> None:
    reply["hourly_units"]["wind_speed_10m"] = "km/h"


def in_local_time(reply: dict[str, Any]) -> None:
    reply["utc_offset_seconds"] = -14400


def in_numbers(reply: dict[str, Any]) -> None:
    reply["hourly_units"]["time"] = "unixtime"


def twice(reply: dict[str, Any]) -> None:
    reply["hourly"]["time"][5] = reply["hourly"]["time"][4]


def shifted_by_six_hours(reply: dict[str, Any]) -> None:
    sun = reply["hourly"]["shortwave_radiation"]
    reply["hourly"]["shortwave_radiation"] = sun[6:] + sun[:6]


REFUSALS = [
    (error(429, "Minutely API request limit exceeded. Please try again in one minute."), "try again in one minute"),
    (error(400, "Data corrupted at path ''. Cannot initialize MultiDomains"), "400: Data corrupted"),
    (bad_gateway(), "answered 502"),
    (Fault(cut=3000), "no whole JSON; it ends with .*invented error"),
    (Fault(body=b""), "no whole JSON"),
    (Fault(body=b"[" * 100_000), "no whole JSON"),
    (Fault(body=b"[]"), "for 0 places"),
    (Fault(body=b'[1,"x"]'), "something else than objects"),
    (Fault(body=b'{"error":true,"reason":"invented"}'), "invented"),
    (Fault(body=b'{"utc_offset_seconds":0}'), "does not say for which place"),
    (Fault(change=in_kmh), "wind_speed_10m is in km/h, asked for m/s"),
    (Fault(change=in_local_time), "-14400 s off UTC"),
    (Fault(change=in_numbers), "asked for iso8601"),
    (Fault(change=twice), "given twice"),
    (Fault(change=shifted_by_six_hours), "in the dark"),
    (undefined("dew_point_2m"), "lacks dew_point_temperature; does model best_match have it"),
    (nulls("precipitation"), "precipitation_amount|past weather lacks"),
    (redirect("http://weather.example.org/v1/forecast?apikey=x"), "redirects to weather.example.org/v1/forecast;"),
    (redirect(FORECAST), "redirects without end"),
    (redirect("file:///etc/hostname"), "redirects to"),
]


@pytest.mark.parametrize(("fault", "words"), REFUSALS)
def test_no_forecast_is_refused_with_the_reason_and_without_the_key(
    server: OpenMeteo, session: requests.Session, fault: Fault, words: str
) -> None:
    server.faults[FORECAST] = replace(fault)
    with pytest.raises(Refused, match=words) as refused:
        fetched(server, session, api_key="1234-abcd")
    assert "1234-abcd" not in str(refused.value)


def test_without_the_ensemble_the_forecast_stands_alone_and_says_so(
    server: OpenMeteo, session: requests.Session
) -> None:
    server.faults[ENSEMBLE] = undefined("shortwave_radiation")
    ahead = fetched(server, session).ahead
    assert ahead["member"].values.tolist() == ["00"]
    assert ahead.attrs["model"] == "best_match"
    assert ahead.attrs["note"].startswith("one forecast only, because the ensemble was refused: 127.0.0.1:")


def test_what_the_single_forecast_does_not_have_is_not_known_of_it(
    server: OpenMeteo, session: requests.Session
) -> None:
    server.faults[FORECAST] = undefined("cloud_cover")
    cloud = fetched(server, session).ahead["cloud_area_fraction"]
    assert cloud.sel(member="forecast").isnull().all()
    assert cloud.sel(member="00").notnull().all()


def test_members_that_end_within_a_day_do_not_count(server: OpenMeteo, session: requests.Session) -> None:
    old = [f"{hour:%Y-%m-%dT%H:%M}" for hour in pd.date_range("2026-06-11T09:00", "2026-06-19T23:00", freq="h")]
    server.faults[ENSEMBLE] = nulls("precipitation", old)
    ahead = fetched(server, session).ahead
    assert "the forecast ends at 2026-06-11T08:00Z, allowed 2026-06-11T09:00Z or later" in ahead.attrs["note"]
    server.faults[ENSEMBLE] = nulls("precipitation", old[1:])
    assert "note" not in fetched(server, session).ahead.attrs


def test_when_everything_fails_all_the_reasons_are_told(server: OpenMeteo, session: requests.Session) -> None:
    server.faults = {FORECAST: error(503, "The service is overloaded"), ENSEMBLE: bad_gateway()}
    with pytest.raises(Refused, match=r"forecast was refused: .*503.*overloaded; ensemble was refused: .*502"):
        fetched(server, session)


def test_history_that_fails_is_refused(server: OpenMeteo, session: requests.Session) -> None:
    server.faults[HISTORY] = error(400, "Parameter 'start_date' is out of allowed range")
    with pytest.raises(Refused, match="history/v1/forecast answered 400: Parameter 'start_date'"):
        open_meteo.fetch(source(server.address), [HERE], date(2026, 1, 10), NOW, session)


def test_labels_with_a_zone_are_not_what_was_asked_for(server: OpenMeteo, session: requests.Session) -> None:
    def zoned(reply: Any) -> None:
        reply["hourly"]["time"][5] += "Z"

    server.faults[FORECAST] = Fault(change=zoned)
    with pytest.raises(Refused, match="v1/forecast: the reply has no hours that can be read"):
        fetched(server, session)


def test_hours_of_other_days_than_asked_for_are_refused(server: OpenMeteo, session: requests.Session) -> None:
    def late(reply: Any) -> None:
        reply["hourly"]["time"] = [
            f"{pd.Timestamp(one) + pd.Timedelta(days=1):%Y-%m-%dT%H:%M}" for one in reply["hourly"]["time"]
        ]

    server.faults[ENSEMBLE] = Fault(change=late)
    note = fetched(server, session).ahead.attrs["note"]
    assert "v1/ensemble: its hours begin at 2026-06-09T00:00Z, asked for from 2026-06-08T00:00Z" in note


def test_a_server_that_is_in_the_next_day_already_is_believed(server: OpenMeteo, session: requests.Session) -> None:
    midnight = NOW.replace(hour=23, minute=50)
    server.now = midnight + timedelta(minutes=11)
    ahead = open_meteo.fetch(source(server.address), [HERE], SINCE, midnight, session).ahead
    assert "note" not in ahead.attrs


# --- The network ----------------------------------------------------------------------------------------------


def test_an_overloaded_server_is_asked_again_twice(server: OpenMeteo, session: requests.Session) -> None:
    server.faults[FORECAST] = replace(error(503, "The service is overloaded", Retry_After="0"), times=2)
    assert fetched(server, session).ahead.sizes["member"] == 5
    assert [asked.path for asked in server.asked].count(FORECAST) == 3


def test_a_reached_limit_is_not_asked_again(server: OpenMeteo, session: requests.Session) -> None:
    server.faults[FORECAST] = error(429, "Daily API request limit exceeded. Please try again tomorrow.")
    with pytest.raises(Refused, match="tomorrow"):
        fetched(server, session)
    assert [asked.path for asked in server.asked].count(FORECAST) == 1


def test_a_redirect_within_the_host_is_followed(server: OpenMeteo, session: requests.Session) -> None:
    query = open_meteo._Requests(source(server.address), [HERE], NOW, session)._query(
        "best_match", open_meteo.FORECAST_FIELDS, {}
    )
    text = "&".join(f"{name}={value}" for name, value in query.items())
    server.faults["/moved"] = redirect(f"{FORECAST}?{text}")
    assert json.loads(get(session, f"{server.address}/moved", {}))["timezone"] == "GMT"


def test_a_reply_that_drips_or_swells_is_given_up(server: OpenMeteo, session: requests.Session) -> None:
    server.faults[FORECAST] = Fault(drip=True)
    query = {"latitude": "43", "longitude": "-75", "hourly": "precipitation"}
    with pytest.raises(Refused, match=r"took longer than 0\.2 s"):
        get(session, server.address + FORECAST, query, body_timeout=0.2)
    server.faults.clear()
    with pytest.raises(Refused, match="more than 1000 bytes"):
        get(session, server.address + FORECAST, query, max_bytes=1000)


def test_a_server_that_is_not_there_is_said_without_the_query(session: requests.Session) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"http://127.0.0.1:{taken.getsockname()[1]}"
        with pytest.raises(Refused, match="could not be reached") as refused:
            open_meteo.fetch(source(address, api_key="1234-abcd"), [HERE], SINCE, NOW, session)
    assert "1234-abcd" not in str(refused.value)
    with pytest.raises(Refused, match="look at the address"):
        get(session, "weather.example.org/v1", {})


def test_the_start_of_the_run_is_its_age_or_else_the_fetch(server: OpenMeteo, session: requests.Session) -> None:
    attrs = fetched(server, session).ahead.attrs
    assert (attrs["issued_at"], attrs["issued_at_origin"]) == ("2026-06-10T00:00:00+00:00", "run")
    assert attrs["fetched_at"] == "2026-06-10T09:20:00+00:00"
    assert any(asked.path == "/data/ncep_gefs025/static/meta.json" for asked in server.asked)
    server.run = None
    attrs = fetched(server, session).ahead.attrs
    assert (attrs["issued_at"], attrs["issued_at_origin"]) == ("2026-06-10T09:20:00+00:00", "fetched")


def test_a_run_later_than_now_means_a_wrong_clock(server: OpenMeteo, session: requests.Session) -> None:
    server.run = NOW + timedelta(hours=5)
    with pytest.raises(Refused, match="check the clock"):
        fetched(server, session)


# --- Any reply ------------------------------------------------------------------------------------------------


def small_reply() -> dict[str, Any]:
    names = ",".join(open_meteo.ENSEMBLE_FIELDS)
    query = {"latitude": "43", "longitude": "-75", "hourly": names, "wind_speed_unit": "ms", "forecast_days": "1"}
    reply: dict[str, Any] = OpenMeteo.reply(server_for_replies(), ENSEMBLE, query)
    return reply


def server_for_replies() -> OpenMeteo:
    server = OpenMeteo.__new__(OpenMeteo)
    server.table, server.now, server.members = TABLE, NOW, 2
    server.perturb = lambda frame, _: frame
    return server


SMALL = small_reply()
JUNK = st.one_of(
    st.none(), st.booleans(), st.floats(), st.integers(), st.just(10**400), st.text(max_size=4), st.lists(st.none())
)


@settings(max_examples=150, derandomize=True, deadline=None, database=None)
@given(st.data())
def test_a_reply_with_anything_in_it_is_read_or_refused(data: st.DataObject) -> None:
    reply = json.loads(json.dumps(SMALL))
    inside: Any = reply
    for _ in range(data.draw(st.integers(0, 2))):
        choices = [key for key, value in inside.items() if isinstance(value, dict)]
        if not choices:
            break
        inside = inside[data.draw(st.sampled_from(choices))]
    key = data.draw(st.sampled_from(sorted(inside)))
    if isinstance(inside[key], list) and data.draw(st.booleans()):
        inside[key][data.draw(st.integers(0, 23))] = data.draw(JUNK)
    else:
        inside[key] = data.draw(JUNK)
    try:
        table = parse(json.dumps(reply).encode(), [HERE], "ncep_gefs025", open_meteo.ENSEMBLE_FIELDS, ATTRIBUTES)
    except Refused as reason:
        assert len(str(reason)) > 10
    else:
        assert table.sizes["member"] == 2
        assert table.sizes["time"] >= 1


# --- The loopback server as a process -------------------------------------------------------------------------


def test_the_loopback_server_runs_as_a_process(tmp_path: Path) -> None:
    path = written(tmp_path / "hours.csv", invented("2026-06-01", "2026-06-19T23:00"))
    command = [sys.executable, "-m", "tests.loopback.open_meteo", str(path), "--members", "3", "--now"]
    root = Path(__file__).parents[3]
    with subprocess.Popen([*command, "2026-06-10T09:00Z"], stdout=subprocess.PIPE, text=True, cwd=root) as process:
        address = next_line(process)
        query = "latitude=43&longitude=-75&hourly=precipitation&past_days=1&forecast_days=2"
        with urlopen(f"{address}{ENSEMBLE}?{query}", timeout=10) as reply:
            hourly = json.load(reply)["hourly"]
        process.terminate()
    assert list(hourly) == ["time", "precipitation", "precipitation_member01", "precipitation_member02"]
    assert (hourly["time"][0], hourly["time"][-1]) == ("2026-06-09T00:00", "2026-06-11T23:00")

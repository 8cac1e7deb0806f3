"""MET Norway's forecast, read from a loopback server that keeps the service's duties."""

import json
import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
import requests
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.domain.farm import Place
from daemon.settings.sections.weather import WeatherSection
from daemon.weather.contract import Refused, validate
from daemon.weather.derive import RainPeriods
from daemon.weather.http.client import open_session
from daemon.weather.sources import met_no
from models.sun import extraterrestrial_radiation
from tests.loopback.hours import HERE, NOW, invented, source
from tests.loopback.met_no import MetNo, Reply, each, page
from tests.loopback.open_meteo import Fault

CONTACT = "mail@farm.example.org"
AIR = "air_temperature"
DEW = "dew_point_temperature"
RAIN = "precipitation_amount"
SUN = "surface_downwelling_shortwave_flux_in_air"
THUNDER = "thunderstorm_probability"
UP_TO_2_MM = {"precipitation_amount_max": 2.0}
CHANGE = "2026-06-13T00:00"  # the loopback server's hours become steps of six
# shape as the service gives it, numbers invented
DOCUMENTED = b"""
{"type":"Feature","geometry":{"type":"Point","coordinates":[-75.0,43.0,300]},
 "properties":{"meta":{"updated_at":"2026-06-10T08:31:02Z",
   "units":{"air_pressure_at_sea_level":"hPa","air_temperature":"celsius","air_temperature_max":"celsius",
    "air_temperature_min":"celsius","cloud_area_fraction":"%","dew_point_temperature":"celsius",
    "precipitation_amount":"mm","precipitation_amount_max":"mm","precipitation_amount_min":"mm",
    "probability_of_precipitation":"%","relative_humidity":"%","wind_from_direction":"degrees","wind_speed":"m/s"}},
  "timeseries":[
   {"time":"2026-06-10T17:00:00Z","data":{
     "instant":{"details":{"air_temperature":17.1,"relative_humidity":62.3,"dew_point_temperature":9.9,
        "cloud_area_fraction":37.5,"wind_speed":3.2,"wind_from_direction":231.0,"air_pressure_at_sea_level":1014.2}},
     "next_1_hours":{"summary":{"symbol_code":"fair_day"},"details":{"precipitation_amount":0.3,
        "precipitation_amount_min":0.0,"precipitation_amount_max":0.0,"probability_of_precipitation":3.0}},
     "next_6_hours":{"summary":{"symbol_code":"rainshowers_day"},"details":{"air_temperature_max":21.4,
        "air_temperature_min":16.8,"precipitation_amount":0.6,"precipitation_amount_min":0.0,
        "precipitation_amount_max":2.1,"probability_of_precipitation":34.0}},
     "next_12_hours":{"summary":{"symbol_code":"cloudy"},"details":{"probability_of_precipitation":40.0}}}},
   {"time":"2026-06-10T18:00:00Z","data":{"instant":{"details":{"air_temperature":18.0,"relative_humidity":60.0,
        "cloud_area_fraction":50.0,"wind_speed":3.0,"dew_point_temperature":10.1}},
     "next_6_hours":{"summary":{"symbol_code":"cloudy"},"details":{"precipitation_amount":1.2}}}},
   {"time":"2026-06-11T00:00:00Z","data":{"instant":{"details":{"air_temperature":12.0,"relative_humidity":90.0,
        "cloud_area_fraction":20.0,"wind_speed":1.5,"dew_point_temperature":10.4}},
     "next_6_hours":{"summary":{"symbol_code":"cloudy"},"details":{"precipitation_amount":0.0}}}},
   {"time":"2026-06-11T06:00:00Z","data":{"instant":{"details":{"air_temperature":15.2}}}}]}}"""


@pytest.fixture
def server() -> Iterator[MetNo]:
    table = invented("2026-06-10", "2026-06-20").assign(thunderstorm_probability=0.02)
    with MetNo(table, now=NOW) as server:
        yield server


@pytest.fixture
def session() -> Iterator[requests.Session]:
    with open_session(CONTACT, backoff=0) as session:
        yield session


def fetched(server: MetNo, session: requests.Session, place: Place = HERE) -> xr.Dataset:
    return validate(met_no.fetch(source(contact=CONTACT), place, NOW, session, address=server.address))


def parsed(server: MetNo, place: Place = HERE, complete: bool = True) -> tuple[xr.Dataset, RainPeriods]:
    reply = server.reply(place.latitude, place.longitude, place.elevation, complete)
    if server.fault and server.fault.change:
        server.fault.change(reply)
    single, periods = met_no.parse(json.dumps(reply).encode(), place, NOW)
    return validate(single), periods


def wet_hours(weather: xr.Dataset) -> dict[pd.Timestamp, float]:
    """The hours with rain of one member."""
    pairs = zip(weather["time"].to_index(), weather[RAIN].to_numpy()[0], strict=True)
    return {time: float(amount) for time, amount in pairs if amount > 0}


def told(server: MetNo, name: str, weather: xr.Dataset) -> Any:
    """What the server's table holds at the hours of a forecast."""
    return server.table[name].tz_convert(None).loc[weather["time"].to_index()].to_numpy()


# --- Labels ---------------------------------------------------------------------------------------------------


def test_one_wet_hour_stays_at_its_label(server: MetNo, session: requests.Session) -> None:
    server.chances = False
    server.table.loc["2026-06-11T14:00Z", RAIN] = 3.2
    assert wet_hours(fetched(server, session)) == {pd.Timestamp("2026-06-11T14:00"): 3.2}


def test_one_wet_hour_stays_at_its_label_in_every_member(server: MetNo, session: requests.Session) -> None:
    server.table["probability_of_precipitation"] = 0.0
    server.table.loc["2026-06-11T14:00Z", [RAIN, "probability_of_precipitation"]] = 3.2, 1.0
    weather = fetched(server, session)
    wet = (weather[RAIN] > 0).to_numpy()
    assert wet.shape[0] > 8
    assert wet.any(axis=1).all()
    assert set(weather["time"].to_numpy()[wet.any(axis=0)]) == {np.datetime64("2026-06-11T14:00")}


def test_the_first_hour_is_the_one_that_follows_the_first_instant(server: MetNo) -> None:
    single, _ = parsed(server)
    assert single["time"].to_numpy()[0] == np.datetime64("2026-06-10T10:00")


def test_six_hours_of_rain_are_spread_over_the_six_hours_that_follow(server: MetNo) -> None:
    server.table.loc["2026-06-14T15:00Z", RAIN] = 6.0
    single, _ = parsed(server)
    hours = pd.date_range("2026-06-14T13:00", "2026-06-14T18:00", freq="h")
    assert wet_hours(single) == dict.fromkeys(hours, 1.0)


def test_the_steps_are_told_with_the_hours(server: MetNo) -> None:
    single, _ = parsed(server)
    steps = single["native_step"].to_series()
    assert set(steps.loc[:CHANGE]) == {1}
    assert set(steps.loc["2026-06-13T01:00":]) == {6}
    assert single["time"].to_numpy()[-1] == np.datetime64("2026-06-20T00:00")


def test_windows_that_slide_are_never_summed(server: MetNo) -> None:
    generator = np.random.default_rng(4)
    server.table[RAIN] = generator.exponential(0.4, len(server.table)).round(1)
    single, _ = parsed(server)
    hourly = single.sel(time=slice(None, CHANGE))
    np.testing.assert_allclose(hourly[RAIN].to_numpy()[0], told(server, RAIN, hourly))
    assert float(single[RAIN].sum()) == pytest.approx(told(server, RAIN, single).sum())


def test_a_six_hour_window_does_not_stand_in_for_an_hour(server: MetNo) -> None:
    server.fault = each(lambda number, data: data.pop("next_1_hours", None) if number == 20 else None)
    single, _ = parsed(server)
    assert single["time"].to_numpy()[-1] == np.datetime64("2026-06-11T05:00")


def test_steps_off_the_six_hours_of_the_day_end_the_forecast(server: MetNo) -> None:
    def shifted(reply: Reply) -> None:
        series = reply["properties"]["timeseries"]
        keep = [number for number, one in enumerate(series) if one["time"] <= "2026-06-12T15:00:00Z"]
        for one in (late := series[len(keep) + 8 :]):
            one["time"] = f"{pd.Timestamp(one['time']) - pd.Timedelta(hours=3):%Y-%m-%dT%H:%M:%SZ}"
        reply["properties"]["timeseries"] = series[: len(keep)] + late

    server.fault = Fault(change=shifted)  # from 15 UTC on the steps are of six hours
    single, _ = parsed(server)
    assert single["time"].to_numpy()[-1] == np.datetime64("2026-06-12T15:00")


def test_a_missing_hour_is_not_filled(server: MetNo) -> None:
    server.fault = Fault(change=lambda reply: reply["properties"]["timeseries"].pop(30))
    single, _ = parsed(server)
    assert single["time"].to_numpy()[-1] == np.datetime64("2026-06-11T14:00")


@pytest.mark.parametrize("name", [AIR, "wind_speed", "cloud_area_fraction"])
def test_the_forecast_ends_before_an_instant_that_is_not_told(server: MetNo, name: str) -> None:
    server.fault = each(lambda number, data: data["instant"]["details"].update({name: None}) if number == 30 else None)
    single, _ = parsed(server)
    assert single["time"].to_numpy()[-1] == np.datetime64("2026-06-11T14:00")


def test_rain_that_is_null_is_not_none(server: MetNo) -> None:
    server.fault = Fault(change=lambda reply: _put(reply, f"{SERIES}/8/data/next_1_hours/details/{RAIN}", None))
    single, _ = parsed(server)
    assert single["time"].to_numpy()[-1] == np.datetime64("2026-06-10T17:00")


def test_local_clocks_and_their_changes_move_nothing(server: MetNo) -> None:
    here, _ = parsed(server)
    for zone in ("Asia/Kolkata", "Australia/Lord_Howe", "Europe/Oslo"):
        there, _ = parsed(server, replace(HERE, timezone=ZoneInfo(zone)))
        xr.testing.assert_identical(here, there)


# --- Values ---------------------------------------------------------------------------------------------------


def test_a_reply_of_the_documented_shape_is_read_as_it_is_labelled() -> None:
    single, periods = met_no.parse(DOCUMENTED, HERE, NOW)
    assert single.sizes == {"member": 1, "time": 1}
    assert single["time"].to_numpy()[0] == np.datetime64("2026-06-10T18:00")
    found = {str(name): float(single[name].item()) for name in single.data_vars}
    # The sun stands 69 degrees high, where Haurwitz has 963 W m-2; Kasten and Czeplak leave 95.5 % under 44 % of cloud.
    assert found.pop(SUN) == pytest.approx(963 * 0.955, rel=0.01)
    expected = {AIR: 18.0, DEW: 10.1, "wind_speed": 3.0, "cloud_area_fraction": 0.5, RAIN: 0.3}
    assert found == pytest.approx({**expected, "probability_of_precipitation": 0.03})
    assert (periods.first.tolist(), periods.end.tolist()) == ([0], [1])
    assert periods.chance.tolist() == [0.03]


def test_hours_with_rain_but_no_chance_come_after_all_where_none_is_told() -> None:
    without = DOCUMENTED.replace(b"probability_of_precipitation", b"of_no_use")
    single, periods = met_no.parse(without, HERE, NOW)
    assert periods.first.size == 0
    assert single["time"].to_numpy()[-1] == np.datetime64("2026-06-11T00:00")  # the next instants lack the wind
    assert wet_hours(single) == pytest.approx(
        {pd.Timestamp("2026-06-10T18:00"): 0.3}
        | dict.fromkeys(pd.date_range("2026-06-10T19:00", "2026-06-11T00:00", freq="h"), 0.2)
    )


@pytest.mark.parametrize(
    ("name", "close"),
    [(AIR, 1e-9), (DEW, 1e-9), ("wind_speed", 1e-9), ("cloud_area_fraction", 1e-9), ("wind_speed_of_gust", 1e-9)],
)
def test_instants_are_kept_hour_by_hour_and_every_six_hours(server: MetNo, name: str, close: float) -> None:
    single, _ = parsed(server)
    given = (single["native_step"] == 1) | (single["time"].dt.hour % 6 == 0)
    at = single.isel(time=given.to_numpy())
    np.testing.assert_allclose(at[name].to_numpy()[0], told(server, name, at), atol=close)


def test_the_afternoon_between_two_instants_is_warmer_than_both(server: MetNo) -> None:
    # The invented air is warmest at 21 UTC with 22 degC; at 18 and 24 UTC it has less than 20.5.
    single, _ = parsed(server)
    air = single[AIR].isel(member=0).to_series()
    assert 21.0 < air.loc["2026-06-14T21:00"] < 23.0


@pytest.mark.parametrize("name", [DEW, "wind_speed", "cloud_area_fraction"])
def test_between_two_instants_no_value_of_what_has_a_bound_is_beyond_both(server: MetNo, name: str) -> None:
    single, _ = parsed(server)
    coarse = single[name].isel(member=0).sel(time=slice(CHANGE, None)).to_series()
    ends = coarse.iloc[::6]
    for (begin, first), (end, last) in zip(ends.items(), ends.iloc[1:].items(), strict=False):
        between = coarse.loc[begin:end]
        assert between.min() >= min(first, last) - 1e-9
        assert between.max() <= max(first, last) + 1e-9


def test_each_series_says_where_it_comes_from(server: MetNo) -> None:
    single, _ = parsed(server)
    assert {name: single[name].attrs["origin"] for name in single.data_vars if name != SUN} == dict.fromkeys(
        set(map(str, single.data_vars)) - {SUN}, "interpolated"
    )
    assert single[SUN].attrs["origin"] == "derived"
    server.table = server.table.loc[: f"{CHANGE}Z"]
    hourly, _ = parsed(server)
    assert {hourly[name].attrs["origin"] for name in hourly.data_vars} == {"native", "derived"}


def test_the_reply_says_how_old_it_is_and_whom_to_credit(server: MetNo, session: requests.Session) -> None:
    attributes = fetched(server, session).attrs
    assert attributes["issued_at"] == "2026-06-10T08:31:00+00:00"
    assert attributes["fetched_at"] == "2026-06-10T09:20:00+00:00"
    assert attributes["credit"].startswith("Data from MET Norway")
    assert "CC BY 4.0" in attributes["credit"]
    assert attributes["credit"].endswith("changed: units, layout, sunshine derived, rain drawn from its chances")


@pytest.mark.parametrize(("humidity", "air", "dew"), [(53.8, 25.0, 15.0), (60.0, 25.0, 16.7), (100.4, 12.0, 12.0)])
def test_the_dew_point_comes_from_humidity_where_it_is_not_told(
    server: MetNo, humidity: float, air: float, dew: float
) -> None:
    def damp(number: int, data: Reply) -> None:
        data["instant"]["details"].update({AIR: air, "relative_humidity": humidity})
        del data["instant"]["details"][DEW]

    server.fault = each(damp)
    single, _ = parsed(server)
    np.testing.assert_allclose(single[DEW], dew, atol=0.02)
    assert single[DEW].attrs["origin"] == "derived"
    assert "dew point" in single.attrs["credit"]


def test_dew_points_told_in_part_are_filled_in_from_humidity(server: MetNo) -> None:
    whole, _ = parsed(server)
    server.fault = each(lambda number, data: data["instant"]["details"].pop(DEW) if number % 2 else None)
    half, _ = parsed(server)
    np.testing.assert_allclose(half[DEW], whole[DEW], atol=0.3)
    assert (half.sizes, half[DEW].attrs["origin"]) == (whole.sizes, "derived")


def test_fog_between_two_instants_is_no_dew_point_above_the_air(server: MetNo) -> None:
    server.table[DEW] = server.table[AIR]
    server.table.loc["2026-06-15T12:00Z", AIR] = 29.0
    single, _ = parsed(server)
    assert (single[DEW] <= single[AIR] + 1e-9).all()


def test_thunder_of_six_hours_stands_at_each_of_them(server: MetNo) -> None:
    server.table.loc["2026-06-11T20:00Z", THUNDER] = 0.3
    server.table.loc["2026-06-14T15:00Z", THUNDER] = 0.6
    single, _ = parsed(server)
    thunder = single[THUNDER].isel(member=0).to_series()
    expected = dict.fromkeys(pd.date_range("2026-06-14T13:00", "2026-06-14T18:00", freq="h"), 0.6)
    assert thunder[thunder > 0.1].to_dict() == pytest.approx({pd.Timestamp("2026-06-11T20:00"): 0.3, **expected})


def test_what_is_told_of_no_hour_is_left_out(server: MetNo) -> None:
    server.chances = False
    server.fault = each(lambda _, data: data["instant"]["details"].pop("wind_speed_of_gust", None))
    single, _ = parsed(server)
    assert not {THUNDER, "probability_of_precipitation", "wind_speed_of_gust"} & set(single.data_vars)


# --- The sun --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "place",
    [
        HERE,
        Place(-38.2, 176.1, 280.0, ZoneInfo("Pacific/Auckland")),
        Place(26.9, 75.8, 430.0, ZoneInfo("Asia/Kolkata")),
        Place(69.65, 18.96, 10.0, ZoneInfo("Europe/Oslo")),
        Place(10.0, 179.98, 5.0, ZoneInfo("Pacific/Fiji")),
    ],
    ids=["north", "south", "half-hour zone", "midnight sun", "date line"],
)
def test_the_sun_follows_that_above_the_air(server: MetNo, session: requests.Session, place: Place) -> None:
    server.table["cloud_area_fraction"] = 0.0
    server.chances = False
    weather = fetched(server, session, place)
    above = extraterrestrial_radiation(place.latitude, place.longitude, weather["time"].to_numpy()) / 0.0036
    sun = weather[SUN].to_numpy()[0]
    assert (sun[above <= 0] < 1.0).all()
    share = sun[above > 300] / above[above > 300]
    assert share.min() > 0.5
    assert share.max() < 0.85
    # An hour of slip would part the two: their rise and fall agree best without one.
    slip = {lag: float(np.corrcoef(np.roll(sun, lag), above)[0, 1]) for lag in (-1, 0, 1)}
    assert max(slip, key=lambda lag: slip[lag]) == 0


def test_cloud_dims_the_sun_of_the_hours_at_both_its_sides(server: MetNo) -> None:
    server.table["cloud_area_fraction"] = 0.0
    bright, _ = parsed(server)
    server.table.loc["2026-06-11T17:00Z", "cloud_area_fraction"] = 1.0
    dim, _ = parsed(server)
    changed = (dim[SUN] < bright[SUN] - 1.0).isel(member=0).to_series()
    assert list(changed[changed].index) == [pd.Timestamp("2026-06-11T17:00"), pd.Timestamp("2026-06-11T18:00")]


# --- Chances --------------------------------------------------------------------------------------------------


def test_six_hours_of_the_day_are_one_period_and_the_hours_before_them_one_each(server: MetNo) -> None:
    _, periods = parsed(server)
    assert periods.first[:4].tolist() == [0, 1, 2, 3]  # from 09, 10, 11 and 12 UTC
    assert periods.end[:4].tolist() == [1, 2, 3, 9]
    assert set(periods.end[3:] - periods.first[3:]) == {6}
    assert int(periods.end[-1]) == parsed(server)[0].sizes["time"]


def test_the_chance_of_six_hours_is_taken_as_it_is_told(server: MetNo) -> None:
    def wide(number: int, data: Reply) -> None:
        data["next_6_hours"]["details"].update({"probability_of_precipitation": 34.0}) if number == 3 else None
        data["next_6_hours"]["details"].update({"probability_of_precipitation": 2.0}) if number == 9 else None

    server.fault = each(wide)
    _, periods = parsed(server)
    assert periods.chance[:3].tolist() == [0.1, 0.1, 0.1]
    assert periods.chance[3] == pytest.approx(0.34)
    assert periods.chance[4] == pytest.approx(0.1)  # no less than that of one of its hours


def test_a_period_holds_only_the_hours_in_which_it_may_rain(server: MetNo) -> None:
    server.table.loc["2026-06-10T13:00Z":"2026-06-10T18:00Z", "probability_of_precipitation"] = [0, 0, 0.3, 0, 0.2, 0]
    _, periods = parsed(server)
    at = int(np.flatnonzero(periods.chance == 0.3)[0])
    assert (periods.first[at], periods.end[at]) == (5, 8)  # labels 15 to 17 UTC, the first label is 10 UTC


def test_the_upper_end_of_the_likely_range_can_say_more_than_the_best_guess(server: MetNo) -> None:
    # Handbook's own example: 2 mm at a chance of 40 % lie below 6.9 mm in nine of ten cases.
    server.table["probability_of_precipitation"] = 0.4

    def ranges(number: int, data: Reply) -> None:
        for window in ("next_1_hours", "next_6_hours"):
            if window in data:
                data[window]["details"]["precipitation_amount_max"] = 6.93

    server.fault = each(ranges)
    _, periods = parsed(server)
    np.testing.assert_allclose(periods.amount[3:], 2.0, rtol=0.01)
    server.table[RAIN] = 1.0
    assert set(parsed(server)[1].amount[3:].round(6)) == {6.0}


@pytest.mark.parametrize(("chance", "most"), [(0.05, 0.1), (0.1, 0.2), (0.2, 0.4)])
def test_a_small_chance_does_not_make_the_rain_boundless(server: MetNo, chance: float, most: float) -> None:
    server.table["probability_of_precipitation"] = chance
    server.fault = each(lambda _, data: data.get("next_6_hours", {"details": {}})["details"].update(UP_TO_2_MM))
    _, periods = parsed(server)
    np.testing.assert_allclose(periods.amount[3:], most)


def test_members_rain_as_often_and_as_much_as_is_told(server: MetNo, session: requests.Session) -> None:
    server.table["probability_of_precipitation"] = 0.5
    server.table[RAIN] = 0.3
    server.fault = each(lambda _, data: _without(data, "precipitation_amount_max"))
    weather = fetched(server, session)
    assert weather.attrs["synthetic"] == 1
    late = weather[RAIN].sel(time=slice("2026-06-13T01:00", None))
    sums = late.to_numpy().reshape(late.sizes["member"], -1, 6).sum(axis=-1)
    assert (sums >= 0.1 - 1e-9).mean() == pytest.approx(0.5, abs=0.02)
    assert sums.mean() == pytest.approx(1.8, rel=0.02)


def test_the_same_reply_gives_the_same_members(server: MetNo, session: requests.Session) -> None:
    xr.testing.assert_identical(fetched(server, session), fetched(server, session))


def test_members_reach_as_far_as_chances_are_told(server: MetNo, session: requests.Session) -> None:
    server.fault = each(lambda number, data: _without(data, "probability_of_precipitation") if number > 40 else None)
    weather = fetched(server, session)
    # The sixth window from 00 UTC on begins with number 39; that of 06 UTC is number 45.
    assert weather["time"].to_numpy()[-1] == np.datetime64("2026-06-12T06:00")
    assert weather.attrs["synthetic"] == 1


def test_an_hour_without_a_chance_of_its_own_takes_that_of_the_six_it_begins(server: MetNo) -> None:
    def wide(number: int, data: Reply) -> None:
        if "next_1_hours" in data:
            data["next_1_hours"]["details"].pop("probability_of_precipitation")

    server.fault = each(wide)
    _, periods = parsed(server)
    assert periods.chance[:4].tolist() == [0.1] * 4
    assert periods.end[:4].tolist() == [1, 2, 3, 9]


def test_where_no_chances_are_told_there_is_one_forecast(server: MetNo, session: requests.Session) -> None:
    server.chances = False
    weather = fetched(server, session)
    assert weather["member"].to_numpy().tolist() == ["forecast"]
    assert "synthetic" not in weather.attrs
    assert "one forecast only" in weather.attrs["note"]


def test_the_compact_product_still_parses(server: MetNo) -> None:
    single, periods = parsed(server, complete=False)
    assert periods.first.size == 0
    assert single[DEW].attrs["origin"] == "derived"
    np.testing.assert_allclose(single[DEW].to_numpy()[0, :40], told(server, DEW, single)[:40], atol=0.1)
    assert "wind_speed_of_gust" not in single


def _without(data: Reply, name: str) -> None:
    for window in ("next_1_hours", "next_6_hours"):
        data.get(window, {}).get("details", {}).pop(name, None)


# --- Duties ---------------------------------------------------------------------------------------------------


def test_the_service_is_asked_as_it_wants_to_be(server: MetNo, session: requests.Session) -> None:
    place = Place(43.123456789, -75.00004999, 300.6, ZoneInfo("America/New_York"))
    fetched(server, session, place)
    (asked,) = server.asked
    assert asked.path == "/weatherapi/locationforecast/2.0/complete"
    assert asked.query == {"lat": "43.1235", "lon": "-75.0000", "altitude": "301"}
    assert asked.headers["User-Agent"].startswith("forenoon/")
    assert asked.headers["User-Agent"].endswith(f"({CONTACT})")
    assert "gzip" in asked.headers["Accept-Encoding"]


@pytest.mark.parametrize("contact", ["no contact given", "", "  "])
def test_nothing_is_asked_without_a_contact(server: MetNo, session: requests.Session, contact: str) -> None:
    with pytest.raises(Refused, match=r'contact in \[weather\].*write for instance contact = "you@example.org"'):
        met_no.fetch(source(contact=contact), HERE, NOW, session, address=server.address)
    assert server.asked == []


def test_the_settings_call_no_contact_the_same() -> None:
    assert WeatherSection.model_fields["contact"].default == met_no.NO_CONTACT


class Hands:
    """A clock that is moved by hand."""

    def __init__(self, at: datetime) -> None:
        self.at = at

    def now(self) -> datetime:
        return self.at


def test_the_service_is_asked_no_sooner_than_it_wants_and_then_only_for_news(server: MetNo, tmp_path: Path) -> None:
    clock, statuses = Hands(NOW), []
    server.modified = "Wed, 10 June 2026 08:31:00 UTC"  # written in an odd way: it must come back byte for byte
    for minutes in (0, 5, 29, 31, 55, 62):
        clock.at = server.now = NOW + timedelta(minutes=minutes)
        with open_session(CONTACT, backoff=0, cache=tmp_path, clock=clock) as session:
            weather = fetched(server, session)
        statuses.append([asked.status for asked in server.asked])
        assert weather["time"].to_numpy()[0] == np.datetime64("2026-06-10T10:00")
    assert statuses == [[200], [200], [200], [200, 304], [200, 304], [200, 304, 304]]
    assert "If-Modified-Since" not in server.asked[0].headers
    assert server.asked[1].headers["If-Modified-Since"] == server.modified


def test_news_are_taken(server: MetNo, tmp_path: Path) -> None:
    clock = Hands(NOW)
    with open_session(CONTACT, backoff=0, cache=tmp_path, clock=clock) as session:
        fetched(server, session)
        server.updated, server.modified = NOW, "Wed, 10 Jun 2026 09:20:00 GMT"
        clock.at = server.now = NOW + timedelta(minutes=31)
        assert fetched(server, session).attrs["issued_at"] == "2026-06-10T09:20:00+00:00"
    assert [asked.status for asked in server.asked] == [200, 200]


# --- Replies that cannot be used ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "words"),
    [
        (400, "latitude, longitude and elevation"),
        (403, r"contact in \[weather\]"),
        (404, "nothing for this place"),
        (422, "outside the area"),
        (429, "left alone"),
        (499, "answered 499"),
        (500, "answered 500"),
        (502, "answered 502"),
        (503, "answered 503"),
    ],
)
def test_a_refusal_is_told_in_plain_words(server: MetNo, session: requests.Session, status: int, words: str) -> None:
    server.fault = page(status)
    with pytest.raises(Refused, match=rf"127.0.0.1.*complete answered {status}.*") as refused:
        fetched(server, session)
    assert refused.match(words)


def test_data_of_a_product_that_will_go_are_used_and_logged(
    server: MetNo, session: requests.Session, caplog: pytest.LogCaptureFixture
) -> None:
    server.fault = Fault(status=203)
    with caplog.at_level(logging.WARNING):
        assert fetched(server, session).sizes["time"] > 100
    assert "203" in caplog.text


def test_redirects_on_the_same_host_are_followed(server: MetNo, session: requests.Session) -> None:
    moved = f"{server.address}{met_no.PRODUCT}?lat=43.0&lon=-75.0&altitude=300"
    server.fault = Fault(301, b"", headers={"Location": moved}, times=1)
    assert fetched(server, session).sizes["time"] > 100
    assert [asked.status for asked in server.asked] == [301, 200]


def test_a_reply_that_breaks_off_is_refused(server: MetNo, session: requests.Session) -> None:
    server.fault = Fault(cut=2000)
    with pytest.raises(Refused, match="complete: the reply is no whole JSON; it ends with"):
        fetched(server, session)


def changed(change: Any) -> bytes:
    """The documented reply with something changed in it."""
    reply = json.loads(DOCUMENTED)
    change(reply)
    return json.dumps(reply).encode()


def _put(reply: Reply, path: str, value: object) -> None:
    *above, last = [int(part) if part.isdecimal() else part for part in path.split("/")]
    inner: Any = reply
    for part in above:
        inner = inner[part]
    inner[last] = value


SERIES = "properties/timeseries"
DETAILS = f"{SERIES}/0/data/instant/details"


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        (
            "properties/meta/units/air_temperature",
            "fahrenheit",
            "air_temperature is in 'fahrenheit', allowed 'celsius'",
        ),
        ("properties/meta/units/wind_speed", "km/h", "wind_speed is in 'km/h'"),
        ("properties/meta/units/precipitation_amount", None, "precipitation_amount is in None, allowed 'mm'"),
        ("properties/meta/units/probability_of_precipitation", "1", "probability_of_precipitation is in '1'"),
        ("properties/meta/units", ["celsius"], "no forecast in it that can be read"),
        ("properties/meta/updated_at", "2026-06-10T08:31:02", "no forecast in it that can be read"),
        ("properties/meta", None, "no forecast in it"),
        ("geometry/coordinates", [43.0, -75.0, 300], "the reply is for -75, 43, asked for 43.0, -75.0"),
        ("geometry/coordinates", [float("nan"), 43.0], "the reply is for 43, nan"),
        ("geometry/coordinates", [-75.0, float("nan")], "the reply is for nan, -75"),
        ("geometry/coordinates", [], "no forecast in it"),
        (SERIES, [], "holds 0 times"),
        (SERIES, "none", "no forecast in it"),
        (f"{SERIES}/0/time", "2026-06-10T17:30:00Z", "given the time 2026-06-10T17:30.*allowed whole hours"),
        (f"{SERIES}/0/time", "2026-06-10T18:00:00Z", "out of order or given twice"),
        (f"{SERIES}/3/time", "9999-06-10T18:00:00Z", "within 30 days"),
        (f"{SERIES}/0/time", "2026-06-10T17:00:00", "no forecast in it"),
        (f"{SERIES}/0/time", 17, "no forecast in it"),
        (f"{DETAILS}/air_temperature", "warm", "air_temperature holds 'warm', allowed numbers"),
        (f"{DETAILS}/air_temperature", True, "air_temperature holds True"),
        (f"{DETAILS}/air_temperature", 290.2, "air_temperature at 2026-06-10T17:00Z: given 290.2, allowed -60 to 60"),
        (f"{DETAILS}/wind_speed", 10**400, "wind_speed at 2026-06-10T17:00Z: given inf, allowed 0 to 60 m/s"),
        (f"{DETAILS}/cloud_area_fraction", 101, "given 101, allowed 0 to 100 %"),
        (f"{DETAILS}/relative_humidity", 623, "relative_humidity at .*given 623, allowed 0 to 110 %"),
        (f"{SERIES}/0/data/next_1_hours/details/precipitation_amount", -1, "given -1, allowed 0 to 200 mm"),
        (f"{SERIES}/0/data", None, "no hour with a value for every variable"),
    ],
)
def test_what_cannot_be_right_is_refused_with_the_reason(path: str, value: object, words: str) -> None:
    with pytest.raises(Refused, match=words):
        met_no.parse(changed(lambda reply: _put(reply, path, value)), HERE, NOW)


@pytest.mark.parametrize("name", [AIR, "wind_speed", "cloud_area_fraction"])
def test_what_is_needed_and_never_told_is_named(server: MetNo, name: str) -> None:
    server.fault = each(lambda _, data: data["instant"]["details"].pop(name))
    with pytest.raises(Refused, match=SUN if name == "cloud_area_fraction" else name):
        parsed(server)


def test_both_names_of_the_date_line_are_one_place(server: MetNo) -> None:
    place = Place(-16.5, 180.0, 20.0, ZoneInfo("Pacific/Fiji"))
    single, _ = met_no.parse(json.dumps(server.reply(-16.5, -179.99, 20.0)).encode(), place, NOW)
    assert single.sizes["time"] > 100


@pytest.mark.parametrize("reply", [b"", b"null", b"[]", b"17", b"{}", b"<html>", b"[" * 100_000, b"\xff"])
def test_what_is_no_forecast_is_refused(reply: bytes) -> None:
    with pytest.raises(Refused, match="the reply"):
        met_no.parse(reply, HERE, NOW)


def _leaves(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    if path:
        yield path
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in inner:
        yield from _leaves(one, (*path, key))


LEAVES = list(_leaves(json.loads(DOCUMENTED)))
ODD = st.one_of(
    st.none(), st.booleans(), st.floats(), st.integers(), st.text(max_size=5), st.builds(list), st.builds(dict),
    st.sampled_from(["2026-06-10T19:00:00Z", "0001-01-01T00:00:00Z", "9999-12-31T23:00:00-12:00"]),
)  # fmt: skip


@given(st.lists(st.tuples(st.sampled_from(LEAVES), ODD), min_size=1, max_size=3))
@settings(max_examples=200, deadline=None)
def test_nothing_but_a_forecast_or_a_reason_comes_of_a_spoiled_reply(
    spoiled: list[tuple[tuple[str | int, ...], object]],
) -> None:
    reply = json.loads(DOCUMENTED)
    for path, value in spoiled:
        inner: Any = reply
        for part in path[:-1]:
            inner = inner.get(part) if isinstance(inner, dict) else inner[part] if _has(inner, part) else None
        if isinstance(inner, dict) or _has(inner, path[-1]):
            inner[path[-1]] = value
    try:
        single, periods = met_no.parse(json.dumps(reply).encode(), HERE, NOW)
    except Refused:
        return
    assert np.isfinite(single[RAIN]).all()
    assert ((periods.chance >= 0) & (periods.chance <= 1)).all()


def _has(inner: object, part: str | int) -> bool:
    return isinstance(inner, list) and isinstance(part, int) and part < len(inner)


@given(st.binary(max_size=200))
@settings(max_examples=50, deadline=None)
def test_bytes_of_any_kind_are_refused(reply: bytes) -> None:
    with pytest.raises(Refused):
        met_no.parse(reply, HERE, datetime(2026, 6, 10, tzinfo=UTC))

import json
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.domain.farm import Place
from daemon.weather.contract import Refused, validate
from daemon.weather.sources import weather_gov
from tests.loopback.hours import HERE, NOW, invented
from tests.loopback.weather_gov import TOTALS, Reply, written_grid

ISSUED: Final = NOW - timedelta(hours=3)
AIR, DEW, WIND, CLOUD = "air_temperature", "dew_point_temperature", "wind_speed", "cloud_area_fraction"
RAIN, SUN = "precipitation_amount", "surface_downwelling_shortwave_flux_in_air"
CHANCE, GUST, THUNDER = "probability_of_precipitation", "wind_speed_of_gust", "thunderstorm_probability"
DRY: Final = invented("2026-06-10T01:00", "2026-06-14T12:00").drop(columns=[CHANCE, SUN])


def grid_of(table: pd.DataFrame, amount: int = 6) -> Reply:
    return written_grid(table, ISSUED, amount)


def parsed(grid: Reply, place: Place = HERE, now: datetime = NOW) -> xr.Dataset:
    return validate(weather_gov.parse(json.dumps({"properties": grid}).encode(), place, now))


def refusal(grid: Reply, now: datetime = NOW) -> str:
    with pytest.raises(Refused) as refused:
        parsed(grid, now=now)
    return str(refused.value)


def wet_labels(found: xr.Dataset) -> dict[str, float]:
    rain = found[RAIN].isel(member=0).to_series()
    return {f"{hour:%d %H}": round(amount, 6) for hour, amount in rain.items() if amount > 0}


# --- Labels, units, steps -------------------------------------------------------------------------------------


def test_one_wet_hour_stays_at_the_label_at_which_it_ends() -> None:
    table = DRY.copy()
    table.loc["2026-06-11T14:00Z", RAIN] = 3.2
    found = parsed(grid_of(table, amount=1))
    assert wet_labels(found) == {"11 14": 3.2}
    assert set(found["native_step"].values) == {1}
    assert found[RAIN].attrs["origin"] == "native"


def test_a_reply_of_the_documented_shape_is_read_as_its_times_say() -> None:
    # shape as the service documents it, numbers invented
    now = datetime(2026, 6, 1, 11, 20, tzinfo=UTC)
    grid = json.loads("""{"updateTime":"2026-06-01T09:42:11+00:00","validTimes":"2026-06-01T03:00:00+00:00/P7DT22H",
      "gridId":"XYZ","gridX":70,"gridY":82,
      "temperature":{"uom":"wmoUnit:degC","values":[
        {"validTime":"2026-06-01T03:00:00+00:00/PT10H","value":14.444444444444445},
        {"validTime":"2026-06-01T13:00:00+00:00/PT1H","value":15.5},
        {"validTime":"2026-06-01T14:00:00+00:00/P1D","value":20}]},
      "dewpoint":{"uom":"unit:degC","values":[{"validTime":"2026-06-01T03:00:00+00:00/P2D","value":10}]},
      "windSpeed":{"uom":"wmoUnit:km_h-1","values":[{"validTime":"2026-06-01T03:00:00+00:00/P1DT12H","value":18}]},
      "skyCover":{"uom":"wmoUnit:percent","values":[{"validTime":"2026-06-01T03:00:00+00:00/P1DT10H","value":40}]},
      "windGust":{"uom":"wmoUnit:km_h-1","values":[{"validTime":"2026-06-01T12:00:00+00:00/PT3H","value":36}]},
      "probabilityOfThunder":{"values":[{"validTime":"2026-06-01T18:00:00+00:00/PT6H","value":15}]},
      "quantitativePrecipitation":{"uom":"wmoUnit:mm","values":[
        {"validTime":"2026-06-01T00:00:00+00:00/PT6H","value":0},
        {"validTime":"2026-06-01T06:00:00+00:00/PT6H","value":1.2},
        {"validTime":"2026-06-01T12:00:00+00:00/PT3H","value":0.6},
        {"validTime":"2026-06-01T15:00:00+00:00/PT1H","value":0.5},
        {"validTime":"2026-06-01T16:00:00+00:00/P1D","value":0}]},
      "snowLevel":{"values":[]}}""")
    found = parsed(grid, now=now)
    times = found["time"].to_index()
    # the first label that temperature has, to the last before the cloud ends at 13 UTC of the second day
    assert (times[0], times[-1]) == (pd.Timestamp("2026-06-01T03:00"), pd.Timestamp("2026-06-02T12:00"))
    lone = found.isel(member=0)
    air = lone[AIR].to_series()
    assert [air[f"2026-06-01T{hour}:00"] for hour in (12, 13, 14)] == pytest.approx([14.4444, 15.5, 20], abs=1e-3)
    assert set(lone[WIND].values) == {5.0}
    assert set(lone[CLOUD].values) == {0.4}
    gust = lone[GUST].to_series().dropna()
    assert [f"{hour:%H}" for hour in gust.index] == ["13", "14", "15"]
    assert set(gust.round(9)) == {10.0}
    thunder = lone[THUNDER].to_series().dropna()
    assert [f"{hour:%H}" for hour in thunder.index] == ["19", "20", "21", "22", "23", "00"]
    assert set(thunder) == {0.15}
    early = {f"01 {hour:02d}": 0.2 for hour in range(7, 16)}  # 1.2 mm over six hours, then 0.6 mm over three
    assert wet_labels(found) == {**early, "01 16": 0.5}
    steps = lone["native_step"].to_series()
    hours = ("06", "07", "12", "13", "15", "16", "17")
    assert [steps[f"2026-06-01T{hour}:00"] for hour in hours] == [6, 6, 6, 3, 3, 1, 24]
    assert [found[name].attrs["origin"] for name in (AIR, SUN, RAIN)] == ["native", "derived", "interpolated"]
    assert found.attrs["issued_at"] == "2026-06-01T09:42:11+00:00"
    assert found.attrs["model"] == "grid XYZ 70,82"
    assert "public domain" in found.attrs["credit"]
    assert "synthetic" not in found.attrs


def test_every_value_comes_back_at_its_label_in_our_units() -> None:
    table = DRY.assign(**{THUNDER: 0.02 * (np.arange(len(DRY)) % 9)})
    found = parsed(grid_of(table)).isel(member=0)
    for name in (AIR, DEW, WIND, CLOUD, GUST, THUNDER):
        series = found[name].to_series()
        expected = table[name].tz_convert(None).loc[series.index]
        assert series.to_numpy() == pytest.approx(expected.to_numpy(), abs=1e-9), name
    assert found.sizes["time"] == len(table)


@pytest.mark.parametrize(
    ("uom", "told", "ours"),
    [
        ("wmoUnit:degC", 20.0, 20.0),
        ("unit:degC", 20.0, 20.0),
        ("wmo:degC", 20.0, 20.0),
        ("nwsUnit:degF", 68.0, 20.0),
        ("uc:K", 293.15, 20.0),
        ("degC", 20.0, 20.0),
    ],
)
def test_temperature_is_read_in_every_unit_and_with_every_prefix(uom: str, told: float, ours: float) -> None:
    grid = grid_of(DRY)
    grid["temperature"] = {"uom": uom, "values": [{"validTime": "2026-06-10T00:00:00+00:00/P5D", "value": told}]}
    grid["dewpoint"]["values"] = [{"validTime": "2026-06-10T00:00:00+00:00/P5D", "value": 4}]
    assert parsed(grid)[AIR].values == pytest.approx(ours, abs=1e-9)


@pytest.mark.parametrize(("uom", "told"), [("wmoUnit:km_h-1", 18.52), ("m_s-1", 5.144444), ("unit:kt", 10.0)])
def test_wind_is_read_in_every_unit(uom: str, told: float) -> None:
    grid = grid_of(DRY)
    grid["windSpeed"] = {"uom": uom, "values": [{"validTime": "2026-06-10T00:00:00+00:00/P5D", "value": told}]}
    assert parsed(grid)[WIND].values == pytest.approx(5.14444, abs=1e-4)


def test_a_unit_of_another_kind_is_no_unit_of_the_layer() -> None:
    grid = grid_of(DRY)
    grid["windSpeed"]["uom"] = "wmoUnit:mm"
    assert refusal(grid) == "layer windSpeed is in wmoUnit:mm, allowed a unit that can be made m s-1"


def test_the_first_time_of_a_layer_may_begin_the_day_before() -> None:
    grid = grid_of(DRY)
    first = grid["windSpeed"]["values"][0]
    assert first["validTime"] == "2026-06-10T01:00:00+00:00/PT1H"
    first["validTime"] = "2026-06-09T17:00:00+00:00/PT9H"
    found = parsed(grid)[WIND].isel(member=0).to_series()
    assert found.index[0] == pd.Timestamp("2026-06-10T01:00")  # where the other layers begin
    assert found.iloc[:2].to_list() == pytest.approx([first["value"] / 3.6, float(DRY[WIND].iloc[1])])


def test_an_amount_cut_short_is_told_as_of_the_next_longer_step() -> None:
    grid = grid_of(DRY)
    grid[TOTALS]["values"][1] = {"validTime": "2026-06-10T07:00:00+00:00/PT5H", "value": 1.0}
    found = parsed(grid)
    assert wet_labels(found) == {f"10 {hour:02d}": 0.2 for hour in range(8, 13)}
    assert set(found["native_step"].values) == {6}


# --- What is missing or wrong ---------------------------------------------------------------------------------


def test_the_hours_end_where_the_first_layer_does_that_is_needed() -> None:
    grid = grid_of(DRY)
    last = {"skyCover": 70, "dewpoint": 60, TOTALS: 8}
    for key, count in last.items():
        grid[key]["values"] = grid[key]["values"][:count]
    # eight amounts of six hours from 00 UTC of the first day on
    assert parsed(grid)["time"].to_index()[-1] == pd.Timestamp("2026-06-12T00:00")


def test_rain_is_never_filled_over_a_null() -> None:
    grid = grid_of(DRY)
    grid[TOTALS]["values"][6]["value"] = None  # after six of six hours
    assert parsed(grid)["time"].to_index()[-1] == pd.Timestamp("2026-06-11T12:00")


def test_a_hole_in_the_hours_that_are_over_costs_only_those_before_it() -> None:
    grid = grid_of(DRY, amount=1)
    grid["temperature"]["values"][4]["value"] = None  # 05 UTC, with now 09:20
    found = parsed(grid)
    assert found["time"].to_index()[0] == pd.Timestamp("2026-06-10T06:00")
    assert found["time"].to_index()[-1] == DRY.index[-1].tz_convert(None)


@pytest.mark.parametrize("junk", [[], [1.0], {}, "warm"])
def test_values_that_are_all_no_numbers_are_refused(junk: object) -> None:
    grid = grid_of(DRY)
    for one in grid["temperature"]["values"]:
        one["value"] = junk
    assert refusal(grid).startswith("layer temperature cannot be read")


@pytest.mark.parametrize("key", ["temperature", "dewpoint", "windSpeed", "skyCover", TOTALS])
@pytest.mark.parametrize("empty", [None, {}, {"values": []}, {"uom": "wmoUnit:m", "values": None}, [], "none"])
def test_without_a_layer_that_is_needed_there_are_no_hours(key: str, empty: object) -> None:
    assert refusal({**grid_of(DRY), key: empty}).startswith(f"layer {key} cannot be read")


@pytest.mark.parametrize("key", ["windGust", "probabilityOfThunder", "probabilityOfPrecipitation"])
@pytest.mark.parametrize(
    "layer",
    [
        None,
        {"values": []},
        {"uom": "wmoUnit:furlong", "values": [{"validTime": "2026-06-10T00:00:00+00:00/P5D", "value": 1}]},
        {"uom": "wmoUnit:percent", "values": [{"validTime": "2026-06-10T00:00:00+00:00/P", "value": 1}]},
    ],
)
def test_a_layer_that_is_not_needed_is_left_out(key: str, layer: object) -> None:
    found = parsed({**grid_of(DRY), key: layer})
    assert weather_gov.SPAN_LAYERS[key] not in found
    assert found.sizes["member"] == 1


@pytest.mark.parametrize(
    "values",
    [
        [("2026-06-10T00:00:00+00:00/PT24H", 2.0), ("2026-06-10T18:00:00+00:00/P1D", 2.0)],  # lies on the next
        [("2026-06-11T00:00:00+00:00/P1D", 0.0), ("2026-06-10T00:00:00+00:00/P1D", 0.0)],
        [("2026-06-10T00:30:00+00:00/P1D", 0.0)],
        [("2026-06-10T00:00:00+00:00/PT90M", 0.0)],
        [("2026-06-10T00:00:00+00:00/P2D", 0.0)],  # longer than a step may be
        [("2026-06-10T00:00:00+00:00/PT0H", 0.0)],
        [("2026-06-10T00:00:00/P1D", 0.0)],
        [("2026-06-10T00:00:00+00:00/P1D", "much")],
        [("2026-06-10T00:00:00+00:00/P1D", -0.1), ("2026-06-11T00:00:00+00:00/P1D", 0.0)],
    ],
)
def test_amounts_that_cannot_be_counted_on_are_refused(values: list[tuple[str, object]]) -> None:
    grid = grid_of(DRY)
    grid[TOTALS]["values"] = [{"validTime": time, "value": value} for time, value in values]
    assert TOTALS in refusal(grid) or RAIN in refusal(grid)


def test_a_grid_of_yesterday_is_refused_and_one_a_minute_younger_is_not() -> None:
    grid = grid_of(DRY)
    grid["updateTime"] = (NOW - timedelta(hours=24, minutes=1)).isoformat()
    assert refusal(grid) == "the grid was made at 2026-06-09 09:19 UTC, allowed 24 hours before now or later"
    grid["updateTime"] = (NOW - timedelta(hours=23, minutes=59)).isoformat()
    assert parsed(grid).attrs["issued_at"] == "2026-06-09T09:21:00+00:00"


def test_a_grid_that_ends_within_a_day_is_refused() -> None:
    grid = {**grid_of(DRY), "validTimes": "2026-06-10T00:00:00+00:00/P1DT9H"}
    assert refusal(grid) == "the grid ends at 2026-06-11 09:00 UTC, allowed 24 hours from now or later"


def test_a_layer_that_ends_within_a_day_is_named_with_its_hour() -> None:
    grid = grid_of(DRY)
    grid["skyCover"]["values"] = grid["skyCover"]["values"][:20]
    assert refusal(grid) == (
        "layer skyCover has nothing for 2026-06-10T21:00Z, allowed a value for all of 24 hours from now"
    )


@pytest.mark.parametrize("changes", [{"updateTime": None}, {"updateTime": "soon"}, {"validTimes": "NOW/P7D"}])
def test_a_grid_that_does_not_tell_its_time_is_refused(changes: Reply) -> None:
    assert "does not say when" in refusal({**grid_of(DRY), **changes})


@pytest.mark.parametrize("body", [b"", b"<html>", b"[]", b"null", b'{"properties": []}', b"[" * 100_000])
def test_what_is_no_grid_is_refused(body: bytes) -> None:
    with pytest.raises(Refused, match="the reply"):
        weather_gov.parse(body, HERE, NOW)


JUNK: Final = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=6) | st.just("2026-06-10T00:00:00+00:00/P9D"),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["uom", "values", "value"]), inner),
    max_leaves=6,
)


@settings(max_examples=60, deadline=None)
@given(
    key=st.sampled_from([*weather_gov.VARIABLE_OF_LAYER, "updateTime", "validTimes", "gridX"]),
    junk=JUNK,
    deep=st.booleans(),
)
def test_junk_leads_to_hours_that_keep_the_contract_or_to_a_refusal(key: str, junk: Any, deep: bool) -> None:
    grid = grid_of(DRY)
    if deep and isinstance(grid[key], dict) and grid[key]["values"]:
        grid[key]["values"][len(grid[key]["values"]) // 2]["value"] = junk
    else:
        grid[key] = junk
    try:
        validate(weather_gov.parse(json.dumps({"properties": grid}).encode(), HERE, NOW))
    except Refused as reason:
        assert str(reason)


# --- Places and seasons -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("day", "wet"), [("2026-03-08", 7), ("2026-11-01", 6), ("2026-11-01", 7)])
def test_a_change_of_the_clock_moves_nothing(day: str, wet: int) -> None:
    """At these hours in UTC the clock of New York jumps; a local label would be lost, doubled or an hour off."""
    first = pd.Timestamp(day) - pd.Timedelta(hours=11)
    table = invented(str(first), f"{pd.Timestamp(day) + pd.Timedelta(days=3)}").drop(columns=[CHANCE])
    label = pd.Timestamp(f"{day}T{wet:02d}:00Z")
    table.loc[label, RAIN] = 2.5
    now = (label - pd.Timedelta(hours=3)).to_pydatetime()
    grid = grid_of(table, amount=1) | {"updateTime": now.isoformat()}
    found = parsed(grid, now=now)
    assert wet_labels(found) == {f"{label:%d %H}": 2.5}
    assert len(found["time"]) == 84  # three days from 00 UTC on and twelve hours before


def test_in_alaska_the_sun_stands_highest_at_its_own_noon() -> None:
    fairbanks = Place(64.8, -147.7, 130.0, ZoneInfo("America/Anchorage"))
    table = invented("2026-06-10T01:00", "2026-06-14T12:00").assign(**{CLOUD: 0.0}).drop(columns=[CHANCE])
    sun = parsed(grid_of(table), place=fairbanks)[SUN].isel(member=0).to_series()
    whole = sun["2026-06-11T10:00":"2026-06-12T09:00"]
    # noon by the sun is at 12 h + 147.7 deg / 15 deg per hour = 21:51 UTC, in the hour that ends at 22
    assert whole.idxmax() == pd.Timestamp("2026-06-11T22:00")
    # 90 - 64.8 + 23.1 = 48.3 deg high; Kasten and Czeplak's clear sky gives 910 sin(48.3 deg) - 30 = 649 W m-2
    assert whole.max() == pytest.approx(649, rel=0.015)
    assert whole.idxmin() in (pd.Timestamp("2026-06-11T10:00"), pd.Timestamp("2026-06-12T09:00"))


# --- Chances of rain ------------------------------------------------------------------------------------------


def chances(values: dict[str, float]) -> pd.DataFrame:
    """Hours with a chance of rain from one label to another, both within."""
    table = DRY.assign(**{CHANCE: 0.0})
    for hours, value in values.items():
        first, last = hours.split(" to ")
        table.loc[f"2026-06-{first}:00Z" : f"2026-06-{last}:00Z", CHANCE] = value
    return table


def test_a_half_day_of_one_chance_is_one_event() -> None:
    table = chances({"11T13 to 12T00": 0.4})
    table.loc["2026-06-11T13:00Z":"2026-06-12T00:00Z", RAIN] = 0.5
    found = parsed(grid_of(table))
    assert found.attrs["synthetic"] == 1
    assert found.sizes["member"] >= 20
    inside = found[RAIN].sel(time=slice("2026-06-11T13:00", "2026-06-12T00:00"))
    assert float((inside.sum("time") >= 0.254).mean()) == pytest.approx(0.4, abs=0.051)
    assert float(inside.sum("time").mean()) == pytest.approx(6.0, rel=0.15)
    assert float(found[RAIN].sum()) == pytest.approx(float(inside.sum()))
    assert found[RAIN].attrs["origin"] == found[SUN].attrs["origin"] == "derived"
    assert found[CHANCE].sel(time="2026-06-11T13:00").values == pytest.approx(0.4)
    assert found[CHANCE].sel(time="2026-06-11T12:00").values == pytest.approx(0.0)


def test_the_same_grid_gives_the_same_members() -> None:
    grid = grid_of(chances({"11T07 to 11T12": 0.3, "12T01 to 12T06": 0.6}))
    xr.testing.assert_identical(parsed(grid), parsed(grid))


def test_a_certain_wet_quarter_rains_in_every_member_within_it() -> None:
    table = chances({"11T13 to 11T18": 1.0})
    table.loc["2026-06-11T13:00Z":"2026-06-11T18:00Z", RAIN] = 1.0
    rain = parsed(grid_of(table))[RAIN]
    within = rain.sel(time=slice("2026-06-11T13:00", "2026-06-11T18:00")).sum("time")
    assert (within > 0).all()
    assert within.values == pytest.approx(rain.sum("time").values)


def test_a_member_that_is_wet_has_at_least_the_hundredth_of_an_inch_that_the_chance_is_of() -> None:
    table = chances({"11T13 to 11T18": 1.0})
    table.loc["2026-06-11T18:00Z", RAIN] = 0.27
    assert float(parsed(grid_of(table))[RAIN].sum("time").min()) >= 0.254


def test_chances_that_end_early_end_the_hours() -> None:
    grid = grid_of(chances({"11T13 to 11T18": 0.5}))
    grid["probabilityOfPrecipitation"]["values"] = grid["probabilityOfPrecipitation"]["values"][:2]
    assert parsed(grid)["time"].to_index()[-1] == pd.Timestamp("2026-06-11T18:00")

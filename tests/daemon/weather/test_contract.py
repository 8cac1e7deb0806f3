from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from daemon.weather.clean import clean, drop_bad_members, select_complete, start_of_ahead, trim_to_horizon
from daemon.weather.contract import VARIABLES, Refused, build_dataset, to_datetime64, validate
from tests.loopback.hours import ATTRIBUTES, HERE, NOW, invented

AIR, DEW, RAIN = "air_temperature", "dew_point_temperature", "precipitation_amount"
SUN = "surface_downwelling_shortwave_flux_in_air"
NOON, NIGHT = "2026-06-10T17:00", "2026-06-10T05:00"  # at 75 W


def weather(members: int = 3, first: str = "2026-06-08", last: str = "2026-06-14T23:00") -> xr.Dataset:
    table = invented(first, last)
    values = {str(name): np.tile(table[name].to_numpy(), (1, members, 1)) for name in table}
    labels = pd.DatetimeIndex(table.index).tz_convert(None).to_numpy()
    return build_dataset(values, labels, [f"{m:02d}" for m in range(members)], [HERE], ATTRIBUTES)


def with_value(name: str, value: float, hour: str = NOON, member: int = 1, **cell: Any) -> xr.Dataset:
    dataset = weather(**cell).copy(deep=True)
    dataset[name].loc[{"time": hour, "member": f"{member:02d}"}] = value
    return dataset


def test_good_weather_passes_unchanged() -> None:
    dataset = weather()
    xr.testing.assert_identical(validate(dataset), dataset)


def test_several_places_pass_with_their_own_night() -> None:
    table = invented("2026-06-08", "2026-06-10T23:00")
    values = {str(name): np.tile(table[name].to_numpy(), (2, 1, 1)) for name in table}
    labels = pd.DatetimeIndex(table.index).tz_convert(None).to_numpy()
    near = build_dataset(values, labels, ["00"], [HERE, replace(HERE, latitude=43.4)], ATTRIBUTES)
    assert validate(near)[AIR].dims == ("place", "member", "time")
    other_side = build_dataset(values, labels, ["00"], [HERE, replace(HERE, longitude=105.0)], ATTRIBUTES)
    with pytest.raises(Refused, match="in the dark"):
        validate(other_side)


def test_a_dew_point_above_the_air_by_rounding_is_lowered_to_it() -> None:
    dataset = weather()
    dataset[DEW] = (dataset[AIR] + 0.4).assign_attrs(dataset[DEW].attrs)
    lowered = validate(dataset)
    np.testing.assert_array_equal(lowered[DEW], dataset[AIR])
    assert lowered[DEW].attrs == {"units": "degC", "origin": "native"}


@pytest.mark.parametrize(
    ("name", "value", "hour", "words"),
    [
        (AIR, 60.1, NOON, "air_temperature at 2026-06-10T17:00Z, member 01: given 60.1, allowed -60 to 60 degC"),
        (AIR, -60.1, NOON, "given -60.1"),
        (AIR, np.nan, NOON, "given nothing, allowed a value for every hour"),
        (DEW, 35.0, NOON, "allowed no more than the air temperature"),
        ("wind_speed", -0.1, NOON, "allowed 0 to 60 m s-1"),
        ("wind_speed", np.inf, NOON, "given inf"),
        (SUN, 1501.0, NOON, "allowed 0 to 1500 W m-2"),
        (SUN, 61.0, NIGHT, "allowed up to 60 W m-2 in the dark"),
        (RAIN, 200.1, NOON, "allowed 0 to 200 mm"),
        (RAIN, -0.01, NOON, "given -0.01"),
        ("cloud_area_fraction", 81.0, NOON, "given 81, allowed 0 to 1$"),
    ],
)
def test_an_impossible_value_is_refused_and_costs_its_member(name: str, value: float, hour: str, words: str) -> None:
    dataset = with_value(name, value, hour)
    with pytest.raises(Refused, match=words):
        validate(dataset)
    kept, dropped = drop_bad_members(dataset)
    assert dropped == 1
    assert kept["member"].values.tolist() == ["00", "02"]
    validate(kept)


@pytest.mark.parametrize(
    ("name", "value", "hour"),
    [(AIR, 60.0, NOON), ("wind_speed", 0.0, NOON), (SUN, 60.0, NIGHT), (RAIN, 200.0, NOON)],
)
def test_a_value_at_the_edge_is_believed(name: str, value: float, hour: str) -> None:
    assert drop_bad_members(with_value(name, value, hour))[1] == 0


def test_what_is_not_known_of_an_optional_variable_costs_nothing() -> None:
    dataset = with_value("wind_speed_of_gust", np.nan)
    assert drop_bad_members(dataset)[1] == 0
    assert np.isnan(validate(dataset)["wind_speed_of_gust"].sel(time=NOON, member="01"))


def test_labels_at_the_start_of_local_hours_are_found_by_the_sun() -> None:
    dataset = weather()
    for hours in (-5, -4, 5):
        shifted = dataset.assign_coords(time=dataset["time"] + np.timedelta64(hours, "h"))
        with pytest.raises(Refused, match="are the times UTC"):
            validate(shifted)


BROKEN: list[tuple[Callable[[xr.Dataset], xr.Dataset], str]] = [
    (lambda d: d.drop_vars(RAIN), "lacks precipitation_amount"),
    (lambda d: d.rename({"cloud_area_fraction": "clouds"}), "unknown weather variable clouds"),
    (lambda d: d.transpose("time", "member"), "dimensions of .*time.*member.*allowed"),
    (lambda d: d.astype("float32"), "given 'float32', allowed 'float64'"),
    (lambda d: d.assign({AIR: d[AIR].assign_attrs(units="K")}), "unit of air_temperature: given 'K', allowed 'degC'"),
    (lambda d: d.assign({AIR: d[AIR].assign_attrs(origin="guessed")}), "origin of air_temperature: given 'guessed'"),
    (lambda d: d.drop_vars("time"), "no time labels"),
    (lambda d: d.drop_vars("member"), "members need labels"),
    (lambda d: d.assign_coords(member=["00", "01", "01"]), "members need labels, each of them once"),
    (lambda d: d.isel(member=[]), "is empty"),
    (lambda d: d.isel(time=[]), "is empty"),
    (lambda d: d.isel(time=slice(None, None, -1)), "out of order or given twice after 2026-06-14T23:00Z"),
    (lambda d: d.isel(time=[0, 1, 1, 2]), "given twice after 2026-06-08T01:00Z"),
    (lambda d: d.isel(time=[0, 1, 4, 5]), "lacks 2 hours: 2026-06-08T02:00Z, 2026-06-08T03:00Z"),
    (lambda d: d.isel(time=[0, 100]), "99 hours: .* and more"),
    (lambda d: d.assign_coords(time=d["time"] + np.timedelta64(30, "m")), "2026-06-08T00:30Z, allowed whole hours"),
    (lambda d: d.assign_attrs(source=" "), "attribute source of the weather: given ' '"),
    (lambda d: d.assign_attrs(credit=None), "attribute credit"),
    (lambda d: d.assign_attrs(issued_at="yesterday"), "issued_at of the weather: given 'yesterday'"),
    (lambda d: d.assign_attrs(issued_at="2026-06-10T00:00:00"), "allowed an ISO 8601 time in UTC"),
    (lambda d: d.assign_attrs(issued_at="2026-06-10T10:01:00Z"), "check the clock"),
    (lambda d: d.drop_vars("native_step"), "need their native_step in whole hours"),
    (lambda d: d.assign_coords(native_step=d["native_step"] * 1.0), "need their native_step in whole hours"),
    (
        lambda d: d.assign_coords(native_step=d["native_step"] * 0),
        "native_step of the weather: given 0, allowed 1 to 24",
    ),
    (lambda d: d.assign_attrs(kind="guess"), "given 'guess', allowed 'forecast' or 'record'"),
]


@pytest.mark.parametrize(("change", "words"), BROKEN)
def test_a_broken_rule_is_refused_by_name(change: Callable[[xr.Dataset], xr.Dataset], words: str) -> None:
    with pytest.raises(Refused, match=words):
        validate(change(weather()))


def test_every_required_variable_is_asked_for() -> None:
    for name, variable in VARIABLES.items():
        if variable.required:
            with pytest.raises(Refused, match=f"lacks {name}"):
                validate(weather().drop_vars(name))
        elif name in weather():
            assert name not in validate(weather().drop_vars(name))


def test_no_usable_member_is_refused_with_what_is_wrong() -> None:
    with pytest.raises(Refused, match=r"no usable member; wind_speed at .*, member 00: given 61"):
        drop_bad_members(with_value("wind_speed", 61, member=0, members=1))


def test_hours_are_cut_where_the_first_variable_ends_for_all() -> None:
    dataset = weather().copy(deep=True)
    dataset[SUN].loc[{"time": slice("2026-06-12T03:00", None)}] = np.nan
    dataset[AIR].loc[{"time": slice("2026-06-11", None), "member": "01"}] = np.nan
    assert trim_to_horizon(dataset)["time"].values[-1] == np.datetime64("2026-06-12T02:00")
    dataset[RAIN].loc[{"time": "2026-06-11T20:00"}] = np.nan  # rain is not carried over a hole
    assert trim_to_horizon(dataset)["time"].values[-1] == np.datetime64("2026-06-11T19:00")
    dataset[RAIN][:] = np.nan
    with pytest.raises(Refused, match="no hour with a value"):
        trim_to_horizon(dataset)


def test_a_whole_past_is_cut_to_what_is_wanted() -> None:
    past = select_complete(
        weather(1), datetime(2026, 6, 9, 3, tzinfo=UTC), datetime(2026, 6, 9, 6, tzinfo=ZoneInfo("Etc/GMT+4"))
    )
    assert past["time"].values[[0, -1]].tolist() == [
        np.datetime64(f"2026-06-09T{hour}:00", "ns").item() for hour in ("03", "10")
    ]


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        ("2026-06-07T23:00", "2026-06-09T00:00", "lacks 1 hour: 2026-06-07T23:00Z$"),
        ("2026-06-14T22:00", "2026-06-15T01:00", "lacks 2 hours: 2026-06-15T00:00Z, 2026-06-15T01:00Z$"),
        ("2026-06-09T00:00", "2026-06-09T03:00", "lacks 1 hour: 2026-06-09T02:00Z$"),
        ("2026-06-09T00:00", "2026-06-08T00:00", "no past hours"),
    ],
)
def test_a_gap_in_the_past_is_refused_by_the_hour(first: str, last: str, words: str) -> None:
    past = with_value(RAIN, np.nan, "2026-06-09T02:00", member=0, members=1)
    with pytest.raises(Refused, match=words):
        select_complete(past, *(datetime.fromisoformat(f"{hour}Z") for hour in (first, last)))


def test_an_hour_given_twice_in_the_past_is_refused() -> None:
    with pytest.raises(Refused, match="given twice"):
        select_complete(weather(1).isel(time=[0, 1, 1, 2]), NOW, NOW)


def test_both_halves_are_settled_together() -> None:
    ahead = with_value(AIR, 99, member=2)
    ahead[SUN].loc[{"time": slice("2026-06-13T03:00", None)}] = np.nan
    whole = clean(weather(1), ahead, datetime(2026, 6, 9, tzinfo=UTC), NOW)
    assert whole.past["time"].values[-1] == np.datetime64("2026-06-10T09:00")
    assert whole.ahead["time"].values[-1] == np.datetime64("2026-06-13T02:00")
    assert whole.ahead["member"].values.tolist() == ["00", "01"]
    assert whole.ahead.attrs["members_dropped"] == 1


def test_weather_that_ends_at_now_is_not_ahead() -> None:
    last = weather(last="2026-06-10T09:00")
    with pytest.raises(Refused, match="ends at 2026-06-10T09:00Z, which is not ahead of 2026-06-10T09:20Z"):
        clean(weather(1), last, datetime(2026, 6, 9, tzinfo=UTC), NOW)


def test_last_night_is_ahead_in_every_zone() -> None:
    for name in ("America/Los_Angeles", "Europe/Paris", "Pacific/Auckland", "Asia/Kathmandu"):
        zone = ZoneInfo(name)
        for hour in range(24):
            now = datetime(2026, 6, 10, hour, 30, tzinfo=UTC)
            sunset = datetime.combine(now.astimezone(zone).date() - timedelta(days=1), datetime.min.time(), zone)
            assert start_of_ahead(now) <= sunset + timedelta(hours=20)
    assert start_of_ahead(NOW) == datetime(2026, 6, 9, tzinfo=UTC)


def test_a_time_without_a_zone_is_not_taken() -> None:
    with pytest.raises(ValueError, match="without a zone"):
        to_datetime64(pd.Timestamp("2026-06-10T09:00").to_pydatetime())

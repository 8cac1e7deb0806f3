"""What a forecast cannot be: that real weather is let through, and what each rule finds."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from daemon.domain.farm import Place
from daemon.weather.clean import drop_bad_members
from daemon.weather.contract import Refused, build_dataset, validate
from daemon.weather.plausibility import drop_implausible, is_warmer_at_night, refuse_too_short
from tests.loopback.hours import ATTRIBUTES, HERE, NOW, invented
from tests.support.hourly_records import greensboro

AIR, DEW, RAIN, WIND = "air_temperature", "dew_point_temperature", "precipitation_amount", "wind_speed"
SUN = "surface_downwelling_shortwave_flux_in_air"
CAROLINA = replace(HERE, latitude=36.1, longitude=-79.95, elevation=273.0)
Change = Callable[[xr.DataArray], xr.DataArray]


def weather(*tables: pd.DataFrame, place: Place = HERE) -> xr.Dataset:
    """Return members, one of each table."""
    names = (AIR, DEW, WIND, SUN, RAIN)
    values = {name: np.stack([table[name].to_numpy() for table in tables])[None] for name in names}
    labels = pd.DatetimeIndex(tables[0].index).tz_convert(None).to_numpy()
    return build_dataset(values, labels, [f"{m:02d}" for m in range(len(tables))], [place], ATTRIBUTES)


def members(count: int = 3, days: int = 9) -> xr.Dataset:
    """Return members that differ in their wind by a little."""
    table = invented("2026-06-09", f"2026-06-{9 + days}T23:00")
    return weather(*(table.assign(wind_speed=table[WIND] + 0.01 * m) for m in range(count)))


def changed(dataset: xr.Dataset, name: str, change: Change, member: int = 1) -> xr.Dataset:
    """Return the weather with one member's variable changed."""
    dataset = dataset.copy(deep=True)
    dataset[name][{"member": member}] = change(dataset[name].isel(member=member))
    return dataset


def kept(dataset: xr.Dataset, *, single: bool = False) -> list[str]:
    found = drop_implausible(dataset, NOW, single=single)
    assert found.attrs["members_dropped"] == dataset.sizes["member"] - found.sizes["member"]
    return [str(member) for member in found["member"].to_numpy()]


def test_good_members_are_all_kept() -> None:
    dataset = members()
    xr.testing.assert_equal(drop_implausible(dataset, NOW), dataset)


def test_real_hours_of_a_year_break_no_rule() -> None:
    table = greensboro()
    for first in range(0, len(table) - 240, 120):
        hours = table.iloc[first : first + 240]
        dataset = weather(hours, place=CAROLINA)
        now = hours.index[0].to_pydatetime()
        assert drop_implausible(validate(dataset), now).sizes["member"] == 1


def test_no_day_and_a_half_of_a_real_year_is_too_warm_by_night() -> None:
    table = greensboro()
    for first in range(10, len(table) - 36, 24):
        hours = table.iloc[first : first + 36]
        assert not is_warmer_at_night(weather(hours, place=CAROLINA)).any()


@pytest.mark.parametrize("late", [1, -1])
def test_real_hours_labelled_an_hour_off_are_found_in_most_weeks_of_summer(late: int) -> None:
    table = greensboro()["1990-04-01":"1990-09-29"]
    found = 0
    for week in range(26):
        hours = table.iloc[week * 168 : week * 168 + 168]
        try:
            drop_bad_members(weather(hours.shift(late, freq="h"), place=CAROLINA))
        except Refused as why:
            assert "above the sky's by day (are the times UTC, at the end of the hour?)" in str(why)
            found += 1
    assert found >= 22


def stuck(since: str, until: str) -> Change:
    return lambda air: air.where(~air["time"].isin(pd.date_range(since, until, freq="h").to_numpy()), 17.3)


@pytest.mark.parametrize(
    ("name", "change", "words"),
    [
        (AIR, stuck("2026-06-11T00", "2026-06-12T12"), "the air keeps one temperature for 36 hours"),
        (AIR, lambda air: air * 1.8 + 32.0, "is it in degF"),
        (SUN, lambda sun: sun * 0.001, "is it in W m-2"),
        (SUN, lambda sun: sun * 0.0036, "is it in W m-2"),
        (SUN, lambda sun: sun * 1.7, "not 0.02 to 0.95 of the sky's"),
        (WIND, lambda wind: wind * 0.0, "there is no wind at all"),
        (AIR, lambda air: air.roll(time=12), "the air is colder by day than by night"),
    ],
)
def test_a_member_that_cannot_be_costs_itself_and_if_it_is_the_only_one_the_forecast(
    name: str, change: Change, words: str
) -> None:
    assert kept(changed(members(), name, change)) == ["00", "02"]
    assert kept(changed(members(), name, change), single=True) == ["00", "02"]
    with pytest.raises(Refused, match=f"^no usable member; .*{words}"):
        drop_implausible(changed(members(1), name, change, 0), NOW)


@pytest.mark.parametrize(
    ("name", "change"),
    [
        (AIR, stuck("2026-06-11T00", "2026-06-12T11")),
        (AIR, lambda air: air + 20.0),
        (SUN, lambda sun: sun * 0.05),
        (SUN, lambda sun: sun * 1.5),
        (WIND, lambda wind: wind.where(wind["time"] > np.datetime64("2026-06-12"), 0.0)),
        (RAIN, lambda rain: rain + 1.0),
    ],
)
def test_strange_weather_is_let_through(name: str, change: Change) -> None:
    assert kept(changed(members(), name, change)) == ["00", "01", "02"]


def test_what_is_over_is_not_looked_at() -> None:
    assert len(kept(changed(members(), AIR, stuck("2026-06-09T00", "2026-06-11T20")))) == 3


def test_a_mean_needs_three_days() -> None:
    dark = changed(members(), SUN, lambda sun: sun * 0.0)
    over = 34  # hours up to 10 June, 09:20
    assert kept(dark.isel(time=slice(over + 72))) == ["00", "02"]
    assert len(kept(dark.isel(time=slice(over + 71)))) == 3


def test_members_that_repeat_one_another_count_once() -> None:
    one = members(1)
    same = xr.concat([one.assign_coords(member=[f"{m:02d}"]) for m in range(4)], "member", combine_attrs="override")
    assert kept(same) == ["00"]
    assert len(kept(same, single=True)) == 4
    assert len(kept(same.assign_attrs(synthetic=1))) == 4, "those drawn from chances may be alike"
    assert kept(changed(same, RAIN, lambda rain: rain.where(rain["time"] != np.datetime64("2026-06-18"), 0.1), 2)) == [
        "00",
        "02",
    ]


def rained(*later: float) -> xr.Dataset:
    """Return members with an amount of rain each beyond 120 hours."""
    dataset = members(len(later)).copy(deep=True)
    dataset[RAIN].loc[{"time": "2026-06-16T12:00"}] = list(later)
    return dataset


@pytest.mark.parametrize(
    ("later", "left"),
    [
        ([30.0, 20.0, 6.0], ["00", "01"]),
        ([30.0, 20.0, 7.0], ["00", "01", "02"]),
        ([30.0, 9.0, 0.0], ["00", "01", "02"]),
        ([90.0, 12.0, 11.0], ["00", "01", "02"]),
    ],
)
def test_only_a_member_that_dries_up_where_it_rains_in_all_others_goes(later: list[float], left: list[str]) -> None:
    assert kept(rained(*later)) == left


def test_a_forecast_must_reach_a_day_ahead() -> None:
    dataset = members(days=2)
    now = datetime(2026, 6, 10, 23, 40, tzinfo=UTC)
    refuse_too_short(dataset, now)
    with pytest.raises(Refused, match="ends at 2026-06-11T23:00Z, allowed 2026-06-12T00:00Z or later"):
        refuse_too_short(dataset, now + timedelta(minutes=20))


def test_several_places_lose_a_member_that_is_bad_at_one() -> None:
    near = replace(HERE, latitude=43.4)
    table = invented("2026-06-09", "2026-06-14T23:00")
    values = {name: np.tile(table[name].to_numpy(), (2, 3, 1)) for name in (AIR, DEW, WIND, SUN, RAIN)}
    values[WIND] += 0.01 * np.arange(3)[None, :, None]
    values[SUN][1, 2] = 0.0
    labels = pd.DatetimeIndex(table.index).tz_convert(None).to_numpy()
    assert kept(build_dataset(values, labels, ["00", "01", "02"], [HERE, near], ATTRIBUTES)) == ["00", "01"]

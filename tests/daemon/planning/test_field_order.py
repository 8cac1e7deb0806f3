from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from daemon.advice.decide import decide
from daemon.domain.farm import Farm, FarmToday
from daemon.domain.prospect import FieldDay, Reason, Urgency
from daemon.messages.daily import morning_email, morning_text
from daemon.planning.prospect import plan_fields
from daemon.weather.contract import Weather
from daemon.words.reasons import day_reason_text
from tests.loopback.hours import HERE
from tests.support.farms import plan_of
from tests.support.weather import NOW, farm_today, field, field_state, weather, working_farm


def first_days(wet: int, last_cut: date | None) -> tuple[FieldDay, FieldDay]:
    """Today, with rain at noon in so many of ten members, and a dry tomorrow."""
    rain = np.zeros((10, 60))
    rain[:wet, 7:12] = 2.0
    given = weather(HERE, NOW, NOW + timedelta(hours=70), rain=rain, members=10, kind="forecast")
    farm = working_farm(field("Long", 20, last_cut=last_cut))
    farm = replace(farm, alerts=replace(farm.alerts, odds_needed=0.6))
    today, tomorrow, *_ = plan_fields(farm_today(farm), given, NOW).fields[0].days
    return today, tomorrow


YOUNG, OLD = date(2026, 5, 8), None  # ripe since a few days, and past its best since weeks


def test_a_field_that_still_gains_waits_for_the_surer_day() -> None:
    today, tomorrow = first_days(2, YOUNG)
    assert (today.reason, today.place.better_in_days, today.area) == (Reason.BETTER_LATER, 1, 0.0)
    assert tomorrow.area > 0.0
    assert day_reason_text(today.reason, today) == "a better day is likely on Thursday"


def test_a_field_is_mown_where_tomorrow_is_no_better() -> None:
    today, _ = first_days(0, YOUNG)
    assert today.area > 0.0
    assert today.place.better_in_days is None


def test_waiting_never_lowers_the_odds_needed() -> None:
    today, _ = first_days(6, OLD)
    assert today.area == 0.0
    assert today.reason is Reason.RAIN


def test_the_odds_of_a_day_that_waits_stay() -> None:
    today, _ = first_days(2, YOUNG)
    assert today.odds is not None
    assert today.odds >= 0.6
    assert today.curve[0].odds == pytest.approx(today.odds, abs=0.2)


# --- What hurries ------------------------------------------------------------------------------------------------


def ready_farm(**changes: object) -> Farm:
    """Return a farm of two fields past their best, of which the light one is falling still."""
    heavy, light = (
        field("Heavy", 6, expected_yield=2.9),
        field("Light", 6, last_cut=date(2026, 4, 20), expected_yield=2.4),
    )
    return working_farm(replace(heavy, **changes), light)  # type: ignore[arg-type]


def stormy(hour: int | None) -> Weather:
    """Return three good days, with a storm that begins in an hour from midnight of the first on the farm's clock."""
    given = weather(HERE, NOW, NOW + timedelta(hours=70))
    ahead = given.ahead.assign(wind_speed_of_gust=given.ahead["wind_speed"] * 0.0 + 6.0)
    labels = ahead["time"].to_numpy()
    if hour is not None:
        at = labels == np.datetime64("2026-06-10T05") + np.timedelta64(hour, "h")  # summer time is four hours behind
        ahead["wind_speed_of_gust"][:, at] = 18.0
        ahead["precipitation_amount"][:, at] = 8.0
    return Weather(given.past, ahead)


def places(farm: Farm, hours: Weather, **first_field: Any) -> dict[str, FieldDay]:
    found = plan_fields(farm_today(farm, **first_field), hours, NOW)
    return {one.name: one.days[0] for one in found.fields}


def test_without_a_storm_the_field_that_loses_most_is_first() -> None:
    found = places(ready_farm(), stormy(None))
    assert (found["Heavy"].place.after, found["Light"].place.after) == ("Light", None)
    assert found["Light"].place.lost_by_waiting > found["Heavy"].place.lost_by_waiting  # type: ignore[operator]
    assert found["Heavy"].place.urgency is None


def test_a_storm_tonight_moves_the_tall_crop_up() -> None:
    found = places(ready_farm(), stormy(26))  # two in the morning
    assert (found["Heavy"].place.after, found["Light"].place.after) == (None, "Heavy")
    assert (found["Heavy"].place.urgency, found["Light"].place.urgency) == (Urgency.STORM, None)
    assert str(found["Heavy"].place.storm_at) == "2026-06-11 02:00:00-04:00"


def test_a_light_crop_stands_up_to_a_storm() -> None:
    found = places(ready_farm(expected_yield=2.4), stormy(26))
    assert found["Heavy"].place.urgency is None


def test_a_storm_that_comes_before_all_is_wrapped_moves_nothing() -> None:
    wrapped = plan_of(places(ready_farm(), stormy(26))["Heavy"]).wrapped_by
    before, after = (places(ready_farm(), stormy(wrapped.hour + late))["Heavy"] for late in (2, 3))
    assert (before.place.urgency, after.place.urgency) == (None, Urgency.STORM)


def test_a_crop_that_lies_flat_goes_first_and_the_text_says_how_to_mow_it() -> None:
    farm = ready_farm(expected_yield=2.0)
    morning = decide(farm, plan_fields(farm_today(farm, lodged=date(2026, 6, 9)), stormy(None), NOW))
    assert [one.field for one in morning.mows] == ["Heavy", "Light"]
    assert "Heavy lies flat and goes first: mow it against the lean." in morning_text(farm, morning)
    assert "Heavy lies flat and goes first: mow it against the lean." in morning_email(farm, morning).body


def test_nothing_hurries_that_does_not_pass_anyway() -> None:
    rain = np.zeros((1, 60))
    rain[0, 7:12] = 2.0
    wet = weather(HERE, NOW, NOW + timedelta(hours=70), rain=rain)
    lodged = places(ready_farm(), wet, lodged=date(2026, 6, 9))
    assert {one.reason for one in lodged.values()} == {Reason.RAIN}


def test_the_email_says_why_the_first_field_is_first() -> None:
    farm = ready_farm()
    told = morning_email(farm, decide(farm, plan_fields(farm_today(farm), stormy(None), NOW))).body
    assert "Light goes first: of these it loses most by waiting for its next chance, about" in told


def test_only_the_first_of_two_flat_crops_goes_first() -> None:
    farm = ready_farm()
    both = FarmToday(farm, tuple(field_state(one, lodged=date(2026, 6, 9)) for one in farm.fields))
    text = morning_text(farm, decide(farm, plan_fields(both, stormy(None), NOW)))
    assert text.count("goes first") == 1
    assert text.count("against the lean") == 2
    alone = replace(farm, fields=farm.fields[:1])
    morning = decide(alone, plan_fields(FarmToday(alone, both.fields[:1]), stormy(None), NOW))
    assert "Heavy lies flat: mow it" in morning_text(alone, morning)


def test_a_storm_that_cannot_be_beaten_lifts_no_waiting() -> None:
    # Rain at noon in two of ten members and a dry tomorrow: it waits. Gusts in the rain of today change nothing.
    rain = np.zeros((10, 60))
    rain[:2, 7:12] = 4.0
    given = weather(HERE, NOW, NOW + timedelta(hours=70), rain=rain, members=10, kind="forecast")
    young = field("Long", 20, last_cut=YOUNG, expected_yield=2.9)
    farm = replace(working_farm(young), alerts=replace(working_farm().alerts, odds_needed=0.6))
    gusts = given.ahead["precipitation_amount"] * 5.0
    windy = Weather(given.past, given.ahead.assign(wind_speed_of_gust=gusts.assign_attrs(units="m s-1")))
    calm, storm = (plan_fields(farm_today(farm), hours, NOW).fields[0].days[0] for hours in (given, windy))
    assert calm.reason is Reason.BETTER_LATER
    assert (storm.reason, storm.place.urgency) == (Reason.BETTER_LATER, None)

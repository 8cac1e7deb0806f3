from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.advice.decide import decide
from daemon.domain.advice import AdviceKind
from daemon.domain.causes import TooFewMembers
from daemon.domain.farm import Farm, Place, Units
from daemon.domain.prospect import FieldDay, Prospect, Reason, Ripeness, Unknown, reason_of
from daemon.planning.daily_weather import daily_extremes
from daemon.planning.prospect import plan_fields, unknown_prospect
from daemon.weather.clean import clean
from daemon.weather.contract import Weather, build_dataset
from daemon.words.causes import unknown_detail_text
from daemon.words.growth import growth_doubts_text
from tests.loopback.hours import HERE
from tests.support.farms import ACRE, plan_of, stand_of, stated
from tests.support.hourly_records import greensboro
from tests.support.weather import COLUMNS, NOW, TODAY, farm_today, field, weather, working_farm

pytestmark = pytest.mark.slow

FIXED = settings(derandomize=True, deadline=None, max_examples=25)


@cache
def known(hours: int = 22, **given: Any) -> Weather:
    return weather(HERE, NOW, NOW + timedelta(hours=hours), **given)


def pass_over(farm: Farm, hours: Weather | None = None, now: datetime = NOW, **first_field: Any) -> Prospect:
    return plan_fields(farm_today(farm, **first_field), hours or known(), now)


def days_of(found: Prospect, number: int = 0) -> tuple[FieldDay, ...]:
    return found.fields[number].days


# --- Weather that must not be trusted ----------------------------------------------------------------------------


def test_good_weather_leads_to_a_mow() -> None:
    (advice,) = decide(working_farm(), pass_over(working_farm())).advices
    assert (advice.kind, advice.reason) == (AdviceKind.MOW, None)


def test_a_forecast_that_is_too_old_is_not_used() -> None:
    old = known(kind="forecast", members=8, issued=NOW - timedelta(hours=18, minutes=1))
    found = pass_over(working_farm(), old)
    assert (reason_of(found.trouble), found.fields[0].unknown) == (Reason.DATA_STALE, found.trouble)
    assert "no more than 18 allowed" in unknown_detail_text(found.trouble, Units.US)
    young = known(kind="forecast", members=8, issued=NOW - timedelta(hours=18))
    assert pass_over(working_farm(), young).trouble is None


def test_an_old_forecast_leaves_what_is_known_of_the_growth() -> None:
    old = pass_over(working_farm(), known(kind="forecast", members=8, issued=NOW - timedelta(hours=19))).fields[0]
    young = pass_over(working_farm(), known(kind="forecast", members=8, issued=NOW - timedelta(hours=3))).fields[0]
    for name in ("ripeness", "stage", "kinds", "ndf", "clock", "clock_from", "days_left", "dry_matter", "quality"):
        assert getattr(stand_of(old), name) == getattr(stand_of(young), name) != (), name
    assert (reason_of(old.unknown), old.days, old.drying_picture) == (Reason.DATA_STALE, (), None)
    assert (old.ground, old.firm_from, old.soil_factor) == (None, None, None)  # by rain that was only forecast


def test_both_kinds_of_a_mix_are_told_of() -> None:
    farm = working_farm(field("Long Meadow", 20, stand={"orchardgrass": 0.6, "red clover": 0.4}))
    assert [one.kind for one in stand_of(pass_over(farm).fields[0]).kinds] == ["grasses", "legumes"]


def test_too_few_members_are_not_used() -> None:
    found = pass_over(working_farm(), known(kind="forecast", members=7))
    assert found.trouble == Unknown(Reason.FEW_MEMBERS, TooFewMembers(7, 8))
    assert pass_over(working_farm(), known(kind="forecast", members=8)).trouble is None


def test_one_member_of_a_record_is_enough() -> None:
    found = pass_over(working_farm())
    assert found.trouble is None
    assert found.weather is not None
    assert found.weather.members == 1


def test_the_facts_of_the_weather_are_kept() -> None:
    facts = pass_over(working_farm()).weather
    assert facts is not None
    assert (facts.source, facts.credit, facts.age_hours) == ("invented", "Invented hours", 3.0)


def test_no_prospect_names_every_field() -> None:
    farm = working_farm(field("a", 3), field("b", 4))
    found = unknown_prospect(farm, NOW, (trouble := stated(Reason.DATA_MISSING, "no answer")))
    assert [(one.name, one.unknown) for one in found.fields] == [("a", trouble), ("b", trouble)]


@pytest.mark.parametrize("name", COLUMNS)
def test_a_value_that_is_missing_in_the_working_day_is_no_mow(name: str) -> None:
    # The contract drops such members; should one slip through, it must not count as dry.
    hours = known()
    holed = hours.ahead.copy(deep=True)
    holed[name][:, -12:-9] = np.nan
    found = plan_fields(farm_today(working_farm()), Weather(hours.past, holed), NOW)
    assert decide(working_farm(), found).mows == ()


@FIXED
@given(
    stale=st.booleans(),
    few=st.booleans(),
    out=st.booleans(),
    off=st.booleans(),
    growing=st.booleans(),
)
def test_no_mow_where_anything_stands_against_it(stale: bool, few: bool, out: bool, off: bool, growing: bool) -> None:
    hours = known(kind="forecast", members=7 if few else 8, issued=NOW - timedelta(hours=30 if stale else 3))
    farm = working_farm(
        field("Long", 10, last_cut=TODAY - timedelta(days=9) if growing else None),
        season=frozenset({7} if out else {6}),
        work={"days_off": frozenset({2} if off else {6})},  # the day is a Wednesday
    )
    mown = bool(decide(farm, pass_over(farm, hours)).mows)
    assert mown == (not (stale or few or out or off or growing))


# --- Fields ------------------------------------------------------------------------------------------------------


def test_a_field_that_is_not_ripe_is_held_back_though_it_would_dry() -> None:
    (day,) = days_of(pass_over(working_farm(field("Young", 10, last_cut=date(2026, 6, 1)))))
    assert (day.ripeness, day.reason, day.area, day.plan) == (Ripeness.GROWING, Reason.NOT_RIPE, 0.0, None)


@pytest.mark.parametrize(
    ("farm", "reason"),
    [
        (working_farm(season=frozenset({5, 7})), Reason.OUT_OF_SEASON),
        (working_farm(work={"days_off": frozenset({2})}), Reason.DAY_OFF),
    ],
)
def test_season_and_days_off_hold_back(farm: Farm, reason: Reason) -> None:
    (day,) = days_of(pass_over(farm))
    assert (day.reason, day.area, day.plan) == (reason, 0.0, None)


def test_one_bad_field_is_set_aside_and_the_others_go_on() -> None:
    # The past begins in April: the first growth cannot be reckoned from it, a regrowth can.
    spring = known(since=datetime(2026, 4, 1, tzinfo=UTC))
    farm = working_farm(
        field("no start", 10), field("regrown", 10, last_cut=date(2026, 4, 20)), field("odd", 9, stand={"bamboo": 1.0})
    )
    start, regrown, odd = pass_over(farm, spring).fields
    assert (reason_of(start.unknown), start.days) == (Reason.GROWTH_UNKNOWN, ())
    assert unknown_detail_text(start.unknown, Units.US)
    assert reason_of(odd.unknown) is Reason.OUT_OF_RANGE
    assert "bamboo" in unknown_detail_text(odd.unknown, Units.US)
    assert regrown.unknown is None
    assert regrown.days[0].area == pytest.approx(10 * ACRE)
    assert [one.kind for one in decide(farm, pass_over(farm, spring)).advices] == [
        AdviceKind.MOW,
        AdviceKind.NONE,
        AdviceKind.NONE,
    ]


def test_two_ripe_fields_share_the_day() -> None:
    both = pass_over(working_farm(field("first", 25), field("second", 40)))
    first, second = days_of(both, 0)[0], days_of(both, 1)[0]
    alone = days_of(pass_over(working_farm(field("first", 25))))[0]
    whole = days_of(pass_over(working_farm(field("one", 65))))[0]
    assert first == alone
    assert plan_of(second).start == plan_of(first).mow_until + timedelta(minutes=15)  # on the way
    assert (first.place.after, second.place.after) == (None, "first")
    assert second.area > 0.0
    strip = 2.8 / 4  # [ha]
    assert first.area + second.area <= whole.area + strip
    assert plan_of(second).bale_from > plan_of(first).bale_from


def test_the_field_that_loses_most_by_waiting_is_mown_first() -> None:
    # The older one has lost by May what it can lose, the younger one is falling now.
    farm = working_farm(field("older", 12), field("younger", 12, last_cut=date(2026, 4, 20)))
    older, younger = (days[0] for days in (days_of(pass_over(farm), 0), days_of(pass_over(farm), 1)))
    assert older.days_left < younger.days_left
    assert (younger.place.after, older.place.after) == (None, "younger")
    assert [one.field for one in decide(farm, pass_over(farm)).mows] == ["younger", "older"]


def test_a_third_field_finds_the_day_full() -> None:
    farm = working_farm(field("a", 30), field("b", 40), field("c", 20))
    days = [days_of(pass_over(farm), number)[0] for number in range(3)]
    assert days[2].reason is Reason.DAY_IS_FULL
    assert days[2].area == 0.0


def test_a_field_held_back_takes_no_time_from_the_others() -> None:
    farm = working_farm(field("young", 30, last_cut=date(2026, 6, 1)), field("ripe", 20))
    assert days_of(pass_over(farm), 1)[0] == days_of(pass_over(working_farm(field("ripe", 20))))[0]


# --- Days --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("hours", "days"), [(22, 1), (34, 1), (50, 2), (24 * 15, 10)])
def test_a_day_that_is_cut_short_is_dropped(hours: int, days: int) -> None:
    # 22 h reach to half past three in the night after today, 34 h to the next afternoon
    shown = days_of(pass_over(working_farm(field("Creek", 2), work={"mown_per_hour": 4.0}), known(hours)))
    assert [day.date for day in shown] == [TODAY + timedelta(days=ahead) for ahead in range(days)]


@pytest.mark.parametrize(
    ("now", "place"),
    [
        (datetime(2026, 3, 6, 10, 30, tzinfo=UTC), HERE),
        (datetime(2026, 10, 30, 9, 30, tzinfo=UTC), HERE),
        (datetime(2026, 9, 25, 17, 30, tzinfo=UTC), Place(-43.0, 172.0, 50.0, ZoneInfo("Pacific/Auckland"))),
        (datetime(2026, 4, 3, 17, 30, tzinfo=UTC), Place(-43.0, 172.0, 50.0, ZoneInfo("Pacific/Auckland"))),
        (datetime(2026, 6, 10, 0, 30, tzinfo=UTC), Place(22.6, 88.4, 10.0, ZoneInfo("Asia/Kolkata"))),
    ],
    ids=["forward", "back", "south forward", "south back", "half hour"],
)
def test_local_days_are_whole_in_weeks_of_clock_change_and_everywhere(now: datetime, place: Place) -> None:
    farm = working_farm(field("Creek", 2, last_cut=(now - timedelta(days=60)).date()), place=place)
    since = now.replace(hour=0, minute=0) - timedelta(days=80)
    hours = weather(place, now, now + timedelta(days=4), since=since)
    extremes = daily_extremes(hours, farm)
    local = now.astimezone(place.timezone).date()
    days = list(extremes.index)
    assert days == [days[0] + timedelta(days=number) for number in range(len(days))]
    assert local in days
    assert (extremes["high"] - extremes["low"]).between(15.0, 18.0).all()  # whole days of a swing of 16 K
    shown = plan_fields(farm_today(farm), hours, now).fields[0].days
    assert [day.date for day in shown[:3]] == [local + timedelta(days=ahead) for ahead in range(3)]
    for day in shown:
        for at in (day.plan.start, day.plan.mow_until, day.plan.bale_from, day.plan.wrapped_by) if day.plan else ():
            assert at.date() == day.date


def test_the_extremes_ahead_are_means_over_members() -> None:
    hours = known(50, members=8, kind="forecast")
    ahead = hours.ahead.copy(deep=True)
    warmer = np.arange(8.0)[:, None]
    ahead["air_temperature"] = ahead["air_temperature"] + warmer
    farm = working_farm()
    plain, spread = (daily_extremes(one, farm)["high"] for one in (hours, Weather(hours.past, ahead)))
    gained = dict(zip(plain.index, (spread - plain).to_numpy(), strict=True))
    assert gained[TODAY] == pytest.approx(3.5)
    assert gained[TODAY - timedelta(days=9)] == 0.0


# --- A real day --------------------------------------------------------------------------------------------------


def clearest_june_day(table: pd.DataFrame) -> date:
    """Return the day with the most sun of those that are dry, as is the day before."""
    local = pd.DatetimeIndex(table.index).tz_convert("Etc/GMT+5")
    june = table[local.month == 6]
    days = june.groupby(np.asarray(local[local.month == 6].date))
    rain = days["precipitation_amount"].sum().to_numpy()
    sun = days["surface_downwelling_shortwave_flux_in_air"].sum().to_numpy()
    dry = (rain == 0.0) & (np.roll(rain, 1) == 0.0) & (np.arange(rain.size) > 0) & (np.arange(rain.size) < 30)
    return date(1990, 6, 1) + timedelta(days=int(np.where(dry, sun, 0.0).argmax()))


def test_common_practice_twenty_acres_of_a_light_crop_are_wrapped_that_evening() -> None:
    # Common practice, no source: a good drying day, a 24 ft cut behind horses, three people, 2.2 t/ha.
    place = Place(36.1, -79.95, 273.0, ZoneInfo("Etc/GMT+5"))
    table = greensboro()
    index = pd.DatetimeIndex(table.index)
    clearest = clearest_june_day(table)
    now = datetime.combine(clearest, time(5, 30), tzinfo=place.timezone).astimezone(UTC)
    values = {name: table[name].to_numpy(dtype=float)[None, None] for name in COLUMNS}
    attributes = {
        "source": "file", "model": "record", "credit": "TMY3", "kind": "record",
        "issued_at": now.isoformat(), "fetched_at": now.isoformat(),
    }  # fmt: skip
    labels = index.tz_convert(None).to_numpy(dtype="datetime64[ns]")
    whole = build_dataset(values, labels, ["record"], [place], attributes)
    ahead = whole.sel(time=slice(np.datetime64(clearest) - np.timedelta64(24, "h"), np.datetime64(clearest, "h") + 36))
    hours = clean(whole, ahead, datetime(now.year, 1, 1, 6, tzinfo=UTC), now)
    farm = working_farm(field("Long", 20), place=place, work={"bale_dry_matter": 0.228})
    farm = replace(farm, work=replace(farm.work, latest_start=time(10)))
    day = plan_fields(farm_today(farm), hours, now).fields[0].days[0]
    assert day.date == clearest
    assert day.area == pytest.approx(20 * ACRE)
    assert plan_of(day).mow_until.time() <= time(12)
    assert time(15) <= plan_of(day).wrapped_by.time() <= time(20)


# --- Ground ------------------------------------------------------------------------------------------------------


def test_soft_ground_holds_back_where_too_many_members_say_so() -> None:
    # Ground that is firm this morning, then 60 mm tomorrow in some of the members: loam takes two days to carry again.
    def held(rainy: int) -> tuple[FieldDay, ...]:
        rain = np.zeros((8, 60))
        rain[:rainy, 20:44] = 2.5
        hours = weather(HERE, NOW, NOW + timedelta(days=5), members=8, kind="forecast", rain=rain)
        return days_of(pass_over(working_farm(), hours))

    for rainy, soft in ((1, False), (4, True), (5, True)):  # seven in ten are needed
        today, _, after = held(rainy)[:3]
        assert today.ground_firm_share == 1.0
        assert after.ground_firm_share == 1.0 - rainy / 8
        assert (after.reason is Reason.GROUND_SOFT) == soft
        assert after.odds is not None, "which are still true"


def test_a_field_on_soft_ground_says_from_when_it_carries() -> None:
    seen = ((date(2026, 6, 10), "soft"),)
    hours = weather(HERE, NOW, NOW + timedelta(days=5))
    farm = working_farm(field("wet", 10), field("dry", 10))
    wet, dry = pass_over(farm, hours, ground_looks=seen).fields
    assert (wet.ground, dry.ground, dry.firm_from) == ("soft", "firm", TODAY)
    assert wet.firm_from is not None
    assert [day.date for day in wet.days if day.reason is Reason.GROUND_SOFT][-1] == wet.firm_from - timedelta(days=1)
    assert wet.days[0].reason is Reason.GROUND_SOFT
    young = working_farm(field("young", 10, last_cut=date(2026, 6, 1)))
    assert days_of(pass_over(young, hours, ground_looks=seen))[0].reason is Reason.NOT_RIPE


# --- Drought ------------------------------------------------------------------------------------------------------


def test_drought_holds_a_regrowth_back_and_brings_a_caution_of_nitrate() -> None:
    # 90 days of June sun and no rain take all that loam holds; a regrowth stands still then, a first growth ripens on.
    regrowth = field("Young", 12, last_cut=date(2026, 4, 20), expected_yield=None)
    first = field("First", 12)
    moist, dry = (pass_over(working_farm(regrowth, first), known(rained=rained)).fields for rained in (True, False))
    assert stand_of(moist[0]).clock > 200.0
    assert stand_of(dry[0]).clock == 0.0
    assert (stand_of(moist[0]).ripeness, stand_of(dry[0]).ripeness) == (Ripeness.PAST, Ripeness.GROWING)
    assert "drought holds orchardgrass back, " in growth_doubts_text(stand_of(dry[0]).doubts)
    assert stand_of(moist[1]).clock == stand_of(dry[1]).clock
    plans = [fields[1].days[0].plan for fields in (moist, dry)]
    cautions = [{timed.caution for timed in plan.cautions} if plan else set() for plan in plans]
    assert ["nitrate" in of_day for of_day in cautions] == [False, True]


def test_rain_before_work_is_in_the_ground_that_the_baler_meets() -> None:
    # It rains up to six, an hour before work: 24 mm on a dry topsoil that holds 22.5.
    shower = weather(HERE, NOW, NOW + timedelta(hours=22), rain=np.array([[24.0]]))
    found = [pass_over(working_farm(), hours).fields[0] for hours in (known(), shower)]
    assert [one.ground for one in found] == ["firm", "ruts"]
    assert found[1].days[0].reason is Reason.GROUND_SOFT


def test_odds_are_no_surer_than_the_ground() -> None:
    # 24 mm before work in four of ten members; the others are as dry as ever.
    shower = np.zeros((10, 2))
    shower[:4, 0] = 24.0
    end = NOW + timedelta(hours=22)
    dry, wet = (
        days_of(pass_over(working_farm(), weather(HERE, NOW, end, rain=rain, members=10, kind="forecast")))[0]
        for rain in (None, shower)
    )
    assert dry.odds is not None
    assert wet.odds is not None
    assert (dry.ground_firm_share, wet.ground_firm_share) == (1.0, 0.6)
    assert wet.odds < dry.odds
    assert wet.reason is Reason.GROUND_SOFT


def test_rain_up_to_the_last_start_is_in_the_ground() -> None:
    # 24 mm from seven to eight, after the earliest start: mowing could begin later, on ground that does not carry.
    shower = weather(HERE, NOW, NOW + timedelta(hours=22), rain=np.array([[0.0, 24.0, 0.0]]))
    assert pass_over(working_farm(), shower).fields[0].days[0].reason is Reason.GROUND_SOFT


def test_a_look_at_the_ground_knows_nothing_of_rain_to_come() -> None:
    to_come = weather(HERE, NOW, NOW + timedelta(hours=22), rain=np.array([[24.0]]))
    seen = pass_over(working_farm(field("Seen", 12)), to_come, ground_looks=((TODAY, "firm"),))
    assert seen.fields[0].days[0].reason is Reason.GROUND_SOFT


def test_the_ground_of_today_is_that_of_the_middle_member() -> None:
    one_wet = np.zeros((5, 1))
    one_wet[0] = 24.0
    hours = weather(HERE, NOW, NOW + timedelta(hours=22), rain=one_wet, members=5, kind="forecast")
    farm = working_farm()
    lax = replace(farm, weather=replace(farm.weather, least_members=1))
    assert pass_over(lax, hours).fields[0].ground == "firm"
    most_wet = weather(HERE, NOW, NOW + timedelta(hours=22), rain=24.0 - one_wet, members=5, kind="forecast")
    assert pass_over(lax, most_wet).fields[0].ground == "ruts"

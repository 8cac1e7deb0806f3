from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from daemon.domain.farm import Farm, Place, Traction
from daemon.domain.prospect import AreaOdds, FieldDay, Reason, Ripeness
from daemon.planning.drying import strips_for
from daemon.planning.field_day import classify_ripeness
from daemon.planning.forecast_hours import Window, forecast_hours, work_window
from daemon.planning.prospect import plan_fields
from models.coefficients import MAX_ODDS, MIN_ODDS
from tests.loopback.hours import HERE
from tests.support.farms import ACRE, plan_of
from tests.support.weather import NOW, TODAY, farm_today, field, weather, working_farm

pytestmark = pytest.mark.slow

KOLKATA = Place(22.6, 88.4, 10.0, ZoneInfo("Asia/Kolkata"))
AUCKLAND = Place(-43.0, 172.0, 50.0, ZoneInfo("Pacific/Auckland"))
BERLIN = Place(52.0, 13.0, 50.0, ZoneInfo("Europe/Berlin"))


def today(farm: Farm, now: datetime = NOW, rain: float = 0.0, first_wet: int = 0, members: int = 1) -> FieldDay:
    """Return the first field's day; rain [mm] falls in every hour from so many after now."""
    falls = np.where(np.arange(20) >= first_wet, rain, 0.0)
    kind = "record" if members == 1 else "forecast"
    hours = weather(farm.place, now, now + timedelta(hours=22), rain=falls[None], members=members, kind=kind)
    return plan_fields(farm_today(farm), hours, now).fields[0].days[0]


@cache
def clear_day() -> FieldDay:
    return today(working_farm())


def window_on(place: Place, day: date, **work: object) -> tuple[Farm, Window]:
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    farm = working_farm(place=place, work=work)
    now = noon - timedelta(days=2)
    window = work_window(farm, day, now, forecast_hours(farm, weather(place, now, noon + timedelta(days=2)), day))
    assert window is not None
    return farm, window


# --- What is done on a day ---------------------------------------------------------------------------------------


def test_a_clear_day_takes_the_whole_light_field() -> None:
    assert clear_day().area == pytest.approx(20 * ACRE)
    assert clear_day().reason is None
    assert clear_day().odds == MAX_ODDS


def test_the_hours_are_in_order_and_within_the_day() -> None:
    day = clear_day()
    assert plan_of(day).start.timetz() == time(7, tzinfo=HERE.timezone)
    assert plan_of(day).start < plan_of(day).mow_until <= plan_of(day).bale_from < plan_of(day).wrapped_by
    assert plan_of(day).wrapped_by <= datetime(2026, 6, 10, 20, tzinfo=HERE.timezone)
    # 20 acres at 2.8 ha/h, in whole quarters of an hour
    assert plan_of(day).mow_until - plan_of(day).start == timedelta(hours=3)


def test_bales_are_those_of_the_crop() -> None:
    # 20 acres of 2.2 t/ha in bales of 0.3 t
    assert plan_of(clear_day()).bales == pytest.approx(20 * ACRE * 2.2 / 0.3, rel=0.05)


def test_moisture_at_raking_is_no_wetter_than_allowed() -> None:
    band = plan_of(clear_day()).moisture_at_baling
    assert band is not None
    assert 0.3 < band.low <= band.mid <= band.high <= 0.55 + 1e-9


@pytest.mark.parametrize("yield_", [2.2, 3.5, 5.0])
def test_odds_never_rise_with_acres_and_never_say_certain(yield_: float) -> None:
    day = today(working_farm(field("Long Meadow", 40, expected_yield=yield_)))
    odds = [one.odds for one in day.curve]
    assert len(odds) > 10
    assert odds == sorted(odds, reverse=True)
    assert MIN_ODDS <= odds[-1] < odds[0] <= MAX_ODDS
    areas = [one.area for one in day.curve]
    assert areas == sorted(areas)
    assert areas[-1] <= 40 * ACRE


def test_a_heavier_crop_means_fewer_acres() -> None:
    light, heavy = (today(working_farm(field("Long", 60, expected_yield=t))).area for t in (2.0, 3.0))
    assert 0.0 < heavy < light < 60 * ACRE


@pytest.mark.parametrize("acres", [2.0, 3.3, 9.75])
def test_no_more_is_advised_than_the_field_has(acres: float) -> None:
    day = today(working_farm(field("Creek", acres)))
    assert day.area == pytest.approx(acres * ACRE, rel=1e-12)
    assert day.curve[-1] == AreaOdds(day.area, day.curve[-1].odds)


def test_what_is_advised_is_the_largest_area_at_the_odds_needed() -> None:
    day = today(working_farm(field("Long", 60)))
    assert day.odds is not None
    assert day.odds >= 0.7
    assert all(one.odds < 0.7 for one in day.curve if one.area > day.area + 1e-9)


def test_a_field_smaller_than_the_least_area_is_still_worth_it() -> None:
    assert today(working_farm(field("Patch", 1.0))).area == pytest.approx(ACRE)


def test_hitching_up_for_less_than_the_least_area_is_not_advised() -> None:
    day = today(working_farm(field("Long", 60), work={"least_area": 55 * ACRE}))
    assert (day.area, day.reason) == (0.0, Reason.TOO_LITTLE_TIME)


@pytest.mark.parametrize("hands", [1, 2])
def test_fewer_hands_do_less(hands: int) -> None:
    # 19 acres an hour baled and wrapped by one pair of hands take twice as long
    less, more = (today(working_farm(field("Long", 60), work={"hands": n})).area for n in (hands, hands + 1))
    assert 0.0 < less < more


# --- Rain and drying ---------------------------------------------------------------------------------------------


def test_rain_at_noon_prevents_a_mow() -> None:
    day = today(working_farm(), rain=0.3, first_wet=6)
    assert (day.area, day.plan, day.reason) == (0.0, None, Reason.RAIN)
    assert day.odds == MIN_ODDS
    assert day.hindered_share == 1.0


def test_rain_after_the_wrapping_prevents_nothing() -> None:
    assert today(working_farm(), rain=1.0, first_wet=15).area == clear_day().area  # from half past eight in the evening


def test_less_than_a_wet_hour_is_no_wall_but_wets_the_crop() -> None:
    day = today(working_farm(), rain=0.15, first_wet=4)
    assert day.reason is not Reason.RAIN
    assert day.curve[-1].odds < clear_day().curve[-1].odds


def test_rain_in_one_member_of_ten_costs_a_tenth_of_the_odds() -> None:
    rain = np.zeros((10, 20))
    rain[0, 6:] = 1.0
    hours = weather(HERE, NOW, NOW + timedelta(hours=22), rain=rain, members=10, kind="forecast")
    wet = plan_fields(farm_today(working_farm()), hours, NOW).fields[0].days[0].curve[4].odds
    dry = today(working_farm(), members=10).curve[4].odds
    # ten members correlated by 0.1 are worth 10 / 1.9 = 5.26, beside one of prior
    assert dry - wet == pytest.approx(0.1 * 5.263 / 6.263, abs=0.002)


def test_only_the_crop_spreads_a_record() -> None:
    # the same hours as ten members of a forecast are trusted less than as hours that are known
    record, forecast = today(working_farm(field("L", 2))), today(working_farm(field("L", 2)), members=10)
    assert record.odds == MAX_ODDS
    assert forecast.odds == pytest.approx((5.263 + 0.3) / 6.263, abs=0.002)


@pytest.mark.parametrize(("yield_", "reason"), [(6.0, Reason.WILL_NOT_DRY), (12.0, Reason.TOO_THICK)])
def test_a_heavy_crop_says_why_it_is_left(yield_: float, reason: Reason) -> None:
    day = today(working_farm(field("Long", 20, expected_yield=yield_), work={"finish_by": time(14)}))
    assert (day.area, day.plan, day.reason) == (0.0, None, reason)


# --- The window --------------------------------------------------------------------------------------------------


def test_after_the_latest_start_it_is_too_late_today() -> None:
    day = today(working_farm(), now=datetime(2026, 6, 10, 16, 5, tzinfo=UTC))  # five past twelve
    assert (day.area, day.odds, day.reason) == (0.0, None, Reason.TOO_LATE_TODAY)


def test_a_start_in_the_past_is_not_advised() -> None:
    now = datetime(2026, 6, 10, 13, 5, tzinfo=UTC)  # five past nine
    start = plan_of(today(working_farm(field("Long", 5)), now=now)).start
    assert start >= now
    assert start.minute % 15 == 0


@pytest.mark.parametrize(
    ("place", "day", "offset"),
    [
        (HERE, date(2026, 3, 7), -5),
        (HERE, date(2026, 3, 8), -4),  # clocks go forward in the night before
        (HERE, date(2026, 3, 9), -4),
        (HERE, date(2026, 10, 31), -4),
        (HERE, date(2026, 11, 1), -5),  # clocks go back
        (HERE, date(2026, 11, 2), -5),
        (BERLIN, date(2026, 3, 29), 2),
        (BERLIN, date(2026, 10, 25), 1),
        (AUCKLAND, date(2026, 9, 27), 13),
        (AUCKLAND, date(2026, 4, 5), 12),
        (KOLKATA, date(2026, 6, 10), 5.5),
    ],
)
def test_the_working_day_is_that_of_the_farms_clock(place: Place, day: date, offset: float) -> None:
    farm, window = window_on(place, day)
    begins, ends = window.time_at(window.starts[0], farm), window.time_at(window.finish, farm)
    assert (begins.date(), begins.time(), begins.utcoffset()) == (day, time(7), timedelta(hours=offset))
    assert (ends.date(), ends.time()) == (day, time(20))
    assert window.time_at(window.starts[-1], farm).time() <= time(12)
    # The first hour of the grid is the one that begins with slot 0
    now = datetime(day.year, day.month, day.day, 12, tzinfo=UTC)
    ahead = forecast_hours(farm, weather(place, now - timedelta(days=2), now + timedelta(days=2)), day)
    label = datetime.fromisoformat(str(ahead.ends[window.first_hour].astype("datetime64[s]"))).replace(tzinfo=UTC)
    assert label - timedelta(hours=1) == window.begins
    assert window.hour_count * 4 >= window.finish


def test_hours_that_begin_within_the_hour_are_kept_to_the_quarter() -> None:
    farm, window = window_on(HERE, TODAY, earliest_start=time(7, 20), latest_start=time(9, 10), finish_by=time(19, 50))
    said = [window.time_at(slot, farm).time() for slot in window.starts]
    assert said == [time(7, 30), time(8, 30), time(9)], "on the hour, and the latest of all"
    assert window.time_at(window.finish, farm).time() == time(19, 45)


def test_work_ends_at_sunset_unless_the_farm_says_otherwise() -> None:
    # Berlin, 10 September 2026: sunset at 19:33 by the almanac (memory), in quarters of an hour from 7:00
    farm, window = window_on(BERLIN, date(2026, 9, 10), after_dark=False)
    assert window.time_at(window.finish, farm).time() == time(19, 30)
    farm, window = window_on(BERLIN, date(2026, 9, 10), after_dark=True)
    assert window.time_at(window.finish, farm).time() == time(20)


def test_nobody_works_in_the_break() -> None:
    farm, window = window_on(HERE, TODAY, break_at=time(11, 50), break_hours=0.75)
    assert [window.time_at(slot, farm).time() for slot in sorted(window.rest)] == [
        time(11, 45),
        time(12),
        time(12, 15),
        time(12, 30),
    ]
    assert [slot for slot, pace in enumerate(window.pace) if pace == 0.0] == sorted(window.rest)


def test_nobody_begins_in_the_break_and_mowing_goes_on_after_it() -> None:
    farm, window = window_on(HERE, TODAY, latest_start=time(12, 30), break_at=time(12), break_hours=1)
    assert [window.time_at(slot, farm).time() for slot in window.starts] == [time(hour) for hour in range(7, 12)]
    whole = today(working_farm(field("Long", 60), work={"latest_start": time(12), "break_at": time(12)}))
    assert whole.curve[-1].area > 2.8 * 2


def test_a_break_before_the_first_hour_costs_nothing() -> None:
    _, window = window_on(HERE, TODAY, break_at=time(5))
    assert window.rest == frozenset()
    assert set(window.pace) == {1.0}


def test_sunset_is_that_of_the_farms_own_day_beyond_the_date_line() -> None:
    # Chatham Islands, on the clock 12:45 ahead of UTC but at 176.5 degrees west
    farm, window = window_on(
        Place(-43.9, -176.5, 10.0, ZoneInfo("Pacific/Chatham")), date(2026, 6, 10), after_dark=False
    )
    assert time(16, 45) <= window.time_at(window.finish, farm).time() <= time(17)


def test_hours_that_are_over_are_those_that_came_in_every_member() -> None:
    now = NOW + timedelta(hours=4.5)  # ten o'clock
    rain = np.full((8, 6), 1.0)
    given = weather(HERE, now, now + timedelta(hours=30), members=8, kind="forecast", rain=rain)
    given.past["precipitation_amount"][:, -1] = 4.0
    given.ahead["precipitation_amount"][:, :10] = 7.0  # which never fell
    hours = forecast_hours(working_farm(), given, TODAY)
    at = int(np.searchsorted(hours.ends, np.datetime64("2026-06-10T14:00")))
    assert (hours.drying.rain[:, at - 3 : at + 3] == [0.0, 0.0, 0.0, 4.0, 1.0, 1.0]).all()
    assert (hours.wet[:, at - 3 : at + 3] == [False, False, False, True, True, True]).all()
    assert hours.drying.rain[:, :10].sum() == 0.0


def test_a_forecast_that_ends_before_midnight_covers_its_last_working_day_or_none() -> None:
    for hours in range(60, 72):
        given = weather(HERE, NOW, NOW + timedelta(hours=hours), members=8, kind="forecast")
        days = plan_fields(farm_today(working_farm()), given, NOW).fields[0].days
        assert len(days) in (2, 3)


def test_a_team_breathes_in_the_heat_and_stops_in_great_heat() -> None:
    cool, warm, hot = (paces(change) for change in (0.0, 12.0, 25.0))
    assert set(cool) == {1.0}
    assert min(warm) < 1.0 and max(warm) == 1.0
    assert 0.0 in hot
    assert set(paces(25.0, Traction.TRACTOR)) == {1.0}


def paces(warmer: float, traction: Traction = Traction.HORSES) -> list[float]:
    """The mower's pace in each slot of a day so many degrees warmer."""
    farm = working_farm(work={"traction": traction})
    hours = weather(HERE, NOW, NOW + timedelta(hours=22))
    for name in ("air_temperature", "dew_point_temperature"):
        hours.ahead[name] = hours.ahead[name] + warmer
    window = work_window(farm, TODAY, NOW, forecast_hours(farm, hours, TODAY))
    assert window is not None
    return [float(pace) for pace in window.pace]


def test_a_day_that_the_forecast_does_not_cover_has_no_window() -> None:
    farm = working_farm()
    ahead = forecast_hours(farm, weather(HERE, NOW, NOW + timedelta(hours=34)), TODAY)
    assert work_window(farm, TODAY, NOW, ahead) is not None
    assert work_window(farm, TODAY + timedelta(days=1), NOW, ahead) is None  # ends at half past three
    assert work_window(farm, TODAY - timedelta(days=9), NOW, ahead) is None


@pytest.mark.parametrize(
    ("ndf", "state"),
    [
        (46.9, Ripeness.GROWING),
        (47.0, Ripeness.RIPE),
        (53.0, Ripeness.RIPE),
        (53.1, Ripeness.PAST),
    ],
)
def test_ripe_is_within_three_units_of_the_target(ndf: float, state: Ripeness) -> None:
    assert classify_ripeness(ndf, 50.0) is state


def test_fibre_that_is_not_known_is_no_ripeness() -> None:
    with pytest.raises(ValueError, match="not a number"):
        classify_ripeness(float("nan"), 50.0)


def test_a_field_of_whole_strips_has_no_strip_more() -> None:
    # 9 acres at 3 acres an hour are twelve quarters of an hour, though the division leaves a crumb.
    given = working_farm(field("Long", 9), work={"mown_per_hour": 3 * ACRE, "raked_per_hour": 3 * ACRE})
    assert strips_for(given, given.fields[0].area) == 12
    day = plan_fields(farm_today(given), weather(HERE, NOW, NOW + timedelta(hours=22)), NOW).fields[0].days[0]
    assert [one.area for one in day.curve] == sorted({one.area for one in day.curve})
    assert len(day.curve) == 12

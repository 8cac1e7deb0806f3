from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from daemon.domain.farm import FieldState
from daemon.planning.daily_weather import DailyWater, daily_water
from daemon.planning.ground import Ground, field_profile, ground_ahead, ground_on
from models.swath import DryingHours
from tests.support.weather import field, field_state, moist_ground, working_farm

DAYS = np.arange("2026-05-01", "2026-06-10", dtype="datetime64[D]")
COMING = np.arange("2026-06-10", "2026-06-13", dtype="datetime64[D]")
LOAM = field_state(field("L", 5))


def water(days: np.ndarray, rain: float, taken: float) -> DailyWater:
    return DailyWater(days, *(np.full((1, days.size), each) for each in (rain, taken, 0.0, 0.0)))


def ahead(given: FieldState, past: DailyWater, coming: DailyWater) -> Ground:
    return ground_ahead(given, past, coming, field_profile(working_farm(), given.field))


def then(given: FieldState, past: DailyWater, day: date) -> Ground:
    return ground_on(given, past, day, field_profile(working_farm(), given.field))


def test_a_days_water_is_that_of_the_farms_own_day() -> None:
    ends = np.datetime64("2026-06-09T00") + np.arange(1, 73) * np.timedelta64(1, "h")
    rain = np.zeros((1, 72))
    rain[0, 27] = 5.0  # the hour from 3 to 4 UTC on the 10th, an hour before midnight of the 9th in New York
    rain[0, 28] = 1.0
    rain[0, 34:36] = 2.0, 4.0  # up to 7 in the morning there, and the hour in which work begins
    drying = DryingHours(np.full((1, 72), 0.1), np.zeros((1, 72)), np.zeros((1, 72)), rain)
    drying.evaporation[0, 40] = -3.0  # dew takes nothing
    found = daily_water(working_farm(), ends, drying)
    assert [str(day) for day in found.day] == ["2026-06-09", "2026-06-10"], "days cut short at either end are left out"
    assert found.rain[0].tolist() == [5.0, 1.0 + 2.0 + 4.0]
    assert found.early_rain[0].tolist() == [0.0, 1.0 + 2.0 + 4.0]
    assert found.evapotranspiration[0] == pytest.approx([2.4, 2.3])
    assert found.since(date(2026, 6, 10)).rain[0].tolist() == [7.0]


def test_a_swath_dries_faster_on_dry_ground_than_on_wet() -> None:
    dry = ahead(LOAM, water(DAYS, 0.0, 5.0), water(COMING, 0.0, 5.0)).soil_factor
    wet = ahead(LOAM, water(DAYS, 8.0, 2.0), water(COMING, 8.0, 2.0)).soil_factor
    assert dry == pytest.approx(np.full((1, 4), 1.05), abs=1e-3)
    assert (wet < 0.95).all()
    assert (wet >= 0.88).all()


def test_the_morning_of_a_day_knows_nothing_of_its_rain() -> None:
    past = water(DAYS, 0.5, 4.0)
    first = ahead(LOAM, past, water(COMING, 30.0, 1.0)).soil_factor[0]
    assert first[0] == pytest.approx(then(LOAM, past, date(2026, 6, 10)).soil_factor[0, 0], rel=1e-12)
    assert first[0] > first[1]


def test_a_field_just_cut_keeps_its_ground_wetter() -> None:
    past = water(DAYS, 1.5, 4.0)
    standing, cut = (
        then(replace(LOAM, last_cut=on), past, date(2026, 6, 10)).soil_factor[0, 0] for on in (None, date(2026, 5, 28))
    )
    assert cut < standing


def test_ground_full_of_water_dries_until_it_carries() -> None:
    # Loam holds 22.5 mm in the topsoil, which gives 0.60 of a day's 6 mm times 1.05. Full: nothing lacks.
    # A day later 6.3 mm lack, under the 10 mm for machines, and it has 0.83; then 12.6 mm lack, and it has 0.68.
    wet = water(DAYS, 0.0, 6.0)
    wet.rain[0, -20:] = 12.0
    week = np.arange("2026-06-10", "2026-06-17", dtype="datetime64[D]")
    ground = ahead(LOAM, wet, water(week, 0.0, 6.0))
    assert ground.firmness_today == "ruts"
    assert [str(word) for word in ground.firmness[0]] == ["ruts", "soft", *["firm"] * 6]
    assert (ground.firm_share(1), ground.firm_share(2)) == (0.0, 1.0)
    assert (ground.days_until_firm(10), ground.days_until_firm(3), ground.days_until_firm(2)) == (2, 2, None)


def test_ground_is_firm_where_it_is_in_half_of_the_members() -> None:
    words = np.array([["soft", "firm", "firm"], ["soft", "soft", "firm"], ["soft", "firm", "soft"], ["soft"] * 3])
    ground = replace(moist_ground(), firmness=words)
    assert [ground.firm_share(day) for day in range(3)] == [0.0, 0.5, 0.5]
    assert ground.days_until_firm(10) == 1


def test_a_look_at_the_ground_holds_from_its_day_on() -> None:
    wet, dry = water(DAYS, 8.0, 2.0), water(DAYS, 0.0, 5.0)

    def words(past: DailyWater, *looks: tuple[date, str]) -> list[str]:
        seen = replace(LOAM, ground_looks=looks)
        return [str(word) for word in ahead(seen, past, water(COMING, 0.0, 3.0)).firmness[0]]

    assert words(wet)[0] == "ruts"
    assert words(wet, (date(2026, 6, 10), "firm")) == ["firm"] * 4
    assert words(wet, (date(2026, 6, 9), "firm"))[0] == "ruts", "8 mm have fallen since"
    assert words(dry) == ["firm"] * 4
    # 1.1 of what the topsoil holds: over the limit this morning, under it when a well drained one has let it go.
    assert words(dry, (date(2026, 6, 10), "ruts"))[:2] == ["ruts", "soft"]
    assert words(dry, (date(2026, 6, 9), "soft"))[0] == "soft"
    assert words(dry, (date(2026, 1, 9), "ruts")) == ["firm"] * 4, "forgotten"


def test_a_wet_top_over_dry_ground_dries_again() -> None:
    # 21 mm in a topsoil of 22.5 over nothing: what it gives is bounded by what there is, and ends within days.
    seen = replace(LOAM, ground_looks=((date(2026, 6, 10), "soft"),))
    week = np.arange("2026-06-10", "2026-06-17", dtype="datetime64[D]")
    ground = ahead(seen, water(DAYS, 0.0, 5.0), water(week, 0.0, 5.0))
    assert ground.firmness_today == "soft"
    assert ground.days_until_firm(7) in (1, 2, 3)


def test_what_falls_before_work_is_in_the_ground_unless_it_was_seen_since() -> None:
    past, coming = water(DAYS, 0.0, 5.0), water(COMING, 0.0, 3.0)
    coming.rain[0, 1] = coming.early_rain[0, 1] = 24.0  # on a dry topsoil that holds 22.5 mm
    seen = replace(LOAM, ground_looks=((date(2026, 6, 11), "firm"),))
    assert ahead(LOAM, past, coming).firmness[0].tolist()[:2] == ["firm", "ruts"]
    assert ahead(seen, past, coming).firmness[0].tolist()[:2] == ["firm", "firm"]
    found = then(LOAM, coming, date(2026, 6, 11))
    assert found.firmness.tolist() == [["ruts"]]


def test_growth_finds_the_water_of_the_days_that_are_followed() -> None:
    # Loam holds 120 mm within reach of roots; with 5 mm a day and p = 0.55 it wants from the 14th day on.
    ground = ahead(LOAM, water(DAYS, 0.0, 5.0), water(COMING, 0.0, 5.0))
    asked = np.array(["2026-01-01", "2026-05-01", "2026-05-13", "2026-05-15", "2026-06-12"], dtype="datetime64[D]")
    found = ground.water_stress_on(asked)
    assert found[:3].tolist() == [1.0, 1.0, 1.0]
    assert 0.8 < found[3] < 1.0
    assert found[4] < 0.2
    days, ago = ground.drought_on(date(2026, 6, 13))
    assert (days, ago) == (int((ground.water_stress < 0.2).sum()), 0)
    assert days > 3


def test_alfalfa_reaches_deeper_for_water_than_grass() -> None:
    # 150 mm for each metre of loam, 0.8 of grass and 1.5 of alfalfa: by the end of May only the grass has used it up.
    stands = [replace(field("L", 5), stand={name: 1.0}) for name in ("orchardgrass", "alfalfa")]
    grass, alfalfa = (ahead(field_state(one), water(DAYS, 0.0, 5.0), water(COMING, 0.0, 5.0)) for one in stands)
    day = np.array(["2026-05-31"], dtype="datetime64[D]")
    assert grass.water_stress_on(day)[0] < 0.2
    assert alfalfa.water_stress_on(day)[0] > 0.5

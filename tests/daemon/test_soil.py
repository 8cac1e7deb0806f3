from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from daemon.soil import DailyWater, daily_water, soil_factor_on, soil_factors
from models.swath import DryingHours
from tests.passes import field

DAYS = np.arange("2026-05-01", "2026-06-10", dtype="datetime64[D]")
COMING = np.arange("2026-06-10", "2026-06-13", dtype="datetime64[D]")


def water(days: np.ndarray, rain: float, taken: float) -> DailyWater:
    return DailyWater(days, np.full((1, days.size), rain), np.full((1, days.size), taken))


def test_a_days_water_is_that_of_the_farms_own_day() -> None:
    ends = np.datetime64("2026-06-09T00") + np.arange(1, 73) * np.timedelta64(1, "h")
    rain = np.zeros((1, 72))
    rain[0, 27] = 5.0  # the hour from 3 to 4 UTC on the 10th, an hour before midnight of the 9th in New York
    rain[0, 28] = 1.0
    drying = DryingHours(np.full((1, 72), 0.1), np.zeros((1, 72)), np.zeros((1, 72)), rain)
    drying.evaporation[0, 40] = -3.0  # dew takes nothing
    found = daily_water(ends, drying, ZoneInfo("America/New_York").key)
    assert [str(day) for day in found.day] == ["2026-06-09", "2026-06-10"], "days cut short at either end are left out"
    assert found.rain[0].tolist() == [5.0, 1.0]
    assert found.evapotranspiration[0] == pytest.approx([2.4, 2.3])
    assert found.since(date(2026, 6, 10)).rain[0].tolist() == [1.0]


def test_a_swath_dries_faster_on_dry_ground_than_on_wet() -> None:
    dry = soil_factors(field("L", 5), water(DAYS, 0.0, 5.0), water(COMING, 0.0, 5.0))
    wet = soil_factors(field("L", 5), water(DAYS, 8.0, 2.0), water(COMING, 8.0, 2.0))
    assert dry == pytest.approx(np.full((1, 4), 1.05), abs=1e-3)
    assert (wet < 0.95).all()
    assert (wet >= 0.88).all()


def test_the_morning_of_a_day_knows_nothing_of_its_rain() -> None:
    past = water(DAYS, 0.5, 4.0)
    first = soil_factors(field("L", 5), past, water(COMING, 30.0, 1.0))[0]
    assert first[0] == pytest.approx(soil_factor_on(field("L", 5), past, date(2026, 6, 10)), rel=1e-12)
    assert first[0] > first[1]


def test_a_field_just_cut_keeps_its_ground_wetter() -> None:
    past = water(DAYS, 1.5, 4.0)
    standing, cut = (
        soil_factor_on(replace(field("L", 5), last_cut=on), past, date(2026, 6, 10)) for on in (None, date(2026, 5, 28))
    )
    assert cut < standing

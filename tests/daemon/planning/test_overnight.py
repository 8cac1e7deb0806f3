from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest

from daemon.domain.prospect import LeftOvernight
from daemon.planning.prospect import plan_fields
from tests.loopback.hours import HERE
from tests.support.farms import plan_of
from tests.support.weather import NOW, farm_today, field, weather, working_farm


def left(hours: int = 60, first_wet: int = 99, members: int = 1) -> LeftOvernight | None:
    """What is left of a clear day's work; rain falls in half of the members from so many hours after now."""
    rain = np.zeros((members, min(hours - 2, 48)))
    rain[: (members + 1) // 2, first_wet:] = 2.0
    kind = "record" if members == 1 else "forecast"
    given = weather(HERE, NOW, NOW + timedelta(hours=hours), rain=rain, members=members, kind=kind)
    day = plan_fields(farm_today(working_farm(field("Long", 20, expected_yield=2.5))), given, NOW).fields[0].days[0]
    assert day.area > 0.0
    return plan_of(day).if_left


@cache
def clear() -> LeftOvernight:
    found = left()
    assert found is not None
    return found


def test_what_lies_through_a_clear_night_and_forenoon_is_drier_by_noon() -> None:
    assert 0.1 < clear().moisture.low <= clear().moisture.mid <= clear().moisture.high < 0.5
    assert clear().rain == 0.03


def test_a_forecast_that_ends_in_the_night_says_nothing() -> None:
    assert left(hours=22) is None


def test_rain_in_half_of_the_members_is_told_and_the_dry_ones_keep_their_moisture() -> None:
    wet = left(first_wet=20, members=10)  # from half past one in the night
    assert wet is not None
    assert wet.rain == 0.5
    assert wet.moisture.mid == pytest.approx(clear().moisture.mid, abs=0.02)


def test_rain_in_all_members_leaves_it_wet() -> None:
    soaked = left(first_wet=20)
    assert soaked is not None
    assert soaked.rain == 0.97
    assert soaked.moisture.mid > clear().moisture.mid + 0.1


def test_what_rain_would_take_is_that_of_the_members_that_have_it() -> None:
    """Eleven hours of 2 mm until noon: 22 mm at 0.1 % and 1.1 % in 18 mm for each hour more; grass loses half of it."""
    by_hand = 0.5 * 22.0 * (0.1 + 1.1 / 18.0 * (11.0 - 22.0 / 18.0))
    for members in (1, 10):
        wet = left(first_wet=20, members=members)
        assert wet is not None
        assert wet.rain_loss is not None
        assert wet.rain_loss.mid == pytest.approx(by_hand)
        assert wet.rain_loss.low < wet.rain_loss.mid < wet.rain_loss.high


def test_no_rain_takes_nothing() -> None:
    assert clear().rain_loss is None


def test_it_is_said_of_every_field_that_is_advised_and_of_no_other() -> None:
    farm = working_farm(field("first", 10), field("second", 10), field("heavy", 10, expected_yield=9.0))
    given = weather(HERE, NOW, NOW + timedelta(hours=60), rain=np.zeros((1, 48)), members=1, kind="record")
    first, second, heavy = (one.days[0] for one in plan_fields(farm_today(replace(farm)), given, NOW).fields)
    assert plan_of(first).if_left is not None
    assert plan_of(second).if_left is not None
    assert heavy.plan is None

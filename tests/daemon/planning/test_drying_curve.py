from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from daemon.domain.prospect import Band, DryingPicture, FieldProspect, water_at
from daemon.planning.prospect import plan_fields
from tests.loopback.hours import HERE
from tests.support.farms import DAWN, plan_of
from tests.support.weather import NOW, farm_today, field, weather, working_farm


def looked(*fields: str, hours: int = 46, rain: np.ndarray | None = None) -> tuple[FieldProspect, ...]:
    hours_ahead = weather(HERE, NOW, NOW + timedelta(hours=hours), members=8, kind="forecast", rain=rain)
    farm = working_farm(*(field(name, 20) for name in fields or ("Long Meadow",)))
    return plan_fields(farm_today(farm), hours_ahead, NOW).fields


def drawn(found: FieldProspect) -> DryingPicture:
    assert found.drying_picture is not None
    return found.drying_picture


def test_the_picture_is_of_the_first_day_to_mow_from_its_start_on() -> None:
    (found,) = looked()
    shown = drawn(found)
    today = found.days[0]
    assert (shown.date, shown.mown) == (today.date, plan_of(today).start)
    assert shown.begins.hour == 7
    assert len(shown.water) == len(shown.rain) == len(shown.sun) == 13, "from seven to eight in the evening"
    assert (shown.rain, min(shown.sun[:10]) > 100.0) == ((0.0,) * 13, True)
    hours_before = (shown.mown - shown.begins) / timedelta(hours=1)
    assert shown.water_at_mowing is not None
    assert 0.7 < shown.water_at_mowing.mid < 0.9
    assert shown.water_at_mowing.mid > next(one.mid for one in shown.water[int(hours_before) :] if one is not None)
    assert [one is None for one in shown.water] == [hour + 1 < hours_before for hour in range(13)]


def test_the_water_falls_through_the_day_and_meets_what_is_said_of_baling() -> None:
    (found,) = looked()
    water = [one for one in drawn(found).water if one is not None]
    mids = [one.mid for one in water]
    assert mids == sorted(mids, reverse=True)
    assert all(one.low <= one.mid <= one.high for one in water)
    said = plan_of(found.days[0]).moisture_at_baling
    assert said is not None
    raked = (plan_of(found.days[0]).rake_from - drawn(found).begins) / timedelta(hours=1)
    # Strips that are mown later are wetter than the first one.
    assert drawn(found).water[round(raked) - 1].mid == pytest.approx(said.mid, abs=0.05)  # type: ignore[union-attr]


def test_rain_stands_at_its_hours_with_the_share_of_the_forecast_that_has_it() -> None:
    rain = np.zeros((8, 20))
    rain[:6, 7] = 2.0  # after half past nine UTC: the hour that ends at 17 UTC, one on the farm's clock
    (found,) = looked(rain=rain, hours=22)
    shown = drawn(found)
    wet = {shown.begins.hour + hour + 1: share for hour, share in enumerate(shown.rain) if share}
    assert wet == {13: 0.75}
    assert found.days[0].area == 0.0, "it is drawn all the same, and shows why"


def test_a_field_after_another_is_drawn_from_its_own_start() -> None:
    first, second = looked("Long Meadow", "Hill")
    later = next(day for day in second.days if day.area > 0.0)
    assert (drawn(second).date, drawn(second).mown) == (later.date, plan_of(later).start)
    assert drawn(second).mown > drawn(first).mown


def test_the_water_at_a_time_lies_on_the_line_between_the_hours() -> None:
    begins = datetime(2026, 6, 1, 7, tzinfo=UTC)
    water = (None, Band(0.6, 0.7, 0.8), Band(0.5, 0.6, 0.7), Band(0.3, 0.5, 0.6))
    shown = DryingPicture(DAWN.date(), begins, begins + timedelta(minutes=75), water, (0.0,) * 4, (0.0,) * 4)

    def by(hours: float) -> tuple[float, ...] | None:
        band = water_at(shown, begins + timedelta(hours=hours))
        return None if band is None else (band.low, band.mid, band.high)

    assert by(2.0) == (0.6, 0.7, 0.8)
    assert by(3.25) == pytest.approx((0.45, 0.575, 0.675))
    assert by(1.5) == (0.6, 0.7, 0.8), "nothing is known before the first hour after mowing"
    assert (by(1.0), by(4.5)) == (None, None), "not mown yet, and after the last hour"

"""What a pass tells of the breath of what is mown."""

from datetime import UTC, datetime, timedelta

import pytest

from daemon.planning.prospect import plan_fields
from models.losses import respiration_loss
from tests.loopback.hours import HERE
from tests.support.farms import plan_of
from tests.support.weather import farm_today, field, weather, working_farm


def test_a_pass_tells_what_each_field_breathes() -> None:
    now = datetime(2026, 6, 10, 9, 30, tzinfo=UTC)
    hours = weather(HERE, now, now + timedelta(hours=60))
    farm = working_farm(field("first", 10), field("second", 10), field("heavy", 10, expected_yield=9.0))
    first, second, heavy = (one.days[0] for one in plan_fields(farm_today(farm), hours, now).fields)
    lost, lost_after = plan_of(first).respiration_loss, plan_of(second).respiration_loss
    assert lost is not None
    assert lost_after is not None
    assert heavy.plan is None  # nothing is mown there
    # Eight hours or so from 80 to 50 % water at 15 to 25 degC: between all of them at 50 % and all of them fresh.
    start, bale_from, wrapped_by = plan_of(first).start, plan_of(first).bale_from, plan_of(first).wrapped_by
    least = (bale_from - start) / timedelta(hours=1) * float(respiration_loss(0.5, 12.0).mid)
    most = (wrapped_by - start) / timedelta(hours=1) * float(respiration_loss(0.8, 30.0).mid)
    assert least < lost.mid < most
    assert lost_after.mid == pytest.approx(lost.mid, rel=0.3)

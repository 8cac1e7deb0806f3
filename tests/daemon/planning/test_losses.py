"""What a pass tells of the breath of what is mown."""

from datetime import UTC, datetime, timedelta

import pytest

from daemon.planning.prospect import plan_fields
from models.losses import respiration_loss
from tests.loopback.hours import HERE
from tests.support.weather import farm_today, field, weather, working_farm


def test_a_pass_tells_what_each_field_breathes() -> None:
    now = datetime(2026, 6, 10, 9, 30, tzinfo=UTC)
    hours = weather(HERE, now, now + timedelta(hours=60))
    farm = working_farm(field("first", 10), field("second", 10), field("heavy", 10, expected_yield=9.0))
    first, second, heavy = (one.days[0] for one in plan_fields(farm_today(farm), hours, now).fields)
    assert first.respiration_loss is not None
    assert second.respiration_loss is not None
    assert heavy.respiration_loss is None  # nothing is mown there
    # Eight hours or so from 80 to 50 % water at 15 to 25 degC: between all of them at 50 % and all of them fresh.
    assert first.start and first.bale_from and first.wrapped_by
    least = (first.bale_from - first.start) / timedelta(hours=1) * float(respiration_loss(0.5, 12.0).mid)
    most = (first.wrapped_by - first.start) / timedelta(hours=1) * float(respiration_loss(0.8, 30.0).mid)
    assert least < first.respiration_loss.mid < most
    assert second.respiration_loss.mid == pytest.approx(first.respiration_loss.mid, rel=0.3)

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from daemon.outlook import FieldDay, Reason
from daemon.prospect import look_ahead
from daemon.wording import reason_words
from tests.loopback.hours import HERE
from tests.passes import field, weather, working_farm

NOW = datetime(2026, 6, 10, 9, 30, tzinfo=UTC)  # half past five on the farm's clock


def first_days(wet: int, last_cut: date | None) -> tuple[FieldDay, FieldDay]:
    """Today, with rain at noon in so many of ten members, and a dry tomorrow."""
    rain = np.zeros((10, 60))
    rain[:wet, 7:12] = 2.0
    given = weather(HERE, NOW, NOW + timedelta(hours=70), rain=rain, members=10, kind="forecast")
    farm = working_farm(field("Long", 20, last_cut=last_cut))
    farm = replace(farm, alerts=replace(farm.alerts, odds_needed=0.6))
    today, tomorrow, *_ = look_ahead(farm, given, NOW).fields[0].days
    return today, tomorrow


YOUNG, OLD = date(2026, 5, 8), None  # ripe since a few days, and past its best since weeks


def test_a_field_that_still_gains_waits_for_the_surer_day() -> None:
    today, tomorrow = first_days(2, YOUNG)
    assert (today.reason, today.better_in, today.area) == (Reason.BETTER_LATER, 1, 0.0)
    assert tomorrow.area > 0.0
    assert reason_words(today.reason, today) == "a better day is likely on Thursday"


def test_a_field_is_mown_where_tomorrow_is_no_better() -> None:
    today, _ = first_days(0, YOUNG)
    assert today.area > 0.0
    assert today.better_in is None


def test_waiting_never_lowers_the_odds_needed() -> None:
    today, _ = first_days(6, OLD)
    assert today.area == 0.0
    assert today.reason is Reason.RAIN


def test_the_odds_of_a_day_that_waits_stay() -> None:
    today, _ = first_days(2, YOUNG)
    assert today.odds is not None
    assert today.odds >= 0.6
    assert today.curve[0].odds == pytest.approx(today.odds, abs=0.2)

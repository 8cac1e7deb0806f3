from datetime import timedelta
from pathlib import Path

import pytest

from daemon.weather.archive import Archive
from daemon.weather.contract import Refused
from daemon.weather.http.quota import MEMBER_COUNTS, call_weight, refuse_over_quota
from daemon.weather.sources.open_meteo import ENSEMBLE_FIELDS
from tests.support.weather import NOW

FREE, OWN = "https://api.open-meteo.com", "http://127.0.0.1:8080"


@pytest.mark.published
@pytest.mark.parametrize(
    ("variables", "days", "members", "calls"),
    [(9, 16, 1, 1.0), (9, 108, 1, 6.9), (6, 10, 31, 18.6), (6, 8, 40, 24.0), (6, 15, 51, 32.8), (4, 120, 1, 3.4)],
)
def test_calls_as_the_server_counts_them(variables: int, days: int, members: int, calls: float) -> None:
    """Worked by hand from the server's source, ForecastApiResult.swift, open-meteo/open-meteo ba13de1c."""
    assert call_weight(variables, days, members) == pytest.approx(calls, abs=0.051)
    assert call_weight(variables, days, members, places=3) == pytest.approx(3 * calls, abs=0.16)


def test_a_season_of_hours_is_far_within_what_is_free() -> None:
    hourly = call_weight(len(ENSEMBLE_FIELDS), 12, max(MEMBER_COUNTS.values())) + call_weight(9, 13)
    assert 30.0 < hourly < 33.0
    refuse_over_quota(FREE, hourly, 0.0, 23 * hourly)


@pytest.mark.parametrize(
    ("address", "hour", "day", "why"),
    [(FREE, 4_980.0, 4_980.0, "4980 were made in the last hour; no more than 5000"),
     (FREE, 0.0, 9_975.0, "9975 were made in the last day; no more than 10000"),
     ("https://ensemble-api.open-meteo.com", 0.0, 9_999.0, "last day")],
)  # fmt: skip
def test_what_is_beyond_the_free_calls_is_refused(address: str, hour: float, day: float, why: str) -> None:
    with pytest.raises(Refused, match=why):
        refuse_over_quota(address, 31.0, hour, day)


@pytest.mark.parametrize("address", [OWN, "https://customer-api.open-meteo.com", "https://weather.example.org"])
def test_a_server_of_one_s_own_and_a_paid_plan_have_no_limit_here(address: str) -> None:
    refuse_over_quota(address, 31.0, 1e6, 1e6)


def test_the_count_is_of_the_last_hour_and_the_last_day_and_outlives_a_restart(tmp_path: Path) -> None:
    path = tmp_path / "weather.sqlite3"
    for ago, weight in ((25, 100.0), (23, 10.0), (0.9, 3.0), (0.1, 2.0)):
        Archive(path).count_call("one", weight, NOW - timedelta(hours=ago))
    Archive(path).count_call("other", 50.0, NOW)
    assert Archive(path).recent_calls("one", NOW) == (5.0, 15.0)
    assert Archive(path).recent_calls("nobody", NOW) == (0.0, 0.0)

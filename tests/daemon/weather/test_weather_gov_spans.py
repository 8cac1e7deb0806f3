from datetime import datetime, timedelta

import pytest

from daemon.weather.sources.weather_gov_spans import parse_span


@pytest.mark.parametrize(
    ("text", "start", "hours"),
    [
        ("2026-06-01T03:00:00+00:00/P1DT4H", "2026-06-01T03:00", 28),
        ("2026-06-01T03:00:00+00:00/P7DT22H", "2026-06-01T03:00", 190),
        ("2026-06-01T03:00:00Z/PT6H", "2026-06-01T03:00", 6),
        ("2026-06-01T03:00:00-05:00/PT60M3600S", "2026-06-01T08:00", 2),
        ("2026-06-01T03:00:00+00:00/2026-06-01T09:00:00+00:00", "2026-06-01T03:00", 6),
        ("PT6H/2026-06-01T09:00:00+00:00", "2026-06-01T03:00", 6),
    ],
)
def test_a_time_has_its_beginning_and_its_end(text: str, start: str, hours: float) -> None:
    first, last = parse_span(text)
    assert first == datetime.fromisoformat(f"{start}+00:00")
    assert last - first == timedelta(hours=hours)


@pytest.mark.parametrize("duration", ["P", "PT", "P1DT", "P1W", "P1M", "P1Y", "PT1.5H", "PT-1H", "T6H", "", "PT6H "])
def test_what_is_no_duration_of_days_and_hours_is_refused(duration: str) -> None:
    with pytest.raises(ValueError, match=r"\S"):
        parse_span(f"2026-06-01T03:00:00+00:00/{duration}")


@pytest.mark.parametrize("text", ["NOW/PT6H", "2026-06-01T03:00:00/PT6H", "2026-06-01/P1D", "/", ""])
def test_a_time_without_a_moment_and_its_zone_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"\S"):
        parse_span(text)

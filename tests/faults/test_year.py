from collections import Counter
from datetime import date, timedelta

from tests.faults.year import expected, farm_of, lived


def test_five_days_of_the_service_send_what_the_calendar_says_and_leave_nothing_open() -> None:
    found = lived(days=5, fields=2, step=timedelta(hours=1))
    assert (found.lost, found.extra, found.left_open) == ([], [], 0)
    assert found.expected == 5 + 1 + 2  # Ben each morning, Ann on the day to mow, both on the evening before the next


def test_the_calendar_of_what_is_to_be_told() -> None:
    told = expected(330, farm_of(1, "json://127.0.0.1:1", "json://127.0.0.1:1"))
    assert told[date(2026, 3, 1)] == Counter(Ann=1, Ben=1)  # to mow
    assert told[date(2026, 3, 2)] == Counter(Ben=1)  # a Monday, of a week in which he heard enough
    assert told[date(2026, 3, 5)] == Counter(Ann=1, Ben=2)  # the evening before the next
    assert +told[date(2026, 12, 6)] == Counter()
    # Monday 7 December is less than a week after the evening of 30 November.
    assert [day.day for day in told if day.month == 12 and told[day].total()] == [14, 21, 28]

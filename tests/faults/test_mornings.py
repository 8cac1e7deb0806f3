from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

import pytest

from tests.faults.mornings import LocalClock, Year, judged, lived


@pytest.mark.parametrize("broken", [False, True])
@pytest.mark.parametrize(
    ("zone", "begin", "at"),
    [
        ("Pacific/Apia", date(2011, 12, 22), time(5, 30)),
        ("America/Nuuk", date(2024, 3, 24), time(23, 55)),
        ("America/St_Johns", date(2010, 11, 1), time(0, 0)),
        ("Australia/Lord_Howe", date(2024, 9, 30), time(2, 15)),
    ],
)
def test_days_around_a_switch_bring_a_message_each(zone: str, begin: date, at: time, broken: bool) -> None:
    found = lived(Random(26), zone, begin, at, broken=broken, days=14)
    assert (found.missed, found.late, found.doubled, found.strays) == ([], [], [], [])
    assert found.awake >= (10 if broken else 13)
    assert found.switched or broken


@pytest.mark.parametrize(
    ("zone", "wall", "first"),
    [  # by the published rules of these clocks
        ("America/New_York", "2026-03-08T02:30", "2026-03-08T07:30"),
        ("America/New_York", "2026-11-01T01:30", "2026-11-01T05:30"),
        ("Australia/Lord_Howe", "2026-10-04T02:15", "2026-10-03T15:45"),
        ("Pacific/Apia", "2011-12-30T05:30", None),
        ("Pacific/Apia", "2011-12-31T05:30", "2011-12-30T15:30"),
    ],
)
def test_a_clock_read_minute_by_minute_shows_a_time_first(zone: str, wall: str, first: str | None) -> None:
    at = datetime.fromisoformat(wall)
    around = at.replace(tzinfo=UTC)
    clock = LocalClock(ZoneInfo(zone), around - timedelta(days=9), around + timedelta(days=9))
    assert clock.first(at) == (first and datetime.fromisoformat(f"{first}+00:00"))


def test_a_message_missed_or_told_twice_is_seen() -> None:
    opens = datetime(2026, 6, 1, 9, tzinfo=UTC)
    ticks = [opens + timedelta(minutes=number) for number in range(-10, 20)]
    day = opens.date()
    well = Year({day: opens}, ticks, {day: [opens]})
    twice, other = {day: [opens, opens]}, {day: [opens], date(2026, 6, 2): [opens]}
    seen = [judged(replace(well, sent=sent), "") for sent in (well.sent, {}, twice, other, {day: [ticks[20]]})]
    assert [(len(one.missed), len(one.doubled) > 0, len(one.strays), len(one.late)) for one in seen] == [
        (0, False, 0, 0),
        (1, False, 0, 0),
        (0, True, 0, 0),
        (0, True, 1, 0),
        (0, False, 0, 1),
    ]

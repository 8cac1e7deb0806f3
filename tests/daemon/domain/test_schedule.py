from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.domain.farm import Alerts
from daemon.domain.schedule import FETCH_INTERVAL, Task, TaskHistory, TaskKind, due_tasks, fetch_interval, send_window
from tests.loopback.hours import HERE

ALL_YEAR = frozenset(range(1, 13))
ZONES = (
    "America/New_York",
    "America/St_Johns",  # half an hour off, and once switched at one minute past midnight
    "Australia/Lord_Howe",  # switches by half an hour
    "Africa/Cairo",  # switches at midnight
    "America/Nuuk",  # skips the last hour of a day from 2024 on
    "Asia/Kathmandu",
    "Pacific/Apia",  # left out 30 December 2011
)
SOME_TIME = datetime(2000, 1, 1, tzinfo=UTC)
NEW_YORK = ZoneInfo("America/New_York")


def alerts(morning: time = time(5, 30), evening: time = time(19)) -> Alerts:
    return Alerts(morning, evening, 0.7, ())


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


def messages(now: str, done: frozenset[Task] = frozenset(), at: Alerts | None = None) -> tuple[Task, ...]:
    found = due_tasks(utc(now), TaskHistory(done), at or alerts(), NEW_YORK, ALL_YEAR)
    return tuple(task for task in found if task.kind not in (TaskKind.FETCH, TaskKind.SIGN_OF_LIFE))


@dataclass
class Machine:
    """A machine that does at once whatever is due; it remembers when."""

    zone: ZoneInfo
    alerts: Alerts
    season: frozenset[int] = ALL_YEAR
    sent: dict[Task, datetime] = field(default_factory=dict)
    fetched: list[datetime] = field(default_factory=list)

    def run(self, ticks: Iterator[datetime]) -> None:
        for now in ticks:
            last = self.fetched[-1] if self.fetched else None
            for task in due_tasks(now, TaskHistory(self.sent, last), self.alerts, self.zone, self.season):
                if task.kind is TaskKind.FETCH:
                    self.fetched.append(now)
                else:
                    assert task not in self.sent
                    self.sent[task] = now


def every(step: timedelta, start: datetime, days: int) -> Iterator[datetime]:
    return (start + step * count for count in range(int(timedelta(days=days) / step)))


@pytest.mark.parametrize("zone", ZONES)
def test_a_year_brings_one_morning_and_one_evening_a_day(zone: str) -> None:
    machine = Machine(ZoneInfo(zone), alerts(time(2, 30), time(23, 30)))
    start = datetime(2011, 6, 1, tzinfo=UTC)
    machine.run(every(timedelta(hours=1), start, 366))
    days = {date(2011, 6, 3) + timedelta(days=n) for n in range(360)}
    if zone == "Pacific/Apia":
        days.remove(date(2011, 12, 30))
        assert Task(TaskKind.MORNING, date(2011, 12, 30)) not in machine.sent
    for kind in (TaskKind.MORNING, TaskKind.EVENING):
        assert days <= {task.day for task in machine.sent if task.kind is kind}
    for task, at in machine.sent.items():
        opens, _ = send_window(task, machine.alerts, machine.zone)
        assert at - max(opens, start) < timedelta(hours=1)


@settings(max_examples=60, derandomize=True, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    morning=st.times(),
    evening=st.times(),
    start=st.integers(0, 37 * 365 * 24 * 60).map(lambda minutes: SOME_TIME + timedelta(minutes=minutes)),
    gaps=st.lists(st.integers(1, 30 * 60), min_size=5, max_size=60),
)
def test_whatever_the_gaps_nothing_comes_twice_or_too_late(
    zone: str, morning: time, evening: time, start: datetime, gaps: list[int]
) -> None:
    machine = Machine(ZoneInfo(zone), alerts(morning, evening))
    ticks = [start + timedelta(minutes=sum(gaps[:n])) for n in range(len(gaps))]
    machine.run(iter(ticks))
    for task, at in machine.sent.items():
        opens, closes = send_window(task, machine.alerts, machine.zone)
        assert opens <= at <= closes
        assert at == min(tick for tick in ticks if tick >= opens), "the first waking in the window does it"
    for n in range((ticks[-1] - start).days):
        task = Task(TaskKind.MORNING, start.astimezone(machine.zone).date() + timedelta(days=n + 1))
        opens, closes = send_window(task, machine.alerts, machine.zone)
        awake = any(opens <= tick <= closes for tick in ticks)
        exists = (task.day, zone) != (date(2011, 12, 30), "Pacific/Apia")
        assert (task in machine.sent) == (awake and exists)


@pytest.mark.parametrize(
    ("at", "opens"),
    [
        ("2026-03-08", "2026-03-08T07:30+00:00"),  # 2:30 is skipped: 3:30 by the new offset
        ("2026-11-01", "2026-11-01T07:30+00:00"),  # 2:30 comes once, after the hour that comes twice
    ],
)
def test_the_days_on_which_new_york_switches(at: str, opens: str) -> None:
    task = Task(TaskKind.MORNING, date.fromisoformat(at))
    assert send_window(task, alerts(time(2, 30)), NEW_YORK)[0] == utc(opens)


def test_an_hour_that_comes_twice_is_its_first_time() -> None:
    task = Task(TaskKind.MORNING, date(2026, 11, 1))
    at = alerts(time(1, 30))
    assert send_window(task, at, NEW_YORK)[0] == utc("2026-11-01T01:30-04:00")
    assert messages("2026-11-01T01:30-05:00", frozenset({task}), at) == ()


@pytest.mark.parametrize(
    ("now", "kinds"),
    [
        ("2026-06-01T05:29:59-04:00", []),
        ("2026-06-01T05:30-04:00", [TaskKind.MORNING]),
        ("2026-06-01T09:30-04:00", [TaskKind.MORNING]),
        ("2026-06-01T09:30:01-04:00", []),
        ("2026-06-01T19:00-04:00", [TaskKind.EVENING]),
        ("2026-06-01T22:00-04:00", [TaskKind.EVENING]),
        ("2026-06-01T22:01-04:00", []),
    ],
)
def test_a_message_is_due_until_it_is_too_late(now: str, kinds: list[TaskKind]) -> None:
    assert messages(now) == tuple(Task(kind, date(2026, 6, 1)) for kind in kinds)


def test_an_evening_message_may_be_due_past_midnight() -> None:
    at = alerts(evening=time(22))
    assert messages("2026-06-02T00:30-04:00", at=at) == (Task(TaskKind.EVENING, date(2026, 6, 1)),)
    assert messages("2026-06-02T00:30-04:00", frozenset({Task(TaskKind.EVENING, date(2026, 6, 1))}), at) == ()


def test_the_weather_is_fetched_every_hour_of_the_season() -> None:
    machine = Machine(NEW_YORK, alerts())
    machine.run(every(timedelta(minutes=1), utc("2026-06-01T00:00-04:00"), 1))
    assert len(machine.fetched) == 24
    assert {b - a for a, b in zip(machine.fetched, machine.fetched[1:], strict=False)} == {timedelta(hours=1)}


def test_farms_with_the_same_morning_come_apart_in_the_hours_after_it() -> None:
    farms = [replace(HERE, latitude=40.0 + 0.01 * number) for number in range(200)]
    every = [fetch_interval(place) for place in farms]
    assert every == [fetch_interval(place) for place in farms]
    assert FETCH_INTERVAL <= min(every) <= max(every) < FETCH_INTERVAL + timedelta(minutes=10)
    minutes = {gap // timedelta(minutes=1) for gap in every}
    assert minutes == set(range(60, 70))
    last = utc("2026-06-01T05:30-04:00")
    now = last + every[0]
    for apart, kinds in ((every[0], 1), (every[0] + timedelta(seconds=1), 0)):
        found = due_tasks(now, TaskHistory(last_fetch=last), alerts(time(18)), NEW_YORK, ALL_YEAR, interval=apart)
        assert sum(task.kind is TaskKind.FETCH for task in found) == kinds


def test_a_clock_set_back_does_not_stop_the_fetching() -> None:
    now = utc("2026-06-01T12:00-04:00")
    ahead = TaskHistory(last_fetch=now + timedelta(days=300))
    assert due_tasks(now, ahead, alerts(), NEW_YORK, ALL_YEAR)[0] == Task(TaskKind.FETCH, date(2026, 6, 1))


def test_there_is_one_sign_of_life_a_week_and_no_other_message_out_of_season() -> None:
    machine = Machine(NEW_YORK, alerts(), frozenset({5, 6, 7, 8, 9}))
    machine.run(every(timedelta(minutes=30), utc("2026-09-28T00:00-04:00"), 14))
    signs = sorted(task.day for task in machine.sent if task.kind is TaskKind.SIGN_OF_LIFE)
    mornings = sorted(task.day for task in machine.sent if task.kind is TaskKind.MORNING)
    assert signs == [date(2026, 9, 28), date(2026, 10, 5)]
    assert mornings == [date(2026, 9, 28), date(2026, 9, 29), date(2026, 9, 30)]
    assert max(machine.fetched) < utc("2026-10-01T00:00-04:00")


def test_a_naive_time_is_refused() -> None:
    with pytest.raises(ValueError, match="has no offset"):
        due_tasks(datetime(2026, 6, 1), TaskHistory(), alerts(), NEW_YORK, ALL_YEAR)  # noqa: DTZ001

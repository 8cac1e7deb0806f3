"""What is due now: a pure function of the time and of what was done, so that years can be proved."""

from collections.abc import Container, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from typing import Final
from zlib import crc32
from zoneinfo import ZoneInfo

from daemon.domain.farm import Alerts, Place

FETCH_INTERVAL: Final = timedelta(hours=1)
MAX_EXTRA_MINUTES: Final = 10  # so that farms whose mornings begin at the same time do not ask at the same time all day
MORNING_MAX_DELAY: Final = timedelta(hours=4)  # later than this the forenoon is gone
EVENING_MAX_DELAY: Final = timedelta(hours=3)  # later than this people are asleep
MONDAY: Final = 0


class TaskKind(StrEnum):
    """What the service does by the clock, and what it says in place of a morning that could not be known."""

    FETCH = "fetch"
    MORNING = "morning"
    AFTER_ALL = "after all"
    EVENING = "evening"
    SIGN_OF_LIFE = "sign of life"


@dataclass(frozen=True)
class Task:
    """One thing to do for one local day."""

    kind: TaskKind
    day: date


@dataclass(frozen=True)
class TaskHistory:
    """What was done: tasks by their day, and when the weather was last fetched."""

    tasks: Container[Task] = field(default_factory=frozenset)
    last_fetch: datetime | None = None


def due_tasks(
    now: datetime,
    history: TaskHistory,
    alerts: Alerts,
    timezone: ZoneInfo,
    season: Container[int],
    *,
    interval: timedelta = FETCH_INTERVAL,
) -> tuple[Task, ...]:
    """Return what is to be done now, in the order in which it fell due.

    Parameters
    ----------
    now : datetime
        The time, aware.
    history : Done
        What was done before, from the disk.
    alerts : Alerts
        The hours of the morning and the evening message.
    timezone : ZoneInfo
        The farm's clock.
    season : container of int
        The months of the season; outside it there is only the weekly sign of life, which is due every Monday.
    interval : timedelta
        After which the weather is fetched again, see `fetch_interval`.

    Returns
    -------
    tuple of Task
        Nothing twice for a local day. A message that is too late to be of use is no longer in it.

    Raises
    ------
    ValueError
        If `now` is naive.

    Notes
    -----
    A message falls due at one instant of its local day: an hour that the clock skips is the same instant told
    by the old offset, an hour that comes twice is its first time. Yesterday is looked at too, because an
    evening message may still be due past midnight, and the day before, because a calendar may leave a day out.
    """
    if now.utcoffset() is None:
        raise ValueError(f"due: {now.isoformat()} has no offset; hand over an aware time")
    today = now.astimezone(timezone).date()
    open_tasks = []
    for task in _recent_tasks(today, timezone, season):
        opens, closes = send_window(task, alerts, timezone)
        if opens <= now <= closes and task not in history.tasks:
            open_tasks.append((opens, task))
    messages = tuple(task for _, task in sorted(open_tasks, key=lambda pair: pair[0]))
    fetch_due = today.month in season and _is_stale(history.last_fetch, now, interval)
    return (Task(TaskKind.FETCH, today), *messages) if fetch_due else messages


def fetch_interval(place: Place) -> timedelta:
    """Return after how long a place's weather is fetched again: an hour and up to ten minutes of the place's own.

    Every farm asks anew at the hour of its morning message. What is added leads them apart after it, as the weather
    services wish; it is the same at each start, so that what is due stays a pure function.
    """
    own = crc32(f"{place.latitude:.4f},{place.longitude:.4f}".encode()) % (60 * MAX_EXTRA_MINUTES)
    return FETCH_INTERVAL + timedelta(seconds=own)


def send_window(task: Task, alerts: Alerts, timezone: ZoneInfo) -> tuple[datetime, datetime]:
    """Return when a message falls due and when it is too late to matter, both in UTC."""
    evening = task.kind is TaskKind.EVENING
    opens = _instant(task.day, alerts.evening if evening else alerts.morning, timezone)
    return opens, opens + (EVENING_MAX_DELAY if evening else MORNING_MAX_DELAY)


def earliest_send_time(now: datetime, alerts: Alerts, timezone: ZoneInfo) -> datetime:
    """Return from when on a message of now may go out: now, or the end of the quiet hours that now lies in.

    >>> from datetime import time
    >>> earliest_send_time(datetime(2026, 6, 1, 2, tzinfo=UTC), Alerts(time(5), time(18), 0.7, ()), ZoneInfo("UTC"))
    datetime.datetime(2026, 6, 1, 5, 0, tzinfo=datetime.timezone.utc)
    """
    here = now.astimezone(timezone)
    early, late = here.time() < alerts.quiet_until, here.time() >= alerts.quiet_from
    if not (early or late):
        return now
    return _instant(here.date() + timedelta(days=int(late)), alerts.quiet_until, timezone)


def _recent_tasks(today: date, timezone: ZoneInfo, season: Container[int]) -> Iterator[Task]:
    """Yield the tasks of today and of the two days before."""
    for day in (today - timedelta(days=2), today - timedelta(days=1), today):
        if _day_exists(day, timezone):
            yield from _day_tasks(day, season)


def _day_tasks(day: date, season: Container[int]) -> Iterator[Task]:
    if day.month in season:
        yield Task(TaskKind.MORNING, day)
        yield Task(TaskKind.EVENING, day)
    if day.weekday() == MONDAY:
        yield Task(TaskKind.SIGN_OF_LIFE, day)  # for who heard nothing else in the week before


def _is_stale(last_fetch: datetime | None, now: datetime, interval: timedelta) -> bool:
    # A fetch in the future means that the clock was set back: fetch, rather than wait for it to catch up.
    return last_fetch is None or not timedelta(0) <= now - last_fetch < interval


def _instant(day: date, at: time, timezone: ZoneInfo) -> datetime:
    # In UTC, since Python compares two times of the same zone by the wall clock.
    return datetime.combine(day, at, tzinfo=timezone).astimezone(UTC)


def _day_exists(day: date, timezone: ZoneInfo) -> bool:
    # Places that moved across the date line left out a whole day; it must not bring a second message.
    return _instant(day, time(), timezone) < _instant(day + timedelta(days=1), time(), timezone)

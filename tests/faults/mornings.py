"""Years of mornings on clocks that skip and repeat hours, on machines that are off for days and whose clock jumps back.

`python -m tests.faults.mornings --years 10` lives through the years of twelve zones by steps of five minutes, of one
around the switches, and counts mornings without a message and with two. When a morning is, is found by reading the
zone's clock alone, and not by what the program reckons from a day and an hour.
"""

import argparse
import sys
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from functools import partial
from itertools import pairwise
from random import Random
from typing import Final
from zoneinfo import ZoneInfo

from daemon.domain.farm import Alerts
from daemon.domain.schedule import MORNING_MAX_DELAY, Task, TaskHistory, TaskKind, due_tasks
from tests.faults.counts import Count, report

ZONES: Final[Mapping[str, int]] = {  # with the first year of a decade in which something befell their clock
    "America/New_York": 2017,
    "America/St_Johns": 2004,  # switched at one minute past midnight until 2011
    "Australia/Lord_Howe": 2017,  # switches by half an hour
    "Africa/Cairo": 2014,  # switches at midnight, in 2014 four times
    "America/Nuuk": 2016,  # skips the last hour of a day from 2024 on
    "Asia/Kathmandu": 1980,  # went from five and a half hours to five and three quarters
    "Pacific/Apia": 2005,  # left out 30 December 2011
    "Pacific/Kwajalein": 1988,  # left out 21 August 1993
    "America/Sao_Paulo": 2010,  # skipped midnight
    "America/Caracas": 2007,  # half an hour back, and on again
    "Africa/Casablanca": 2010,  # switches four times a year
    "Antarctica/Troll": 2012,  # switches by two hours
}
HOURS: Final = (time(2, 30), time(0, 0), time(23, 55), time(1, 30), time(2, 0), time(0, 1), time(5, 30), time(23, 30))
MINUTE: Final = timedelta(minutes=1)
STEP: Final = 5 * MINUTE
HOUR: Final = timedelta(hours=1)
DAY: Final = timedelta(days=1)
AROUND: Final = 6 * HOUR  # a switch
APART: Final = 12 * HOUR  # two messages of mornings that are two
ALL_YEAR: Final = frozenset(range(1, 13))


class LocalClock:
    """What a zone's clock shows from one instant to another, read off it minute by minute where it switches."""

    def __init__(self, zone: ZoneInfo, first: datetime, last: datetime) -> None:
        self.zone = zone
        hours = [first + number * HOUR for number in range((last - first) // HOUR + 1)]
        self.switches = [
            next(at for at in (hour + k * MINUTE for k in range(1, 61)) if self._offset(at) != self._offset(hour))
            for hour, then in pairwise(hours)
            if self._offset(hour) != self._offset(then)
        ]
        self._begins = [first, *self.switches]
        self._offsets = [self._offset(begin) for begin in self._begins]

    def _offset(self, at: datetime) -> timedelta:
        return at.astimezone(self.zone).utcoffset() or timedelta()

    def shows(self, at: datetime) -> datetime:
        """Return what it shows, as a naive time."""
        return at.replace(tzinfo=None) + self._offsets[bisect_right(self._begins, at) - 1]

    def first(self, wall: datetime) -> datetime | None:
        """Return when it first shows a time, or when it would have but for a switch; None if it leaves out the day."""
        ends = [*self._begins[1:], datetime.max.replace(tzinfo=UTC)]
        for begin, end, offset in zip(self._begins, ends, self._offsets, strict=True):
            at = wall.replace(tzinfo=UTC) - offset
            if begin <= at < end:
                return at
            if at >= end and self.shows(end) > wall:  # it jumped over it
                return at if self._has(wall.date()) else None
        return None

    def _has(self, day: date) -> bool:
        """Return whether it shows any minute of a day."""
        noon = datetime.combine(day, time(12), tzinfo=UTC)
        return any(self.shows(noon + number * HOUR).date() == day for number in range(-40, 41))


@dataclass
class Year:
    """A year in a zone with one morning hour, and what a machine did in it."""

    mornings: dict[date, datetime]
    ticks: list[datetime]
    sent: dict[date, list[datetime]] = field(default_factory=dict)

    def live(self, at: time, zone: ZoneInfo) -> None:
        """Do whatever is due at each tick, as a machine that forgets nothing."""
        alerts, done = Alerts(at, time(19), 0.7, ()), set[Task]()
        for now in self.ticks:
            for task in due_tasks(now, TaskHistory(done, now), alerts, zone, ALL_YEAR, interval=DAY):
                done.add(task)
                if task.kind is TaskKind.MORNING:
                    self.sent.setdefault(task.day, []).append(now)


@dataclass
class Found:
    """What some years found; all lists should be empty."""

    ticks: int = 0
    awake: int = 0  # mornings in whose hours the machine was on
    off: int = 0  # mornings that it slept through
    switched: int = 0  # mornings on a day on which the clock switched
    missed: list[str] = field(default_factory=list)
    late: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    strays: list[str] = field(default_factory=list)

    def add(self, other: "Found") -> None:
        """Add what other years found."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)

    def counts(self) -> tuple[Count, ...]:
        """Return what was counted."""
        return (
            Count("mornings without a message while the machine was on", len(self.missed), self.awake),
            Count("mornings told later than at the first waking", len(self.late), self.awake),
            Count("mornings told twice", len(self.doubled), self.awake),
            Count("messages for no morning, or out of its hours", len(self.strays), self.awake + self.off),
        )


def ticks(draw: Random, clock: LocalClock, first: datetime, last: datetime, *, broken: bool) -> Iterator[datetime]:
    """Yield when a machine wakes; a broken one is off for days and hours, and its clock jumps back."""
    now, spell = first + draw.randrange(300) * timedelta(seconds=1), _next_spell(draw, first)
    while now < last:
        yield now
        now += MINUTE if _near(clock.switches, now) else STEP
        if broken and now > spell:
            jump = draw.choice((draw.uniform(0.2, 80.0), draw.uniform(0.1, 6.0), -draw.uniform(0.1, 30.0)))
            now, spell = max(first, now + jump * HOUR), _next_spell(draw, now + 31 * HOUR)


def _next_spell(draw: Random, now: datetime) -> datetime:
    return now + draw.expovariate(1 / 6.0) * DAY


def _near(switches: list[datetime], now: datetime) -> bool:
    at = bisect_right(switches, now)
    return any(abs(now - switch) < AROUND for switch in switches[max(0, at - 1) : at + 1])


def lived(draw: Random, zone: str, begin: date, at: time, *, broken: bool, days: int = 365) -> Found:
    """Live through some days with a morning hour and count."""
    first = datetime.combine(begin, time(), tzinfo=UTC)
    clock = LocalClock(ZoneInfo(zone), first - 10 * DAY, first + (days + 10) * DAY)
    dates = [begin + number * DAY for number in range(-3, days + 3)]
    mornings = {day: opens for day in dates if (opens := clock.first(datetime.combine(day, at))) is not None}
    one = Year(mornings, list(ticks(draw, clock, first, first + days * DAY, broken=broken)))
    one.live(at, clock.zone)
    found = judged(one, f"{zone} {at:%H:%M}{' broken' if broken else ''}")
    switched = {clock.shows(switch).date() for switch in clock.switches}
    found.switched = len(switched & set(one.sent))
    return found


def judged(year: Year, where: str) -> Found:
    """Return what a year's messages come to, by when its mornings were and when the machine woke."""
    found, woke = Found(ticks=len(year.ticks)), sorted(year.ticks)
    turn = {now: number for number, now in reversed(list(enumerate(year.ticks)))}
    for day, opens in year.mornings.items():
        waking = woke[bisect_left(woke, opens) : bisect_right(woke, opens + MORNING_MAX_DELAY)]
        sent = year.sent.get(day, [])
        found.awake += bool(waking)
        found.off += not waking
        found.missed += [f"{where} {day}"] if waking and not sent else []
        found.doubled += [f"{where} {day}: {sent}"] if len(sent) > 1 else []
        found.strays += [f"{where} {day}: {now}" for now in sent if now not in waking]
        # The first waking is that of the machine's life, whatever its clock showed.
        found.late += [
            f"{where} {day}: {now}" for now in sent[:1] if waking and now != min(waking, key=turn.__getitem__)
        ]
    found.strays += [f"{where}: {day} never was" for day in year.sent if day not in year.mornings]
    if woke == year.ticks:
        times = sorted(now for sent in year.sent.values() for now in sent)
        found.doubled += [f"{where}: {one} and {two}" for one, two in pairwise(times) if two - one < APART]
    return found


def zone_years(zone: str, years: int, seed: int) -> Found:
    """Return what some years of a zone found: half of them on a machine that is off at times."""
    draw, found = Random(f"{zone} {seed}"), Found()
    for number in range(years):
        at = HOURS[number % len(HOURS)] if number % 3 else time(draw.randrange(24), draw.randrange(60))
        found.add(lived(draw, zone, date(ZONES[zone] + number, 1, 1), at, broken=number % 2 == 1))
    return found


def mornings(years: int, seed: int) -> Found:
    """Return what some years of all zones found."""
    found = Found()
    with ProcessPoolExecutor() as pool:
        for one in pool.map(partial(zone_years, years=years, seed=seed), ZONES):
            found.add(one)
    return found


def main() -> int:
    """Print what some years of mornings came to."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--years", type=int, default=10, help="of each zone")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    found = mornings(given.years, given.seed)
    for name in ("missed", "late", "doubled", "strays"):
        print(*(f"{name}: {case}\n" for case in getattr(found, name)), sep="", end="")
    print(f"{found.ticks} wakings; {found.awake} mornings on and {found.off} off, {found.switched} on days of a switch")
    return report(found.counts())


if __name__ == "__main__":
    sys.exit(main())

"""A year of the service in some minutes: what it holds in memory and open files at the end, and what it sent.

`python -m tests.faults.year --days 365 --fields 20` calls the real round of the real service on a real postbag, with a
clock that is set on by ten minutes each time, and sends to a real text gateway and a real mail server. Every fifth day
is one to mow. Out of the season there is only the weekly sign of life.
"""

import argparse
import gc
import logging
import sys
import tempfile
import threading
import time as machine
import tracemalloc
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any, Final

from daemon.domain.advice import Advice, AdviceKind, Morning
from daemon.domain.farm import Channel, Farm, Subscription
from daemon.domain.prospect import FieldDay, FieldProspect, Reason, Ripeness
from daemon.messages.daily import compose_messages
from daemon.messages.outbox.store import Outbox
from daemon.page.server import render_page
from daemon.service.rounds import Service
from daemon.system.memory import trim_heap
from tests.faults.counts import Count, report
from tests.loopback.receivers import Gateway, MailServer
from tests.support.farms import ZONE, farm, field_day, field_prospect, person, plan_of, prospect
from tests.support.process_memory import mebibytes

FIRST: Final = date(2026, 3, 1)
SEASON: Final = frozenset(range(3, 12))
MOW_EVERY: Final = 5  # [d]
WARM: Final = 30  # [d] from which memory is to stay as it is
MOST_GROWTH: Final = 5.0  # [MiB]
WEEK: Final = timedelta(days=7) - timedelta(hours=4)  # without a word before a sign of life
SETTLED: Final = 5.0  # [s] for the receivers to close their ends
DAY: Final = timedelta(days=1)
MEMORY_DISK: Final = "/dev/shm" if Path("/dev/shm").is_dir() else None  # else most of the time is spent on waiting


@dataclass
class Hand:
    """A clock set by hand."""

    at: datetime

    def now(self) -> datetime:
        return self.at


@dataclass(frozen=True)
class Held:
    """What the process holds: memory and what of it Python knows of [MiB], and open files."""

    memory: float
    of_python: float
    files: int
    threads: int


@dataclass
class Found:
    """What a year found."""

    expected: int = 0
    lost: list[str] = field(default_factory=list)
    extra: list[str] = field(default_factory=list)
    rounds: int = 0
    held: dict[int, Held] = field(default_factory=dict)  # by day; 0 before the service began

    @property
    def growth(self) -> float:
        """Return by what memory grew since it was warm [MiB]."""
        return self.held[max(self.held)].memory - self.held[min(WARM, max(self.held))].memory

    @property
    def left_open(self) -> int:
        """Return how many files are open that were not before."""
        return self.held[max(self.held)].files - self.held[0].files


def service_of(its: Farm, folder: Path, clock: Hand) -> Service:
    """Return the service: the only lines that know how it is made."""

    def look(its: Farm, now: datetime, said: Morning | None) -> Morning:
        found = morning_of(now.astimezone(ZONE).date(), len(its.fields))
        return replace(found, prospect=replace(found.prospect, at=now))

    return Service(its, Outbox(folder / Outbox.FILE_NAME), clock, look, compose_messages)


def farm_of(fields: int, text: str, mail: str) -> Farm:
    """Return a farm with one person who hears of days to mow by text, and one of ripe mornings by email."""
    people = (
        replace(person("Ann", Channel.TEXT, text), hears=Subscription.MOW_DAYS),
        replace(person("Ben", Channel.EMAIL, mail), hears=Subscription.RIPE_MORNINGS),
    )
    its = farm(*people, season=SEASON)
    return replace(its, fields=tuple(replace(its.fields[0], name=f"Field {number}") for number in range(fields)))


def is_to_mow(day: date) -> bool:
    return (day - FIRST).days % MOW_EVERY == 0


def morning_of(day: date, fields: int) -> Morning:
    """Return what a look at a day finds: three fields to mow, or rain on what is ripe."""
    found = [_field(day, number, number < 3) for number in range(fields)]
    advices = [
        Advice(one.name, AdviceKind.MOW, one.days[0].area, None, one.days[0])
        if one.days[0].area
        else Advice(one.name, AdviceKind.WAIT, 0.0, one.days[0].reason, one.days[0])
        for one in found
    ]
    return Morning(day, tuple(advices), replace(prospect(*found), at=datetime.combine(day, time(9), tzinfo=ZONE)))


def _field(day: date, number: int, is_ripe: bool) -> FieldProspect:
    days = tuple(_day(day + ahead * DAY, is_ripe) for ahead in range(8))
    return field_prospect(f"Field {number}", 20.0, *days, ripeness=Ripeness.RIPE if is_ripe else Ripeness.GROWING)


def _day(day: date, is_ripe: bool) -> FieldDay:
    if is_ripe and is_to_mow(day):
        return _moved(field_day(0, acres=4.0), day)
    found = field_day(0, 0.0, None, Reason.RAIN if is_ripe else Reason.NOT_RIPE)
    return replace(found, date=day, ripeness=Ripeness.RIPE if is_ripe else Ripeness.GROWING)


def _moved(found: FieldDay, day: date) -> FieldDay:
    """Return a field's day on another day, with all its hours."""
    apart, plan = day - found.date, plan_of(found)
    hours: dict[str, Any] = {key: value + apart for key, value in vars(plan).items() if isinstance(value, datetime)}
    return replace(found, date=day, plan=replace(plan, **hours))


def expected(days: int, its: Farm) -> dict[date, Counter[str]]:
    """Return who is to be told how often on each day, by the calendar alone."""
    told: dict[date, Counter[str]] = {}
    last = datetime.combine(FIRST - 99 * DAY, time())  # when Ben heard something, on the farm's clock
    for day in (FIRST + number * DAY for number in range(days)):
        told[day] = Counter()
        if day.month in SEASON:
            told[day]["Ben"] += 1  # something is ripe on every day
            told[day]["Ann"] += is_to_mow(day)
            last = datetime.combine(day, its.alerts.morning)
        if day.weekday() == 0 and last < datetime.combine(day, its.alerts.morning) - WEEK:
            told[day]["Ben"] += 1
            last = datetime.combine(day, its.alerts.morning)
        if day.month in SEASON and is_to_mow(day + DAY):
            told[day].update(("Ann", "Ben"))
            last = datetime.combine(day, its.alerts.evening)
    return told


def lived(days: int, fields: int, step: timedelta = timedelta(minutes=10)) -> Found:
    """Let the service live through some days and return what was found."""
    found = Found()
    with Gateway() as gateway, MailServer() as office, _quiet(), tempfile.TemporaryDirectory(dir=MEMORY_DISK) as folder:
        its = farm_of(fields, gateway.address, office.address)
        wanted = expected(days, its)
        found.held[0] = held(found)
        clock = Hand(datetime.combine(FIRST, time(), tzinfo=ZONE).astimezone(UTC))
        service = service_of(its, Path(folder), clock)
        for number, (day, told) in enumerate(wanted.items(), start=1):
            _live(service, clock, day, step, found)
            got = Counter({"Ann": len(gateway.posted), "Ben": len(office.mails)})
            _compare(day, told, got, found)
            gateway.posted.clear()
            office.mails.clear()
            if number in (1, WARM, days) or number % 60 == 0:
                found.held[number] = held(found)
    return found


def _live(service: Service, clock: Hand, day: date, step: timedelta, found: Found) -> None:
    """Go through the rounds of a day, and show its page once."""
    while clock.at.astimezone(ZONE).date() == day:
        service.round()
        clock.at += step
        found.rounds += 1
    render_page(service.snapshot())


def _compare(day: date, told: Counter[str], got: Counter[str], found: Found) -> None:
    found.expected += told.total()
    found.lost += [f"{day} {name}" for name in (told - got).elements()]
    found.extra += [f"{day} {name}" for name in (got - told).elements()]


def held(found: Found) -> Held:
    """Return what the process holds when all that is no longer used was given back."""
    before, until = found.held.get(0), machine.monotonic() + SETTLED
    while before and _open_files() > before.files and machine.monotonic() < until:
        machine.sleep(0.02)
    gc.collect()
    trim_heap()
    of_python = tracemalloc.get_traced_memory()[0] / 2**20
    return Held(mebibytes("VmRSS"), of_python, _open_files(), threading.active_count())


def _open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


@contextmanager
def _quiet() -> Iterator[None]:
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(logging.NOTSET)


def main() -> int:
    """Print what a year came to."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--fields", type=int, default=20)
    parser.add_argument("--step", type=int, default=10, help="minutes from one round to the next")
    parser.add_argument("--trace", action="store_true", help="what of the memory Python knows of; takes twice as long")
    given = parser.parse_args()
    if given.trace:
        tracemalloc.start()
    found = lived(given.days, given.fields, timedelta(minutes=given.step))
    print(*(f"lost: {case}\n" for case in found.lost), *(f"extra: {case}\n" for case in found.extra), sep="", end="")
    print(f"{found.rounds} rounds; grew by {found.growth:.2f} MiB since day {WARM}; {found.left_open} files left open")
    for day, one in found.held.items():
        python = f"{one.of_python:6.2f} of Python's, " if given.trace else ""
        print(f"day {day:>4}: {one.memory:7.2f} MiB, {python}{one.files} open, {one.threads} threads")
    lost = Count("messages lost", len(found.lost), found.expected)
    return report((lost, Count("messages too many", len(found.extra), found.expected))) or int(
        found.growth >= MOST_GROWTH or found.left_open > 0
    )


if __name__ == "__main__":
    sys.exit(main())

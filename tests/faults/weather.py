"""Weather that goes wrong on its way, by the thousand: what breaks down, and what is mown that must not be.

`python -m tests.faults.weather --n 10000` spoils the replies of a day on which it rains in the afternoon, and some of a
dry day, in one to three ways at once. Each goes over a real socket or through a real file, and through reading, gate,
a whole pass with one field and five members, and the decision. Advice to mow on the wet day is a false mow.
"""

import argparse
import csv
import gzip
import io
import json
import logging
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from itertools import product
from pathlib import Path
from random import Random
from typing import Any, Final
from zoneinfo import ZoneInfo

import pandas as pd
from pytest import MonkeyPatch

from daemon.advice.advise import Stores, advise
from daemon.domain.advice import AdviceKind, Morning
from daemon.domain.farm import Farm, Place
from daemon.weather import gather as gather_module
from daemon.weather.archive import Archive
from daemon.weather.gather import gather
from daemon.weather.http.client import open_session
from tests.faults.canned_replies import Canned, Canteen
from tests.faults.corruptions import BYTES, LINES, OBJECTS
from tests.faults.counts import Count, report
from tests.loopback.hours import source
from tests.loopback.met_no import PRODUCT, MetNo
from tests.loopback.open_meteo import OpenMeteo
from tests.loopback.weather_gov import ALERTS, GRID, alert, written_grid
from tests.support.weather import drying, working_farm

PLACE: Final = Place(20.0, -90.0, 100.0, ZoneInfo("America/Chicago"))
NOW: Final = datetime(2026, 2, 3, 11, 20, tzinfo=UTC)
UNTIL: Final = timedelta(days=5)
SHOWERS: Final = slice("2026-02-03T17:00Z", "2026-02-03T21:00Z")  # from eleven on, local time
SHOWER: Final = 1.5  # [mm] in each hour of them
POINT: Final = "/points/20,-90"
SOURCES: Final = ("open-meteo", "weather.gov", "met.no", "file")
MEMBERS: Final = 5
SESSION: Final[Mapping[str, Any]] = {"backoff": 0.0, "host_limit": 3.0}  # [s] shorter than in earnest
DRY_SHARE: Final = 0.2
# Of a file no two: together they may be whole days, and a file whose hours are those of another day could be true.
SHIFTED: Final = frozenset({"hours shifted", "every time shifted"})
Bodies = Mapping[str, bytes]


@cache
def table(wet: bool) -> pd.DataFrame:
    """Return the hours from the season's start on: it rains by night until some days ago, and today or not."""
    hours = drying("2025-12-29T00:00", f"{NOW + UNTIL:%Y-%m-%dT00:00}", PLACE).copy()
    hours[["air_temperature", "dew_point_temperature"]] += 4.0
    stamp = pd.DatetimeIndex(hours.index)
    night = (stamp.day % 5 == 0) & (stamp.hour == 9) & (stamp < pd.Timestamp(NOW - timedelta(days=9)))
    hours.loc[night, "precipitation_amount"] = 30.0
    hours["probability_of_precipitation"] = hours["thunderstorm_probability"] = 0.01
    if wet:
        hours.loc[SHOWERS, ["precipitation_amount", "probability_of_precipitation"]] = SHOWER, 1.0
    return hours


@dataclass
class Found:
    """What some spoiled replies came to."""

    tried: Counter[str] = field(default_factory=Counter)
    wet: int = 0
    mown_dry: int = 0
    refused: int = 0
    crashes: list[str] = field(default_factory=list)
    false_mows: list[str] = field(default_factory=list)

    @property
    def looks(self) -> int:
        return sum(self.tried[name] for name in SOURCES)

    def counts(self) -> tuple[Count, ...]:
        return (
            Count("looks that broke down", len(self.crashes), self.looks),
            Count("false mows on the wet day", len(self.false_mows), self.wet),
        )


@dataclass(frozen=True)
class Case:
    """One look: which source told of which day, how it went wrong, and its number."""

    source: str
    wet: bool
    how: tuple[str, ...]
    number: int = 0

    def __str__(self) -> str:
        return f"{self.number}: {self.source}, {'wet' if self.wet else 'dry'} day, {'; '.join(self.how)}"


class Breakdowns(logging.Handler):
    """Notes what broke down and was caught for the sake of the morning."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.seen: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.seen.append(logging.Formatter("%(message)s").format(record) if record.exc_info else record.getMessage())


@dataclass
class Ground:
    """A farm, and a server that tells it what it is given. `good` are the replies of each source for both days."""

    canteen: Canteen
    folder: Path
    breakdowns: Breakdowns
    good: dict[tuple[str, bool], Bodies] = field(default_factory=dict)

    def look(self, name: str, replies: Mapping[str, Canned]) -> Morning:
        """Return what is advised if a source tells this."""
        path = self.folder / "hours.csv"
        farm = _farm(weather=source(self.canteen.address, sources=(name,), least_members=3, path=path))
        if name == "file":
            path.write_bytes(replies["file"].body)
            os.utime(path, (NOW.timestamp(), NOW.timestamp()))
            return advise(farm, NOW)
        self.canteen.replies = dict(replies)
        # Who tells no past hours finds them where they are kept.
        archive = None if name == "open-meteo" else Archive(self.folder / "weather.sqlite3")
        return advise(farm, NOW, stores=Stores(archive=archive))

    def replies(self, hours: pd.DataFrame) -> dict[str, Bodies]:
        """Return what the sources tell of some hours."""
        coming = hours[NOW.replace(minute=0) - timedelta(hours=8) :]
        grid = written_grid(coming, NOW - timedelta(hours=2), address=self.canteen.address)
        with MetNo(hours, now=NOW, hourly=54) as server:
            met_no = server.reply(PLACE.latitude, PLACE.longitude, PLACE.elevation)
        return {
            "open-meteo": _open_meteo(hours),
            "weather.gov": {
                POINT: _json({"properties": {"forecastGridData": self.canteen.address + GRID}}),
                GRID: _json({"properties": grid}),
                ALERTS: _json({"features": [alert("1"), alert("2")]}),
            },
            "met.no": {PRODUCT: _json(met_no)},
            "file": {"file": _file(hours)},
        }


def _farm(**changes: Any) -> Farm:
    farm = working_farm(place=PLACE, **changes)
    return replace(farm, alerts=replace(farm.alerts, odds_needed=0.5))


@contextmanager
def ground() -> Iterator[Ground]:
    """Open a farm, with good replies of both days, and hear of what breaks down."""
    with ExitStack() as stack:
        stack.enter_context(MonkeyPatch.context()).setattr(
            gather_module, "open_session", partial(open_session, **SESSION)
        )
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        found = Ground(stack.enter_context(Canteen()), folder, stack.enter_context(_heard()))
        for wet in (False, True):
            found.good |= {(name, wet): bodies for name, bodies in found.replies(table(wet)).items()}
        with OpenMeteo(table(False), now=NOW, members=MEMBERS) as server:
            came = gather(_farm(weather=source(server.address, least_members=3)), NOW).past
        Archive(folder / "weather.sqlite3").store_past(PLACE, came, NOW)
        yield found


@contextmanager
def _heard() -> Iterator[Breakdowns]:
    log, breakdowns = logging.getLogger("daemon"), Breakdowns()
    before = log.propagate
    log.addHandler(breakdowns)
    log.propagate = False
    yield breakdowns
    log.removeHandler(breakdowns)
    log.propagate = before


def _open_meteo(hours: pd.DataFrame) -> Bodies:
    """Return what the service tells when it is asked as it is in earnest."""
    with OpenMeteo(hours, now=NOW, members=MEMBERS, run=NOW - timedelta(hours=4)) as server:
        gather(_farm(weather=source(server.address, least_members=3)), NOW)
        return {asked.path: _json(server.reply(asked.path, asked.query)) for asked in server.asked if asked.query}


def _json(content: Any) -> bytes:
    return json.dumps(content, ensure_ascii=False).encode()


def _file(hours: pd.DataFrame) -> bytes:
    lines = hours.drop(columns=["thunderstorm_probability", "probability_of_precipitation", "cloud_area_fraction"])
    parts = [
        lines.assign(member=f"{m:02}", wind_speed=lines["wind_speed"] + 0.01 * m)[
            lines.index > NOW - timedelta(hours=40) * (1 if m else 24)  # the first member tells the past
        ]
        for m in range(MEMBERS)
    ]
    table = pd.concat(parts).rename_axis("time").to_csv(date_format="%Y-%m-%dT%H:%MZ")
    return f"# issued_at: {NOW:%Y-%m-%dT%H:%MZ}\n{table}".encode()


def spoiled(good: Bodies, dice: Random) -> tuple[Bodies, list[str]]:
    """Return replies of which one or all are spoiled, and how."""
    hit = set(good) if dice.random() < 0.2 else {dice.choice(list(good))}
    wrong, how = dict(good), []
    for path in sorted(hit):
        wrong[path], ways = _spoiled_lines(good[path], dice) if path == "file" else _spoiled_objects(good[path], dice)
        if not ways or (dice.random() < 0.3 and len(ways) < 3):
            way = dice.choice(list(BYTES))
            if path == "file" and way in SHIFTED and SHIFTED & set(ways):
                way = "cut"
            wrong[path] = BYTES[way](wrong[path] or b"0", dice)
            ways.append(way)
        how += [f"{path}: {way}" for way in ways]
    return wrong, how


def _spoiled_objects(body: bytes, dice: Random) -> tuple[bytes, list[str]]:
    ways = [dice.choice(list(OBJECTS)) for _ in range(dice.choice((0, 1, 1, 1, 2, 3)))]
    tree = [json.loads(body)]
    for way in ways:
        if tree:
            OBJECTS[way](tree, dice)
    return b"".join(map(_json, tree)) if ways else body, ways


def _spoiled_lines(body: bytes, dice: Random) -> tuple[bytes, list[str]]:
    ways = [dice.choice(list(LINES)) for _ in range(dice.choice((0, 1, 1, 1, 2, 3)))]
    if not ways:
        return body, ways
    shifts = [way for way in ways if way in SHIFTED]
    for way in shifts[1:]:
        ways.remove(way)
    first, _, rest = body.decode().partition("\n")
    rows = list(csv.reader(rest.splitlines()))
    for way in ways:
        if all(rows) and len(rows) > 1:
            LINES[way](rows, dice)
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return f"{first}\n{out.getvalue()}".encode(), ways


def judged(ground: Ground, case: Case, replies: Mapping[str, Canned], found: Found) -> None:
    """Look once and count what came of it."""
    found.tried[case.source] += 1
    found.tried.update(way.partition(": ")[2] for way in case.how)
    found.wet += case.wet
    ground.breakdowns.seen.clear()
    try:
        morning = ground.look(case.source, replies)
    except Exception as error:  # any of them is what is looked for
        found.crashes.append(f"{case}: {type(error).__name__}: {error}")
        return
    found.crashes += [f"{case}: {seen}" for seen in ground.breakdowns.seen]
    found.refused += morning.prospect.trouble is not None
    if any(advice.kind is AdviceKind.MOW for advice in morning.advices):
        found.mown_dry += not case.wet
        found.false_mows += [str(case)] if case.wet else []


def tried(ground: Ground, number: int, seed: int, sources: Sequence[str] = SOURCES) -> Found:
    """Return what a number of spoiled replies came to; each depends on its own number and the seed only."""
    found = Found()
    for each in range(number):
        dice = Random(f"{seed} {each}")
        name, wet = sources[each % len(sources)], dice.random() >= DRY_SHARE
        bodies, how = spoiled(ground.good[name, wet], dice)
        replies = {path: Canned(body) for path, body in bodies.items()}
        judged(ground, Case(name, wet, tuple(how), each), replies, found)
    return found


@cache
def _bomb() -> bytes:
    return gzip.compress(bytes(300_000_000), 6)


# What is sent instead of a body, packed and in which way.
HEAVY: Final[Mapping[str, Callable[[bytes], Canned]]] = {
    "100 MB": lambda _: Canned(b" " * 1_000_000, times=100),
    "a bomb of gzip": lambda _: Canned(_bomb(), headers={"Content-Encoding": "gzip"}),
    "a slow drip": lambda body: Canned(body, drip=True),
    "packed, and cut": lambda body: Canned(gzip.compress(body)[:-40], headers={"Content-Encoding": "gzip"}),
    "packed by a way not asked for": lambda body: Canned(body, headers={"Content-Encoding": "br"}),
    "an error with a whole body": lambda body: Canned(body, status=500),
    "a redirect to itself": lambda _: Canned(b"", status=301, headers={"Location": "?"}),
    "not changed, though nothing is kept": lambda _: Canned(b"", status=304),
    "nothing": lambda _: Canned(b"", status=204),
}


def tried_heavy(ground: Ground, sources: Sequence[str] = SOURCES, ways: Sequence[str] = tuple(HEAVY)) -> Found:
    """Return what came of replies that are too heavy, too slow or wrongly sent: each of every source, once."""
    found = Found()
    for name in sources:
        good = {path: Canned(body) for path, body in ground.good[name, True].items() if path != "file"}
        for path, way in product(good, ways):
            case = Case(name, True, (f"{path}: {way}",))
            judged(ground, case, good | {path: HEAVY[way](good[path].body)}, found)
    return found


# What nobody can see, because it could as well be true: how the hours of the wet day are told, and why.
UNSEEN: Final[Mapping[str, Callable[[pd.DataFrame], pd.DataFrame]]] = {
    "rain in inches told as mm": lambda hours: hours.assign(precipitation_amount=hours["precipitation_amount"] / 25.4),
    "no rain told, nor a chance": lambda _: table(False),
    "the hours of the day after": lambda hours: hours.shift(-24, freq="h"),
    "wind in km/h told as m/s": lambda hours: hours.assign(wind_speed=hours["wind_speed"] * 3.6),
}


def unseen(ground: Ground, sources: Sequence[str] = SOURCES) -> Iterator[str]:
    """Yield what becomes of a wet day that is told as another, in numbers that could be true."""
    for what, change in UNSEEN.items():
        told = ground.replies(change(table(True)))
        mown = [
            name
            for name in sources
            if any(
                advice.kind is AdviceKind.MOW
                for advice in ground.look(name, {path: Canned(body) for path, body in told[name].items()}).advices
            )
        ]
        yield f"{what}: mown by {', '.join(mown) or 'none'}"


def main() -> int:
    """Print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--n", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--source", choices=SOURCES)
    given = parser.parse_args()
    sources, begun = (given.source,) if given.source else SOURCES, time.monotonic()
    with ground() as place:
        found, heavy = tried(place, given.n, given.seed, sources), tried_heavy(place, sources)
        could_be_true = list(unseen(place, sources))
    for way, count in sorted((found.tried + heavy.tried).items()):
        print(f"{way:<60}{count:>6}")
    for case in (*found.crashes, *found.false_mows, *heavy.crashes, *heavy.false_mows):
        print(case)
    dry = found.looks - found.wet
    print(f"{found.looks} looks in {time.monotonic() - begun:.0f} s, {found.refused} of them without weather; of {dry}")
    print(f"on the dry day {found.mown_dry} still led to a mow; and {heavy.looks} looks at what was wrongly sent")
    print("Not counted, because it could be true, a wet day with", *could_be_true, sep="\n  ")
    return report((*found.counts(), *(heavy.counts() if heavy.looks else ())))


if __name__ == "__main__":
    sys.exit(main())

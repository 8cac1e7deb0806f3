"""The morning that is timed: the invented farm with many fields, a large ensemble and ten days ahead."""

import hashlib
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from importlib.resources import as_file, files

from daemon.cli import demo
from daemon.diary.overlay import apply_diary
from daemon.domain.farm import Farm
from daemon.domain.prospect import Prospect
from daemon.planning.prospect import HORIZON_DAYS, plan_fields
from daemon.settings import load
from daemon.weather.contract import Weather

FIELDS = 20
MEMBERS = 51
DAYS = HORIZON_DAYS


def made(fields: int = FIELDS, members: int = MEMBERS, days: int = DAYS) -> tuple[Farm, Weather]:
    """Return the demo's farm with its fields over and over, and its weather, which comes round again."""
    with as_file(files("daemon.cli.demo") / "farm.toml") as path:
        farm = load(path)
    weather = demo.invented_weather(
        farm, members=members, days=[demo.DAY_WEATHER[day % len(demo.DAY_WEATHER)] for day in range(days + 1)]
    )
    several = (replace(farm.fields[number % len(farm.fields)], name=f"Field {number}") for number in range(fields))
    return replace(farm, fields=tuple(several)), weather


def looked(farm: Farm, weather: Weather) -> Prospect:
    return plan_fields(apply_diary(farm, (), demo.NOW), weather, demo.NOW)


def told(prospect: Prospect) -> str:
    """Return the number of days on which a field is to be mown, and a mark that changes when any number does."""
    areas = [day.area for field in prospect.fields for day in field.days]
    return f"{sum(area > 0.0 for area in areas)} of {len(areas)} field days with an area, mark {mark(prospect)}"


def mark(prospect: Prospect) -> str:
    """Return a short hash of every number of every field day.

    Notes
    -----
    The values of a day are sorted and what is None is left out, so that neither the names of classes and fields nor
    how they are grouped make a difference.
    """
    days = [[sorted(bare_values(day)) for day in field.days] for field in prospect.fields]
    return hashlib.sha256(repr(days).encode()).hexdigest()[:12]


def bare_values(thing: object) -> Iterator[str]:
    """Yield the text of each value in a dataclass and all that it holds, enums by their value."""
    if is_dataclass(thing):
        for field in fields(thing):
            yield from bare_values(getattr(thing, field.name))
    elif isinstance(thing, list | tuple):
        for part in thing:
            yield from bare_values(part)
    elif isinstance(thing, Enum):
        yield repr(thing.value)
    elif thing is not None:
        yield repr(thing)

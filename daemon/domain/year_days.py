"""The days of the year of fawns, nests and the killing frost at a latitude."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Final

from daemon.domain.farm import Place
from models.cautions import MonthDay, YearlySpan, has_fawns, has_nests, needs_fall_rest

# Of a year without a leap day.
_YEAR_DAYS: Final = tuple(date(2025, 1, 1) + timedelta(days=number) for number in range(365))


def fawn_days_by_latitude(place: Place) -> YearlySpan | None:
    """Return the days on which fawns lie in tall grass where the settings do not say it; None: on none."""
    return _span(lambda day: has_fawns(day, place.latitude))


def nesting_days_by_latitude(place: Place) -> YearlySpan | None:
    """Return the days on which birds nest on the ground where the settings do not say it; None: on none."""
    return _span(lambda day: has_nests(day, place.latitude))


def frost_day_by_latitude(place: Place) -> MonthDay | None:
    """Return the mean day of the frost that kills alfalfa's tops where the settings do not say it; None: on none."""
    rests = _span(lambda day: needs_fall_rest(day, place.latitude))
    return None if rests is None else rests.last


def _span(holds: Callable[[date], bool]) -> YearlySpan | None:
    """Return the days of a year on which something holds without a break, perhaps over its turn."""
    days = [day for day in _YEAR_DAYS if holds(day)]
    first = next((day for day in days if not holds(day - timedelta(days=1))), None)
    last = next((day for day in days if not holds(day + timedelta(days=1))), None)
    if first is None or last is None:
        return None
    return YearlySpan((first.month, first.day), (last.month, last.day))

"""The days of the year of fawns, nests and the killing frost at a latitude."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Final

from daemon.domain.farm import Place
from models.cautions import MonthDay, Span, alfalfa_rests, fawns_about, nests_about

_YEAR_DAYS: Final = tuple(
    date(2025, 1, 1) + timedelta(days=number) for number in range(365)
)  # of a year without a leap day


def fawn_days_by_latitude(place: Place) -> Span | None:
    """Return the days on which fawns lie in tall grass where the settings do not say it; None: on none."""
    return _span(lambda day: fawns_about(day, place.latitude))


def nesting_days_by_latitude(place: Place) -> Span | None:
    """Return the days on which birds nest on the ground where the settings do not say it; None: on none."""
    return _span(lambda day: nests_about(day, place.latitude))


def frost_day_by_latitude(place: Place) -> MonthDay | None:
    """Return the mean day of the frost that kills alfalfa's tops where the settings do not say it; None: on none."""
    rests = _span(lambda day: alfalfa_rests(day, place.latitude))
    return None if rests is None else rests.last


def _span(holds: Callable[[date], bool]) -> Span | None:
    """Return the days of a year on which something holds without a break, perhaps over its turn."""
    first = next((day for day in _YEAR_DAYS if holds(day) and not holds(day - timedelta(days=1))), None)
    last = next((day for day in _YEAR_DAYS if holds(day) and not holds(day + timedelta(days=1))), None)
    return None if first is None or last is None else Span((first.month, first.day), (last.month, last.day))

"""The days of the year of fawns, nests and the killing frost: those of the settings, else those by the latitude."""

from collections.abc import Callable
from datetime import date, timedelta
from typing import Final

from daemon.farm import Farm, Place
from daemon.units import month_day
from models.cautions import MonthDay, Span, alfalfa_rests, fawns_about, nests_about

_DAYS: Final = tuple(date(2025, 1, 1) + timedelta(days=number) for number in range(365))  # of a year without a leap day


def fawns_by_latitude(place: Place) -> Span | None:
    """Return the days on which fawns lie in tall grass where the settings do not say it; None: on none."""
    return _span(lambda day: fawns_about(day, place.latitude))


def nests_by_latitude(place: Place) -> Span | None:
    """Return the days on which birds nest on the ground where the settings do not say it; None: on none."""
    return _span(lambda day: nests_about(day, place.latitude))


def frost_by_latitude(place: Place) -> MonthDay | None:
    """Return the mean day of the frost that kills alfalfa's tops where the settings do not say it; None: on none."""
    rests = _span(lambda day: alfalfa_rests(day, place.latitude))
    return None if rests is None else rests.last


def days_in_force(farm: Farm) -> str:
    """Return all three in words, and where each is from."""
    said, place = farm.estimates, farm.place
    fawns = _told(said.fawns, fawns_by_latitude(place))
    nests = _told(said.nests, nests_by_latitude(place))
    frost = _told(said.killing_frost, frost_by_latitude(place))
    return f"fawns {fawns}; nests {nests}; killing frost {frost}"


def days_words(days: Span | MonthDay | None) -> str:
    """Return a day of the year, or the first and the last of several, in words.

    >>> days_words(Span((5, 15), (6, 30))), days_words((10, 10)), days_words(None)
    ('15 May to 30 June', '10 October', 'none')
    """
    if days is None:
        return "none"
    return " to ".join(month_day(*day) for day in (days if isinstance(days, Span) else (days,)))


def _told(own: Span | MonthDay | None, else_: Span | MonthDay | None) -> str:
    return f"{days_words(own)} (the settings)" if own else f"{days_words(else_)} (estimate by the latitude)"


def _span(holds: Callable[[date], bool]) -> Span | None:
    """Return the days of a year on which something holds without a break, perhaps over its turn."""
    first = next((day for day in _DAYS if holds(day) and not holds(day - timedelta(days=1))), None)
    last = next((day for day in _DAYS if holds(day) and not holds(day + timedelta(days=1))), None)
    return None if first is None or last is None else Span((first.month, first.day), (last.month, last.day))

"""The days of the year of fawns, nests and the killing frost: those of the settings, else those by the latitude."""

from daemon.domain.farm import Farm
from daemon.domain.year_days import fawns_by_latitude, frost_by_latitude, nests_by_latitude
from daemon.words.numbers import month_day
from models.cautions import MonthDay, Span


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

"""The days of the year of fawns, nests and the killing frost: those of the settings, else those by the latitude."""

from daemon.domain.farm import Farm
from daemon.domain.year_days import fawn_days_by_latitude, frost_day_by_latitude, nesting_days_by_latitude
from daemon.words.numbers import month_day_text
from models.cautions import MonthDay, YearlySpan


def year_days_text(farm: Farm) -> str:
    """Return all three in words, and where each is from."""
    said, place = farm.estimates, farm.place
    fawns = _days_and_origin_text(said.fawns, fawn_days_by_latitude(place))
    nests = _days_and_origin_text(said.nests, nesting_days_by_latitude(place))
    frost = _days_and_origin_text(said.killing_frost, frost_day_by_latitude(place))
    return f"fawns {fawns}; nests {nests}; killing frost {frost}"


def span_text(days: YearlySpan | MonthDay | None) -> str:
    """Return a day of the year, or the first and the last of several, in words.

    >>> span_text(YearlySpan((5, 15), (6, 30))), span_text((10, 10)), span_text(None)
    ('15 May to 30 June', '10 October', 'none')
    """
    if days is None:
        return "none"
    return " to ".join(month_day_text(*day) for day in (days if isinstance(days, YearlySpan) else (days,)))


def _days_and_origin_text(own: YearlySpan | MonthDay | None, else_: YearlySpan | MonthDay | None) -> str:
    return f"{span_text(own)} (the settings)" if own else f"{span_text(else_)} (estimate by the latitude)"

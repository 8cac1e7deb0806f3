"""Parses dates as people write them, to suggest how to write them in the settings."""

from datetime import date
from re import IGNORECASE, fullmatch
from typing import Final

MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH_NAME: Final = r"([a-z]{3,9})\.?"
_DAY: Final = r"(\d{1,2})(?:st|nd|rd|th|\.)?"
_YEAR: Final = r"(?:,?\s*(\d{4}))?"


def parse_date(text: str, *, month_first: bool, latest: date | None = None) -> date | None:
    """Return the date that a text means, in whatever way it is written; None if that is not clear.

    Parameters
    ----------
    text : str
    month_first : bool
        Whether 6/4 is the fourth of June; with points between its parts a date always begins with the day.
    latest : date, optional
        Gives a day and month without a year the last year in which they are not after this; without it they are no
        date.

    Examples
    --------
    >>> str(parse_date("4.6.2026", month_first=True)), str(parse_date("6/4/2026", month_first=True))
    ('2026-06-04', '2026-06-04')
    >>> str(parse_date("June 4", month_first=True, latest=date(2026, 5, 1)))
    '2025-06-04'
    >>> str(parse_date("4th of June 2026", month_first=False)), parse_date("June", month_first=False)
    ('2026-06-04', None)
    """
    year, month, day = _date_parts(text.strip(), month_first=month_first)
    if year is not None:
        return _date_or_none(year, month, day)
    if latest is None:
        return None
    for candidate_year in (latest.year, latest.year - 1):
        date_then = _date_or_none(candidate_year, month, day)
        if date_then is not None and date_then <= latest:
            return date_then
    return None


def _date_or_none(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _date_parts(text: str, *, month_first: bool) -> tuple[int | None, int, int]:
    """Return year, month and day; the month is 0 where the text is no date."""
    if match := fullmatch(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})", text):
        return int(match[1]), int(match[2]), int(match[3])
    if match := fullmatch(r"(\d{1,2})([-/.]) ?(\d{1,2})(?:[-/.] ?(\d{4})?)?", text):
        month, day = _month_and_day(int(match[1]), match[2], int(match[3]), month_first=month_first)
        return _parse_year(match[4]), month, day
    if match := fullmatch(rf"{_DAY}\s*(?:of\s+)?{_MONTH_NAME}{_YEAR}", text, IGNORECASE):
        return _parse_year(match[3]), _month_number(match[2]), int(match[1])
    if match := fullmatch(rf"{_MONTH_NAME}\s*{_DAY}{_YEAR}", text, IGNORECASE):
        return _parse_year(match[3]), _month_number(match[1]), int(match[2])
    return None, 0, 0


def _month_and_day(first: int, separator: str, second: int, *, month_first: bool) -> tuple[int, int]:
    """Return which of two numbers is the month and which the day: a number above 12 can only be a day."""
    if second > 12:
        return first, second
    if first > 12 or separator == "." or not month_first:
        return second, first
    return first, second


def _parse_year(text: str | None) -> int | None:
    return int(text) if text else None


def _month_number(name: str) -> int:
    """Return the number of a month [1 for January], 0 if it is none."""
    short = name[:3].casefold()
    return MONTHS.index(short) + 1 if short in MONTHS else 0

"""Days as people write them, for what to write in their place."""

from contextlib import suppress
from datetime import date
from re import IGNORECASE, fullmatch
from typing import Final

MONTHS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH_NAME: Final = r"([a-z]{3,9})\.?"
_DAY: Final = r"(\d{1,2})(?:st|nd|rd|th|\.)?"
_YEAR: Final = r"(?:,?\s*(\d{4}))?"


def parse_date(text: str, *, month_first: bool, latest: date | None = None) -> date | None:
    """Return the day that is meant by other words than the settings have for one, None where that cannot be told.

    Parameters
    ----------
    text : str
    month_first : bool
        Whether 6/4 is the fourth of June; with points between the day always comes first.
    latest : date, optional
        A day without its year is the last one up to this; left out: it means nothing.

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
    years = (year,) if year is not None else () if latest is None else (latest.year, latest.year - 1)
    for one in years:
        with suppress(ValueError):
            found = date(one, month, day)
            if year is not None or latest is None or found <= latest:
                return found
    return None


def _date_parts(text: str, *, month_first: bool) -> tuple[int | None, int, int]:
    """Return year, month and day; a month of 0 is none."""
    if whole := fullmatch(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})", text):
        return int(whole[1]), int(whole[2]), int(whole[3])
    if short := fullmatch(r"(\d{1,2})([-/.]) ?(\d{1,2})(?:[-/.] ?(\d{4})?)?", text):
        first, second = int(short[1]), int(short[3])
        day_first = second <= 12 and (first > 12 or short[2] == "." or not month_first)
        return _parse_year(short[4]), *((second, first) if day_first else (first, second))
    if named := fullmatch(rf"{_DAY}\s*(?:of\s+)?{_MONTH_NAME}{_YEAR}", text, IGNORECASE):
        return _parse_year(named[3]), _month_number(named[2]), int(named[1])
    if named := fullmatch(rf"{_MONTH_NAME}\s*{_DAY}{_YEAR}", text, IGNORECASE):
        return _parse_year(named[3]), _month_number(named[1]), int(named[2])
    return None, 0, 0


def _parse_year(text: str | None) -> int | None:
    return int(text) if text else None


def _month_number(name: str) -> int:
    short = name[:3].casefold()
    return MONTHS.index(short) + 1 if short in MONTHS else 0

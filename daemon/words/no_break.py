"""What must not part at the end of a line: a day and its number, a time and its half of the day, odds.

Only in HTML: a text message knows no such space.
"""

import re
from functools import lru_cache
from typing import Final

from daemon.words.catalog import current_catalog

NO_BREAK: Final = "\N{NO-BREAK SPACE}"
UNBROKEN_KEYS: Final = ("time.day", "time.before_noon", "time.after_noon", "odds.in_ten")


def add_no_break_spaces(html: str) -> str:
    """Return HTML in which days, times and odds stay on one line.

    >>> add_no_break_spaces("<p>Bale from 3:30 pm on Monday 1, 5 in 10.</p>").count(NO_BREAK)
    4
    """
    catalog = current_catalog()
    days = tuple(words for key, words in catalog.items() if key.startswith("weekdays."))
    pattern = _pattern(tuple(catalog[key] for key in UNBROKEN_KEYS), days)
    return pattern.sub(lambda match: match[0].replace(" ", NO_BREAK), html)


@lru_cache(maxsize=4)
def _pattern(templates: tuple[str, ...], days: tuple[str, ...]) -> re.Pattern[str]:
    """Return what finds the templates with their places filled in."""
    weekday = "|".join(map(re.escape, days))
    written = (
        "".join(_piece_pattern(piece, weekday) for piece in re.split(r"(\{\w+\})", template)) for template in templates
    )
    return re.compile("|".join(rf"(?<!\w)(?:{one})(?!\w)" for one in written))


def _piece_pattern(piece: str, weekday: str) -> str:
    if piece == "{weekday}":
        return f"(?:{weekday})"
    return r"\d+" if piece.startswith("{") else re.escape(piece)

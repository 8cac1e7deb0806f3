"""Values as TOML writes them, and the numbers that people mean."""

import json
import math
import re
from datetime import time
from typing import Final

_NUMBER_WORDS: Final = (
    *("zero", "one", "two", "three", "four", "five", "six"),
    *("seven", "eight", "nine", "ten", "eleven", "twelve"),
)

MAX_INTEGER: Final = 10**18  # longer numbers are not written out


def round_significant(value: float, digits: int = 3) -> float:
    """Return a number with so many significant digits.

    >>> round_significant(20.2343)
    20.2
    """
    return float(f"{value:.{digits}g}")


def parse_number(value: object) -> float | None:
    """Return the number behind a number, or text such as "two" or "5 acres"; None if there is none.

    >>> parse_number("two"), parse_number("5 acres"), parse_number(True)
    (2.0, 5.0, None)
    """
    if isinstance(value, str):
        if value.strip().casefold() in _NUMBER_WORDS:
            return float(_NUMBER_WORDS.index(value.strip().casefold()))
        match = re.match(r"\s*([-+]?\d{1,12}(?:\.\d{1,12})?)", value)
        return float(match[1]) if match else None
    if isinstance(value, bool) or not isinstance(value, int | float) or math.isnan(value):
        return None
    return float(min(max(value, -1e15), 1e15))


def toml_excerpt(value: object) -> str:
    """Return a value as TOML writes it, cut where it is long."""
    text = toml_literal(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def toml_literal(value: object) -> str:
    """Return a value as TOML writes it.

    >>> toml_literal(time(7, 0)), toml_literal("boot"), toml_literal(True)
    ('"07:00"', '"boot"', 'true')
    """
    match value:
        case bool():  # before numbers: true is one of them
            return str(value).lower()
        case float():
            return f"{value:g}"
        case int():
            return str(value) if abs(value) < MAX_INTEGER else "a number of very many digits"
        case time():
            return f'"{value:%H:%M}"'
        case list() | dict():
            return _collection_literal(value)
    return _string_literal(value) if isinstance(value, str) else str(value)


def _string_literal(text: str) -> str:
    """Return a TOML string that stays on its line: whatever does not print is escaped."""
    written = json.dumps(text, ensure_ascii=False)
    return "".join(char if char.isprintable() else f"\\U{ord(char):08X}" for char in written)


def _collection_literal(value: list[object] | dict[object, object]) -> str:
    if isinstance(value, list):
        return f"[{', '.join(toml_literal(item) for item in value)}]"
    return "{" + ", ".join(f" {toml_literal(key)} = {toml_literal(item)}" for key, item in value.items()) + " }"

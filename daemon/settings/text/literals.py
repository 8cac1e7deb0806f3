"""Writes values as TOML, and reads the numbers that people mean."""

import json
import math
import re
from datetime import time
from typing import Final

_NUMBER_WORDS: Final = (
    *("zero", "one", "two", "three", "four", "five", "six"),
    *("seven", "eight", "nine", "ten", "eleven", "twelve"),
)

MAX_INTEGER: Final = 10**18  # a greater number is not written out in messages


def round_significant(value: float, digits: int = 3) -> float:
    """Return a number rounded to some significant digits.

    >>> round_significant(20.2343)
    20.2
    """
    return float(f"{value:.{digits}g}")


def parse_number(value: object) -> float | None:
    """Return the number that a value means, such as 2, "two" or "5 acres"; None if it means none.

    >>> parse_number("two"), parse_number("5 acres"), parse_number(True)
    (2.0, 5.0, None)
    """
    if isinstance(value, str):
        return _number_in_text(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or math.isnan(value):
        return None
    return float(min(max(value, -1e15), 1e15))


def _number_in_text(text: str) -> float | None:
    word = text.strip().casefold()
    if word in _NUMBER_WORDS:
        return float(_NUMBER_WORDS.index(word))
    match = re.match(r"\s*([-+]?\d{1,12}(?:\.\d{1,12})?)", text)
    return float(match[1]) if match else None


def toml_excerpt(value: object) -> str:
    """Return a value as TOML writes it, cut off after 57 characters if it has more than 60."""
    text = toml_literal(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def toml_literal(value: object) -> str:
    """Return a value as TOML writes it.

    >>> toml_literal(time(7, 0)), toml_literal("boot"), toml_literal(True)
    ('"07:00"', '"boot"', 'true')
    """
    match value:
        case str():
            return _string_literal(value)
        case list():
            return f"[{', '.join(toml_literal(item) for item in value)}]"
        case dict():
            return _inline_table(value)
    return _scalar_literal(value)


def _scalar_literal(value: object) -> str:
    """Return any value but a string, a list or a table as TOML writes it."""
    match value:
        case bool():  # before int, of which bool is a subclass
            return str(value).lower()
        case float():
            return f"{value:g}"
        case int():
            return str(value) if abs(value) < MAX_INTEGER else "a number of very many digits"
        case time():
            return f'"{value:%H:%M}"'
    return str(value)


def _string_literal(text: str) -> str:
    """Return a TOML string on one line: characters that do not print are escaped."""
    literal = json.dumps(text, ensure_ascii=False)
    return "".join(char if char.isprintable() else f"\\U{ord(char):08X}" for char in literal)


def _inline_table(table: dict[object, object]) -> str:
    pairs = (f" {toml_literal(key)} = {toml_literal(value)}" for key, value in table.items())
    return "{" + ", ".join(pairs) + " }"

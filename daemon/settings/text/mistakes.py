"""Lines that are not TOML and yet say what is meant: a day, a time or words without their quotes."""

import re
import tomllib
from dataclasses import dataclass
from datetime import time
from typing import Final

from daemon.settings.text.dates import parse_date
from daemon.settings.text.literals import toml_excerpt, toml_literal

PAIR: Final = re.compile(r"\s*([\w-]+)\s*=\s*([^\s\"'\[{#][^\"'\[\]{}#=]*?)\s*(?:#.*)?")
HEAD: Final = re.compile(r"\s*\[\[?\s*([\w. -]+?)\s*\]\]?")
METRIC: Final = re.compile(r"^\s*units\s*=\s*.metric", re.MULTILINE)
SECRET: Final = re.compile(r"^\s*\w*(addr|adr|key|pass|token|secret)|[:/@]{2}|@", re.IGNORECASE)  # is never shown
TIME: Final = re.compile(r"(\d{1,2})[:.](\d\d)\s*(am|pm)?", re.IGNORECASE)
MAX_LINE_LENGTH: Final = 200  # letters of a line
NUMBER: Final = re.compile(r"(\d+),(\d+)")


@dataclass(frozen=True)
class Slip:
    """A line as it was meant, and the text with it in its place; `key` with its section, as ``[work] hands``."""

    line: int
    key: str
    given: str
    allowed: str
    mended_line: str
    text: str


def mend_line(text: str, line: int) -> Slip | None:
    r"""Return what is meant by a line that is not TOML, None where that cannot be told.

    Parameters
    ----------
    text : str
        Of the whole file.
    line : int
        [1 for the first]

    Examples
    --------
    >>> slip = mend_line("[[field]]\nlast_cut = 4.6.2026", 2)
    >>> slip.key, slip.mended_line
    ('[field] last_cut', 'last_cut = 2026-06-04')
    """
    lines = text.split("\n")
    pair = PAIR.fullmatch(lines[line - 1].rstrip("\r")) if line <= len(lines) else None
    if pair is None or len(pair[0]) > MAX_LINE_LENGTH or SECRET.search(pair[0]) or _is_toml(pair[0]):
        return None
    value, allowed = _parse_value(pair[2], month_first=METRIC.search(text) is None)
    mended = f"{pair[1]} = {value}"
    whole = "\n".join([*lines[: line - 1], mended, *lines[line:]])
    heads = [head[1] for one in lines[: line - 1] if (head := HEAD.match(one))]
    return Slip(
        line, f"[{heads[-1]}] {pair[1]}" if heads else pair[1], toml_excerpt(pair[2])[1:-1], allowed, mended, whole
    )


def _is_toml(line: str) -> bool:
    """Return whether a line is right by itself: then it is wrong by another, such as the same key above it."""
    try:
        tomllib.loads(line)
    except ValueError:
        return False
    return True


def _parse_value(text: str, *, month_first: bool) -> tuple[str, str]:
    """Return a value as TOML has it, and what may be written there.

    >>> [_parse_value(text, month_first=True)[0] for text in ("7:30 pm", "4,5", "Sam")]
    ['"19:30"', '4.5', '"Sam"']
    """
    day = parse_date(text, month_first=month_first)
    if day is not None:
        return day.isoformat(), "a day such as 2026-05-20"
    if number := NUMBER.fullmatch(text):
        return f"{number[1]}.{number[2]}", "a number with a point"
    if text.casefold() in ("true", "false", "yes", "no"):
        return "true" if text.casefold() in ("true", "yes") else "false", "true or false"
    clock = _parse_time_of_day(text)
    return toml_literal(clock or text), "words in quotes" if clock is None else "a time in quotes"


def _parse_time_of_day(text: str) -> time | None:
    """Return a time of day such as 7:30 pm."""
    found = TIME.fullmatch(text)
    if found is None:
        return None
    hour = int(found[1]) if found[3] is None else int(found[1]) % 12 + (12 if found[3].casefold() == "pm" else 0)
    return time(hour, int(found[2])) if hour < 24 and int(found[2]) < 60 else None

"""Mends lines that are not TOML but clear in meaning: a date, a time or words without their quotes."""

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
SECRET: Final = re.compile(r"^\s*\w*(addr|adr|key|pass|token|secret)|[:/@]{2}|@", re.IGNORECASE)  # never quoted
TIME: Final = re.compile(r"(\d{1,2})[:.](\d\d)\s*(am|pm)?", re.IGNORECASE)
MAX_LINE_LENGTH: Final = 200  # characters
NUMBER: Final = re.compile(r"(\d+),(\d+)")


@dataclass(frozen=True)
class Slip:
    """A mended line, and the text with that line in place; `key` includes the section, as ``[work] hands``."""

    line: int
    key: str
    given: str
    allowed: str
    mended_line: str
    text: str


def mend_line(text: str, line: int) -> Slip | None:
    r"""Return what a line that is not TOML means, None if that is not clear.

    Parameters
    ----------
    text : str
        The whole file.
    line : int
        Number of the line [1 for the first].

    Examples
    --------
    >>> slip = mend_line("[[field]]\nlast_cut = 4.6.2026", 2)
    >>> slip.key, slip.mended_line
    ('[field] last_cut', 'last_cut = 2026-06-04')
    """
    lines = text.split("\n")
    if line > len(lines):
        return None
    lines_before, lines_after = lines[: line - 1], lines[line:]
    pair = PAIR.fullmatch(lines[line - 1].rstrip("\r"))
    if pair is None or len(pair[0]) > MAX_LINE_LENGTH or SECRET.search(pair[0]) or _is_toml(pair[0]):
        return None
    name, written = pair[1], pair[2]
    value, allowed = _parse_value(written, month_first=METRIC.search(text) is None)
    mended_line = f"{name} = {value}"
    mended_text = "\n".join([*lines_before, mended_line, *lines_after])
    section = _last_header(lines_before)
    key = name if section is None else f"[{section}] {name}"
    return Slip(line, key, toml_excerpt(written)[1:-1], allowed, mended_line, mended_text)


def _last_header(lines: list[str]) -> str | None:
    """Return the name of the section that the last header in some lines begins."""
    for line in reversed(lines):
        if header := HEAD.match(line):
            return header[1]
    return None


def _is_toml(line: str) -> bool:
    """Return whether a line alone is TOML: then another line makes it wrong, such as the same key above it."""
    try:
        tomllib.loads(line)
    except ValueError:
        return False
    return True


def _parse_value(text: str, *, month_first: bool) -> tuple[str, str]:
    """Return the value that a text means, as TOML, and what may be written in its place.

    >>> [_parse_value(text, month_first=True)[0] for text in ("7:30 pm", "4,5", "Sam")]
    ['"19:30"', '4.5', '"Sam"']
    """
    day = parse_date(text, month_first=month_first)
    if day is not None:
        return day.isoformat(), "a day such as 2026-05-20"
    if number := NUMBER.fullmatch(text):
        return f"{number[1]}.{number[2]}", "a number with a point"
    if text.casefold() in ("true", "yes"):
        return "true", "true or false"
    if text.casefold() in ("false", "no"):
        return "false", "true or false"
    clock = _parse_time_of_day(text)
    if clock is not None:
        return toml_literal(clock), "a time in quotes"
    return toml_literal(text), "words in quotes"


def _parse_time_of_day(text: str) -> time | None:
    """Return a time of day such as 7:30 pm."""
    match = TIME.fullmatch(text)
    if match is None:
        return None
    hour, minute, half = int(match[1]), int(match[2]), match[3]
    if half is not None:
        hour %= 12
        hour += 12 if half.casefold() == "pm" else 0
    return time(hour, minute) if hour < 24 and minute < 60 else None

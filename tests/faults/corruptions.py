"""Ways in which a reply goes wrong: as the objects that it holds, as bytes, and as the lines of a file."""

import gzip
import re
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from random import Random
from typing import Any, Final

Objects = Callable[[Any, Random], None]
Bytes = Callable[[bytes, Random], bytes]
Lines = Callable[[list[list[str]], Random], None]

JUNK: Final[tuple[Any, ...]] = (None, True, "", "n/a", "12,5", "NaN", [], {}, [[1.0]], {"a": None}, -1, 10**400)
NUMBERS: Final = (float("nan"), float("inf"), float("-inf"), -9999.0, -0.001, 1e300, 61.0, 1e9)
CELLS: Final = ("", " ", "nan", "inf", "-inf", "x", "1e400", "-0.01", "9999", "1,5", "0x1F", "--", '"', "\x00", "٣")
PAGES: Final = (
    b"<html><head><title>502 Bad Gateway</title></head><body></body></html>",
    b'{"error":true,"reason":"Daily API request limit exceeded."}',
    b'{"title":"Unexpected Problem","status":500}',
    b"null",
    b"[]",
    b"{}",
    b'""',
    b"0",
    b"",
    b"[" * 100_000,
    b'{"a":' * 100_000,
)
STREAMED: Final = b"Unexpected error while streaming data: timeoutReached"
# Units by how the services write them, each with others that it is taken for.
UNITS: Final[Mapping[str, tuple[str, ...]]] = {
    "°C": ("°F", "K", "undefined"),
    "celsius": ("fahrenheit", "K", ""),
    "wmoUnit:degC": ("wmoUnit:degF", "wmoUnit:K", "unit:degC ", "wmoUnit:furlong"),
    "m/s": ("km/h", "mp/h", "kn"),
    "wmoUnit:km_h-1": ("wmoUnit:mi_h-1", "km/h", "wmoUnit:Pa"),
    "mm": ("inch", "cm", "kg"),
    "wmoUnit:mm": ("wmoUnit:in", "wmoUnit:degC", "mm/h"),
    "W/m²": ("MJ/m²", "kW/m²", "undefined"),
    "%": ("1", "undefined", "fraction"),
    "wmoUnit:percent": ("wmoUnit:fraction", "1"),
    "iso8601": ("unixtime", ""),
    "wmo code": ("", "undefined"),
}
SHIFTS: Final = (-72, -48, -24, -12, -8, -6, -5, -4, -1, -0.5, 0.5, 1, 4, 5, 6, 8, 12, 24, 48, 72)  # [h]
STAMP: Final = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(?::\d\d)?")
LABELS: Final = ("time", "validTime")


def spot(tree: Any, dice: Random) -> tuple[Any, Any]:
    """Return a container somewhere in a tree that has something in it, and a key or number of what."""
    here = tree
    while True:
        key = dice.choice(list(here) if isinstance(here, dict) else range(len(here)))
        if not (isinstance(here[key], dict | list) and here[key]) or dice.random() < 0.25:
            return here, key
        here = here[key]


def series(tree: Any, dice: Random) -> list[Any]:
    """Return a list of a tree that has something in it: one of the longest of some."""
    found: list[list[Any]] = []
    for _ in range(12):
        here = tree
        while isinstance(here, dict | list) and here:
            if isinstance(here, list):
                found.append(here)
            here = here[dice.choice(list(here) if isinstance(here, dict) else range(len(here)))]
    return max(found, key=len, default=[None])


def put(make: Callable[[Any, Random], Any]) -> Objects:
    """Return a way that puts something else in the place of something."""

    def spoil(tree: Any, dice: Random) -> None:
        here, key = spot(tree, dice)
        here[key] = make(here[key], dice)

    return spoil


def _gone(tree: Any, dice: Random) -> None:
    here, key = spot(tree, dice)
    if here is not tree:
        del here[key]


def _renamed(tree: Any, dice: Random) -> None:
    here, key = spot(tree, dice)
    if isinstance(here, dict):
        here[dice.choice(("", f"{key}x", "hourly", "temperature_2m", "precipitation_member01"))] = here.pop(key)


def _retyped(old: Any, dice: Random) -> Any:
    """Return the same as another type."""
    if isinstance(old, dict):
        return dice.choice((list(old), list(old.items()), str(old)))
    if isinstance(old, list):
        return dice.choice((dict(enumerate(map(str, old[:5]))), ",".join(map(str, old[:5])), old[:1], [old]))
    return dice.choice((str(old), [old], {"value": old}, bool(old)))


def _some(change: Callable[[list[Any], Random], Any]) -> Objects:
    """Return a way that changes a list as a whole."""

    def spoil(tree: Any, dice: Random) -> None:
        values = series(tree, dice)
        change(values, dice)

    return spoil


def _nulls(values: list[Any], dice: Random) -> None:
    first = dice.randrange(len(values))
    for at in range(first, min(len(values), first + dice.choice((1, 5, 1000)))):
        values[at] = None


def _filled(values: list[Any], dice: Random) -> None:
    first, junk = dice.randrange(len(values)), dice.choice(NUMBERS)
    values[first : first + dice.choice((1, 3))] = [junk] * len(values[first : first + 1])


def _units(tree: Any, dice: Random) -> None:
    """Tell one unit by another's name, or all of that unit."""
    found: list[tuple[Any, Any]] = []
    todo = [tree]
    while todo:
        here = todo.pop()
        for key, value in here.items() if isinstance(here, dict) else enumerate(here[:200]):
            if isinstance(value, dict | list):
                todo.append(value)
            elif isinstance(value, str) and value in UNITS:
                found.append((here, key))
    if found:
        here, key = dice.choice(found)
        old, new, whole = here[key], dice.choice(UNITS[here[key]]), dice.random() < 0.5
        for one, at in found if whole else [(here, key)]:
            one[at] = new if one[at] == old else one[at]


def _labels(tree: Any, dice: Random) -> None:
    later(tree, dice.choice(SHIFTS))


def later(tree: Any, hours: float) -> None:
    """Tell all hours as others, but not when the reply was made."""
    todo = [tree]
    while todo:
        here = todo.pop()
        for key, value in here.items() if isinstance(here, dict) else enumerate(here):
            if isinstance(value, list) and key == "time":
                here[key] = [_later(each, hours) for each in value]
            elif isinstance(value, dict | list):
                todo.append(value)
            elif key in LABELS and isinstance(value, str):
                here[key] = _later(value, hours)


def _later(text: Any, hours: float) -> Any:
    def moved(found: re.Match[str]) -> str:
        at = datetime.fromisoformat(found[0]) + timedelta(hours=hours)
        return at.isoformat(timespec="seconds" if found[0].count(":") == 2 else "minutes")

    return STAMP.sub(moved, text) if isinstance(text, str) else text


OBJECTS: Final[Mapping[str, Objects]] = {
    "something is null": put(lambda _, __: None),
    "something is junk": put(lambda _, dice: dice.choice(JUNK)),
    "something is of another type": put(_retyped),
    "a number that cannot be": put(lambda _, dice: dice.choice(NUMBERS)),
    "something is gone": _gone,
    "something has another name": _renamed,
    "a list has nulls": _some(_nulls),
    "a list has numbers that cannot be": _some(_filled),
    "a list is cut": _some(lambda values, dice: values.__delitem__(slice(dice.randrange(len(values)), None))),
    "a list lacks something": _some(lambda values, dice: values.pop(dice.randrange(len(values)))),
    "a list tells something twice": _some(lambda values, dice: values.insert(0, values[dice.randrange(len(values))])),
    "a list is backwards": _some(lambda values, _: values.reverse()),
    "a list is in no order": _some(lambda values, dice: dice.shuffle(values)),
    "units by another name": _units,
    "hours shifted": _labels,
}


def _flipped(body: bytes, dice: Random) -> bytes:
    spoilt = bytearray(body)
    for _ in range(dice.choice((1, 3, 30))):
        spoilt[dice.randrange(len(spoilt))] ^= 1 << dice.randrange(8)
    return bytes(spoilt)


def _put_in(body: bytes, dice: Random) -> bytes:
    at, start = dice.randrange(len(body)), dice.randrange(len(body))
    return body[:at] + body[start : start + dice.choice((1, 40, 4000))] + body[at:]


def _left_out(body: bytes, dice: Random) -> bytes:
    at = dice.randrange(len(body))
    return body[:at] + body[at + dice.choice((1, 7, 300, 9000)) :]


def _stamps(body: bytes, dice: Random) -> bytes:
    return str(_later(body.decode("utf-8", "replace"), dice.choice(SHIFTS))).encode()


def _not_numbers(body: bytes, dice: Random) -> bytes:
    word = dice.choice((b"NaN", b"Infinity", b"-Infinity", b"1e999", b"-", b"0x12", b"1_000", b"01"))
    first = dice.randrange(len(body))
    return body[:first] + re.sub(rb"(?<=[,\[:])-?\d+\.\d+", word, body[first:], count=dice.choice((1, 20, 0)))


BYTES: Final[Mapping[str, Bytes]] = {
    "cut": lambda body, dice: body[: dice.randrange(len(body))],
    "cut, with words of an error": lambda body, dice: body[: dice.randrange(len(body))] + STREAMED,
    "whole, with words of an error": lambda body, _: body + STREAMED,
    "a page or an error instead": lambda _, dice: dice.choice(PAGES),
    "bits flipped": _flipped,
    "some of it twice": _put_in,
    "some of it left out": _left_out,
    "told twice": lambda body, _: body + body,
    "numbers that are none": _not_numbers,
    "every time shifted": _stamps,
    "other letters": lambda body, dice: body.decode("utf-8", "replace").encode(dice.choice(("utf-16", "utf-8-sig"))),
    "packed without a word": lambda body, _: gzip.compress(body, 1),
    "noise": lambda body, dice: dice.randbytes(dice.choice((1, 100, 10_000))),
}


def _cell(rows: list[list[str]], dice: Random) -> None:
    row = dice.choice(rows)
    row[dice.randrange(len(row))] = dice.choice(CELLS)


def _column(rows: list[list[str]], dice: Random) -> None:
    at, cell = dice.randrange(len(rows[0])), dice.choice(CELLS)
    for row in rows[dice.choice((0, 1, len(rows) // 2)) :]:
        row[at : at + 1] = [cell]


def _without_column(rows: list[list[str]], dice: Random) -> None:
    at = dice.randrange(len(rows[0]))
    for row in rows[dice.choice((0, 1)) :]:
        del row[at : at + 1]


def _local(rows: list[list[str]], dice: Random) -> None:
    """Tell all hours as others; whole days apart they are other hours of the same right."""
    shift = dice.choice([shift for shift in SHIFTS if shift % 24])
    for row in rows[1:]:
        row[0] = _later(row[0], shift)


LINES: Final[Mapping[str, Lines]] = {
    "a cell is junk": _cell,
    "a column is junk": _column,
    "a column is gone": _without_column,
    "a line is gone": lambda rows, dice: rows.__delitem__(dice.randrange(len(rows))),
    "many lines are gone": lambda rows, dice: rows.__delitem__(slice(dice.randrange(len(rows)), None, 2)),
    "a line is there twice": lambda rows, dice: rows.append(list(dice.choice(rows))),
    "a line is short": lambda rows, dice: dice.choice(rows).__delitem__(-1),
    "lines in no order": lambda rows, dice: dice.shuffle(rows),
    "hours shifted": _local,
}

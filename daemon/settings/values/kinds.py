"""The kinds of setting that hold one value: each reads it from TOML, says what is allowed and finds the nearest fix."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Generic, TypeVar, cast

from pydantic_core import PydanticCustomError, core_schema

from daemon.domain.farm import Units
from daemon.settings.problems import nearest_word
from daemon.settings.text.dates import parse_date
from daemon.settings.text.literals import parse_number, round_significant, toml_literal
from daemon.system.secrets import SecretUnavailable, is_reference, resolve

T = TypeVar("T")


class Kind(Generic[T]):
    """Base class of the kinds; an instance stands in ``Annotated`` beside the type of an option."""

    secret = False

    def allowed(self, units: Units) -> str:
        """Return in words what the file may give."""
        raise NotImplementedError

    def read(self, value: object, units: Units) -> T:
        """Return the value in SI units; raises ValueError when it is not allowed."""
        raise NotImplementedError

    def write(self, value: T, units: Units) -> str:
        """Return the value as a settings file in these units writes it."""
        return toml_literal(value)

    def unit(self, units: Units) -> str:
        """Return the unit, empty if there is none."""
        return ""

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the allowed TOML value nearest to one that is not allowed, None if there is none near."""
        return None

    def __get_pydantic_core_schema__(self, source: object, handler: object) -> core_schema.CoreSchema:
        """Have pydantic read the option through this kind; the validation context is the units of the file."""
        return core_schema.with_info_plain_validator_function(self._validate)

    def _validate(self, value: object, info: "core_schema.ValidationInfo[Units]") -> T:
        units: Units = info.context or Units.US
        context: dict[str, object]
        try:
            return self._read_secret(value, units) if self.secret else self.read(value, units)
        except SecretUnavailable as error:
            context = {"allowed": error.allowed, "fix": None, "given": error.given, "way_out": error.fix}
            raise PydanticCustomError("not_allowed", "not allowed", context) from None
        except (ValueError, OverflowError) as error:
            context = {"allowed": self.allowed(units), "fix": self.nearest(value, units), "secret": self.secret}
            raise PydanticCustomError("not_allowed", "not allowed", context) from error

    def _read_secret(self, value: object, units: Units) -> T:
        """Return a secret, or the reference to it where only the service can read it."""
        secret = resolve(value)
        return cast(T, secret) if is_reference(secret) else self.read(secret, units)


@dataclass(frozen=True)
class OptionUnit:
    """A unit of the settings file: its name and its size in the program's unit."""

    name: str
    factor: float = 1.0


@dataclass(frozen=True)
class Number(Kind[float]):
    """A number with its limits in SI units; the file and the messages about it use the unit of the file."""

    low: float
    high: float
    us: OptionUnit
    metric: OptionUnit | None = None  # None: the same in both

    def _unit_in(self, units: Units) -> OptionUnit:
        return self.metric if self.metric is not None and units is Units.METRIC else self.us

    def limits(self, units: Units) -> tuple[float, float]:
        """Return the limits in the unit of the file, rounded as messages show them; these are the ones that hold."""
        factor = self._unit_in(units).factor
        return round_significant(self.low / factor), round_significant(self.high / factor)

    def allowed(self, units: Units) -> str:
        """Return the limits with their unit."""
        low, high = self.limits(units)
        return f"a number from {low:g} to {high:g} {self.unit(units)}".rstrip()

    def read(self, value: object, units: Units) -> float:
        """Return the number in SI units."""
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError
        low, high = self.limits(units)
        if not low <= value <= high:  # not-a-number fails here too
            raise ValueError
        return float(value) * self._unit_in(units).factor

    def write(self, value: float, units: Units) -> str:
        """Return the number in the unit of the file, with four significant digits, six for degrees of a place."""
        digits = 6 if self.us.name == "degrees" else 4
        return f"{round_significant(value / self._unit_in(units).factor, digits):g}"

    def unit(self, units: Units) -> str:
        """Return the unit's name."""
        return self._unit_in(units).name

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the number that is meant, but never a limit for one beyond it: nobody meant that, and it may harm."""
        number = parse_number(value)
        low, high = self.limits(units)
        if number is None or not low <= number <= high:
            return None
        return f"{number:g}"


@dataclass(frozen=True)
class WholeNumber(Kind[int]):
    """A whole number within limits."""

    low: int
    high: int

    def allowed(self, units: Units) -> str:
        """Return the limits."""
        return f"a whole number from {self.low} to {self.high}"

    def read(self, value: object, units: Units) -> int:
        """Return the number; true and false, which Python counts as 1 and 0, are no numbers here."""
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError
        if not self.low <= value <= self.high:
            raise ValueError
        return value

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the number that is meant, but never a limit for one beyond it."""
        number = parse_number(value)
        if number is None or not self.low <= number <= self.high:
            return None
        return str(round(number))


@dataclass(frozen=True)
class Choice(Kind[T]):
    """One of a few words, whatever their case."""

    words: Mapping[str, T]

    def allowed(self, units: Units) -> str:
        """Return the words."""
        return "one of " + ", ".join(toml_literal(word) for word in self.words)

    def read(self, value: object, units: Units) -> T:
        """Return the value that the word stands for."""
        if not isinstance(value, str):
            raise ValueError
        folded = {word.casefold(): meaning for word, meaning in self.words.items()}
        word = value.strip().casefold()
        if word not in folded:
            raise ValueError
        return folded[word]

    def write(self, value: T, units: Units) -> str:
        """Return the word that stands for a value."""
        for word, meaning in self.words.items():
            if meaning == value:
                return toml_literal(word)
        return toml_literal(str(value))

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the word most like the value."""
        word = nearest_word(str(value), list(self.words))
        return None if word is None else toml_literal(word)


@dataclass(frozen=True)
class Text(Kind[str]):
    """Text on one line; control characters would break messages and web headers."""

    max_length: int = 80
    pattern: str = ""
    meaning: str = ""
    secret: bool = False

    def allowed(self, units: Units) -> str:
        """Return what the text must look like."""
        return self.meaning or f"text in quotes, one line of 1 to {self.max_length} characters"

    def read(self, value: object, units: Units) -> str:
        """Return the text without spaces at its ends."""
        if not isinstance(value, str):
            raise ValueError
        text = value.strip()
        if not text.isprintable() or not 0 < len(text) <= self.max_length or not re.search(self.pattern, text):
            raise ValueError
        return text

    def nearest(self, value: object, units: Units) -> str | None:
        """Return a number or a date in quotes, where only the quotes are missing."""
        if self.pattern or isinstance(value, bool) or not isinstance(value, int | float | date):
            return None
        return toml_literal(str(value))


@dataclass(frozen=True)
class FreeText(Kind[str]):
    """Free text, empty or of several lines."""

    max_length: int = 2000

    def allowed(self, units: Units) -> str:
        """Return the greatest length allowed."""
        return f"text in quotes of at most {self.max_length} characters"

    def read(self, value: object, units: Units) -> str:
        """Return the text."""
        if not isinstance(value, str) or len(value) > self.max_length:
            raise ValueError
        return value.strip()


@dataclass(frozen=True)
class TimeOfDay(Kind[time]):
    """A time of day on the farm's clock, as 07:00:00 or "07:00"."""

    low: time = time(0, 0)
    high: time = time(23, 59)

    def allowed(self, units: Units) -> str:
        """Return the limits."""
        return f'a time from "{self.low:%H:%M}" to "{self.high:%H:%M}"'

    def read(self, value: object, units: Units) -> time:
        """Return the time, to the minute."""
        clock = time.fromisoformat(value.strip()) if isinstance(value, str) else value
        if not isinstance(clock, time) or clock.tzinfo is not None:
            raise ValueError
        clock = clock.replace(second=0, microsecond=0)
        if not self.low <= clock <= self.high:
            raise ValueError
        return clock

    def nearest(self, value: object, units: Units) -> str | None:
        """Return a time that is written in another way, such as 7 or "7:30 pm", but never a limit."""
        clock = None if isinstance(value, float) else _likely_time(str(value))
        if clock is None or not self.low <= clock <= self.high:
            return None
        return toml_literal(clock)


def _likely_time(text: str) -> time | None:
    """Return the time of day that is meant by a text such as "7", "19h30" or "7:30 pm", None if there is none."""
    match = re.fullmatch(r"\s*(\d{1,2})(?:[:.h](\d{1,2}))?(?::\d\d)?\s*(am|pm)?\s*", text.lower())
    if match is None:
        return None
    hour, minute = int(match[1]), int(match[2] or 0)
    if match[3] is not None:
        hour %= 12
        hour += 12 if match[3] == "pm" else 0
    return time(hour, minute) if hour <= 23 and minute <= 59 else None


@dataclass(frozen=True)
class Day(Kind[date]):
    """A calendar day."""

    def allowed(self, units: Units) -> str:
        """Return how a day is written."""
        return "a day such as 2026-05-20, from 1900 to 2099"

    def read(self, value: object, units: Units) -> date:
        """Return the day; a day with a time of day is refused."""
        day = date.fromisoformat(value.strip()) if isinstance(value, str) else value
        if not isinstance(day, date) or isinstance(day, datetime) or not _is_likely_year(day):
            raise ValueError
        return day

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the day without its time of day, or the day that is written as people write it."""
        day = None
        if isinstance(value, datetime):
            day = value.date()
        elif isinstance(value, str):
            day = parse_date(value.strip(), month_first=units is Units.US)
        return day.isoformat() if day is not None and _is_likely_year(day) else None


def _is_likely_year(day: date) -> bool:
    return 1900 <= day.year <= 2099


@dataclass(frozen=True)
class Flag(Kind[bool]):
    """True or false."""

    def allowed(self, units: Units) -> str:
        """Return both words."""
        return "true or false"

    def read(self, value: object, units: Units) -> bool:
        """Return the flag; a number is none."""
        if not isinstance(value, bool):
            raise ValueError
        return value

    def nearest(self, value: object, units: Units) -> str | None:
        """Return what yes, no, 1, 0 and the like stand for."""
        word = str(value).strip().casefold()
        if word in ("yes", "true", "1", "on"):
            return "true"
        if word in ("no", "false", "0", "off"):
            return "false"
        return None

"""Parses the arguments of `forenoon note`: times on the farm's clock, areas and heights in its units, and looks."""

import math
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from daemon.domain.farm import Field, Units
from daemon.domain.units import DAY, HECTARES_PER_ACRE, METRES_PER_INCH
from daemon.words.numbers import field_size_text, height_text
from models.firmness import Firmness
from models.looks import LOOK_STAGES, ordered_stages
from models.species import Species

MAX_AGE: Final = timedelta(days=365)  # an older day is a typing mistake
# [%] a crop cannot be drier or wetter
MIN_PERCENT: Final = 5.0
MAX_PERCENT: Final = 95.0
# [%] dry hay is hardly drier and a crop just cut hardly wetter, so that a number beyond is a likely typing mistake
LIKELY_PERCENT: Final = (15.0, 85.0)
MIN_AREA: Final = 0.01  # [acre or ha] less is no part of a field
MIN_HEIGHT: Final = 0.02  # [m] of the stems of a stand
MAX_HEIGHT: Final = 2.5  # [m]
_SLACK: Final = 1e-9  # for rounding, where the area of a whole field is converted from acres to hectares


class UsageError(Exception):
    """An argument has no meaning here; the text says what was given and what is allowed."""


class ImplausibleMoisture(UsageError):
    """A moisture is possible but likely a typing mistake, so that it must be confirmed.

    Parameters
    ----------
    percent : float
        [%]
    """

    def __init__(self, percent: float) -> None:
        self.percent, self.is_dry = percent, percent < LIKELY_PERCENT[0]
        doubt = "drier than hay that keeps" if self.is_dry else "wetter than a crop just cut"
        super().__init__(f"note: {percent:g}% is {doubt}, so nothing was noted; if it is right, add --sure")


def parse_time(
    at: str | None, on: str | None, zone: ZoneInfo, now: datetime, *, whole_day: bool
) -> tuple[datetime, bool]:
    """Return the time in UTC at which a note is true, and whether its hour was given.

    Parameters
    ----------
    at : str, optional
        "14:30" on the farm's clock, or an ISO time; one without an offset is on the farm's clock.
    on : str, optional
        The day: ISO, "today" or "yesterday".
    zone : ZoneInfo
        The farm's time zone.
    now : datetime
        The time.
    whole_day : bool
        Whether neither hour nor day means today without an hour, and not now.

    Raises
    ------
    UsageError
        If the words are no time, or one in the future or more than a year ago.

    Examples
    --------
    >>> noon = datetime(2026, 6, 1, 16, tzinfo=UTC)
    >>> parse_time("8:30", "yesterday", ZoneInfo("America/New_York"), noon, whole_day=True)
    (datetime.datetime(2026, 5, 31, 12, 30, tzinfo=datetime.timezone.utc), True)
    """
    today = now.astimezone(zone).date()
    day = None if on is None else _parse_day(on, today)
    if at is None and on is None and not whole_day:
        return now.astimezone(UTC), True
    given = " ".join(word for word in (on, at) if word)
    try:
        moment = _moment_in_utc(at, day, today, zone)
    except OverflowError:
        raise UsageError(f"note: given {given}, which is no time that a clock can show") from None
    if day is not None and day > today:
        raise UsageError(f"note: given {on}, which is still ahead; give today, yesterday or an earlier day")
    if moment > now:
        raise UsageError(
            f"note: given {given}, allowed no time ahead; for an earlier day write that too, such as 2026-06-01T14:30"
        )
    if now - moment > MAX_AGE:
        raise UsageError(f"note: given {given}, allowed nothing older than a year")
    return moment, at is not None


def _moment_in_utc(at: str | None, day: date | None, today: date, zone: ZoneInfo) -> datetime:
    """Return a time on a day, the beginning of the day if no time is given; without a day it is today."""
    local = datetime.combine(day or today, time(0), zone) if at is None else _parse_at(at, day, today, zone)
    return local.astimezone(UTC)


def parse_moisture(text: str, *, sure: bool = False) -> float:
    """Return a moisture [wet basis, 1] that is given in percent.

    Parameters
    ----------
    text : str
        With a point or a comma, for the keypads of many telephones have only a comma.
    sure : bool
        Whether it is confirmed.

    Raises
    ------
    UsageError
        If it is no moisture of a crop.
    ImplausibleMoisture
        If it is hardly one, and not confirmed.

    Examples
    --------
    >>> parse_moisture("57.5%"), parse_moisture("57,5")
    (0.575, 0.575)
    """
    percent = _parse_number(text.strip().removesuffix("%").replace(",", "."))
    if percent is None or not MIN_PERCENT <= percent <= MAX_PERCENT:
        allowed = f"allowed {MIN_PERCENT:g} to {MAX_PERCENT:g} percent of water{_percent_hint(percent)}"
        raise UsageError(f"note: given {text!r} for the moisture, {allowed}")
    if not sure and not LIKELY_PERCENT[0] <= percent <= LIKELY_PERCENT[1]:
        raise ImplausibleMoisture(percent)
    return percent / 100.0


def _percent_hint(number: float | None) -> str:
    """Return the percentage that may be meant by a share, as 52 percent by 0.52."""
    if number is None or not MIN_PERCENT <= 100.0 * number <= MAX_PERCENT:
        return ""
    return f"; give {100.0 * number:g} if that is meant"


def parse_area(text: str, field: Field, units: Units) -> float:
    """Return an area [ha] of a field that is given in the farm's units."""
    number = _parse_number(text)
    hectares = HECTARES_PER_ACRE if units is Units.US else 1.0
    if number is None or not MIN_AREA * hectares <= number * hectares <= field.area * (1.0 + _SLACK):
        raise UsageError(
            f"note: given {text!r} for the area, allowed {MIN_AREA:g} up to {field_size_text(field.area, units)}, "
            f"the size of {field.name}"
        )
    return min(number * hectares, field.area)


def parse_height(text: str, units: Units) -> float:
    """Return a height [m] that is given in the farm's units.

    >>> parse_height("30", Units.METRIC)
    0.3
    """
    number = _parse_number(text)
    metres = METRES_PER_INCH if units is Units.US else 0.01
    if number is None or not MIN_HEIGHT <= number * metres <= MAX_HEIGHT:
        limits = f"{height_text(MIN_HEIGHT, units)} to {height_text(MAX_HEIGHT, units)}, without the unit"
        raise UsageError(f"note: given {text!r} for the height, allowed {limits}")
    return number * metres


def parse_stage(text: str, field: Field, species: Mapping[str, Species]) -> str:
    """Return a stage as the stage clocks name it, in words or as a code, if the stand of a field goes through it."""
    legumes = sorted({species[name].legume for name in field.stand})
    stages = [stage for legume in legumes for stage in LOOK_STAGES[legume]]
    words = ", ".join(f'"{stage}"' for legume in legumes for stage in ordered_stages(legume=legume))
    codes = " or ".join("Kalu & Fick" if legume else "Moore et al." for legume in legumes)
    allowed = f"for the stage, allowed for the stand of {field.name} {words}, or a code of {codes}"
    return _match_word(text, stages, allowed)


def parse_ground(text: str, units: Units) -> str:
    """Return how firm the ground is, as a word.

    >>> parse_ground("Firm", Units.US)
    'firm'
    """
    soft, ruts = ("half an inch", "an inch") if units is Units.US else ("1 cm", "2 cm")
    marks = f"firm (a heel leaves no mark), soft (one of about {soft}), ruts (one of over {ruts})"
    return _match_word(text, list(Firmness), f"for the ground, allowed {marks}")


def _match_word(text: str, choices: Sequence[str], allowed: str) -> str:
    """Return the choice that a text gives, regardless of case."""
    folded = text.strip().casefold()
    for choice in choices:
        if choice.casefold() == folded:
            return str(choice)
    raise UsageError(f"note: given {text!r} {allowed}")


def _parse_day(text: str, today: date) -> date:
    word = text.casefold()
    if word == "today":
        return today
    if word == "yesterday":
        return today - DAY
    try:
        return date.fromisoformat(text)
    except ValueError:
        allowed = "allowed a day such as 2026-06-01, today or yesterday"
        raise UsageError(f"note: given the day {text!r}, {allowed}") from None


def _parse_at(text: str, day: date | None, today: date, zone: ZoneInfo) -> datetime:
    """Return a time of day on a day, or a whole ISO time; one without an offset is on the farm's clock."""
    clock = _parse_clock_time(text)
    if clock is not None:
        return datetime.combine(day or today, clock, zone)
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"note: given the time {text!r}, allowed 14:30 or 2026-06-01T14:30") from None
    if day is not None:
        raise UsageError(f"note: given the day twice, in {text!r} too; allowed once")
    return moment.replace(tzinfo=zone) if moment.utcoffset() is None else moment


def _parse_clock_time(text: str) -> time | None:
    """Return a time of day such as 8:30, None if the text is something else."""
    match = re.fullmatch(r"(\d{1,2}):(\d\d)", text)
    if match is None:
        return None
    hour, minute = int(match[1]), int(match[2])
    return time(hour, minute) if hour < 24 and minute < 60 else None


def _parse_number(text: str) -> float | None:
    """Return a finite number, None for any other text, also for "5_2", which Python would read as 52."""
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) and "_" not in text else None

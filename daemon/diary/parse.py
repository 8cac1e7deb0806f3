"""What the words of `forenoon note` mean: times on the farm's clock, areas and heights in its units, looks."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from daemon.domain.farm import Field, Units
from daemon.domain.units import HECTARES_PER_ACRE, METRES_PER_INCH
from daemon.words.numbers import field_size_text, height_text
from models.firmness import Firmness
from models.looks import LOOK_STAGES, ordered_stages
from models.species import Species

MAX_AGE: Final = timedelta(days=365)  # what is older is a slip of the pen
MIN_PERCENT: Final = 5.0  # [%] a reading below is no moisture of a crop
MAX_PERCENT: Final = 95.0  # [%] nor is one above
LIKELY_PERCENT: Final = (
    15.0,
    85.0,
)  # [%] hay that keeps is hardly drier, no crop just cut wetter: else a finger slipped
MIN_AREA: Final = 0.01  # [acre or ha] less is no part of a field
MIN_HEIGHT: Final = 0.02  # [m] of the stems of a stand
MAX_HEIGHT: Final = 2.5  # [m]
_SLACK: Final = 1e-9  # a whole field in acres, turned into hectares


class UsageError(Exception):
    """A word that means nothing here; the text says what was given and what is allowed."""


class ImplausibleMoisture(UsageError):
    """A number that can be and yet is more likely a slip: it is taken once it was said twice.

    Parameters
    ----------
    percent : float
        [%]
    """

    def __init__(self, percent: float) -> None:
        self.percent, self.is_dry = percent, percent < LIKELY_PERCENT[0]
        what = "drier than hay that keeps" if self.is_dry else "wetter than a crop just cut"
        super().__init__(f"note: {percent:g}% is {what}, so nothing was noted; if it is right, add --sure")


def parse_time(
    at: str | None, on: str | None, zone: ZoneInfo, now: datetime, *, whole_day: bool
) -> tuple[datetime, bool]:
    """Return the moment in UTC that a note is true for, and whether its hour was told.

    Parameters
    ----------
    at : str, optional
        "14:30" on the farm's clock, or an ISO time; one without an offset is on the farm's clock.
    on : str, optional
        The day: ISO, "today" or "yesterday".
    zone : ZoneInfo
        Of the farm.
    now : datetime
        The time.
    whole_day : bool
        Whether nothing told means today without an hour, and not now.

    Raises
    ------
    WrongUsage
        If it means nothing, lies ahead or is older than a year.

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
    words = " ".join(word for word in (on, at) if word)
    try:
        told = datetime.combine(day or today, time(0), zone) if at is None else _parse_at(at, day, today, zone)
        moment = told.astimezone(UTC)
    except OverflowError:
        raise UsageError(f"note: given {words}, which is no time that a clock can show") from None
    if day is not None and day > today:
        raise UsageError(f"note: given {on}, which is still ahead; give today, yesterday or an earlier day")
    if moment > now:
        raise UsageError(
            f"note: given {words}, allowed no time ahead; for an earlier day write that too, such as 2026-06-01T14:30"
        )
    if now - moment > MAX_AGE:
        raise UsageError(f"note: given {words}, allowed nothing older than a year")
    return moment, at is not None


def parse_moisture(text: str, *, sure: bool = False) -> float:
    """Return a moisture [wet basis, 1] given in percent; the keys of many telephones have a comma and no point.

    Parameters
    ----------
    text : str
    sure : bool
        Whether it was said twice.

    Raises
    ------
    WrongUsage
        If it is no moisture of a crop.
    Unlikely
        If it is hardly one, and was said only once.

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
    """Return the percentage that may be meant where a share is given, as 0.52 for 52 percent."""
    is_share = number is not None and MIN_PERCENT <= 100.0 * number <= MAX_PERCENT
    return f"; give {100.0 * number:g} if that is meant" if number and is_share else ""


def parse_area(text: str, field: Field, units: Units) -> float:
    """Return an area [ha] of a field, given in the farm's units."""
    number = _parse_number(text)
    unit = HECTARES_PER_ACRE if units is Units.US else 1.0
    if number is None or not MIN_AREA * unit <= number * unit <= field.area * (1.0 + _SLACK):
        raise UsageError(
            f"note: given {text!r} for the area, allowed {MIN_AREA:g} up to {field_size_text(field.area, units)}, "
            f"the size of {field.name}"
        )
    return min(number * unit, field.area)


def parse_height(text: str, units: Units) -> float:
    """Return a height [m] given in the farm's units.

    >>> parse_height("30", Units.METRIC)
    0.3
    """
    number = _parse_number(text)
    metres = None if number is None else number * (METRES_PER_INCH if units is Units.US else 0.01)
    if metres is None or not MIN_HEIGHT <= metres <= MAX_HEIGHT:
        limits = f"{height_text(MIN_HEIGHT, units)} to {height_text(MAX_HEIGHT, units)}, without the unit"
        raise UsageError(f"note: given {text!r} for the height, allowed {limits}")
    return metres


def parse_stage(text: str, field: Field, species: Mapping[str, Species]) -> str:
    """Return a stage in the word or code of the stage clocks, if the stand of a field goes through it."""
    kinds = sorted({species[name].legume for name in field.stand})
    known = [said for legume in kinds for said in LOOK_STAGES[legume]]
    words = ", ".join(f'"{said}"' for legume in kinds for said in ordered_stages(legume=legume))
    codes = " or ".join("Kalu & Fick" if legume else "Moore et al." for legume in kinds)
    return _match_word(
        text, known, f"for the stage, allowed for the stand of {field.name} {words}, or a code of {codes}"
    )


def parse_ground(text: str, units: Units) -> str:
    """Return how firm the ground is.

    >>> parse_ground("Firm", Units.US)
    'firm'
    """
    soft, ruts = ("half an inch", "an inch") if units is Units.US else ("1 cm", "2 cm")
    marks = f"firm (a heel leaves no mark), soft (one of about {soft}), ruts (one of over {ruts})"
    return _match_word(text, list(Firmness), f"for the ground, allowed {marks}")


def _match_word(text: str, choices: Sequence[str], allowed: str) -> str:
    """Return the known word that is given, in whatever case."""
    found = next((word for word in choices if word.casefold() == text.strip().casefold()), None)
    if found is None:
        raise UsageError(f"note: given {text!r} {allowed}")
    return str(found)


def _parse_day(text: str, today: date) -> date:
    word = text.casefold()
    if word in ("today", "yesterday"):
        return today - timedelta(days=word == "yesterday")
    try:
        return date.fromisoformat(text)
    except ValueError:
        allowed = "allowed a day such as 2026-06-01, today or yesterday"
        raise UsageError(f"note: given the day {text!r}, {allowed}") from None


def _parse_at(text: str, day: date | None, today: date, zone: ZoneInfo) -> datetime:
    """Return the moment of a clock time on a day, or of a whole ISO time."""
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
    """Return a time of day such as 8:30, None where it is written otherwise."""
    hour, colon, minute = text.partition(":")
    digits = hour.isdecimal() and len(hour) <= 2 and minute.isdecimal() and len(minute) == 2
    return time(int(hour), int(minute)) if colon and digits and int(hour) < 24 and int(minute) < 60 else None


def _parse_number(text: str) -> float | None:
    """Return a finite number, None for anything else; Python itself would read "5_2" as 52."""
    try:
        number = float(text)
    except ValueError:
        return None
    return number if abs(number) < float("inf") and "_" not in text else None

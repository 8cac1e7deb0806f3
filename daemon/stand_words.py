"""How a stand is told of: its stage, what was seen there, how long it is at its best, and a field that was just cut."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from daemon.farm import Farm
from daemon.outlook import Band, FieldProspect, KindToday, Ripeness
from daemon.sentences import said
from daemon.sources import days_left_band
from daemon.told import day_words
from daemon.units import height
from models.coefficients import LEAST_DRY_MATTER

LONG: Final = 60.0  # [d] farther off than this nobody knows when a stand is past its best
LATELY: Final = timedelta(days=7)  # since a cut, after which a light crop is told of as any other
MOST_OF_THE_WAY: Final = 0.5


def ripeness_words(ripeness: Ripeness) -> str:
    """Return where a stand is against the fibre it should be cut at."""
    return said(f"ripeness.{ripeness.name.lower()}")


def stage_of(field: FieldProspect) -> str:
    """Return the stage of a stand, in a mix that of each kind of plant."""
    if len(field.kinds) < 2:
        return field.stage or ""
    return ", ".join(f"{one.kind} {one.stage}" for one in field.kinds)


def looks_followed(farm: Farm, field: FieldProspect) -> Iterator[str]:
    """Yield what was seen last of each kind of plant, and what its clock makes of that."""
    for one in field.kinds:
        if one.look is not None:
            tall = "" if one.look.height is None else f"{height(one.look.height, farm.units)} tall"
            seen = ", ".join(filter(None, (one.look.stage, tall)))
            clock = "the clock" if len(field.kinds) == 1 else f"the clock of the {one.kind}"
            yield f"{seen} seen on {day_words(one.look.on)}; {clock} {_followed(one)} {one.clock:.0f}"


def _followed(one: KindToday) -> str:
    if one.share is None:
        return "is only limited by that and reads"
    way = "most" if one.share >= MOST_OF_THE_WAY else "part"
    return f"takes {way} of the way to what was seen and reads"


def just_cut(field: FieldProspect, today: date) -> str:
    """Return that a field was cut so lately that nothing is to be told of its crop yet, empty where there is."""
    grown = field.dry_matter if field.dry_matter_band is None else field.dry_matter_band.mid
    if field.last_cut is None or today - field.last_cut > LATELY or grown is None or grown >= LEAST_DRY_MATTER:
        return ""
    days = (today - field.last_cut).days
    return {0: "cut today", 1: "cut yesterday"}.get(days, f"cut {days} days ago")


def days_left_row(field: FieldProspect) -> str:
    """Return the days until a stand is past its best, as three points or in words where they are many."""
    if field.days_left is None:
        return ""
    if field.days_left <= -LONG:
        return "past its best for more than two months"
    if field.days_left > LONG:
        return "more than two months until past its best"
    band = days_left_band(field)
    points = (field.days_left,) if band is None else (band.low, band.mid, band.high)
    return f"days until past its best {', '.join(format(end, 'z.0f') for end in points)}"


def days_left_sentence(field: FieldProspect) -> str:
    """Return how long a stand is at its best, and how sure that is."""
    if field.days_left is None:
        return ""
    if abs(field.days_left) > LONG or field.days_left == -LONG:
        past = field.days_left < 0.0
        return "Past its best for more than two months." if past else "More than two months until it is past its best."
    count = _days(abs(field.days_left))
    count = count if count.startswith("less") else f"about {count}"
    likely = _likely(days_left_band(field))
    if field.days_left < 0.0:
        return f"Past its best for {count}{likely}."
    return f"{count[0].upper()}{count[1:]} left before it is past its best{likely}."


def _likely(band: Band | None) -> str:
    """Return the range of the days left, counted on the side on which they are."""
    if band is None or round(band.low) == round(band.high):
        return ""
    low, high = round(band.low), round(band.high)
    if low < 0 < high:
        return f"; it may be {_days(-low)} past it or have {_days(high)} to go"
    ends = sorted((abs(low), abs(high)))
    return f", likely {ends[0]} to {ends[1]}"


def _days(count: float) -> str:
    whole = int(count)
    return "less than a day" if whole == 0 else f"{whole} day{'' if whole == 1 else 's'}"

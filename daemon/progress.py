"""How the season goes: what of this crop is cut and what is left, the days that takes and those the forecast brings."""

from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median
from typing import Final

from daemon.farm import Farm
from daemon.outlook import FieldDay, FieldProspect, Prospect, Ripeness
from daemon.sentences import counted, joined, said
from daemon.units import area, named_day

A_CROP: Final = timedelta(days=20)  # from the first field of a crop to one that is of the next at the soonest
NAMED: Final = 3  # good days that are named


@dataclass(frozen=True)
class Progress:
    """What of a crop lies behind the mower and what ahead.

    `cut` [ha] is what has been mown since the field that stands longest was, `ripe` and `growing` are uncut, the first
    of fields that are ripe or past it. `needed` are the good days that the ripe area takes, None where no day of the
    forecast tells how much a day can take; `good` are the days of the `ahead` days of the forecast that have the odds
    needed.
    """

    cut: float
    ripe: float
    growing: float
    needed: float | None
    good: tuple[date, ...]
    ahead: int


def progress(farm: Farm, prospect: Prospect) -> Progress:
    """Return how the season goes.

    Notes
    -----
    A day can take what is the middle of the largest areas at the odds needed, over the fields and days that have one.
    A field is cut of this crop if it was mown more than 20 days after the one that stands longest, an estimate. Fields
    that cannot be reckoned are left out.
    """
    known = [field for field in prospect.fields if field.ripeness is not None]
    ripe = [field for field in known if field.ripeness is not Ripeness.GROWING]
    by_day = _by_day(prospect)
    takes = {day: sum(one.area for one in days) for day, days in by_day.items()}
    good = tuple(day for day, taken in takes.items() if taken > 0.0)
    left = sum(map(_standing, ripe))
    return Progress(
        cut=_cut(known),
        ripe=left,
        growing=sum(map(_standing, (one for one in known if one not in ripe and not _mown(one, known)))),
        needed=left / median(takes[day] for day in good) if good else None,
        good=good,
        ahead=len(by_day),
    )


def progress_words(farm: Farm, found: Progress) -> str:
    """Return the progress in one or two sentences, empty where nothing is ripe or no day ahead is known."""
    if found.ripe <= 0.0 or found.ahead == 0:
        return ""
    much, days = area(found.ripe, farm.units), _good_days(found)
    if found.needed is None:
        told = said("progress.ripe", area=much, days=days)
    else:
        work = counted("progress.good_days", max(round(found.needed), 1))
        told = said("progress.ripe_work", area=much, work=work, days=days)
    return " ".join([told, *([said("progress.cut", area=area(found.cut, farm.units))] if found.cut > 0.0 else [])])


def _good_days(found: Progress) -> str:
    """Return which days of the forecast have the odds needed."""
    if found.ahead == 1:
        return said("progress.today_good" if found.good else "progress.today_not")
    if not found.good:
        return said("progress.none", ahead=found.ahead)
    names = joined(map(named_day, found.good[:NAMED]))
    names = said("progress.and_more", days=names) if len(found.good) > NAMED else names
    return counted("progress.some", len(found.good), ahead=found.ahead, days=names)


def _cut(fields: list[FieldProspect]) -> float:
    """Return the area [ha] of this crop that is cut, fields cut in part with their part."""
    whole = sum(field.area for field in fields if _mown(field, fields))
    return whole + sum(field.area - _standing(field) for field in fields if not _mown(field, fields))


def _mown(field: FieldProspect, fields: list[FieldProspect]) -> bool:
    """Return whether a field was mown in this crop already."""
    if field.last_cut is None:
        return False
    first = min((one.last_cut for one in fields if one.last_cut is not None), default=field.last_cut)
    return any(one.last_cut is None for one in fields) or field.last_cut - first > A_CROP


def _standing(field: FieldProspect) -> float:
    return field.area if field.standing is None else field.standing


def _by_day(prospect: Prospect) -> dict[date, list[FieldDay]]:
    """Return the days of all fields, those of a date together, in order."""
    dates = sorted({day.date for field in prospect.fields for day in field.days})
    return {date: [day for field in prospect.fields for day in field.days if day.date == date] for date in dates}

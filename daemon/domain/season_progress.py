"""How the season goes: what of this crop is cut and what is left, the days that takes and those the forecast brings."""

from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median
from typing import Final

from daemon.domain.advice import Morning
from daemon.domain.prospect import FieldDay, FieldProspect, Prospect, Ripeness
from daemon.domain.units import TOLERANCE

NEXT_CROP_AFTER: Final = timedelta(days=20)  # from the first field of a crop to one that is of the next at the soonest


@dataclass(frozen=True)
class Progress:
    """What of a crop lies behind the mower and what ahead.

    `cut_area` [ha] is what has been mown since the field that stands longest was, `ripe_area` and `growing_area` are
    uncut, the first of fields that are ripe or past it. `days_needed` are the good days that the ripe area takes, None
    where no day of the forecast tells how much a day can take; `good_days` are the days of the `days_ahead` days of the
    forecast that have the odds needed.
    """

    cut_area: float
    ripe_area: float
    growing_area: float
    days_needed: float | None
    good_days: tuple[date, ...]
    days_ahead: int


def crop_progress(morning: Morning) -> Progress:
    """Return how the season goes.

    Notes
    -----
    A day takes the sum of the areas that have the odds needed; the middle of the good days counts. A day on which all
    that stands of these fields could be mown says only that it takes that much, so it does not count unless it takes
    all that is ripe. Today is good if something is to be mown. A field is cut of this crop if it was mown more than 20
    days after the one that stands longest, an estimate. Fields that cannot be reckoned are left out.
    """
    prospect = morning.prospect
    known = [field for field in prospect.fields if field.ripeness is not None]
    ripe = [field for field in known if field.ripeness is not Ripeness.GROWING]
    by_day = _days_by_date(prospect)
    takes = {day: sum(one.area for _, one in days) for day, days in by_day.items()}
    good = tuple(day for day, taken in takes.items() if taken > 0.0 and (day != morning.date or morning.mows))
    left = sum(map(_standing_area, ripe))
    told = [takes[day] for day in good if takes[day] >= left - TOLERANCE or _is_full(by_day[day])]
    return Progress(
        cut_area=_cut_area(known),
        ripe_area=left,
        growing_area=sum(map(_standing_area, (one for one in known if one not in ripe and not _is_mown(one, known)))),
        days_needed=left / median(told) if told else None,
        good_days=good,
        days_ahead=len(by_day),
    )


def _cut_area(fields: list[FieldProspect]) -> float:
    """Return the area [ha] of this crop that is cut, fields cut in part with their part."""
    whole = sum(field.area for field in fields if _is_mown(field, fields))
    return whole + sum(field.area - _standing_area(field) for field in fields if not _is_mown(field, fields))


def _is_mown(field: FieldProspect, fields: list[FieldProspect]) -> bool:
    """Return whether a field was mown in this crop already."""
    if field.last_cut is None:
        return False
    first = min((one.last_cut for one in fields if one.last_cut is not None), default=field.last_cut)
    return any(one.last_cut is None for one in fields) or field.last_cut - first > NEXT_CROP_AFTER


def _standing_area(field: FieldProspect) -> float:
    return field.area if field.standing is None else field.standing


def _is_full(days: list[tuple[FieldProspect, FieldDay]]) -> bool:
    """Return whether a day leaves something standing of a field that it has the odds for."""
    return any(0.0 < day.area < _standing_area(field) - TOLERANCE for field, day in days)


def _days_by_date(prospect: Prospect) -> dict[date, list[tuple[FieldProspect, FieldDay]]]:
    """Return the days of all fields, those of a date together, in order."""
    days = [(field, day) for field in prospect.fields for day in field.days]
    dates = sorted({day.date for _, day in days})
    return {date: [(field, day) for field, day in days if day.date == date] for date in dates}

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
    reckoned = [field for field in morning.prospect.fields if field.stand is not None]
    ripe = [field for field in reckoned if field.stand and field.stand.ripeness is not Ripeness.GROWING]
    growing = [field for field in reckoned if field not in ripe and not _is_mown(field, reckoned)]
    days_by_date = _days_by_date(morning.prospect)
    area_by_date = {day: sum(field_day.area for _, field_day in days) for day, days in days_by_date.items()}
    good_days = tuple(day for day, area in area_by_date.items() if area > 0.0 and _is_open(day, morning))
    ripe_area = sum(map(_standing_area, ripe))
    full_areas = [
        area_by_date[day]
        for day in good_days
        if area_by_date[day] >= ripe_area - TOLERANCE or _is_full(days_by_date[day])
    ]
    return Progress(
        cut_area=_cut_area(reckoned),
        ripe_area=ripe_area,
        growing_area=sum(map(_standing_area, growing)),
        days_needed=ripe_area / median(full_areas) if full_areas else None,
        good_days=good_days,
        days_ahead=len(days_by_date),
    )


def _is_open(day: date, morning: Morning) -> bool:
    """Return whether a day may still be worked: today only if something is to be mown."""
    return day != morning.date or bool(morning.mows)


def _cut_area(fields: list[FieldProspect]) -> float:
    """Return the area [ha] of this crop that is cut, fields cut in part with their part."""
    return sum(field.area if _is_mown(field, fields) else field.area - _standing_area(field) for field in fields)


def _is_mown(field: FieldProspect, fields: list[FieldProspect]) -> bool:
    """Return whether a field was mown in this crop already."""
    if field.last_cut is None:
        return False
    if any(other.last_cut is None for other in fields):
        return True
    first_cut = min(other.last_cut for other in fields if other.last_cut is not None)
    return field.last_cut - first_cut > NEXT_CROP_AFTER


def _standing_area(field: FieldProspect) -> float:
    return field.area if field.standing is None else field.standing


def _is_full(days: list[tuple[FieldProspect, FieldDay]]) -> bool:
    """Return whether a day leaves something standing of a field that it has the odds for."""
    return any(0.0 < day.area < _standing_area(field) - TOLERANCE for field, day in days)


def _days_by_date(prospect: Prospect) -> dict[date, list[tuple[FieldProspect, FieldDay]]]:
    """Return the days of all fields, those of a date together, in order."""
    by_date: dict[date, list[tuple[FieldProspect, FieldDay]]] = {}
    for field in prospect.fields:
        for day in field.days:
            by_date.setdefault(day.date, []).append((field, day))
    return dict(sorted(by_date.items()))

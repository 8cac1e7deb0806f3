"""The fields that are mown today, as they stand by now: one area, one odds and one count of bales for each."""

import math
from dataclasses import replace
from typing import Final

from daemon.domain.advice import Advice, Morning, WatchedField, WatchState
from daemon.domain.prospect import FieldDay, FieldProspect, WorkHours
from daemon.domain.units import DAY, TOLERANCE, odds_tenths

LYING_FOR: Final = 3 * DAY  # after its day a cut that nobody noted as wrapped is held to lie
WHOLE_FIELD_SHARE: Final = 0.99  # of a field's area, from which it is told as cut


def fields_under_way(morning: Morning) -> dict[str, WatchedField]:
    """Return how the fields stand that are mown or held for mown, by their names; not those that are done."""
    return {one.field: one for one in morning.watched if one.state is not WatchState.DONE}


def fields_cut_today(morning: Morning) -> tuple[WatchedField, ...]:
    """Return the fields that are noted as cut today, while there is work left in them."""
    return tuple(one for one in fields_under_way(morning).values() if one.noted)


def still_to_mow(morning: Morning) -> tuple[Advice, ...]:
    """Return the fields that are to be mown and not noted as cut, with the area, the hours and the odds of now."""
    stands = fields_under_way(morning)
    found = ((advice, stands.get(advice.field)) for advice in morning.mows)
    return tuple(
        advice if one is None or advice.day is None else replace(advice, area=one.area, day=update_day(advice.day, one))
        for advice, one in found
        if one is None or not one.noted
    )


def update_day(day: FieldDay, watched: WatchedField) -> FieldDay:
    """Return a day of work as it stands by now; odds of smaller areas and of a later start go with older odds."""
    same = watched.odds is None or day.odds is None or odds_tenths(watched.odds) == odds_tenths(day.odds)
    return replace(
        day,
        area=watched.area,
        odds=day.odds if watched.odds is None else watched.odds,
        curve=day.curve if same else (),
        plan=None if day.plan is None else _update_plan(day, day.plan, watched, hour_later=same),
    )


def _update_plan(day: FieldDay, plan: WorkHours, watched: WatchedField, *, hour_later: bool) -> WorkHours:
    """Return the work of a day with the hours of now, and with what an hour costs where that is still true."""
    bales = bales_for_area(day, watched.area)
    return replace(
        plan,
        start=watched.start,
        rake_from=watched.rake_from or plan.rake_from,
        bale_from=watched.bale_from or plan.bale_from,
        wrapped_by=watched.wrapped_by or plan.wrapped_by,
        bales=plan.bales if bales is None else bales,
        hour_later=plan.hour_later if hour_later else None,
    )


def bales_for_area(day: FieldDay | None, area: float) -> int | None:
    """Return the bales of an area [ha] of a field by those of its day, None where that has none."""
    if day is None or day.plan is None or day.area <= 0.0:
        return None
    return math.ceil(day.plan.bales * area / day.area - TOLERANCE)


def is_fully_cut(morning: Morning, watched: WatchedField) -> bool:
    """Return whether what is cut of a field is all of it."""
    size = next((field.area for field in morning.prospect.fields if field.name == watched.field), watched.area)
    return watched.area >= WHOLE_FIELD_SHARE * size


def field_for_pictures(morning: Morning, field: FieldProspect) -> FieldProspect:
    """Return a field as its pictures show it: with the hours of now, and without a picture of another work today."""
    stands, shown = fields_under_way(morning).get(field.name), field.drying_picture
    if stands is None or shown is None or shown.date != morning.date:
        return field
    if stands.noted or stands.start != shown.mown:
        return replace(field, drying_picture=None)
    days = (update_day(day, stands) if day.date == shown.date and day.area > 0.0 else day for day in field.days)
    return replace(field, days=tuple(days))


def first_pictured_field(morning: Morning) -> FieldProspect | None:
    """Return the field that is mown first, if there is a picture of its drying today."""
    name = next((advice.field for advice in still_to_mow(morning)), None)
    field = next((one for one in morning.prospect.fields if one.name == name), None)
    drawn = None if field is None else field_for_pictures(morning, field)
    return drawn if drawn and drawn.drying_picture and drawn.drying_picture.date == morning.date else None

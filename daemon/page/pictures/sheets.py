"""What is drawn of a field, in the farm's units and words."""

import math
from datetime import date, datetime
from typing import Final

from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Units
from daemon.domain.prospect import Band, DryingPicture, FieldProspect, picture_day, ripe_fibre_range
from daemon.domain.units import HOUR
from daemon.page.pictures.draw import DryingSheet, GrowthSheet, Points, Tick
from daemon.words.catalog import phrase
from daemon.words.numbers import day_text, time_text

TICK_HOURS: Final = 3  # ticks
MAX_NAMED_DAYS: Final = 3  # that are named below a picture of days


def drying_sheet(farm: Farm, field: FieldProspect) -> DryingSheet | None:
    """Return what is drawn of a field's drying, None where nothing is known of it."""
    shown, day = field.drying_picture, picture_day(field)
    if shown is None:
        return None
    plan = None if day is None else day.plan
    low, high = (100.0 * end for end in (farm.baleage.driest, farm.baleage.wettest))
    return DryingSheet(
        water=[None if one is None else _points(one, 100.0) for one in shown.water],
        rain=shown.rain,
        sun=shown.sun,
        ticks=_hour_ticks(farm, shown),
        mown=_axis_hour(shown, shown.mown),
        cut_with=None if shown.water_at_mowing is None else _points(shown.water_at_mowing, 100.0),
        fit=(low, high),
        raking=None if plan is None else _axis_hour(shown, plan.rake_from),
        baling=None if plan is None else (_axis_hour(shown, plan.bale_from), _axis_hour(shown, plan.wrapped_by)),
        words={
            **{name: phrase(f"drawn.{name}") for name in ("water", "rain", "half", "sun", "mow", "rake", "bale")},
            "fit": phrase("picture.fit", low=f"{low:.0f}", high=f"{high:.0f}"),
        },
    )


def growth_sheet(field: FieldProspect, today: date) -> GrowthSheet | None:
    """Return what is drawn of a field's coming days, None where nothing is known of them."""
    days = [day for day in field.days if day.date >= today]
    if len(days) < 2 or field.stand is None:
        return None
    ahead = [float((day.date - today).days) for day in days]
    apart = math.ceil((ahead[-1] + 1.0) / MAX_NAMED_DAYS)
    return GrowthSheet(
        days=ahead,
        fibre=[_points(day.ndf) for day in days],
        ticks=[(at, day_text(day.date)) for at, day in zip(ahead, days, strict=True) if at % apart == 0],
        best=ripe_fibre_range(field.stand.ndf_target),
        good=[at for at, day in zip(ahead, days, strict=True) if day.area > 0.0],
        words={name: phrase(f"drawn.{name}") for name in ("fibre", "best", "good")},
    )


def first_field_to_mow(morning: Morning) -> FieldProspect | None:
    """Return the field that is mown first today, None where none is."""
    name = next((advice.field for advice in morning.mows), None)
    return next((field for field in morning.prospect.fields if field.name == name), None)


def _points(band: Band, times: float = 1.0) -> Points:
    return times * band.low, times * band.mid, times * band.high


def _axis_hour(picture: DryingPicture, at: datetime) -> float:
    """Return how many hours after the left edge a moment stands."""
    return (at - picture.begins) / HOUR


def _hour_ticks(farm: Farm, picture: DryingPicture) -> list[Tick]:
    moments = [(float(hour), picture.begins + hour * HOUR) for hour in range(1, len(picture.water))]
    return [(at, _hour_text(moment, farm.units)) for at, moment in moments if moment.hour % TICK_HOURS == 0]


def _hour_text(at: datetime, units: Units) -> str:
    """Return an hour as short as there is room for."""
    if units is Units.METRIC:
        return time_text(at, units)
    return phrase("drawn_hours.before_noon" if at.hour < 12 else "drawn_hours.after_noon", hour=at.hour % 12 or 12)

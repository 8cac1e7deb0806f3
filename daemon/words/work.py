"""What is said of a day's work in a field: its odds, its film, what an hour costs and what becomes of what is left."""

import math
from datetime import timedelta
from typing import Final

from daemon.domain.farm import Farm
from daemon.domain.prospect import Chance, FieldDay, IfLeft
from daemon.words.catalog import counted, said
from daemon.words.numbers import area, clock_time, moisture, odds, percents, risk
from models.coefficients import MOST_ODDS

SURER: Final = 0.9  # the second point at which odds are said
DRY_SHARE: Final = 0.2  # of the area too dry for baleage, from which it is said
HOUR: Final = timedelta(hours=1)
CRUMB: Final = 1e-6  # [ha] less than this is rounding


def job(hectares: float, field: str, farm: Farm) -> str:
    """Return how much of which field, as it is named among others."""
    return said("page_today.job", area=area(hectares, farm.units), field=field)


def two_points(day: FieldDay, farm: Farm) -> str:
    """Return the odds of the area advised and, where a smaller one is surer, of that too."""
    sure, surer = odds(day.odds or 0.0), surer_chance(day, farm)
    if surer is None:
        return said("work.wrapped", odds=sure)
    return said("work.wrapped_surer", odds=sure, surer=odds(surer.odds), area=area(surer.area, farm.units))


def least_chance(day: FieldDay, farm: Farm) -> Chance | None:
    """Return the odds of the least that is worth hitching up for, or of the whole of a smaller field."""
    return day.chance_of(farm.work.least_area)


def too_dry(day: FieldDay, farm: Farm) -> str:
    """Return a warning where a good part will be too dry for baleage before the baler comes to it, else nothing."""
    if day.too_dry is None or day.too_dry < DRY_SHARE:
        return ""
    dry = area(day.too_dry * day.area, farm.units)
    return said("work.too_dry", area=dry, driest=moisture(farm.baleage.driest))


def film(day: FieldDay) -> str:
    """Return the film that the bales of a day take."""
    return "" if day.film_rolls is None else counted("work.film", day.film_rolls)


def hour_later(day: FieldDay, farm: Farm) -> str:
    """Return what an hour's delay of the start costs."""
    if day.hour_later is None or day.start is None:
        return ""
    left, time = day.hour_later.area, clock_time(day.start + HOUR, farm.units)
    if left >= day.area - CRUMB:
        return said("work.later_fits", time=time)
    if left < farm.work.least_area - CRUMB:
        return said("work.later_is_late", time=time)
    return said("work.later", time=time, area=area(left, farm.units))


def if_left(day: FieldDay, farm: Farm) -> str:
    """Return what becomes of what is not wrapped in the evening."""
    return "" if day.if_left is None else said("work.if_left", left=left_lying(day.if_left, farm))


def left_lying(left: IfLeft, farm: Farm) -> str:
    """Return the moisture and the rain that lie before what is left for tomorrow."""
    if left.rain >= MOST_ODDS:
        # Where all members have rain there is none that tells how moist it would be without.
        return said("left.rain", risk=risk(left.rain))
    low, high = percents(left.moisture.low, left.moisture.high)
    wet, dry = left.moisture.mid > farm.baleage.wettest, left.moisture.mid < farm.baleage.driest
    key = "left.too_wet" if wet else "left.too_dry" if dry else "left.fit"
    return said(key, low=low, high=high, risk=risk(left.rain))


def surer_chance(day: FieldDay, farm: Farm) -> Chance | None:
    """Return the largest area at nine in ten, or else at the best odds there are; None if those are the day's own.

    What is not worth hitching up for is not offered.
    """
    worth_it = [one for one in day.curve if one.area >= farm.work.least_area - CRUMB]
    best = max((one.odds for one in worth_it), default=0.0)
    level = min(SURER, _tenth_below(best))
    if level <= _tenth_below(day.odds or 0.0):
        return None
    return max((one for one in worth_it if one.odds >= level), key=lambda one: one.area, default=None)


def _tenth_below(chance: float) -> float:
    return math.floor(chance * 10.0 + 1e-9) / 10.0

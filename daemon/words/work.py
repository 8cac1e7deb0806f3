"""What is said of a day's work in a field: its odds, its film, what an hour costs and what becomes of what is left."""

import math
from typing import Final

from daemon.domain.farm import Farm
from daemon.domain.prospect import AreaOdds, FieldDay, LeftOvernight, WorkHours
from daemon.domain.units import HOUR, TOLERANCE
from daemon.words.catalog import phrase, plural
from daemon.words.numbers import area_text, moisture_text, odds_text, risk_text, time_text, whole_percents
from models.coefficients import MAX_ODDS

SURER_ODDS: Final = 0.9  # the second point at which odds are said
TOO_DRY_SHARE_TOLD: Final = 0.2  # of the area too dry for baleage, from which it is said


def job_text(hectares: float, field: str, farm: Farm) -> str:
    """Return how much of which field, as it is named among others."""
    return phrase("page_today.job", area=area_text(hectares, farm.units), field=field)


def odds_points_text(day: FieldDay, farm: Farm) -> str:
    """Return the odds of the area advised and, where a smaller one is surer, of that too."""
    sure, surer = odds_text(day.odds or 0.0), surer_area_odds(day, farm)
    if surer is None:
        return phrase("work.wrapped", odds=sure)
    return phrase("work.wrapped_surer", odds=sure, surer=odds_text(surer.odds), area=area_text(surer.area, farm.units))


def least_area_odds(day: FieldDay, farm: Farm) -> AreaOdds | None:
    """Return the odds of the least that is worth hitching up for, or of the whole of a smaller field."""
    return day.odds_for_area(farm.work.least_area)


def too_dry_sentence(day: FieldDay, farm: Farm) -> str:
    """Return a warning where a good part will be too dry for baleage before the baler comes to it, else nothing."""
    if day.plan is None or day.plan.too_dry_share < TOO_DRY_SHARE_TOLD:
        return ""
    dry = area_text(day.plan.too_dry_share * day.area, farm.units)
    return phrase("work.too_dry", area=dry, driest=moisture_text(farm.baleage.driest))


def film_text(plan: WorkHours) -> str:
    """Return the film that the bales of a day take."""
    return plural("work.film", plan.film_rolls)


def hour_later_sentence(day: FieldDay, farm: Farm) -> str:
    """Return what an hour's delay of the start costs."""
    if day.plan is None or day.plan.hour_later is None:
        return ""
    left, time = day.plan.hour_later.area, time_text(day.plan.start + HOUR, farm.units)
    if left >= day.area - TOLERANCE:
        return phrase("work.later_fits", time=time)
    if left < farm.work.least_area - TOLERANCE:
        return phrase("work.later_is_late", time=time)
    return phrase("work.later", time=time, area=area_text(left, farm.units))


def left_overnight_sentence(plan: WorkHours, farm: Farm) -> str:
    """Return what becomes of what is not wrapped in the evening."""
    return "" if plan.if_left is None else phrase("work.if_left", left=left_lying_text(plan.if_left, farm))


def left_lying_text(left: LeftOvernight, farm: Farm) -> str:
    """Return the moisture and the rain that lie before what is left for tomorrow."""
    if left.rain >= MAX_ODDS:
        # Where all members have rain there is none that tells how moist it would be without.
        return phrase("left.rain", risk=risk_text(left.rain))
    low, high = whole_percents(left.moisture.low, left.moisture.high)
    wet, dry = left.moisture.mid > farm.baleage.wettest, left.moisture.mid < farm.baleage.driest
    key = "left.too_wet" if wet else "left.too_dry" if dry else "left.fit"
    return phrase(key, low=low, high=high, risk=risk_text(left.rain))


def surer_area_odds(day: FieldDay, farm: Farm) -> AreaOdds | None:
    """Return the largest area at nine in ten, or else at the best odds there are; None if those are the day's own.

    What is not worth hitching up for is not offered.
    """
    worth_it = [one for one in day.curve if one.area >= farm.work.least_area - TOLERANCE]
    best = max((one.odds for one in worth_it), default=0.0)
    level = min(SURER_ODDS, _floor_to_tenth(best))
    if level <= _floor_to_tenth(day.odds or 0.0):
        return None
    return max((one for one in worth_it if one.odds >= level), key=lambda one: one.area, default=None)


def _floor_to_tenth(chance: float) -> float:
    return math.floor(chance * 10.0 + 1e-9) / 10.0

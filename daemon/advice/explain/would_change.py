"""What would turn today's advice for a field: the one thing it hangs on, and where that stands."""

import math
from collections.abc import Callable, Mapping
from typing import Final

from daemon.domain.advice import Advice, AdviceKind
from daemon.domain.farm import Farm
from daemon.domain.prospect import FieldProspect, Reason, StandToday, yield_today
from daemon.domain.units import TOLERANCE
from daemon.planning.ground import FIRM_SHARE_NEEDED
from daemon.words.numbers import area_text, odds_text, time_text, yield_text
from daemon.words.stand import just_cut_text
from daemon.words.work import least_area_odds
from models.coefficients import MAX_DENSITY, RIPE_HALF_WIDTH

ChangeText = Callable[[Farm, FieldProspect, Advice], str]


def would_change(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    """Return what would change today's advice for a field, in the farm's units and without a full stop."""
    if advice.kind is AdviceKind.MOW:
        return _if_mow(farm, advice)
    return WOULD_CHANGE[advice.reason or Reason.ODDS_TOO_LOW](farm, field, advice)


def _odds_needed_text(farm: Farm) -> str:
    return odds_text(farm.alerts.odds_needed)


def _if_mow(farm: Farm, advice: Advice) -> str:
    """Return what takes a field off the day: its acres shrink as long as the least of them has the odds needed."""
    least = least_area_odds(advice.day, farm) if advice.day else None
    now = f" for {area_text(least.area, farm.units)} (they are {odds_text(least.odds)})" if least else ""
    return (
        f"odds under {_odds_needed_text(farm)}{now}, by rain, soft ground or slower drying in a newer forecast "
        "or a wet sample; before that, less of the field"
    )


def _if_odds_too_low(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    least = least_area_odds(advice.day, farm) if advice.day else None
    now = f" for {area_text(least.area, farm.units)}; they are {odds_text(least.odds)}" if least else ""
    return f"odds of {_odds_needed_text(farm)}{now}"


def _if_too_little_time(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    return f"{_if_odds_too_low(farm, field, advice)}; more hours, hands or speed in [work]"


def _if_not_ripe(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    if advice.day is not None and just_cut_text(field, advice.day.date):
        return "nothing until the next growth is ripe"
    look = "a look that finds the stand further on, noted"
    if field.stand is None:
        return look
    wanted, now = field.stand.ndf_target - RIPE_HALF_WIDTH, field.stand.ndf.mid
    if round(wanted) > round(now):
        fibre = f"fibre (NDF) of {wanted:.0f}%; it is {now:.0f}%"
    else:
        fibre = f"fibre (NDF) of {wanted:.1f}%; it is {_rounded_down_text(now, 1)}%"
    return fibre if _looks_tell_nothing(field, field.stand) else f"{fibre}. Or {look}"


def _rounded_down_text(share: float, digits: int) -> str:
    """Return a number rounded down, so that what lacks a little never reads as enough."""
    return f"{math.floor(share * 10.0**digits + TOLERANCE) / 10.0**digits:.{digits}f}"


def _looks_tell_nothing(field: FieldProspect, stand: StandToday) -> bool:
    """Return whether no look tells how far a stand is: grass heads but once, so that its regrowth shows no stages."""
    return field.last_cut is not None and {kind.kind for kind in stand.kinds} == {"grasses"}


def _if_ground_soft(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    """Return how firm it must be: for the least share of the forecast, and in so much of it that the odds are there."""
    firm_share = advice.day.ground_firm_share if advice.day else None
    share, now = f"{FIRM_SHARE_NEEDED:.0%}", ""
    if firm_share is not None:
        now = f" (it is in {_rounded_down_text(100.0 * firm_share, 0)}%)"
        share = "more" if firm_share >= FIRM_SHARE_NEEDED else share
    odds = _if_odds_too_low(farm, field, advice)
    return (
        f"ground that is firm in {share} of the forecast{now}, and with it {odds}. Or a look that finds it firm, noted"
    )


def _if_too_late_today(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    latest = time_text(farm.work.latest_start, farm.units)
    return f"nothing today but a later latest_start in [work], where time to bale is left; it is {latest}"


def _if_data_stale(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    return f"a forecast no older than {farm.weather.oldest:g} hours"


def _if_few_members(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    return f"a forecast of {farm.weather.least_members} usable members"


def _if_day_is_full(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    before = advice.day.place.after if advice.day and advice.day.place.after else "another field"
    return f"{before} taken off the day, or more hours, hands or speed in [work]"


def _if_better_later(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    now = f"it is {farm.estimates.worth_waiting:.0%}"
    return f"a forecast in which that day is no better, or a higher worth_waiting in [estimates]; {now}"


def _if_too_thick(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    """Return how thin the crop must be spread: over all of the cut width at the most."""
    most, share = MAX_DENSITY / 100.0, farm.baleage.swath_share
    less = f"less crop than about {yield_text(most * share, farm.units)} (expected_yield of the field)"
    grown = yield_today(field)
    if grown is None or grown > most:
        return less
    wide = math.ceil(100.0 * grown / most) / 100.0
    return f"a swath_width of {wide:.2f} in [baleage], it is {share:.2f}; or {less}"


def _words_and_odds(words: str) -> ChangeText:
    """Return what stands in the way of a day, and the odds where those do too."""

    def change_text(farm: Farm, field: FieldProspect, advice: Advice) -> str:
        least = least_area_odds(advice.day, farm) if advice.day else None
        if least is None or least.odds >= farm.alerts.odds_needed:
            return words
        return f"{words}, and {_if_odds_too_low(farm, field, advice)}"

    return change_text


def _words_only(words: str) -> ChangeText:
    return lambda farm, field, advice: words


WOULD_CHANGE: Final[Mapping[Reason, ChangeText]] = {
    Reason.NOT_RIPE: _if_not_ripe,
    Reason.RAIN: _if_odds_too_low,
    Reason.WILL_NOT_DRY: _if_odds_too_low,
    Reason.ODDS_TOO_LOW: _if_odds_too_low,
    Reason.TOO_LITTLE_TIME: _if_too_little_time,
    Reason.GROUND_SOFT: _if_ground_soft,
    Reason.TOO_LATE_TODAY: _if_too_late_today,
    Reason.DATA_STALE: _if_data_stale,
    Reason.FEW_MEMBERS: _if_few_members,
    Reason.DAY_OFF: _words_and_odds("days_off in [work]"),
    Reason.DAY_IS_FULL: _if_day_is_full,
    Reason.OUT_OF_SEASON: _words_only("season in [farm], or the growth of the year that begins"),
    Reason.BETTER_LATER: _if_better_later,
    Reason.CROP_LIES: _words_only("the crop that lies, once it is noted as wrapped"),
    Reason.CALLED_OFF: _words_only("nothing today"),
    Reason.LEFT_UNCUT: _words_and_odds("the note taken back by forenoon note undo"),
    Reason.DATA_MISSING: _words_only("weather that can be had; what is missing is named"),
    Reason.DIARY_UNREADABLE: _words_only("a diary that can be read; what is wrong with it is named"),
    Reason.GROWTH_UNKNOWN: _words_only("what is named put right"),  # a look alone is no help, and may be what is named
    Reason.TOO_THICK: _if_too_thick,
    Reason.OUT_OF_RANGE: _words_only("what is named put right"),
}

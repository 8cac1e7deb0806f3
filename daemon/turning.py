"""What would turn today's advice for a field: the one thing it hangs on, and where that stands."""

from collections.abc import Callable, Mapping
from typing import Final

from daemon.farm import Farm
from daemon.outlook import Advice, FieldProspect, Kind, Reason
from daemon.soil import CARRIED
from daemon.units import area, clock_time, odds
from daemon.work_words import least_chance
from models.coefficients import RIPE_HALF_WIDTH

Told = Callable[[Farm, FieldProspect, Advice], str]


def turned_by(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    """Return what would change today's advice for a field, in the farm's units and without a full stop."""
    if advice.kind is Kind.MOW:
        return f"odds under {_needed(farm)}, with rain or slower drying in a newer forecast or a wet sample"
    return TURNED_BY[advice.reason or Reason.ODDS_TOO_LOW](farm, field, advice)


def _needed(farm: Farm) -> str:
    return odds(farm.alerts.odds_needed)


def _odds(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    least = least_chance(advice.day, farm) if advice.day else None
    now = f" for {area(least.area, farm.units)}; they are {odds(least.odds)}" if least else ""
    return f"odds of {_needed(farm)}{now}"


def _time(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    return f"{_odds(farm, field, advice)}; more hours, hands or speed in [work]"


def _fibre(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    if field.ndf is None or field.ndf_target is None:
        return "a look at the field, noted"
    wanted = field.ndf_target - RIPE_HALF_WIDTH
    return f"fibre (NDF) of {wanted:.0f}%; it is {field.ndf.mid:.0f}%. Or a look at the field, noted"


def _ground(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    carried = advice.day.carried if advice.day else None
    now = "" if carried is None else f"; it is in {carried:.0%}"
    return f"ground that is firm in {CARRIED:.0%} of the forecast{now}. Or a look at the ground, noted"


def _late(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    latest = clock_time(farm.work.latest_start, farm.units)
    return f"nothing today but a later latest_start in [work]; it is {latest}"


def _stale(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    return f"a forecast no older than {farm.weather.oldest:g} hours"


def _members(farm: Farm, field: FieldProspect, advice: Advice) -> str:
    return f"a forecast of {farm.weather.least_members} usable members"


def _plain(words: str) -> Told:
    return lambda farm, field, advice: words


TURNED_BY: Final[Mapping[Reason, Told]] = {
    Reason.NOT_RIPE: _fibre,
    Reason.RAIN: _odds,
    Reason.WILL_NOT_DRY: _odds,
    Reason.ODDS_TOO_LOW: _odds,
    Reason.TOO_LITTLE_TIME: _time,
    Reason.GROUND_SOFT: _ground,
    Reason.TOO_LATE_TODAY: _late,
    Reason.DATA_STALE: _stale,
    Reason.FEW_MEMBERS: _members,
    Reason.DAY_OFF: _plain("days_off in [work]"),
    Reason.DAY_IS_FULL: _plain("another field taken off the day, or more hours, hands or speed in [work]"),
    Reason.OUT_OF_SEASON: _plain("season in [farm], or the growth of the year that begins"),
    Reason.BETTER_LATER: _plain("a forecast in which that day is no better, or worth_waiting in [estimates]"),
    Reason.CROP_LIES: _plain("the crop that lies, once it is noted as wrapped"),
    Reason.CALLED_OFF: _plain("nothing today"),
    Reason.LEFT_UNCUT: _plain("the note taken back by forenoon note undo"),
    Reason.DATA_MISSING: _plain("weather that can be had; what is missing is named"),
    Reason.DIARY_UNREADABLE: _plain("a diary that can be read; what is wrong with it is named"),
    Reason.GROWTH_UNKNOWN: _plain("what is named put right, or a look at the field, noted"),
    Reason.TOO_THICK: _plain("a wider swath (swath_width in [baleage]) or less crop (expected_yield of the field)"),
    Reason.OUT_OF_RANGE: _plain("what is named put right"),
}

"""What stands behind an unknown, in words."""

from daemon.domain.causes import (
    Cause,
    DayNotCovered,
    GrowthGap,
    ImpossibleLook,
    PassFailure,
    SeasonNotBegun,
    StatedCause,
    TodayNotAhead,
    TooFewMembers,
    WeatherCause,
    WeatherRefused,
    WeatherTooOld,
)
from daemon.domain.farm import Units
from daemon.domain.prospect import FieldProspect, Unknown
from daemon.domain.units import tenths_rounded_up
from daemon.words.catalog import phrase
from daemon.words.growth import growth_cause_text, growth_doubts_text
from daemon.words.numbers import date_text


def cause_text(cause: Cause | None, units: Units) -> str:
    """Return what stands behind an unknown, empty where no more is known of it."""
    match cause:
        case None:
            return ""
        case StatedCause(text=text):
            return text
        case WeatherRefused(refusals=refusals):
            return "; ".join(refusal.text for refusal in refusals)
        case PassFailure(error=error):
            return f"the pass broke down: {error}"
        case GrowthGap() | ImpossibleLook():
            return growth_cause_text(cause, units)
        case _:
            return _weather_cause_text(cause)


def unknown_detail_text(unknown: Unknown | None, units: Units) -> str:
    """Return what stands behind an unknown, empty where nothing is unknown."""
    return "" if unknown is None else cause_text(unknown.cause, units)


def field_detail_text(field: FieldProspect, units: Units) -> str:
    """Return why nothing can be said of a field, or what must be doubted of its growth."""
    if field.unknown is not None:
        return cause_text(field.unknown.cause, units)
    return "" if field.stand is None else growth_doubts_text(field.stand.doubts)


def _weather_cause_text(cause: WeatherCause) -> str:
    match cause:
        case WeatherTooOld(age=age, oldest=oldest):
            return phrase("causes.too_old", age=f"{tenths_rounded_up(age):g}", oldest=f"{oldest:g}")
        case TooFewMembers(members=members, needed=needed):
            return f"{members} usable members, {needed} needed"
        case DayNotCovered(day=day):
            return phrase("growth_unknown.not_covered", day=date_text(day))
        case TodayNotAhead():
            return phrase("growth_unknown.not_ahead")
        case SeasonNotBegun():
            return phrase("growth_unknown.not_begun")

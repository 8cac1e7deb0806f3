"""One short sentence for each thing to beware of, in trade words; none of them says that anything is without danger."""

from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta
from typing import Final

from daemon.domain.advice import Advice, Morning
from daemon.domain.farm import Farm, Units
from daemon.domain.prospect import OfficialWarning, TimedCaution
from daemon.words.catalog import join, phrase
from daemon.words.numbers import moisture_text, time_text, weekday_time_text
from models import coefficients as c
from models.cautions import Caution

STOP_WORK_CAUTIONS: Final = (Caution.THUNDER, Caution.THUNDER_ON_TEAMS, Caution.PEOPLE_STOP, Caution.HORSES_STOP)
# What a graver caution says already: it goes where that one is said of the same day.
COVERED_BY: Final[Mapping[Caution, tuple[Caution, ...]]] = {
    Caution.THUNDER_UNKNOWN: (Caution.THUNDER, Caution.THUNDER_ON_TEAMS),
    Caution.PEOPLE_REST: (Caution.PEOPLE_STOP,),
    Caution.HORSES_REST: (Caution.HORSES_STOP,),
}
MOISTURE_LIMITS: Final[Mapping[str, float]] = {  # those that are shares
    "wet": c.BALE_MOISTURE_WET,
    "too_wet": c.BALE_MOISTURE_TOO_WET,
    "dry": c.BALE_MOISTURE_DRY,
    "too_dry": c.BALE_MOISTURE_TOO_DRY,
}


def official_warning_sentences(farm: Farm, morning: Morning) -> tuple[str, ...]:
    """Return the official warnings in force in the hours of work, with who issued them.

    Where nothing is to be mown, those of the day from the moment of the pass on.
    """
    now, zone = morning.prospect.at, farm.place.timezone
    plans = [advice.plan for advice in morning.mows if advice.plan is not None]
    midnight = datetime.combine(morning.date + timedelta(days=1), time(0), tzinfo=zone)
    first = min((plan.start for plan in plans), default=now)
    last = max((plan.wrapped_by for plan in plans), default=midnight)
    return tuple(
        _official_warning_sentence(farm, one)
        for one in morning.prospect.warnings
        if one.begins <= last and (one.ends is None or one.ends >= first)
    )


def _official_warning_sentence(farm: Farm, warning: OfficialWarning) -> str:
    begins, ends = (None if at is None else _local_time_text(at, farm) for at in (warning.begins, warning.ends))
    if ends is None:
        return phrase("warning.begins", event=warning.event, begins=begins, issuer=warning.issuer)
    return phrase("warning.lasts", event=warning.event, begins=begins, ends=ends, issuer=warning.issuer)


def _local_time_text(at: datetime, farm: Farm) -> str:
    return weekday_time_text(at.astimezone(farm.place.timezone), farm.units)


def caution_sentence(timed: TimedCaution, units: Units) -> str:
    """Return what to beware of in one sentence.

    Examples
    --------
    >>> caution_sentence(TimedCaution(Caution.WRAPPED_LATE), Units.US)
    'Bales that wait over 8 h for film heat and spoil: wrap them sooner.'
    """
    return phrase(f"cautions.{timed.caution.name.lower()}", may_come=_when_text(timed, units), **_figure_texts(units))


def _figure_texts(units: Units) -> dict[str, str]:
    """Return the figures that stand in cautions, in the farm's units."""
    system = units.name.lower()
    return {
        **{name: moisture_text(share) for name, share in MOISTURE_LIMITS.items()},
        **{name: phrase(f"caution_figures.{name}_{system}") for name in ("throw", "apart", "fire")},
        "late": phrase("caution_figures.hours", count=f"{c.WRAP_LATE:.0f}"),
        "too_late": phrase("caution_figures.hours", count=f"{c.WRAP_TOO_LATE:.0f}"),
        "nitrate_wait": f"{c.NITRATE_WAIT_DAYS}",
        "rest": f"{c.FALL_REST_DAYS / 7.0:.0f}",
    }


def day_cautions(mows: Sequence[Advice], units: Units) -> tuple[str, ...]:
    """Return what to beware of in all that is to be mown, the gravest first and each once.

    What is not so of every field names those of which it is.
    """
    merged = _merge_cautions(mows)[: c.MAX_CAUTIONS]
    return tuple(_with_field_names(names, mows, caution_sentence(care, units)) for care, names in merged)


def stop_work_sentences(mows: Sequence[Advice], units: Units) -> tuple[str, ...]:
    """Return what stops the work of a day, the gravest first."""
    return tuple(
        caution_sentence(care, units) for care, _ in _merge_cautions(mows) if care.caution in STOP_WORK_CAUTIONS
    )


def _merge_cautions(mows: Sequence[Advice]) -> list[tuple[TimedCaution, list[str]]]:
    """Return each caution of a day once, with its fields and from the first of their hours to the last."""
    found: dict[Caution, tuple[TimedCaution, list[str]]] = {}
    for advice in mows:
        for care in advice.plan.cautions if advice.plan else ():
            known, names = found.get(care.caution, (care, []))
            found[care.caution] = (_merge_hours(known, care), [*names, advice.field])
    said = [caution for caution in Caution if caution in found]
    return [found[caution] for caution in said if not set(COVERED_BY.get(caution, ())) & found.keys()]


def _merge_hours(one: TimedCaution, other: TimedCaution) -> TimedCaution:
    if one.begins is None or one.ends is None or other.begins is None or other.ends is None:
        return one
    begins, ends = min(one.begins, other.begins), max(one.ends, other.ends)
    return TimedCaution(one.caution, begins, ends, one.likely or other.likely)


def _with_field_names(names: Sequence[str], mows: Sequence[Advice], words: str) -> str:
    return words if len(names) == len(mows) else phrase("caution.of_fields", fields=join(names), words=words)


def _when_text(timed: TimedCaution, units: Units) -> str:
    how = "likely" if timed.likely else "possible"
    if timed.begins is None or timed.ends is None:
        return phrase(f"caution_when.{how}")
    begins, ends = time_text(timed.begins, units), time_text(timed.ends, units)
    return phrase(f"caution_hours.{how}", begins=begins, ends=ends)

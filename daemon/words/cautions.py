"""One short sentence for each thing to beware of, in trade words; none of them says that anything is without danger."""

from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta
from typing import Final

from daemon.domain.advice import Advice, Morning
from daemon.domain.farm import Farm, Units
from daemon.domain.prospect import Care, OfficialWarning
from daemon.words.catalog import joined, said
from daemon.words.numbers import clock_time, moisture, moment
from models import coefficients as c
from models.cautions import Caution

STOP_WORK: Final = (Caution.THUNDER, Caution.THUNDER_ON_TEAMS, Caution.PEOPLE_STOP, Caution.HORSES_STOP)
# What a graver caution says already: it goes where that one is said of the same day.
SAID_BY: Final[Mapping[Caution, tuple[Caution, ...]]] = {
    Caution.THUNDER_UNKNOWN: (Caution.THUNDER, Caution.THUNDER_ON_TEAMS),
    Caution.PEOPLE_REST: (Caution.PEOPLE_STOP,),
    Caution.HORSES_REST: (Caution.HORSES_STOP,),
}
FIGURES: Final[Mapping[str, float]] = {  # those that are shares
    "wet": c.BALED_WET,
    "too_wet": c.BALED_TOO_WET,
    "dry": c.BALED_DRY,
    "too_dry": c.BALED_TOO_DRY,
}


def official(farm: Farm, morning: Morning) -> tuple[str, ...]:
    """Return the official warnings in force in the hours of work, with who issued them.

    Where nothing is to be mown, those of the day from the moment of the pass on.
    """
    now, zone = morning.prospect.at, farm.place.timezone
    days = [advice.day for advice in morning.mows if advice.day is not None]
    starts = [day.start for day in days if day.start is not None]
    ends = [day.wrapped_by for day in days if day.wrapped_by is not None]
    midnight = datetime.combine(morning.date + timedelta(days=1), time(0), tzinfo=zone)
    first, last = min(starts, default=now), max(ends, default=midnight)
    return tuple(
        _warning_words(farm, one)
        for one in morning.prospect.warnings
        if one.begins <= last and (one.ends is None or one.ends >= first)
    )


def _warning_words(farm: Farm, one: OfficialWarning) -> str:
    begins, ends = (None if at is None else _here(at, farm) for at in (one.begins, one.ends))
    if ends is None:
        return said("warning.begins", event=one.event, begins=begins, issuer=one.issuer)
    return said("warning.lasts", event=one.event, begins=begins, ends=ends, issuer=one.issuer)


def _here(at: datetime, farm: Farm) -> str:
    return moment(at.astimezone(farm.place.timezone), farm.units)


def care_words(care: Care, units: Units) -> str:
    """Return what to beware of in one sentence.

    Examples
    --------
    >>> care_words(Care(Caution.WRAPPED_LATE), Units.US)
    'Bales that wait over 8 h for film heat and spoil: wrap them sooner.'
    """
    return said(f"cautions.{care.caution.name.lower()}", may_come=_may_come(care, units), **_figures(units))


def _figures(units: Units) -> dict[str, str]:
    """Return the figures that stand in cautions, in the farm's units."""
    system = units.name.lower()
    return {
        **{name: moisture(share) for name, share in FIGURES.items()},
        **{name: said(f"caution_figures.{name}_{system}") for name in ("throw", "apart", "fire")},
        "late": said("caution_figures.hours", count=f"{c.WRAP_LATE:.0f}"),
        "too_late": said("caution_figures.hours", count=f"{c.WRAP_TOO_LATE:.0f}"),
        "nitrate_wait": f"{c.NITRATE_WAIT}",
        "rest": f"{c.FALL_REST / 7.0:.0f}",
    }


def day_cares(mows: Sequence[Advice], units: Units) -> tuple[str, ...]:
    """Return what to beware of in all that is to be mown, the gravest first and each once.

    What is not so of every field names those of which it is.
    """
    merged = _merged(mows)[: c.MOST_CAUTIONS]
    return tuple(_of_fields(names, mows, care_words(care, units)) for care, names in merged)


def stop_work(mows: Sequence[Advice], units: Units) -> tuple[str, ...]:
    """Return what stops the work of a day, the gravest first."""
    return tuple(care_words(care, units) for care, _ in _merged(mows) if care.caution in STOP_WORK)


def _merged(mows: Sequence[Advice]) -> list[tuple[Care, list[str]]]:
    """Return each caution of a day once, with its fields and from the first of their hours to the last."""
    found: dict[Caution, tuple[Care, list[str]]] = {}
    for advice in mows:
        for care in advice.day.cares if advice.day else ():
            known, names = found.get(care.caution, (care, []))
            found[care.caution] = (_joined(known, care), [*names, advice.field])
    said = [caution for caution in Caution if caution in found]
    return [found[caution] for caution in said if not set(SAID_BY.get(caution, ())) & found.keys()]


def _joined(one: Care, other: Care) -> Care:
    if one.begins is None or one.ends is None or other.begins is None or other.ends is None:
        return one
    begins, ends = min(one.begins, other.begins), max(one.ends, other.ends)
    return Care(one.caution, begins, ends, one.likely or other.likely)


def _of_fields(names: Sequence[str], mows: Sequence[Advice], words: str) -> str:
    return words if len(names) == len(mows) else said("caution.of_fields", fields=joined(names), words=words)


def _may_come(care: Care, units: Units) -> str:
    how = "likely" if care.likely else "possible"
    if care.begins is None or care.ends is None:
        return said(f"caution_when.{how}")
    begins, ends = clock_time(care.begins, units), clock_time(care.ends, units)
    return said(f"caution_hours.{how}", begins=begins, ends=ends)

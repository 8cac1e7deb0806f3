"""One short sentence for each thing to beware of, in trade words; none of them says that anything is without danger."""

from collections.abc import Mapping, Sequence
from datetime import datetime, time, timedelta
from typing import Final

from daemon.farm import Farm, Units
from daemon.outlook import Advice, Care, Morning
from daemon.units import clock_time, weekday
from daemon.weather.contract import OfficialWarning
from models import coefficients as c
from models.cautions import Caution

STOP_WORK: Final = (Caution.THUNDER, Caution.THUNDER_ON_TEAMS, Caution.PEOPLE_STOP, Caution.HORSES_STOP)
# What a graver caution says already: it goes where that one is said of the same day.
SAID_BY: Final[Mapping[Caution, tuple[Caution, ...]]] = {
    Caution.THUNDER_UNKNOWN: (Caution.THUNDER, Caution.THUNDER_ON_TEAMS),
    Caution.PEOPLE_REST: (Caution.PEOPLE_STOP,),
    Caution.HORSES_REST: (Caution.HORSES_STOP,),
}
SENTENCES: Final[Mapping[Caution, str]] = {
    Caution.THUNDER: "Thunder {may_come}: stop at the first rumble, go back 30 minutes after the last.",
    Caution.THUNDER_ON_TEAMS: "Thunder {may_come}: unhitch at the first rumble, off trees and wire, for 30 minutes.",
    Caution.THUNDER_UNKNOWN: "This forecast cannot rule thunder out: watch the sky, and stop at the first rumble.",
    Caution.PEOPLE_STOP: "Dangerous heat for people {may_come}: stop, rest in the shade and drink.",
    Caution.HORSES_STOP: "Heat that can kill a working horse {may_come}: stop; call the vet if one pants on.",
    Caution.MACHINE: "Drive shut down, all still before a hand goes in; nobody within {throw} of a mower.",
    Caution.PEOPLE_REST: "Heat {may_come}: water, shade and rests for people, most of all for newcomers.",
    Caution.HORSES_REST: "Heat with damp air {may_come}: rest the horses often; your own eye and the vet come first.",
    Caution.BOTULISM: "Botulism strikes horses first: no torn, dirty or foul bale for them; ask the vet about vaccine.",
    Caution.BALED_WET: "Bales over {wet} water may spoil, and none may have {too_wet}: measure, and let it dry.",
    Caution.WRAPPED_TOO_LATE: "Film more than {too_late} after baling is too late for baleage: wrap the same day.",
    Caution.HOT_BALES: "Bales under {too_dry} water can heat for weeks: apart at {apart}, fire service at {fire}.",
    Caution.NITRATE: "Nitrate after drought: wait {nitrate_wait} days from good rain, cut higher, test before feeding.",
    Caution.WRAPPED_LATE: "Bales that wait over {late} for film heat and spoil: wrap them sooner.",
    Caution.BALED_DRY: "Bales under {dry} water hardly ferment: bale sooner, and make them dense.",
    Caution.COWS: "Heat {may_come}: shade, water and moving air for the cows; ask the vet if they pant.",
    Caution.FAWNS: "Fawns may lie in tall grass: walk the field first; local rules come before this.",
    Caution.NESTS: "Birds may nest on the ground: mow from the middle outward; local rules come before this.",
    Caution.FALL_REST: "Alfalfa wants some {rest} weeks before the killing frost: ask locally if this cut is too late.",
    Caution.EIGHT_LAYERS: "Eight layers of film on stemmy or dry bales; patch every hole.",
    Caution.SIX_LAYERS: "Six layers of film at least; patch every hole.",
}
OF_THE_SYSTEM: Final = {
    Units.US: {"throw": "300 ft", "apart": "150 deg F", "fire": "175 deg F"},
    Units.METRIC: {"throw": "100 m", "apart": "65 deg C", "fire": "80 deg C"},
}
FIGURES: Final = {
    "wet": f"{c.BALED_WET:.0%}",
    "too_wet": f"{c.BALED_TOO_WET:.0%}",
    "dry": f"{c.BALED_DRY:.0%}",
    "too_dry": f"{c.BALED_TOO_DRY:.0%}",
    "late": f"{c.WRAP_LATE:.0f} h",
    "too_late": f"{c.WRAP_TOO_LATE:.0f} h",
    "nitrate_wait": f"{c.NITRATE_WAIT}",
    "rest": f"{c.FALL_REST / 7.0:.0f}",
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
    def at(moment: datetime) -> str:
        here = moment.astimezone(farm.place.timezone)
        return f"{weekday(here)} {clock_time(here, farm.units)}"

    until = "" if one.ends is None else f" to {at(one.ends)}"
    return f"Official warning: {one.event}, {at(one.begins)}{until}, by {one.issuer}."


def care_words(care: Care, units: Units) -> str:
    """Return what to beware of in one sentence.

    Examples
    --------
    >>> care_words(Care(Caution.WRAPPED_LATE), Units.US)
    'Bales that wait over 8 h for film heat and spoil: wrap them sooner.'
    """
    return SENTENCES[care.caution].format(may_come=_may_come(care, units), **FIGURES, **OF_THE_SYSTEM[units])


def day_cares(mows: Sequence[Advice], units: Units) -> tuple[str, ...]:
    """Return what to beware of in all that is to be mown, the gravest first and each once.

    What is not so of every field names those of which it is.
    """
    merged = _merged(mows)[: c.MOST_CAUTIONS]
    return tuple(f"{_fields(names, mows)}{care_words(care, units)}" for care, names in merged)


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


def _fields(names: Sequence[str], mows: Sequence[Advice]) -> str:
    return "" if len(names) == len(mows) else f"{', '.join(names)}: "


def _may_come(care: Care, units: Units) -> str:
    how = "is likely" if care.likely else "may come"
    if care.begins is None or care.ends is None:
        return how
    return f"{how} {clock_time(care.begins, units)} to {clock_time(care.ends, units)}"

"""How the season goes: what is ripe and uncut, the days that takes and the days that the forecast should bring."""

from dataclasses import dataclass
from statistics import median

from daemon.farm import Farm
from daemon.outlook import FieldDay, FieldProspect, Prospect, Reason, Ripeness
from daemon.units import area

CLOSED = frozenset({Reason.OUT_OF_SEASON, Reason.DAY_OFF, Reason.NOT_RIPE, Reason.TOO_LATE_TODAY})


@dataclass(frozen=True)
class Progress:
    """What lies ahead of the mower.

    `ripe` and `growing` [ha] are uncut, the first of fields that are ripe or past it. `needed` are the good days that
    the ripe area takes, `expected` those that the `ahead` days of the forecast should bring; None where no day of the
    forecast tells how much a day can take.
    """

    ripe: float
    growing: float
    needed: float | None
    expected: float
    ahead: int


def progress(farm: Farm, prospect: Prospect) -> Progress:
    """Return how the season goes.

    Notes
    -----
    A day can take what is the middle of the largest areas at the odds needed, over the fields and days that have one;
    it counts by the best odds of a ripe field on it. Fields that cannot be reckoned are left out.
    """
    standing = {field.name: field.area if field.standing is None else field.standing for field in farm.fields}
    ripe = [field for field in prospect.fields if field.ripeness in (Ripeness.RIPE, Ripeness.PAST)]
    growing = [field for field in prospect.fields if field.ripeness is Ripeness.GROWING]
    by_day = _by_day(prospect)
    takes = [sum(day.area for day in days) for days in by_day if any(day.area > 0.0 for day in days)]
    left = sum(standing.get(field.name, field.area) for field in ripe)
    return Progress(
        ripe=left,
        growing=sum(standing.get(field.name, field.area) for field in growing),
        needed=left / median(takes) if takes else None,
        expected=sum(max((_odds(day) for day in days), default=0.0) for days in by_day),
        ahead=len(by_day),
    )


def progress_words(farm: Farm, found: Progress) -> str:
    """Return the progress in one sentence, empty where nothing is ripe."""
    if found.ripe <= 0.0:
        return ""
    work = "" if found.needed is None else f", about {_days(found.needed)} of work"
    return (
        f"Ripe and uncut: {area(found.ripe, farm.units)}{work}; the coming {found.ahead} days should bring about "
        f"{_days(found.expected)} for mowing."
    )


def _by_day(prospect: Prospect) -> list[list[FieldDay]]:
    """Return the days of all fields, those of a date together."""
    dates = sorted({day.date for field in prospect.fields for day in field.days})
    return [[day for field in prospect.fields for day in _on(field, date)] for date in dates]


def _on(field: FieldProspect, date: object) -> list[FieldDay]:
    return [day for day in field.days if day.date == date]


def _odds(day: FieldDay) -> float:
    """Return the odds of a day that is open for mowing."""
    return 0.0 if day.reason in CLOSED else day.odds or 0.0


def _days(count: float) -> str:
    whole = max(round(count), 1) if count >= 0.5 else 0
    return "no day" if whole == 0 else f"{whole} good day{'' if whole == 1 else 's'}"

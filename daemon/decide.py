"""From prospect to advice: one rule decides, the odds needed; every unknown is "no advice, because"."""

from datetime import datetime

from daemon.farm import Farm
from daemon.outlook import Advice, FieldDay, FieldProspect, Kind, Morning, Prospect, Reason

UNKNOWABLE = frozenset(
    {
        Reason.DATA_MISSING,
        Reason.DATA_STALE,
        Reason.FEW_MEMBERS,
        Reason.GROWTH_UNKNOWN,
        Reason.TOO_THICK,
        Reason.OUT_OF_RANGE,
    }
)


def decide(farm: Farm, prospect: Prospect) -> Morning:
    """Return the advice for the day of the pass.

    Parameters
    ----------
    farm : Farm
    prospect : Prospect

    Returns
    -------
    Morning
        Fields to mow in the order in which they are mown, then the others in the order of the settings.
    """
    today = prospect.at.astimezone(farm.place.timezone).date()
    days = {field.name: next((day for day in field.days if day.date == today), None) for field in prospect.fields}
    advices = [_advice(field, days[field.name]) for field in prospect.fields]
    return Morning(today, tuple(sorted(advices, key=_order)), prospect)


def _advice(field: FieldProspect, day: FieldDay | None) -> Advice:
    if field.unknown is not None:
        kind = Kind.NONE if field.unknown in UNKNOWABLE else Kind.WAIT
        return Advice(field.name, kind, 0.0, field.unknown, None, field.detail)
    if day is None:
        return Advice(field.name, Kind.NONE, 0.0, Reason.DATA_MISSING, None, "the forecast does not cover today")
    if day.reason in UNKNOWABLE:
        return Advice(field.name, Kind.NONE, 0.0, day.reason, day)
    if day.area > 0.0 and day.reason is None:
        return Advice(field.name, Kind.MOW, day.area, None, day)
    return Advice(field.name, Kind.WAIT, 0.0, day.reason or Reason.ODDS_TOO_LOW, day)


def _order(advice: Advice) -> tuple[int, float]:
    start: datetime | None = advice.day.start if advice.day else None
    return (0, start.timestamp()) if advice.kind is Kind.MOW and start else (1, 0.0)

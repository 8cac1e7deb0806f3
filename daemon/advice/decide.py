"""From prospect to advice: one rule decides, the odds needed; every unknown is "no advice, because"."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from daemon.domain.advice import Advice, AdviceKind, Morning, WatchedField, WatchState
from daemon.domain.causes import TodayNotAhead
from daemon.domain.farm import Farm
from daemon.domain.prospect import FieldDay, FieldProspect, Prospect, Reason

NO_ADVICE_REASONS = frozenset(
    {
        Reason.DATA_MISSING,
        Reason.DATA_STALE,
        Reason.FEW_MEMBERS,
        Reason.DIARY_UNREADABLE,
        Reason.GROWTH_UNKNOWN,
        Reason.TOO_THICK,
        Reason.OUT_OF_RANGE,
    }
)


@dataclass(frozen=True)
class DayUnderway:
    """What is under way on the day: what was said, how that stands, and the fields whose crop lies unwrapped.

    `left_uncut` are those that the farmer noted as left uncut today.
    """

    sent_morning: Morning | None = None
    watched: tuple[WatchedField, ...] = ()
    lying: tuple[str, ...] = ()
    left_uncut: tuple[str, ...] = ()

    def plan(self, now: datetime) -> dict[str, Advice]:
        """Return what was said of the fields to mow, if the first of them is begun by now."""
        sent = self.sent_morning.mows if self.sent_morning is not None else ()
        mows = {advice.field: advice for advice in sent if advice.field not in self.left_uncut}
        has_begun = any(advice.plan and advice.plan.start <= now for advice in mows.values())
        return mows if has_begun else {}


NOTHING_UNDERWAY: Final = DayUnderway()


def decide(farm: Farm, prospect: Prospect, underway: DayUnderway = NOTHING_UNDERWAY) -> Morning:
    """Return the advice for the day of the pass.

    Parameters
    ----------
    farm : Farm
    prospect : Prospect
        Reckoned as if the people and machines were free and nothing had been said.
    underway : DayUnderway
        Whatever has been said or done of the day.

    Returns
    -------
    Morning
        Fields to mow in the order in which they are mown, then the others in the order of the settings.

    Notes
    -----
    Once mowing should have begun by what was said, that stands until it is called off; what was called off is not
    advised again that day, nor what the farmer noted as left uncut. While a crop lies or what was said is being done,
    nobody is free for another field.
    """
    today = prospect.at.astimezone(farm.place.timezone).date()
    advices = []
    for field in prospect.fields:
        day = next((day for day in field.days if day.date == today), None)
        advices.append(_with_underway(_fresh_advice(field, day), prospect.at, underway))
    return Morning(today, tuple(sorted(advices, key=_sort_key)), prospect, underway.watched)


def _with_underway(fresh: Advice, now: datetime, underway: DayUnderway) -> Advice:
    """Return an advice as it stands beside what is under way."""
    if fresh.kind is AdviceKind.NONE:
        return fresh
    if fresh.field in underway.left_uncut:
        return Advice(fresh.field, AdviceKind.WAIT, 0.0, Reason.LEFT_UNCUT, fresh.day)
    state = next((watched.state for watched in underway.watched if watched.field == fresh.field), None)
    if state is WatchState.WILL_NOT_MAKE_IT:
        return Advice(fresh.field, AdviceKind.WAIT, 0.0, Reason.CALLED_OFF, fresh.day)
    plan = underway.plan(now)
    if fresh.field in plan and state not in (None, WatchState.DONE):
        return plan[fresh.field]
    # A full day is taken by what lies, whatever the plan had before it.
    is_taken = fresh.reason is Reason.DAY_IS_FULL and bool(underway.lying)
    is_busy = fresh.kind is AdviceKind.MOW and bool(plan or underway.lying)
    if is_taken or is_busy:
        return Advice(fresh.field, AdviceKind.WAIT, 0.0, Reason.CROP_LIES, fresh.day)
    return fresh


def _fresh_advice(field: FieldProspect, day: FieldDay | None) -> Advice:
    if field.unknown is not None:
        kind = AdviceKind.NONE if field.unknown.reason in NO_ADVICE_REASONS else AdviceKind.WAIT
        return Advice(field.name, kind, 0.0, field.unknown.reason, None, field.unknown.cause)
    if day is None:
        return Advice(field.name, AdviceKind.NONE, 0.0, Reason.DATA_MISSING, None, TodayNotAhead())
    if day.reason in NO_ADVICE_REASONS:
        return Advice(field.name, AdviceKind.NONE, 0.0, day.reason, day)
    if day.area > 0.0 and day.reason is None:
        return Advice(field.name, AdviceKind.MOW, day.area, None, day)
    return Advice(field.name, AdviceKind.WAIT, 0.0, day.reason or Reason.ODDS_TOO_LOW, day)


def _sort_key(advice: Advice) -> tuple[int, float]:
    if advice.kind is not AdviceKind.MOW or advice.plan is None:
        return 1, 0.0
    return 0, advice.plan.start.timestamp()

"""Why a field is not for mowing on a day, in words, and which fields wait for the same."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Final

from daemon.domain.advice import Advice, Kind
from daemon.domain.prospect import SILENT, UNREACHED, FieldDay, Reason
from daemon.words.catalog import beside, joined, said, sentence
from daemon.words.numbers import odds, weekday

NEAR_MISS: Final = 0.4  # odds from which a day that is not enough is told as a near miss
NEARLY: Final = (Reason.RAIN, Reason.WILL_NOT_DRY, Reason.TOO_LITTLE_TIME, Reason.ODDS_TOO_LOW)


def reason_said(reason: Reason | None) -> str:
    """Return a reason; what has none is not known."""
    return said(f"reasons.{(reason or Reason.DATA_MISSING).name.lower()}")


def reason_words(reason: Reason | None, day: FieldDay | None) -> str:
    """Return why a field is not for mowing on a day; a near miss, and what is only not sure, is told with its odds."""
    reason = reason or Reason.ODDS_TOO_LOW
    if day is not None and day.better_in is not None:
        return said("reason.on_day", reason=reason_said(reason), day=weekday(day.date + timedelta(days=day.better_in)))
    sure = odds_told(reason, day)
    return reason_said(reason) if sure is None else said(f"reasons_nearly.{reason.name.lower()}", odds=odds(sure))


def odds_told(reason: Reason | None, day: FieldDay | None) -> float | None:
    """Return the odds of a day that are told with the reason against it, None where none are."""
    if day is None or day.odds is None or day.better_in is not None:
        return None
    return day.odds if reason is Reason.ODDS_TOO_LOW or (reason in NEARLY and day.odds >= NEAR_MISS) else None


def trouble_words(trouble: Reason | None, detail: str) -> str:
    """Return in a sentence why there is no advice for any field, with what the sources themselves say of it."""
    reasons = [one for one in detail.split("; ") if one]
    if trouble is not Reason.DATA_MISSING:
        words = reason_said(trouble)
    elif reasons and all(SILENT in one or UNREACHED in one for one in reasons):
        words = said("page_trouble.unreached")
    else:
        words = said("page_trouble.no_weather")
    return sentence(beside(words, detail))


def waiting_words(advices: Sequence[Advice]) -> str:
    """Return why fields wait, those that wait for the same together and what is not ripe last.

    That there is no advice for a field is said where there is some for another.
    """
    fields: dict[str, list[str]] = {}
    mixed = any(advice.kind is not Kind.NONE for advice in advices)
    for advice in sorted(advices, key=lambda one: one.reason is Reason.NOT_RIPE):
        words = reason_words(advice.reason, advice.day)
        words = said("reason.no_advice", reason=words) if mixed and advice.kind is Kind.NONE else words
        fields.setdefault(words, []).append(advice.field)
    told = (
        said("reason.of_fields", fields=joined(names, last="lists.and"), reason=words)
        for words, names in fields.items()
    )
    return joined(told, by="lists.apart")

"""Why a field is not for mowing on a day, in words, and which fields wait for the same."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Final

from daemon.domain.advice import Advice, AdviceKind
from daemon.domain.causes import WeatherRefused
from daemon.domain.farm import Units
from daemon.domain.prospect import FieldDay, Reason, Unknown, reason_of
from daemon.words.catalog import as_sentence, join, phrase, with_aside
from daemon.words.causes import unknown_detail_text
from daemon.words.numbers import odds_text, weekday_name

NEAR_MISS_ODDS: Final = 0.4  # odds from which a day that is not enough is told as a near miss
NEAR_MISS_REASONS: Final = (Reason.RAIN, Reason.WILL_NOT_DRY, Reason.TOO_LITTLE_TIME, Reason.ODDS_TOO_LOW)


def reason_text(reason: Reason | None) -> str:
    """Return a reason; what has none is not known."""
    return phrase(f"reasons.{(reason or Reason.DATA_MISSING).name.lower()}")


def day_reason_text(reason: Reason | None, day: FieldDay | None) -> str:
    """Return why a field is not for mowing on a day; a near miss, and what is only not sure, is told with its odds."""
    reason = reason or Reason.ODDS_TOO_LOW
    if day is not None and day.place.better_in_days is not None:
        better = day.date + timedelta(days=day.place.better_in_days)
        return phrase("reason.on_day", reason=reason_text(reason), day=weekday_name(better))
    sure = odds_against_reason(reason, day)
    return (
        reason_text(reason) if sure is None else phrase(f"reasons_nearly.{reason.name.lower()}", odds=odds_text(sure))
    )


def odds_against_reason(reason: Reason | None, day: FieldDay | None) -> float | None:
    """Return the odds of a day that are told with the reason against it, None where none are."""
    if day is None or day.odds is None or day.place.better_in_days is not None:
        return None
    return (
        day.odds
        if reason is Reason.ODDS_TOO_LOW or (reason in NEAR_MISS_REASONS and day.odds >= NEAR_MISS_ODDS)
        else None
    )


def trouble_sentence(trouble: Unknown | None, units: Units) -> str:
    """Return in a sentence why there is no advice for any field, with what the sources themselves say of it."""
    reason = reason_of(trouble)
    if reason is not Reason.DATA_MISSING:
        words = reason_text(reason)
    elif trouble is not None and isinstance(trouble.cause, WeatherRefused) and trouble.cause.is_unreached:
        words = phrase("page_trouble.unreached")
    else:
        words = phrase("page_trouble.no_weather")
    return as_sentence(with_aside(words, unknown_detail_text(trouble, units)))


def waiting_text(advices: Sequence[Advice]) -> str:
    """Return why fields wait, those that wait for the same together and what is not ripe last.

    That there is no advice for a field is said where there is some for another.
    """
    fields: dict[str, list[str]] = {}
    mixed = any(advice.kind is not AdviceKind.NONE for advice in advices)
    for advice in sorted(advices, key=lambda one: one.reason is Reason.NOT_RIPE):
        words = day_reason_text(advice.reason, advice.day)
        words = phrase("reason.no_advice", reason=words) if mixed and advice.kind is AdviceKind.NONE else words
        fields.setdefault(words, []).append(advice.field)
    told = (
        phrase("reason.of_fields", fields=join(names, last="lists.and"), reason=words)
        for words, names in fields.items()
    )
    return join(told, by="lists.apart")

"""What endangers the next message: trouble with the last pass over the farm and with messages in the outbox."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final

from daemon.domain.advice import Morning
from daemon.domain.farm import Farm
from daemon.domain.message import MessageState, QueuedMessage
from daemon.domain.prospect import Reason, reason_of
from daemon.domain.snapshot import Snapshot, data_age
from daemon.words.catalog import phrase
from daemon.words.causes import unknown_detail_text
from daemon.words.messages import message_name, message_state_text
from daemon.words.reasons import trouble_sentence
from daemon.words.today import max_age_text, span_text

MAX_WAIT: Final = timedelta(minutes=30)
TROUBLE_SHOWN_FOR: Final = timedelta(days=2)  # an undelivered message troubles nobody for ever

MAX_PASS_AGE: Final = timedelta(hours=2)


def take_snapshot(farm: Farm, morning: Morning | None, messages: Sequence[QueuedMessage], now: datetime) -> Snapshot:
    """Return the farm as it is now, with its problems, each once."""
    problems = dict.fromkeys((*pass_problems(farm, morning, now), *message_problems(messages, now)))
    return Snapshot(farm, morning, tuple(messages), now, tuple(problems))


def pass_problems(farm: Farm, morning: Morning | None, now: datetime) -> tuple[str, ...]:
    """Return what is wrong with the last pass, nothing out of season, when none is made.

    Parameters
    ----------
    farm : Farm
        Its `weather.oldest` [h] is the age at which data leads to no advice.
    morning : Morning or None
        The last pass, None if there was none.
    now : datetime
        The time.
    """
    if now.astimezone(farm.place.timezone).month not in farm.season:
        return ()
    if morning is None:
        return (phrase("page_trouble.no_look"),)
    problems = []
    if now - morning.prospect.at > MAX_PASS_AGE:
        problems.append(phrase("page_trouble.old_look", age=span_text(now - morning.prospect.at)))
    age, prospect = data_age(morning, now), morning.prospect
    if reason_of(prospect.trouble) is Reason.DIARY_UNREADABLE:
        problems.append(phrase("page_trouble.no_advice", reason=unknown_detail_text(prospect.trouble, farm.units)))
    elif age is not None and age > timedelta(hours=farm.weather.oldest):
        problems.append(phrase("page_trouble.old_weather", allowed=max_age_text(farm)))
    elif age is None or prospect.trouble is not None:
        problems.append(trouble_sentence(prospect.trouble, farm.units))
    return tuple(problems)


def message_problems(messages: Iterable[QueuedMessage], now: datetime) -> tuple[str, ...]:
    """Return which of the recent messages have not, or perhaps not, been delivered."""
    recent = [row for row in messages if now - row.made_at < TROUBLE_SHOWN_FOR]
    in_trouble = [row for row in recent if _is_in_trouble(row, now)]
    return tuple(
        phrase("messages.trouble", message=message_name(row), state=message_state_text(row)) for row in in_trouble
    )


def _is_in_trouble(row: QueuedMessage, now: datetime) -> bool:
    if row.state in (MessageState.FAILED, MessageState.UNKNOWN):
        return True
    return row.is_waiting and _is_overdue(row, now)


def _is_overdue(row: QueuedMessage, now: datetime) -> bool:
    """Return whether a message should have gone out long ago; one that waits for its hour should not."""
    since = row.next_try if row.attempts == 0 and row.next_try is not None else row.made_at
    return now - since > MAX_WAIT

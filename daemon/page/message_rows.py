"""The messages as the page shows them, and those that are in trouble."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from daemon.domain.farm import Farm
from daemon.domain.message import MessageState, QueuedMessage
from daemon.domain.message_kind import Topic
from daemon.words.catalog import join, phrase, with_aside
from daemon.words.numbers import day_text, time_text

MAX_WAIT: Final = timedelta(minutes=30)
TROUBLE_SHOWN_FOR: Final = timedelta(days=2)  # an undelivered message troubles nobody for ever


@dataclass(frozen=True)
class MessageRow:
    """One message as shown."""

    what: str
    to: str
    text: str
    state: str


def message_problems(messages: Iterable[QueuedMessage], now: datetime) -> tuple[str, ...]:
    """Return which of the recent messages have not, or perhaps not, been delivered."""
    recent = (row for row in messages if now - row.made_at < TROUBLE_SHOWN_FOR)
    return tuple(
        phrase("messages.trouble", message=_message_name(row), state=_state_text(row))
        for row in recent
        if row.state in (MessageState.FAILED, MessageState.UNKNOWN) or (row.is_waiting and _is_overdue(row, now))
    )


def message_rows(farm: Farm, messages: Iterable[QueuedMessage]) -> tuple[MessageRow, ...]:
    """Return messages in the words and the units of a farm, in their order."""
    return tuple(
        MessageRow(
            what=join([day_text(row.day), _kind_text(row)]),
            to=join([row.person, _channel_text(row)]),
            text=row.message.title or row.message.body,
            state=_state_text(row, time_text(row.sent_at.astimezone(farm.place.timezone), farm.units))
            if row.sent_at
            else _state_text(row),
        )
        for row in messages
    )


def _is_overdue(row: QueuedMessage, now: datetime) -> bool:
    """Return whether a message should have gone out long ago; one that waits for its hour should not."""
    since = row.next_try if row.attempts == 0 and row.next_try is not None else row.made_at
    return now - since > MAX_WAIT


def _state_text(row: QueuedMessage, sent_at: str = "") -> str:
    if row.state is MessageState.NEW and row.attempts:
        words = phrase("messages.again")
    elif row.state is MessageState.NEW and row.stands_in_for is not None:
        words = phrase("messages.second_way")
    elif row.state is MessageState.SENT and sent_at:
        words = phrase("messages.sent_at", time=sent_at)
    else:
        words = phrase(f"message_states.{row.state.name.lower()}")
    return with_aside(words, row.reason)


def _kind_text(row: QueuedMessage) -> str:
    """Return what a message is for: the time of the day, or how a field stands that is mown."""
    topic = row.kind.topic
    if topic in (Topic.TEST, Topic.OTHER):
        topic = Topic.SETTINGS
    return phrase(f"message_kinds.{topic.name.lower()}", field=row.kind.field)


def _message_name(row: QueuedMessage) -> str:
    if row.kind.field:
        return phrase("messages.of_field", field=row.kind.field, person=row.person, channel=_channel_text(row))
    return phrase("messages.of_kind", kind=_kind_text(row), person=row.person, channel=_channel_text(row))


def _channel_text(row: QueuedMessage) -> str:
    return phrase(f"channels.{row.channel.name.lower()}")

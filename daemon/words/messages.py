"""The outbox's messages in words: what each is for, how it is sent and how far it has come."""

from daemon.domain.message import MessageState, QueuedMessage
from daemon.domain.message_kind import Topic
from daemon.words.catalog import phrase, with_aside


def message_state_text(row: QueuedMessage, sent_at: str = "") -> str:
    """Return how far a message has come, with the time it was sent at and the reason of a failure."""
    if row.state is MessageState.NEW and row.attempts:
        words = phrase("messages.again")
    elif row.state is MessageState.NEW and row.stands_in_for is not None:
        words = phrase("messages.second_way")
    elif row.state is MessageState.SENT and sent_at:
        words = phrase("messages.sent_at", time=sent_at)
    else:
        words = phrase(f"message_states.{row.state.name.lower()}")
    return with_aside(words, row.reason)


def message_kind_text(row: QueuedMessage) -> str:
    """Return what a message is for: the time of the day, or how a field stands that is mown."""
    topic = row.kind.topic
    if topic in (Topic.TEST, Topic.OTHER):
        topic = Topic.SETTINGS
    return phrase(f"message_kinds.{topic.name.lower()}", field=row.kind.field)


def message_name(row: QueuedMessage) -> str:
    """Return a message by its field or its kind, its person and its channel."""
    if row.kind.field:
        return phrase("messages.of_field", field=row.kind.field, person=row.person, channel=channel_text(row))
    return phrase("messages.of_kind", kind=message_kind_text(row), person=row.person, channel=channel_text(row))


def channel_text(row: QueuedMessage) -> str:
    """Return how a message is sent: by text or by email."""
    return phrase(f"channels.{row.channel.name.lower()}")

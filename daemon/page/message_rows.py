"""The messages as the page shows them, and those that are in trouble."""

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.domain.farm import Farm
from daemon.domain.message import QueuedMessage
from daemon.words.catalog import join
from daemon.words.messages import channel_text, message_kind_text, message_state_text
from daemon.words.numbers import day_text, time_text


@dataclass(frozen=True)
class MessageRow:
    """One message as shown."""

    what: str
    to: str
    text: str
    state: str


def message_rows(farm: Farm, messages: Iterable[QueuedMessage]) -> tuple[MessageRow, ...]:
    """Return messages in the words and the units of a farm, in their order."""
    return tuple(
        MessageRow(
            what=join([day_text(row.day), message_kind_text(row)]),
            to=join([row.person, channel_text(row)]),
            text=row.message.title or row.message.body,
            state=message_state_text(row, time_text(row.sent_at.astimezone(farm.place.timezone), farm.units))
            if row.sent_at
            else message_state_text(row),
        )
        for row in messages
    )

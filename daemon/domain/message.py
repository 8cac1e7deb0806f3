"""A message on its way: what it is, how far it has come and what came of an attempt."""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Final

from daemon.domain.farm import Channel, Person
from daemon.domain.message_kind import MessageKind

PICTURE_PLACEHOLDER: Final = "<!-- picture -->"  # in the HTML of a message, where its picture comes


@dataclass(frozen=True)
class Message:
    """What one person is sent: a text has no title, no HTML and no picture."""

    title: str
    body: str
    html: str | None = None
    picture: bytes | None = None  # PNG
    alt_text: str = ""  # that say what the picture shows, for who does not see it


class MessageState(StrEnum):
    """How far a message has come; `NEW` and an `UNKNOWN` with a next try wait, the others but `SENDING` are at rest."""

    NEW = "new"
    SENDING = "sending"
    SENT = "sent"
    FAILED = "failed"
    UNKNOWN = "unknown"
    NOT_NEEDED = "spared"  # the first channel was enough
    WITHHELD = "withheld"  # the person had enough messages that day


@dataclass(frozen=True)
class QueuedMessage:
    """A message in the outbox. `address` is masked: of the person's own only the scheme is kept.

    `stands_in_for` is the row of the first channel, of a message that only goes out if that one does not.
    """

    id: int
    day: date
    kind: MessageKind
    person: str
    channel: Channel
    message: Message
    state: MessageState
    attempts: int
    unknowns: int
    made_at: datetime
    due: datetime  # when it should have gone out
    next_try: datetime | None
    expires_at: datetime
    sent_at: datetime | None
    address: str
    reason: str
    stands_in_for: int | None = None

    @property
    def is_waiting(self) -> bool:
        """Whether it is still to be sent."""
        return self.state in (MessageState.NEW, MessageState.SENDING) or (
            self.state is MessageState.UNKNOWN and self.next_try is not None
        )


@dataclass(frozen=True)
class NewMessage:
    """A message to be kept and sent.

    It is of no use after `expires_at`, not sent before `first_try`, and withheld if the person has `max_per_day`
    messages that day already.
    """

    day: date  # the local day that it is for
    kind: MessageKind
    person: Person
    message: Message
    due: datetime
    expires_at: datetime
    first_try: datetime | None = None
    max_per_day: int | None = None


@dataclass(frozen=True)
class DeliveryOutcome:
    """What came of one attempt: sent, failed, or unknown where it may have gone out."""

    state: MessageState
    address: str
    reason: str = ""

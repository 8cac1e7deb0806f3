"""What a message is about. The outbox stores it as text, as releases before this type did."""

from dataclasses import dataclass
from enum import StrEnum

from daemon.domain.advice import WatchState
from daemon.domain.schedule import TaskKind


class Topic(StrEnum):
    """What people are told of."""

    MORNING = "morning"
    AFTER_ALL = "after all"
    EVENING = "evening"
    SIGN_OF_LIFE = "sign of life"
    BALE_SOONER = "bale sooner"
    WILL_NOT_MAKE_IT = "will not make it"
    SETTINGS = "settings"
    TEST = "test"
    OTHER = "other"  # of another release


@dataclass(frozen=True)
class MessageKind:
    """A topic and the one thing of it that a message is about; nobody is sent the same kind twice a day.

    `field` is the field that a change is of. `tag` tells mistakes in the settings and tests apart; of another release's
    message it is the whole text.
    """

    topic: Topic
    field: str = ""
    tag: str = ""

    @classmethod
    def of_task(cls, kind: TaskKind) -> "MessageKind":
        """Return the kind of a task's messages."""
        return cls(Topic(kind.value))

    @classmethod
    def of_change(cls, state: WatchState, field: str) -> "MessageKind":
        """Return the kind of a message about a field whose state has changed."""
        return cls(Topic(state.value), field=field)

    @classmethod
    def parse(cls, text: str) -> "MessageKind":
        """Return the kind that a stored text stands for.

        >>> MessageKind.parse("bale sooner: Creek")
        MessageKind(topic=<Topic.BALE_SOONER: 'bale sooner'>, field='Creek', tag='')
        >>> MessageKind.parse("test 12:00:00").tag, MessageKind.parse("frost").topic.value
        ('12:00:00', 'other')
        """
        topic, _, field = text.partition(": ")
        if topic in set(Topic) - {Topic.OTHER}:
            return cls(Topic(topic), field=field)
        first, _, tag = text.partition(" ")
        if first in (Topic.SETTINGS, Topic.TEST):
            return cls(Topic(first), tag=tag)
        return cls(Topic.OTHER, tag=text)

    def __str__(self) -> str:
        """Return the text that is stored.

        >>> str(MessageKind(Topic.BALE_SOONER, field="Creek")), str(MessageKind(Topic.SETTINGS, tag="1a2b3c4d"))
        ('bale sooner: Creek', 'settings 1a2b3c4d')
        """
        if self.topic is Topic.OTHER:
            return self.tag
        if self.field:
            return f"{self.topic}: {self.field}"
        return f"{self.topic} {self.tag}".rstrip()

"""Messages that a command sends at once, and what became of each of them."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from daemon.cli.parser import EXIT_OK, EXIT_PROBLEMS
from daemon.cli.progress_line import Stages
from daemon.cli.wiring import make_clock, make_composer, open_outbox

if TYPE_CHECKING:
    from daemon.domain.advice import Morning
    from daemon.domain.farm import Farm, Person
    from daemon.domain.message import Message, QueuedMessage
    from daemon.domain.message_kind import MessageKind


def send_morning(farm: "Farm", morning: "Morning", pretended: datetime | None, now: datetime) -> int:
    """Send everybody the morning's advice; `pretended` is the time that was typed, if one was."""
    from daemon.domain.message_kind import MessageKind, Topic
    from daemon.domain.schedule import TaskKind

    messages = make_composer(make_clock(pretended))(farm, morning, TaskKind.MORNING)
    return _send(farm, messages, MessageKind(Topic.MORNING), now, tried_for=timedelta(hours=4))


def send_test(farm: "Farm", now: datetime) -> int:
    """Send everybody a test message on each of their channels."""
    from daemon.domain.farm import Channel
    from daemon.domain.message import Message
    from daemon.domain.message_kind import MessageKind, Topic

    words = f"{farm.name}: a test. If you read this, the mowing advice can reach you."
    text, email = Message("", words), Message("Test of the mowing advice", words, f"<p>{words}</p>")
    everyone = (*farm.alerts.people, *farm.alerts.second_ways)
    messages = {person: text if person.channel is Channel.TEXT else email for person in everyone}
    kind = MessageKind(Topic.TEST, tag=f"{now:%H:%M:%S}")
    # One that fails is over: it must not go out hours later, with something else.
    return _send(farm, messages, kind, now, tried_for=timedelta(0))


def _send(
    farm: "Farm", messages: "Mapping[Person, Message]", kind: "MessageKind", now: datetime, *, tried_for: timedelta
) -> int:
    """Put messages in the outbox, deliver them once and say what became of each."""
    from daemon.domain.message import MessageState, NewMessage

    outbox = open_outbox()
    day = now.astimezone(farm.place.timezone).date()
    for person, message in messages.items():
        if outbox.enqueue(NewMessage(day, kind, person, message, now, now + tried_for), now) is None:
            print(f"{person.name} ({person.channel}): already told today")
    with Stages("sending"):
        attempted = outbox.deliver(now, (*farm.alerts.people, *farm.alerts.second_ways))
    for row in attempted:
        print(_outcome_line(row))
    if not messages:
        print("nobody to tell")
    return EXIT_OK if all(row.state is MessageState.SENT for row in attempted) else EXIT_PROBLEMS


def _outcome_line(row: "QueuedMessage") -> str:
    from daemon.domain.message import MessageState

    words = {
        MessageState.NEW: "not sent yet",
        MessageState.FAILED: "not sent",
        MessageState.UNKNOWN: "may not have arrived",
    }
    why = f", {row.reason}" if row.reason else ""
    return f"{row.person} ({row.channel}): {words.get(row.state, row.state)}{why}"

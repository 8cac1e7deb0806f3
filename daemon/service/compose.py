"""The messages as they go out: an email of a day to mow carries the picture of its drying."""

from dataclasses import replace

from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Person
from daemon.domain.message import Message
from daemon.domain.schedule import TaskKind
from daemon.messages.daily import AddToEmail, add_nothing, compose_messages
from daemon.page.pictures.render import email_picture


def compose_with_picture(
    farm: Farm, morning: Morning, task: TaskKind, add: AddToEmail = add_nothing
) -> dict[Person, Message]:
    """Return everybody's message, see `daemon.messages.daily.compose_messages`.

    Notes
    -----
    The picture is drawn once for all, in a process that is given no more than seconds: a message never waits for it
    longer, and goes without it where it cannot be drawn.
    """
    told = compose_messages(farm, morning, task, add)
    emails = [person for person, message in told.items() if message.html is not None]
    drawn = email_picture(farm, morning) if emails and task is TaskKind.MORNING else None
    if drawn is None:
        return told
    picture, words = drawn
    return told | {person: replace(told[person], picture=picture, alt_text=words) for person in emails}

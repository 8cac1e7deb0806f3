"""What everybody is told when the settings file was changed and has mistakes."""

from collections.abc import Sequence

from daemon.domain.farm import Channel, Farm, Person
from daemon.domain.message import Message
from daemon.messages.layout import email_message
from daemon.words.catalog import phrase, plural
from daemon.words.sms import fit_pieces


def compose_mistakes(farm: Farm, mistakes: Sequence[str]) -> dict[Person, Message]:
    """Return everybody's message of mistakes in the settings file, which goes to all: one of them made the change.

    Parameters
    ----------
    farm : Farm
        As the file had it before.
    mistakes : sequence of str
        One sentence each.
    """
    told = plural("settings.mistakes", len(mistakes))
    text = Message("", fit_pieces(farm.name, [told, phrase("lists.sentence", words=mistakes[0])]))
    mail = email_message(phrase("settings.subject"), [told, phrase("settings.mend")], mistakes, [])
    return {person: text if person.channel is Channel.TEXT else mail for person in farm.alerts.people}

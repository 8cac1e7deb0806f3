"""What everybody is told when the settings file was changed and has mistakes."""

from collections.abc import Sequence

from daemon.farm import Channel, Farm, Message, Person
from daemon.wording import email, fit


def say_mistakes(farm: Farm, mistakes: Sequence[str]) -> dict[Person, Message]:
    """Return everybody's message of mistakes in the settings file, which goes to all: one of them made the change.

    Parameters
    ----------
    farm : Farm
        As the file had it before.
    mistakes : sequence of str
        One sentence each.
    """
    count = "a mistake" if len(mistakes) == 1 else f"{len(mistakes)} mistakes"
    told = f"The settings file has {count}, so what it said before is in use."
    text = Message("", fit(farm.name, [told, f"{mistakes[0]}."]))
    mail = email(
        "Mistakes in the settings file", [told, "Put it right and save it; it is read again at once."], mistakes, []
    )
    return {person: text if person.channel is Channel.TEXT else mail for person in farm.alerts.people}

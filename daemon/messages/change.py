"""Messages of a change in the day: bale sooner, or it will not make it."""

from typing import Final

from daemon.domain.advice import Watched, WatchState
from daemon.domain.farm import Channel, Farm, Person
from daemon.domain.message import Message
from daemon.messages.layout import cut, email
from daemon.words.catalog import said
from daemon.words.sms import TEXT_PARTS, fit, parts, whole
from daemon.words.watch import _moisture_now, _pieces

SHORT_NAME: Final = 20  # characters of a field's name where the whole of it would push out what is to be done


def say_change(farm: Farm, one: Watched) -> dict[Person, Message]:
    """Return each person's message of a field that is to be baled sooner or will not make it: it goes to everybody."""
    text, mail = Message("", _text(farm, one)), _email(farm, one)
    return {person: text if person.channel is Channel.TEXT else mail for person in farm.alerts.people}


def _text(farm: Farm, one: Watched) -> str:
    """Return a text in which the field's name gives way to what is to be done there."""
    pieces = _pieces(farm, one, one.field)
    if parts(whole(farm.name, pieces[:2])) > TEXT_PARTS:
        pieces = _pieces(farm, one, f"{one.field[:SHORT_NAME].rstrip()}...")
    return fit(farm.name, [*pieces, said("care.sample")])


def _email(farm: Farm, one: Watched) -> Message:
    words = " ".join([*_pieces(farm, one, one.field), *_moisture_now(one, one.at)])
    subject = "watch.subject_stop" if one.state is WatchState.WILL_NOT_MAKE_IT else "watch.subject_sooner"
    return email(cut(said(subject, field=one.field)), [words, said("care.sample")], [], [said("care.caution")])

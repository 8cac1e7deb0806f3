"""Messages of a change in the day: bale sooner, or it will not make it."""

from typing import Final

from daemon.domain.advice import WatchedField, WatchState
from daemon.domain.farm import Channel, Farm, Person
from daemon.domain.message import Message
from daemon.messages.layout import email_message, short_subject
from daemon.words.catalog import phrase
from daemon.words.sms import MAX_PARTS, fit_pieces, full_text, part_count
from daemon.words.watch import _swath_water_sentences, _watch_pieces

SHORT_NAME_LENGTH: Final = 20  # characters of a field's name where the whole of it would push out what is to be done


def compose_change(farm: Farm, watched: WatchedField) -> dict[Person, Message]:
    """Return each person's message of a field that is to be baled sooner or will not make it: it goes to everybody."""
    text, mail = Message("", _change_text(farm, watched)), _change_email(farm, watched)
    return {person: text if person.channel is Channel.TEXT else mail for person in farm.alerts.people}


def _change_text(farm: Farm, watched: WatchedField) -> str:
    """Return a text in which the field's name gives way to what is to be done there."""
    pieces = _watch_pieces(farm, watched, watched.field)
    if part_count(full_text(farm.name, pieces[:2])) > MAX_PARTS:
        pieces = _watch_pieces(farm, watched, f"{watched.field[:SHORT_NAME_LENGTH].rstrip()}...")
    return fit_pieces(farm.name, [*pieces, phrase("care.sample")])


def _change_email(farm: Farm, watched: WatchedField) -> Message:
    words = " ".join([*_watch_pieces(farm, watched, watched.field), *_swath_water_sentences(watched, watched.at)])
    subject = "watch.subject_stop" if watched.state is WatchState.WILL_NOT_MAKE_IT else "watch.subject_sooner"
    return email_message(
        short_subject(phrase(subject, field=watched.field)),
        [words, phrase("care.sample")],
        [],
        [phrase("care.caution")],
    )

"""What goes into the outbox: after the quiet hours, within the bound of a day, and again by a second way."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from daemon.domain.farm import Alerts, Farm, Person
from daemon.domain.message import Message, NewMessage, QueuedMessage
from daemon.domain.message_kind import MessageKind
from daemon.domain.schedule import earliest_send_time
from daemon.messages.outbox.store import Outbox
from daemon.words.catalog import phrase
from daemon.words.numbers import time_text
from daemon.words.sms import MAX_PARTS, part_count, shorten, to_gsm_alphabet

ComposeForFarm = Callable[[Farm], Mapping[Person, Message]]

LATE_AFTER: Final = timedelta(minutes=15)  # from which a message says so
EVENING_ALLOWANCE: Final = timedelta(minutes=30)  # for the evening's message to go out


@dataclass(frozen=True)
class Occasion:
    """What is told of: its local day, its kind, when it falls due and when it is too late to matter.

    `urgent` goes out however many messages went before it.
    """

    day: date
    kind: MessageKind
    due: datetime
    too_late: datetime
    urgent: bool = False


def enqueue_for_all(outbox: Outbox, farm: Farm, occasion: Occasion, compose: ComposeForFarm, now: datetime) -> int:
    """Put everybody's message of an occasion into the outbox, and how many were new.

    Parameters
    ----------
    outbox : Outbox
    farm : Farm
    occasion : Occasion
    compose : callable
        Returns the messages to the people of a farm.
    now : datetime

    Notes
    -----
    The message by a person's second way waits until the first has had its time, and is spared if that delivers. What
    has not gone out when the quiet hours begin is given up.
    """
    goes = _send_time(now, farm)
    told, new = compose(farm), 0
    again = compose(_with_second_ways_only(farm)) if farm.alerts.second_ways else {}
    for person, message in told.items():
        item = NewMessage(
            day=occasion.day,
            kind=occasion.kind,
            person=person,
            message=message,
            due=occasion.due,
            expires_at=min(occasion.too_late, _last_send_time(goes, farm)),
            first_try=goes,
            max_per_day=None if occasion.urgent else farm.alerts.most_a_day,
        )
        second = None
        if person.second is not None and person.second in again:
            later = goes + timedelta(minutes=farm.alerts.second_after)
            second = replace(item, person=person.second, message=again[person.second], first_try=later)
        new += outbox.enqueue(item, now, second) is not None
    return new


def _send_time(now: datetime, farm: Farm) -> datetime:
    return max(now, earliest_send_time(now, _with_evening_allowance(farm.alerts), farm.place.timezone))


def _last_send_time(send_time: datetime, farm: Farm) -> datetime:
    """Return the last instant before the quiet hours that follow: no second try and no second way wakes anybody."""
    here = send_time.astimezone(farm.place.timezone)
    begin = datetime.combine(here.date(), _with_evening_allowance(farm.alerts).quiet_from, tzinfo=farm.place.timezone)
    return begin.astimezone(UTC) - timedelta(microseconds=1)


def _with_evening_allowance(alerts: Alerts) -> Alerts:
    """Return the alerts with time for the evening's message, at whose hour the quiet ones may begin."""
    evening = datetime.combine(date.min, alerts.evening)
    latest = min(evening + EVENING_ALLOWANCE, datetime.combine(date.min, time.max))
    return replace(alerts, quiet_from=max(alerts.quiet_from, latest.time()))


def _with_second_ways_only(farm: Farm) -> Farm:
    """Return the farm with nobody but those who have a second way, reached by that."""
    return replace(farm, alerts=replace(farm.alerts, people=farm.alerts.second_ways))


def late_notice(farm: Farm) -> Callable[[QueuedMessage, datetime], Message]:
    """Return how a message is worded at an attempt: one that is late says first when it was written."""

    def words(row: QueuedMessage, now: datetime) -> Message:
        if now - row.due < LATE_AFTER:
            return row.message
        written = time_text(row.made_at.astimezone(farm.place.timezone), farm.units)
        return mark_late(row.message, phrase("late.written", time=written))

    return words


def mark_late(message: Message, first: str) -> Message:
    """Return a message with some words before it; a text stays as short as a text may be."""
    if message.html is None:
        return replace(message, body=_trim_to_text(f"{first} {message.body}"))
    html = f"<p><strong>{first}</strong></p>{message.html}"
    title = phrase("subject.late", subject=message.title)
    return replace(message, title=title, body=f"{first}\n\n{message.body}", html=html)


def _trim_to_text(words: str) -> str:
    """Return as many whole sentences as a text may hold, two at the least: half an hour or half a number misleads."""
    kept, more = to_gsm_alphabet(words), phrase("text.page")
    if part_count(kept) <= MAX_PARTS:
        return kept
    while part_count(f"{kept} {more}") > MAX_PARTS and kept.count(". ") > 1:
        kept = kept[: kept.rindex(". ") + 1]
    return shorten(f"{kept} {more}")

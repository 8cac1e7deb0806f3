"""The messages as the page shows them, and those that are in trouble."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from daemon.domain.advice import WatchState
from daemon.domain.farm import Farm
from daemon.domain.message import Posted, State
from daemon.domain.schedule import TaskKind
from daemon.words.catalog import beside, joined, said
from daemon.words.numbers import clock_time, named_day

LONGEST_WAIT: Final = timedelta(minutes=30)
STUCK_SHOWN: Final = timedelta(days=2)  # an undelivered message troubles nobody for ever


@dataclass(frozen=True)
class MessageRow:
    """One message as shown."""

    what: str
    to: str
    text: str
    state: str


def message_problems(messages: Iterable[Posted], now: datetime) -> tuple[str, ...]:
    """Return which of the recent messages have not, or perhaps not, been delivered."""
    recent = (row for row in messages if now - row.made_at < STUCK_SHOWN)
    return tuple(
        said("messages.trouble", message=_message_name(row), state=_state(row))
        for row in recent
        if row.state in (State.FAILED, State.UNKNOWN) or (row.waits and _waits_long(row, now))
    )


def message_rows(farm: Farm, messages: Iterable[Posted]) -> tuple[MessageRow, ...]:
    """Return messages in the words and the units of a farm, in their order."""
    return tuple(
        MessageRow(
            what=joined([named_day(row.day), _kind(row)]),
            to=joined([row.person, _channel(row)]),
            text=row.message.title or row.message.body,
            state=_state(row, clock_time(row.sent_at.astimezone(farm.place.timezone), farm.units))
            if row.sent_at
            else _state(row),
        )
        for row in messages
    )


def _waits_long(row: Posted, now: datetime) -> bool:
    """Return whether a message should have gone out long ago; one that waits for its hour should not."""
    since = row.next_try if row.attempts == 0 and row.next_try is not None else row.made_at
    return now - since > LONGEST_WAIT


def _state(row: Posted, sent_at: str = "") -> str:
    if row.state is State.NEW and row.attempts:
        words = said("messages.again")
    elif row.state is State.NEW and row.stands_in_for is not None:
        words = said("messages.second_way")
    elif row.state is State.SENT and sent_at:
        words = said("messages.sent_at", time=sent_at)
    else:
        words = said(f"message_states.{row.state.name.lower()}")
    return beside(words, row.reason)


def _kind(row: Posted) -> str:
    """Return what a message is for: the time of the day, or how a field stands that is mown."""
    what, _, field = row.kind.partition(": ")
    kind = next((one for one in (*TaskKind, *WatchState) if one == what), None)
    if kind is None:
        return said("message_kinds.settings")
    return said(f"message_kinds.{kind.name.lower()}", field=field)


def _message_name(row: Posted) -> str:
    _, _, field = row.kind.partition(": ")
    if field:
        return said("messages.of_field", field=field, person=row.person, channel=_channel(row))
    return said("messages.of_kind", kind=_kind(row), person=row.person, channel=_channel(row))


def _channel(row: Posted) -> str:
    return said(f"channels.{row.channel.name.lower()}")

"""Whoever watches over the service from outside: called after each morning that went out, and when one did not."""

import logging
import threading
from collections.abc import Sequence
from datetime import date, datetime
from typing import Final

import requests

from daemon.domain.farm import Farm
from daemon.domain.message import MessageState, QueuedMessage
from daemon.domain.message_kind import MessageKind, Topic
from daemon.domain.schedule import Task, TaskKind, send_window
from daemon.messages.outbox.store import Outbox, OutboxError
from daemon.service.state import ServiceState
from daemon.words.numbers import time_text

log = logging.getLogger(__name__)

TIMEOUT: Final = 10.0  # [s]
OK: Final = ""


def morning_outcome(farm: Farm, outbox: Outbox, day: date, now: datetime) -> str | None:
    """Return what became of a day's morning: `OK`, why not, or None while that is open.

    Notes
    -----
    A morning on which nobody had anything to hear went well, and so did a day out of season: who watches expects a call
    every day.
    """
    task = Task(TaskKind.MORNING, day)
    opens, _ = send_window(task, farm.alerts, farm.place.timezone)
    if now < opens:
        return None
    if day.month in farm.season and task not in outbox.tasks_done(day):
        return missed_morning(farm, outbox, day, now) or None
    return _messages_outcome(outbox.messages_of(day, MessageKind(Topic.MORNING)))


def missed_morning(farm: Farm, outbox: Outbox, day: date, now: datetime) -> str:
    """Return why nobody was told anything this morning, where it is too late for it by now; else nothing.

    A service that first ran when the morning was over has missed none.
    """
    task = Task(TaskKind.MORNING, day)
    _, closes = send_window(task, farm.alerts, farm.place.timezone)
    if day.month not in farm.season or now <= closes or task in outbox.tasks_done(day):
        return ""
    first_run = ServiceState(outbox).first_run
    if first_run is None or first_run > closes:
        return ""
    until = time_text(closes.astimezone(farm.place.timezone), farm.units)
    return f"nothing was sent this morning: the weather and fields could not be looked at by {until}"


def _messages_outcome(rows: Sequence[QueuedMessage]) -> str | None:
    """Return what became of a morning's messages; one is well if it went out by either way."""
    went = {row.stands_in_for or row.id for row in rows if row.state is MessageState.SENT}
    waits = {row.stands_in_for or row.id for row in rows if row.is_waiting}
    first = [row for row in rows if row.stands_in_for is None]
    lost = [row for row in first if row.id not in went | waits]
    if lost:
        return "; ".join(f"to {row.person} by {row.channel}: {row.state}, {row.reason}" for row in lost)
    return OK if all(row.id in went for row in first) else None


class Heartbeat:
    """Calls the outside once a day, beside the rounds: none waits for it.

    Parameters
    ----------
    outbox : Outbox
        Holds the morning's messages and which day was last reported.
    """

    def __init__(self, outbox: Outbox) -> None:
        self._outbox, self._state = outbox, ServiceState(outbox)
        self._ping_thread: threading.Thread | None = None

    def report_morning(self, farm: Farm, now: datetime) -> None:
        """Begin to tell what became of today's morning, once that is known; a call that failed is made again."""
        day = now.astimezone(farm.place.timezone).date()
        if (self._ping_thread and self._ping_thread.is_alive()) or self._state.last_ping == day:
            return
        reason = morning_outcome(farm, self._outbox, day, now)
        address = farm.alerts.alive_address if reason == OK else farm.alerts.trouble_address
        if reason is not None and address is not None:
            self._ping_thread = threading.Thread(
                target=self._ping, args=(address, reason, day), name="outside", daemon=True
            )
            self._ping_thread.start()

    def _ping(self, address: str, reason: str, day: date) -> None:
        try:
            ping(address, reason)
            self._state.last_ping = day
        except (requests.RequestException, OutboxError) as error:
            # Its own words hold the address, which is a secret.
            log.warning(
                "the call to %s failed: %s", "trouble_address" if reason else "alive_address", type(error).__name__
            )


def ping(address: str, reason: str) -> None:
    """Ask for an address, or post the reason to it where there is one; raises what requests raises."""
    method, words = ("POST", reason.encode()) if reason else ("GET", None)
    headers = {"Content-Type": "text/plain; charset=utf-8"} if reason else {}
    with requests.request(method, address, data=words, headers=headers, timeout=TIMEOUT, stream=True) as response:
        response.raise_for_status()

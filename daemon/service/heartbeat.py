"""Whoever watches over the service from outside: called after each morning that went out, and when one did not."""

import logging
import threading
from collections.abc import Sequence
from datetime import date, datetime
from typing import Final

import requests

from daemon.domain.farm import Farm
from daemon.domain.message import MessageState, QueuedMessage
from daemon.domain.schedule import Task, TaskKind, send_window
from daemon.messages.outbox.store import Outbox, OutboxError
from daemon.words.numbers import time_text

log = logging.getLogger(__name__)

TIMEOUT: Final = 10.0  # [s]
LAST_PING: Final = "called outside"  # the last day of which the outside was told
FIRST_RUN: Final = "began"  # when the service first ran with this postbag
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
    return _messages_outcome(outbox.messages_of(day, TaskKind.MORNING))


def missed_morning(farm: Farm, outbox: Outbox, day: date, now: datetime) -> str:
    """Return why nobody was told anything this morning, where it is too late for it by now; else nothing.

    A service that first ran when the morning was over has missed none.
    """
    task = Task(TaskKind.MORNING, day)
    _, closes = send_window(task, farm.alerts, farm.place.timezone)
    if day.month not in farm.season or now <= closes or task in outbox.tasks_done(day):
        return ""
    began = outbox.load_value(FIRST_RUN)
    if began is None or datetime.fromisoformat(began) > closes:
        return ""
    until = time_text(closes.astimezone(farm.place.timezone), farm.units)
    return f"nothing was sent this morning: the weather and fields could not be looked at by {until}"


def record_first_run(outbox: Outbox, now: datetime) -> None:
    """Keep when the service first ran with a postbag."""
    if outbox.load_value(FIRST_RUN) is None:
        outbox.save_value(FIRST_RUN, now.isoformat())


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
    bag : Postbag
        Keeps which day was told.
    """

    def __init__(self, outbox: Outbox) -> None:
        self._bag = outbox
        self._calling: threading.Thread | None = None

    def report_morning(self, farm: Farm, now: datetime) -> None:
        """Begin to tell what became of today's morning, once that is known; a call that failed is made again."""
        day = now.astimezone(farm.place.timezone).date()
        if (self._calling and self._calling.is_alive()) or self._bag.load_value(LAST_PING) == day.isoformat():
            return
        reason = morning_outcome(farm, self._bag, day, now)
        address = farm.alerts.alive_address if reason == OK else farm.alerts.trouble_address
        if reason is not None and address is not None:
            self._calling = threading.Thread(
                target=self._ping, args=(address, reason, day), name="outside", daemon=True
            )
            self._calling.start()

    def _ping(self, address: str, reason: str, day: date) -> None:
        try:
            ping(address, reason)
            self._bag.save_value(LAST_PING, day.isoformat())
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

"""What the service remembers from one run to the next; it is kept in the outbox's file, beside the messages."""

import logging
from collections.abc import Callable
from datetime import date, datetime
from typing import Final, TypeVar

from pydantic import TypeAdapter, ValidationError

from daemon.domain.advice import AnnouncedField, Morning
from daemon.messages.outbox.store import Outbox
from daemon.service.upgrade import MORNING_ADAPTER

T = TypeVar("T")

log = logging.getLogger(__name__)

_TIME: Final = TypeAdapter(datetime)
_ANNOUNCEMENTS: Final = TypeAdapter(tuple[date, tuple[AnnouncedField, ...]])


class ServiceState:
    """The service's memory: each property is read from disk when asked for and written when set.

    Parameters
    ----------
    outbox : Outbox
        Whose file keeps it.

    Raises
    ------
    OutboxError
        By each property, where the file cannot be used.

    Notes
    -----
    A value that cannot be read is None, with a warning in the log; the service makes it anew in time.
    """

    def __init__(self, outbox: Outbox) -> None:
        self._outbox = outbox

    @property
    def last_fetch(self) -> datetime | None:
        """When the weather was last fetched."""
        return self._load("fetched", _TIME)

    @last_fetch.setter
    def last_fetch(self, at: datetime) -> None:
        self._save("fetched", _TIME, at)

    @property
    def morning(self) -> Morning | None:
        """The newest morning."""
        return self._load("morning", MORNING_ADAPTER)

    @morning.setter
    def morning(self, morning: Morning) -> None:
        self._save("morning", MORNING_ADAPTER, morning)

    @property
    def sent_morning(self) -> Morning | None:
        """The morning that people were last told, with what they were told since."""
        return self._load("said", MORNING_ADAPTER)

    @sent_morning.setter
    def sent_morning(self, morning: Morning) -> None:
        self._save("said", MORNING_ADAPTER, morning)

    @property
    def announcements(self) -> tuple[date, tuple[AnnouncedField, ...]] | None:
        """The last evening on which there was something to announce for the next day, and what."""
        return self._load("announced", _ANNOUNCEMENTS)

    @announcements.setter
    def announcements(self, evening: tuple[date, tuple[AnnouncedField, ...]]) -> None:
        self._save("announced", _ANNOUNCEMENTS, evening)

    @property
    def first_run(self) -> datetime | None:
        """When the service first ran with this state folder."""
        return self._load_text("began", datetime.fromisoformat)

    def record_first_run(self, now: datetime) -> None:
        """Keep when the service first ran, unless it is known."""
        if self.first_run is None:
            self._outbox.save_value("began", now.isoformat())

    @property
    def last_ping(self) -> date | None:
        """The last day of which the heartbeat was told."""
        return self._load_text("called outside", date.fromisoformat)

    @last_ping.setter
    def last_ping(self, day: date) -> None:
        self._outbox.save_value("called outside", day.isoformat())

    def _load(self, key: str, adapter: TypeAdapter[T]) -> T | None:
        stored = self._outbox.load_value(key)
        try:
            return None if stored is None else adapter.validate_json(stored)
        except ValidationError as error:
            log.warning("what was kept as %r cannot be read (%d faults) and is made anew", key, error.error_count())
            return None

    def _load_text(self, key: str, parse: Callable[[str], T]) -> T | None:
        stored = self._outbox.load_value(key)
        try:
            return None if stored is None else parse(stored)
        except ValueError:
            log.warning("what was kept as %r cannot be read and is made anew", key)
            return None

    def _save(self, key: str, adapter: TypeAdapter[T], value: T) -> None:
        self._outbox.save_value(key, adapter.dump_json(value).decode())

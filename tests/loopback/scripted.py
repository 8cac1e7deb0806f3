"""A server on the loopback interface that answers from a list, for what is the same with every weather service."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import format_datetime
from pathlib import Path
from typing import Any, Final

import requests

from daemon.weather.http.client import get, open_session
from tests.loopback.server import Answering, Serving
from tests.support.hand_clock import HandClock

NOON: Final = datetime(2026, 6, 10, 12, tzinfo=UTC)
BODY: Final = b'{"air_temperature": 17.1}'
LAST: Final = "Wed,  10 Jun 2026 8:31:02 GMT"  # not as a program would write it: it must come back byte for byte
JSON: Final = {"Content-Type": "application/json"}
HALF_HOUR: Final = {**JSON, "Expires": "Wed, 10 Jun 2026 12:30:00 GMT", "Last-Modified": LAST}
DRIP: Final = 0.02  # [s] between two bytes


@dataclass
class Reply:
    """What the server answers next; with status 0 it hangs up without a word."""

    status: int = 200
    body: bytes = BODY
    headers: dict[str, str] = field(default_factory=lambda: dict(JSON))
    drip: bool = False
    endless: bool = False
    cut: bool = False


class Site(Serving):
    """A server that answers from a list, the last one for ever, and notes what it was asked."""

    def __init__(self, clock: HandClock) -> None:
        super().__init__(_Handler)
        self.clock = clock
        self.replies = [Reply()]
        self.asked: list[dict[str, str]] = []
        self.sent = 0

    def answers(self, *replies: Reply) -> None:
        self.replies = list(replies)

    def next(self) -> Reply:
        return self.replies.pop(0) if len(self.replies) > 1 else self.replies[0]


class _Handler(Answering):
    site: Site

    def do_GET(self) -> None:
        self.site.asked.append({"path": self.path, **{name.title(): text for name, text in self.headers.items()}})
        with suppress(ConnectionError):
            self._answer(self.site.next())

    def _answer(self, reply: Reply) -> None:
        if reply.status == 0:
            self.close_connection = True
            return
        headers = {"Date": format_datetime(self.site.clock.now(), usegmt=True), **reply.headers}
        if reply.status != 304 and not reply.endless and "Transfer-Encoding" not in headers:
            headers.setdefault("Content-Length", str(len(reply.body) + 10 * reply.cut))
        self.send_response_only(reply.status)
        for name, text in headers.items():
            self.send_header(name, text)
        self.end_headers()
        for piece in _pieces(reply):
            if self.site.stopped.is_set() or (reply.drip and self.site.stopped.wait(DRIP)):
                break
            self.wfile.write(piece)
            self.site.sent += len(piece)
        self.close_connection = reply.cut or reply.endless


def _pieces(reply: Reply) -> Iterator[bytes]:
    while reply.endless:
        yield reply.body
    if reply.drip:
        yield from (bytes([byte]) for byte in reply.body)
    elif reply.body:
        yield reply.body


@dataclass
class Farm:
    """A program that asks the site, with one folder for its replies."""

    site: Site
    clock: HandClock
    folder: Path | None

    @contextmanager
    def session(self) -> Iterator[requests.Session]:
        with open_session("mail@farm.example.org", 0, self.folder, self.clock) as session:
            yield session

    def gets(self, path: str = "/", key: str = "1234-abcd", **named: Any) -> bytes:
        """Ask as after a restart: with a new session each time."""
        with self.session() as session:
            return get(session, self.site.address + path, {"apikey": key}, **named)

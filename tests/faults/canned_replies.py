"""A server on the loopback interface that answers each path with given bytes, or goes wrong on the way."""

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import urlsplit

from tests.loopback.server import Answering, Serving

DRIP: Final = 0.01  # [s] between two bytes


@dataclass(frozen=True)
class Canned:
    """What is answered: `times` the body, or byte by byte."""

    body: bytes
    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    times: int = 1
    drip: bool = False


class Canteen(Serving):
    """The server; use it as a context manager. `replies` holds what each path is answered."""

    def __init__(self) -> None:
        super().__init__(_Handler)
        self.replies: dict[str, Canned] = {}


class _Handler(Answering):
    site: Canteen

    def do_GET(self) -> None:
        with suppress(ConnectionError):
            self._answer(self.site.replies.get(urlsplit(self.path).path, Canned(b"", 404)))

    def _answer(self, reply: Canned) -> None:
        self.send_response_only(reply.status)
        self.send_header("Content-Type", "application/json")
        self.send_header("Content-Length", str(len(reply.body) * reply.times))
        for name, text in reply.headers.items():
            self.send_header(name, text)
        self.end_headers()
        pieces = (bytes([byte]) for byte in reply.body) if reply.drip else (reply.body for _ in range(reply.times))
        for piece in pieces:
            if self.site.stopped.wait(DRIP) if reply.drip else self.site.stopped.is_set():
                break
            self.wfile.write(piece)
        self.close_connection = True

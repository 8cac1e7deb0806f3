"""A server on the loopback interface that takes every request and never answers."""

from http.server import BaseHTTPRequestHandler
from typing import Final

from tests.loopback.serving import Serving

LONGEST: Final = 60.0  # [s]


class Silent(Serving):
    """The server; use it as a context manager. `asked` counts its requests."""

    def __init__(self) -> None:
        super().__init__(_Handler)
        self.asked = 0


class _Handler(BaseHTTPRequestHandler):
    site: Silent

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""

    def do_GET(self) -> None:
        self.site.asked += 1
        self.site.stopped.wait(LONGEST)
        self.close_connection = True

"""A server on the loopback interface that takes every request and never answers."""

from typing import Final

from tests.loopback.server import Answering, Serving

LONGEST: Final = 60.0  # [s]


class Silent(Serving):
    """The server; use it as a context manager. `asked` counts its requests."""

    def __init__(self) -> None:
        super().__init__(_Handler)
        self.asked = 0


class _Handler(Answering):
    site: Silent

    def do_GET(self) -> None:
        self.site.asked += 1
        self.site.stopped.wait(LONGEST)
        self.close_connection = True

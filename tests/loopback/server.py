"""What all servers on the loopback interface have in common: a thread of their own, an address and an end."""

import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Protocol, Self, TypeVar
from urllib.parse import parse_qs, urlsplit


class _Server(ThreadingHTTPServer):
    def handle_error(self, request: Any, client_address: Any) -> None:
        if not isinstance(sys.exception(), ConnectionError):  # a client that hangs up is what some tests want
            super().handle_error(request, client_address)


class Answering(BaseHTTPRequestHandler):
    """The handler of such a server."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True  # head and body go out in two writes

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing: what was asked is kept by who wants to know."""

    def path_and_query(self) -> tuple[str, dict[str, str]]:
        """What is asked for, lists joined by commas."""
        url = urlsplit(self.path)
        return url.path, {name: ",".join(values) for name, values in parse_qs(url.query).items()}


class Serving:
    """A server; use it as a context manager.

    Its handler finds it as `site`. `address` is where it is, and `stopped` is set as it ends.
    """

    def __init__(self, handler: type[BaseHTTPRequestHandler], port: int = 0) -> None:
        self.stopped = threading.Event()
        self._server = _Server(("127.0.0.1", port), type("Handler", (handler,), {"site": self}))
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        self.address = f"http://127.0.0.1:{self._server.server_address[1]}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stopped.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class Limited(Protocol):
    """What goes wrong with the next `times` replies."""

    times: int


F = TypeVar("F", bound=Limited)


def next_fault(faults: dict[str, F], path: str, none: F) -> F:
    """What goes wrong with the next reply to a path, `none` if nothing does."""
    fault = faults.get(path, none)
    fault.times -= 1
    if fault.times <= 0:
        faults.pop(path, None)
    return fault

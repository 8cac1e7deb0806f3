"""Real receivers on the loopback: a text gateway that answers as told, and a mail server that keeps its mail."""

import json
import time
from email import message_from_bytes, policy
from email.message import EmailMessage
from types import TracebackType
from typing import Any, Self

from aiosmtpd.controller import Controller

from tests.loopback.server import Answering, Serving
from tests.support.secret_leaks import CANARY


class Gateway(Serving):
    """A text gateway: keeps what is posted and answers with `statuses` in turn, then with 200."""

    def __init__(self, *statuses: int, silent: float = 0.0) -> None:
        super().__init__(_Posting)
        self.posted: list[dict[str, Any]] = []
        self.statuses, self.silent = list(statuses), silent
        self.address = self.address.replace("http://", f"json://farm:{CANARY}@")


class _Posting(Answering):
    site: Gateway

    def do_POST(self) -> None:
        self.site.posted.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
        time.sleep(self.site.silent)
        self.send_response(self.site.statuses.pop(0) if self.site.statuses else 200)
        self.send_header("Content-Length", "0")
        self.end_headers()


class _AnyPort(Controller):
    """The controller, told which port the system gave it."""

    def _trigger_server(self) -> None:
        server: Any = self.server
        self.port = server.sockets[0].getsockname()[1]
        super()._trigger_server()  # type: ignore[no-untyped-call]


class MailServer:
    """A mail server: keeps its mail; a `refusal` is what it answers to every recipient."""

    def __init__(self, refusal: str = "") -> None:
        self.mails: list[EmailMessage] = []
        self._refusal = refusal
        self._controller = _AnyPort(self, hostname="127.0.0.1", port=0)

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: list[str]) -> str:
        if self._refusal:
            return self._refusal
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self.mails.append(message_from_bytes(envelope.content, policy=policy.default))
        return "250 OK"

    def __enter__(self) -> Self:
        self._controller.start()
        port = self._controller.port
        self.address = f"mailto://127.0.0.1:{port}/ben@example.org?from=farm@example.org&mode=insecure"
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._controller.stop()

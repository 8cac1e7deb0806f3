"""A mail server on the loopback interface that tells each stage of a letter as it comes to it."""

import socketserver
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from email import message_from_bytes, policy
from types import TracebackType
from typing import Final, Self

# "taken": it keeps the letter and has not said so yet; "said": its yes is on its way.
STAGES: Final = ("connect", "mail", "rcpt", "data", "half", "whole", "taken", "said")
_REPLIES: Final = {"mail": b"250 go on\r\n", "rcpt": b"250 go on\r\n", "data": b"354 go on\r\n"}


@dataclass(frozen=True)
class Copy:
    """A letter that the server has taken: whom it is to and how it is called."""

    recipient: str
    name: str
    subject: str


class Gone(Exception):
    """Whoever wrote was killed, so the letter is not taken."""


class PostOffice:
    """A mail server; use it as a context manager.

    Parameters
    ----------
    at_stage : callable
        Called at each of `STAGES` of each letter, by the thread of its conversation; `Gone` ends the conversation.
    """

    def __init__(self, at_stage: Callable[[str], None] = lambda stage: None) -> None:
        self.copies: list[Copy] = []
        self.at_stage = at_stage
        self._talks, self._quiet = 0, threading.Condition()
        self._server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), type("Talk", (_Talk,), {"office": self}))
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        self.port = self._server.server_address[1]

    def address(self, recipient: str) -> str:
        """Return how somebody is reached by this server."""
        return f"mailto://127.0.0.1:{self.port}/{recipient}?from=farm@example.org&mode=insecure"

    def settle(self) -> None:
        """Wait until no conversation is left: what a killed one has sent is read to its end."""
        with self._quiet:
            if not self._quiet.wait_for(lambda: self._talks == 0, timeout=20.0):
                raise TimeoutError("a conversation does not end")

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def counted(self, more: int) -> None:
        """Count a conversation that begins or ends."""
        with self._quiet:
            self._talks += more
            self._quiet.notify_all()


class _Talk(socketserver.StreamRequestHandler):
    """One conversation."""

    office: PostOffice

    def setup(self) -> None:
        self.office.counted(1)
        super().setup()

    def handle(self) -> None:
        with suppress(OSError, Gone):
            self.talk()

    def finish(self) -> None:
        try:
            with suppress(OSError):
                super().finish()
        finally:
            self.office.counted(-1)

    def talk(self) -> None:
        recipient = ""
        self.reply(b"220 here\r\n", "connect")
        for line in self.rfile:
            verb = line[:4].strip().lower().decode()
            if verb == "rcpt":
                recipient = line.decode().partition("<")[2].partition(">")[0]
            self.reply(_REPLIES.get(verb, b"250 go on\r\n"), verb)
            if verb == "data":
                self.take(recipient)
            if verb == "quit":
                return

    def take(self, recipient: str) -> None:
        lines = [self.rfile.readline()]
        self.stage("half")
        while lines[-1] and lines[-1] != b".\r\n":
            lines.append(self.rfile.readline())
        if not lines[-1]:
            raise Gone  # without its end a letter is none
        self.stage("whole")
        letter = message_from_bytes(b"".join(lines[:-1]), policy=policy.default)
        self.office.copies.append(Copy(recipient, str(letter["Message-ID"]), str(letter["Subject"])))
        self.stage("taken")
        self.wfile.write(b"250 taken\r\n")
        self.stage("said")

    def reply(self, words: bytes, stage: str) -> None:
        self.stage(stage)
        self.wfile.write(words)

    def stage(self, stage: str) -> None:
        if stage in STAGES:
            self.office.at_stage(stage)

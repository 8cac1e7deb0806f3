"""A mail server on the loopback interface that goes wrong as it is told, at any point of a conversation."""

import socketserver
import ssl
import subprocess
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Final, Self

# Where it can go wrong: "body" is after the first line of a letter, "dot" after its end, "taken" once it is kept.
POINTS: Final = ("connect", "tls", "ehlo", "starttls", "auth", "mail", "rcpt", "data", "body", "dot", "taken", "quit")
WELL: Final = {
    "connect": "220 here",
    "starttls": "220 go on",
    "auth": "235 welcome",
    "data": "354 go on",
    "taken": "250 kept",
    "quit": "221 bye",
}
ENDLESS: Final = 100.0  # [s] nothing here lasts longer


@dataclass(frozen=True)
class Fault:
    """What goes wrong at a point: `say` is answered in place of the right words, or the server `hang`s or drops out.

    `drip` says a byte every so often [s] and never comes to an end, `flood` does so without a pause. `only` is for the
    n-th time that the point is come to in a conversation, from 0 on.
    """

    say: str = ""
    hang: bool = False
    drip: float = 0.0
    flood: bool = False
    drop: bool = False
    only: int | None = None


Plan = Mapping[str, Fault]
FINE: Final[Plan] = MappingProxyType({})
DROP, HANG, FLOOD = Fault(drop=True), Fault(hang=True), Fault(flood=True)


@dataclass(frozen=True)
class Taken:
    """A letter that the server keeps: its envelope and its bytes, as they came over the wire without the dots."""

    sender: str
    recipients: tuple[str, ...]
    raw: bytes

    @property
    def letter(self) -> EmailMessage:
        """The letter, read."""
        return message_from_bytes(self.raw, policy=policy.default)

    @property
    def name(self) -> str:
        """Its Message-ID."""
        return str(self.letter["Message-ID"])


class Ended(Exception):
    """The conversation is over."""


class SmtpServer:
    """A mail server; use it as a context manager.

    Parameters
    ----------
    *plans : Plan
        What goes wrong in the first conversations, in their order; the last plan with `for_ever` in all that follow.
    secure : str
        "insecure", "starttls" or "ssl", with a `certificate`.
    offers : tuple of str
        Lines of its answer to EHLO, beside STARTTLS.
    """

    def __init__(
        self,
        *plans: Plan,
        for_ever: bool = False,
        secure: str = "insecure",
        certificate: Path | None = None,
        offers: tuple[str, ...] = (),
    ) -> None:
        self.letters: list[Taken] = []
        self.said: list[str] = []  # all lines told to it, but for the letters
        self.seen: list[float] = []  # when each letter was kept, by the monotonic clock
        self.stopped = threading.Event()
        self.secure, self.offers = secure, offers
        self.context = _context(certificate) if certificate else None
        self._plans, self._for_ever, self._lock = list(plans), for_ever, threading.Lock()
        self._server = socketserver.ThreadingTCPServer(("127.0.0.1", 0), type("Talk", (_Talk,), {"site": self}))
        self._server.daemon_threads = True
        self._server.request_queue_size = 64
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))
        self.port = self._server.server_address[1]

    def address(self, recipients: str = "ben@example.org", login: str = "", more: str = "", host: str = "") -> str:
        """Return how somebody is reached by this server, as a farmer would write it."""
        at = f"{host or '127.0.0.1'}:{self.port}"
        return f"mailto://{login}{at}?to={recipients}&from=farm@example.org&mode={self.secure}{more}"

    def plan(self) -> Plan:
        """Return what goes wrong in a conversation that begins now."""
        with self._lock:
            if self._for_ever and len(self._plans) == 1:
                return self._plans[0]
            return self._plans.pop(0) if self._plans else FINE

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stopped.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class _Talk(socketserver.StreamRequestHandler):
    """One conversation."""

    site: SmtpServer
    plan: Plan

    def handle(self) -> None:
        self.plan, self.times = self.site.plan(), dict.fromkeys(POINTS, 0)
        self.sender, self.recipients = "", list[str]()
        with suppress(OSError, Ended):
            self.request.settimeout(ENDLESS)
            if self.site.secure == "ssl":
                self.encrypt()
            self.reply("connect")
            while line := self.rfile.readline():
                self.hear(line.decode(errors="replace").rstrip("\r\n"))

    def finish(self) -> None:
        with suppress(OSError):
            super().finish()
        with suppress(OSError):
            self.request.close()

    def hear(self, line: str) -> None:
        self.site.said.append(line)
        verb = line.partition(" ")[0].lower()
        if verb == "ehlo":
            lines = ["here", *(["STARTTLS"] if self.site.secure == "starttls" else []), *self.site.offers]
            marks = ["-"] * (len(lines) - 1) + [" "]
            self.reply("ehlo", "\r\n".join(f"250{mark}{words}" for mark, words in zip(marks, lines, strict=True)))
        elif verb == "auth" and line.lower().startswith("auth login"):
            self.dialogue(named=line.lower() != "auth login")
        elif verb in ("mail", "rcpt"):
            self.envelope(verb, line)
        else:
            self.go_on(verb, self.reply(verb if verb in POINTS else "", WELL.get(verb, "250 go on")))

    def go_on(self, verb: str, answer: str) -> None:
        """Do what a verb asks for, where it was not refused."""
        if verb == "starttls" and answer == WELL["starttls"]:
            self.encrypt()
        if verb == "data" and answer == WELL["data"]:
            self.take()
        if verb == "quit":
            raise Ended

    def dialogue(self, named: bool) -> None:
        """Ask for the user, who may be named already, and the password, one after the other."""
        for word in (b"334 VXNlcm5hbWU6\r\n", b"334 UGFzc3dvcmQ6\r\n")[named:]:
            self.wfile.write(word)
            self.site.said.append(self.rfile.readline().decode().strip())
        self.reply("auth")

    def envelope(self, verb: str, line: str) -> None:
        address = line.partition("<")[2].partition(">")[0]
        answer = self.reply(verb, "250 go on")
        if verb == "mail":
            self.sender = address
        elif answer.startswith("250"):
            self.recipients.append(address)

    def take(self) -> None:
        lines = [self.rfile.readline()]
        self.go_wrong("body")
        while lines[-1] and lines[-1] != b".\r\n":
            lines.append(self.rfile.readline())
        if not lines[-1]:
            raise Ended  # without its end a letter is none
        if self.go_wrong("dot"):
            return
        text = b"".join(line.removeprefix(b".") for line in lines[:-1])
        self.site.seen.append(time.monotonic())
        self.site.letters.append(Taken(self.sender, tuple(self.recipients), text))
        self.reply("taken")

    def encrypt(self) -> None:
        if self.go_wrong("tls") or self.site.context is None:
            return
        self.request = self.site.context.wrap_socket(self.request, server_side=True)
        self.rfile, self.wfile = self.request.makefile("rb"), socketserver._SocketWriter(self.request)  # type: ignore[attr-defined]

    def reply(self, point: str, words: str = "") -> str:
        """Say the right words or what is planned in their place, and return what was said."""
        said = self.go_wrong(point) if point else ""
        if said:
            return said
        words = words or WELL[point]
        self.wfile.write(f"{words}\r\n".encode())
        return words

    def go_wrong(self, point: str) -> str:
        """Do what is planned for a point, and return what was said in doing so; "" if nothing is planned."""
        fault, nth = self.plan.get(point), self.times[point]
        self.times[point] += 1
        if fault is None or fault.only not in (None, nth):
            return ""
        if fault.drop:
            raise Ended
        if fault.hang:
            self.wait_for_end()
        if fault.drip or fault.flood:
            self.drip(fault.drip)
        self.wfile.write(f"{fault.say}\r\n".encode())
        if fault.say.startswith("421"):
            raise Ended
        return fault.say

    def wait_for_end(self) -> None:
        """Say nothing until the other side is gone."""
        self.request.settimeout(0.05)
        until = time.monotonic() + ENDLESS
        while not self.site.stopped.is_set() and time.monotonic() < until:
            with suppress(TimeoutError):
                if not self.request.recv(4096):
                    break
        raise Ended

    def drip(self, pause: float) -> None:
        """Say the beginning of an answer that has no end."""
        until = time.monotonic() + ENDLESS
        while not self.site.stopped.is_set() and time.monotonic() < until:
            for byte in b"250-more\r\n" if pause else [b"250-more\r\n" * 1000]:
                self.wfile.write(bytes([byte]) if isinstance(byte, int) else byte)
                time.sleep(pause)
        raise Ended


def certificate(folder: Path, name: str = "IP:127.0.0.1") -> Path:
    """Return a file with a key and a certificate that nobody else has signed, made by `openssl`."""
    path = folder / "server.pem"
    made = folder / "made.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
            *("-days", "2", "-subj", "/CN=loopback", "-addext", f"subjectAltName={name}"),
            *("-keyout", str(path), "-out", str(made)),
        ],
        check=True,
        capture_output=True,
    )
    path.write_bytes(path.read_bytes() + made.read_bytes())
    return path


def _context(path: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(path)
    return context

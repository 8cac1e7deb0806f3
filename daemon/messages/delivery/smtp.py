"""An email by SMTP, sent in bounded time and so that it is known how far it came.

What a server has not taken is sent again; what it may have taken goes out again only as what can be recognised as the
same letter, by its Message-ID.

References
----------
RFC 5321, Simple Mail Transfer Protocol, 3.3, 4.1.4, 4.2.5, 4.5.2 and 6.1. RFC 4616, The PLAIN SASL Mechanism.
"""

import smtplib
import ssl
from base64 import b64encode
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.policy import SMTP
from io import BufferedReader, RawIOBase
from queue import Empty, SimpleQueue
from socket import SOCK_STREAM, getaddrinfo, socket
from threading import Thread
from time import monotonic
from types import MappingProxyType
from typing import Any, Final

from daemon.domain.message import DeliveryOutcome, MessageState
from daemon.messages.delivery.redact import redact

STEP_TIMEOUT: Final = 20.0  # [s] for the server's next words; some let everybody wait for the first ones
ACCEPT_TIMEOUT: Final = 30.0  # [s] for its yes to the whole letter
TOTAL_TIMEOUT: Final = 60.0  # [s] for everything: one that drips its words never runs into the others
QUIT_TIMEOUT: Final = 2.0  # [s] for what nobody needs
MAX_REPLY_BYTES: Final = 1 << 20  # bytes from a server in one conversation
MAX_ADDRESSES_TRIED: Final = 4  # addresses of one name that are tried
EHLO_NAME: Final = "[127.0.0.1]"  # RFC 5321, 4.1.4: for who has no name; finding one out may take a minute

# Seven bits: not every server takes eight, nor lines of any length.
SEVEN_BIT_POLICY: Final = SMTP.clone(cte_type="7bit")

NamedAddress = tuple[str, str]  # name, address


@dataclass(frozen=True)
class Account:
    """How letters are sent: `security` is "ssl", "starttls" or "insecure"."""

    host: str
    port: int
    security: str
    user: str | None
    password: str | None
    sender: NamedAddress
    recipients: tuple[NamedAddress, ...]
    verify_certificate: bool = True  # whether the server's certificate must be good
    cc: tuple[NamedAddress, ...] = ()
    bcc: tuple[str, ...] = ()
    reply_to: tuple[NamedAddress, ...] = ()
    headers: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))  # the farm's own
    secrets: frozenset[str] = frozenset()  # which no reason may repeat

    @property
    def addresses(self) -> tuple[str, ...]:
        """Return the addresses that the letter goes to, each once."""
        named = (*self.recipients, *self.cc)
        return tuple(dict.fromkeys((*(address for _, address in named), *self.bcc)))


class NoFinalReply(Exception):
    """The server had the whole letter and then gave no answer: it may have taken it."""


class UnknownHost(OSError):
    """No machine is known by the server's name."""


class LoginDisconnected(smtplib.SMTPException):
    """The server ended the conversation at the login."""


def send_letter(letter: EmailMessage, account: Account, address: str) -> DeliveryOutcome:
    """Hand a letter to its server and return what came of it.

    Parameters
    ----------
    letter : EmailMessage
    account : Account
    address : str
        Masked, for the outcome.

    Returns
    -------
    Outcome
        `SENT` after the server's yes. `UNKNOWN` if it had the whole letter and gave no answer, or took it for some of
        several recipients. Else `FAILED`, and then it has taken nothing.
    """
    try:
        with _open_session(account) as talk:
            refused = _transmit(talk, letter, account)
    except NoFinalReply:
        return DeliveryOutcome(
            MessageState.UNKNOWN, address, "the mail server said nothing after the whole letter; it may have it"
        )
    except (smtplib.SMTPException, OSError) as error:
        return DeliveryOutcome(MessageState.FAILED, address, f"the mail server {_failure_text(error, account)}")
    if refused:
        some = f"refused {len(refused)} of {len(account.addresses)} recipients and"
        words = _failure_text(smtplib.SMTPResponseException(*refused[0]), account)
        return DeliveryOutcome(MessageState.UNKNOWN, address, f"the mail server {some} {words}")
    return DeliveryOutcome(MessageState.SENT, address)


class _SmtpSession(smtplib.SMTP):
    """A conversation that ends in time, whatever the server does."""

    def __init__(self, account: Account) -> None:
        super().__init__(local_hostname=EHLO_NAME)
        self._host = account.host  # the name that the certificate must have
        self.at_once = _tls_context(account) if account.security == "ssl" else None
        self.step = STEP_TIMEOUT
        self._ends = monotonic() + TOTAL_TIMEOUT

    def time_left(self) -> float:
        """Return how long the next step may take [s]; `TimeoutError` once all the time is gone."""
        left = min(self.step, self._ends - monotonic())
        if left <= 0.0:
            raise TimeoutError
        return left

    def end_within(self, seconds: float) -> None:
        """Let all that is left be over sooner."""
        self._ends = min(self._ends, monotonic() + seconds)

    def _get_socket(self, host: str, port: int, timeout: float) -> socket:
        plain = _connect(host, port, self.time_left)
        return self.at_once.wrap_socket(plain, server_hostname=host) if self.at_once else plain

    def send(self, s: Any) -> None:
        if self.sock is not None:
            self.sock.settimeout(self.time_left())
        super().send(s)

    def ehlo_or_helo_if_needed(self) -> None:
        if self.ehlo_resp is None and self.helo_resp is None:
            answer = self.ehlo()
            if answer[0] == 421:  # it hangs up, and no older greeting helps
                raise smtplib.SMTPResponseException(*answer)
            if answer[0] // 100 != 2:
                _expect(self.helo(), 250)

    def getreply(self) -> tuple[int, bytes]:
        if self.file is None and self.sock is not None:
            self.file = BufferedReader(_BoundedReader(self.sock, self.time_left))
        return super().getreply()


class _BoundedReader(RawIOBase):
    """What a server says: each piece in time, and not without end."""

    def __init__(self, sock: socket, time_left: Callable[[], float]) -> None:
        self._sock, self._left, self._room = sock, time_left, MAX_REPLY_BYTES

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        self._sock.settimeout(self._left())
        count = self._sock.recv_into(buffer)
        self._room -= count
        if self._room < 0:
            raise OSError("too many words")
        return count


@contextmanager
def _open_session(account: Account) -> Iterator[_SmtpSession]:
    """Open a conversation, encrypted and logged in as the account wants it."""
    talk = _SmtpSession(account)
    try:
        _expect(talk.connect(account.host, account.port), 220)
        if account.security == "starttls":
            talk.starttls(context=_tls_context(account))
        if account.user and account.password:
            _log_in(talk, account.user, account.password)
        yield talk
    finally:
        _quit(talk)
        talk.close()


def _log_in(session: _SmtpSession, user: str, password: str) -> None:
    session.ehlo_or_helo_if_needed()
    try:
        if f"{user}{password}".isascii():
            session.login(user, password)
        else:  # which `smtplib` cannot
            token = b64encode(f"\0{user}\0{password}".encode()).decode()
            answer = session.docmd("AUTH", f"PLAIN {token}")
            if answer[0] != 235:
                raise smtplib.SMTPAuthenticationError(*answer)
    except smtplib.SMTPServerDisconnected as error:
        if _is_timeout(error):
            raise
        raise LoginDisconnected from error


def _transmit(session: _SmtpSession, letter: EmailMessage, account: Account) -> list[tuple[int, bytes]]:
    """Say who writes to whom and hand over the letter; return the answers to the recipients that were refused.

    Notes
    -----
    `smtplib`'s own way to send does not tell a silence before the end of the data from one after it.
    """
    session.ehlo_or_helo_if_needed()
    _expect(session.mail(account.sender[1]), 250)
    answers = [session.rcpt(address) for address in account.addresses]
    refused = [answer for answer in answers if answer[0] // 100 != 2]
    if len(refused) == len(answers):
        raise smtplib.SMTPResponseException(*refused[0])
    _expect(session.docmd("DATA"), 354)
    session.send(_dot_stuff(letter.as_bytes(policy=SEVEN_BIT_POLICY)) + b".\r\n")
    _await_acceptance(session)
    return refused


def _await_acceptance(session: _SmtpSession) -> None:
    """Wait for the server to take the letter; `NoFinalReply` unless it clearly says yes or no."""
    session.step = ACCEPT_TIMEOUT
    try:
        answer = session.getreply()
    except (smtplib.SMTPException, OSError) as error:
        raise NoFinalReply from error
    if answer[0] // 100 in (4, 5):
        raise smtplib.SMTPResponseException(*answer)
    if answer[0] // 100 != 2:
        raise NoFinalReply


def _dot_stuff(text: bytes) -> bytes:
    """Return lines of which none can be taken for the end (RFC 5321, 4.5.2), the last of them ended."""
    ended = text if text.endswith(b"\r\n") else text + b"\r\n"
    lines = (b"." + line if line.startswith(b".") else line for line in ended.split(b"\r\n"))
    return b"\r\n".join(lines)


def _expect(answer: tuple[int, bytes], code: int) -> None:
    if answer[0] != code:
        raise smtplib.SMTPResponseException(*answer)


def _quit(session: _SmtpSession) -> None:
    session.end_within(QUIT_TIMEOUT)
    with suppress(smtplib.SMTPException, OSError):
        session.docmd("QUIT")


def _connect(host: str, port: int, time_left: Callable[[], float]) -> socket:
    """Return a connection to the first of a name's addresses that answers."""
    trouble: OSError = UnknownHost()
    for family, kind, protocol, _, address in _resolve(host, port, time_left())[:MAX_ADDRESSES_TRIED]:
        plain = socket(family, kind, protocol)
        try:
            plain.settimeout(time_left())
            plain.connect(address)
        except OSError as error:
            plain.close()
            trouble = error
        else:
            return plain
    raise trouble


def _resolve(host: str, port: int, within: float) -> list[Any]:
    """Return the addresses of a name, looked up beside this thread: the system gives the look-up no bound in time."""
    answers: SimpleQueue[list[Any]] = SimpleQueue()

    def look() -> None:
        try:
            answers.put(list(getaddrinfo(host, port, type=SOCK_STREAM)))
        except (OSError, UnicodeError):
            answers.put([])

    Thread(target=look, name="look-up", daemon=True).start()
    try:
        return answers.get(timeout=within)
    except Empty:
        raise UnknownHost from None


def _tls_context(account: Account) -> ssl.SSLContext:
    context = ssl.create_default_context()
    if not account.verify_certificate:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context


def _is_timeout(error: BaseException | None) -> bool:
    """Return whether an error comes from waiting too long, which `smtplib` hides behind one of its own."""
    return error is not None and (isinstance(error, TimeoutError) or _is_timeout(error.__context__))


def _failure_text(error: Exception, account: Account) -> str:
    """Return in plain words why a letter was not taken."""
    if _is_timeout(error):
        return "did not answer in time"
    match error:
        case smtplib.SMTPAuthenticationError(smtp_code=code):
            return f"refused user and password ({code})" if code >= 500 else f"lets nobody log in now ({code})"
        case smtplib.SMTPResponseException(smtp_code=code, smtp_error=said):
            words = said.decode(errors="replace") if isinstance(said, bytes) else said
            return f"answered {code} {redact(words, account.secrets)}" if code > 0 else "does not speak SMTP"
        case ssl.SSLCertVerificationError(verify_message=why):
            return f"has no good certificate ({redact(why, account.secrets)})"
        case smtplib.SMTPNotSupportedError() if "STARTTLS" in str(error):
            return "offers no encryption by STARTTLS"
    return next((words for kind, words in _FAILURE_TEXTS if isinstance(error, kind)), "could not be reached")


_FAILURE_TEXTS: Final = (  # the first that fits
    (smtplib.SMTPNotSupportedError, "offers no login"),
    (LoginDisconnected, "broke off at the login; user or password may be wrong"),
    (smtplib.SMTPServerDisconnected, "broke off before it had the letter"),
    (smtplib.SMTPException, "offers no way to log in that this program knows"),
    (ssl.SSLError, "does not speak TLS on this port, or not as this program does"),
    (UnknownHost, "is not known by its name: that has a typing error, or the network is down"),
    ((ConnectionResetError, BrokenPipeError), "broke off before it had the letter"),
)

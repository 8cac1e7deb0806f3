"""An email by SMTP, sent so that it is known how far it came.

What a server has not taken is sent again; what it may have taken goes out again only as what can be recognised as the
same letter, by its Message-ID.

References
----------
RFC 5321, Simple Mail Transfer Protocol, 4.2.5 and 6.1: with its yes to the end of the data the server has taken it.
RFC 5322, Internet Message Format, 3.6.4. RFC 3834, Automatic Responses to Electronic Mail.
"""

import smtplib
import ssl
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from email.message import EmailMessage
from email.policy import SMTP as CRLF
from email.utils import format_datetime, formataddr
from hashlib import sha256
from html import escape
from socket import SHUT_RDWR, gaierror
from threading import Timer
from typing import Final

from daemon.posted import Outcome, Posted, State

STEP_TIMEOUT: Final = 10.0  # [s] for the server's next words
TAKEN_TIMEOUT: Final = 30.0  # [s] for its yes to the whole letter
WHOLE_TIMEOUT: Final = 60.0  # [s] for everything: one that drips its words never runs into the others
GREETING: Final = "[127.0.0.1]"  # RFC 5321, 4.1.4: for who has no name; finding one out may take a minute


@dataclass(frozen=True)
class Account:
    """How letters are sent: `secure` is "ssl", "starttls" or "insecure"."""

    host: str
    port: int
    secure: str
    user: str | None
    password: str | None
    sender: tuple[str, str]  # name, address
    recipient: tuple[str, str]
    verified: bool = True  # whether the server's certificate must be good


class Silent(Exception):
    """The server had the whole letter and then said nothing: it may have taken it."""


def compose(row: Posted, account: Account) -> EmailMessage:
    """Return a message as a letter: its text, and its HTML beside it where it has some.

    Notes
    -----
    The Message-ID and the date are those of the message, not of the attempt: every copy is the same letter.
    """
    letter = EmailMessage()
    letter["From"], letter["To"] = formataddr(account.sender), formataddr(account.recipient)
    letter["Date"], letter["Message-ID"] = format_datetime(row.made_at), message_id(row, account)
    letter["Auto-Submitted"] = "auto-generated"
    if row.message.title:
        letter["Subject"] = row.message.title
    letter.set_content(row.message.body)
    if row.message.html is not None:
        title, html = escape(row.message.title), row.message.html
        head = f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{title}</title></head>'
        letter.add_alternative(f"{head}<body>{html}</body></html>\n", subtype="html")
    return letter


def message_id(row: Posted, account: Account) -> str:
    """Return the same name for every attempt at a message, and another for every other message."""
    words = "\n".join((row.day.isoformat(), row.kind, row.person, row.channel, row.made_at.isoformat()))
    domain = account.sender[1].rpartition("@")[2] or "localhost"
    return f"<{sha256(words.encode()).hexdigest()[:32]}.forenoon@{domain}>"


def send_letter(letter: EmailMessage, account: Account, address: str) -> Outcome:
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
        `SENT` after the server's yes; `UNKNOWN` if it had the whole letter and said nothing; else `FAILED`, and then
        it has taken nothing.
    """
    try:
        with _conversation(account) as smtp:
            _hand_over(smtp, letter, account)
    except Silent:
        return Outcome(State.UNKNOWN, address, "the mail server said nothing after the whole letter; it may have it")
    except (smtplib.SMTPException, OSError) as error:
        return Outcome(State.FAILED, address, _failure(error))
    return Outcome(State.SENT, address)


@contextmanager
def _conversation(account: Account) -> Iterator[smtplib.SMTP]:
    """Open a conversation that ends in time, encrypted and logged in as the account wants it."""
    secured = _context(account)
    ssl_at_once = account.secure == "ssl"
    smtp = (
        smtplib.SMTP_SSL(timeout=STEP_TIMEOUT, context=secured) if ssl_at_once else smtplib.SMTP(timeout=STEP_TIMEOUT)
    )
    smtp.local_hostname = GREETING
    watch = Timer(WHOLE_TIMEOUT, _break_off, [smtp])
    watch.daemon = True
    watch.start()
    try:
        smtp._host = account.host  # type: ignore[attr-defined]  # the name that the certificate must have
        smtp.connect(account.host, account.port)
        if account.secure == "starttls":
            smtp.starttls(context=secured)
        if account.user and account.password:
            smtp.login(account.user, account.password)
        yield smtp
    finally:
        watch.cancel()
        smtp.close()


def _hand_over(smtp: smtplib.SMTP, letter: EmailMessage, account: Account) -> None:
    """Say who writes to whom and hand over the letter; `Silent` once the server may have taken it.

    Notes
    -----
    `smtplib`'s own way to send does not tell a silence before the end of the data from one after it.
    """
    smtp.ehlo_or_helo_if_needed()
    _expect(smtp.mail(account.sender[1]), 250)
    _expect(smtp.rcpt(account.recipient[1]), 250, 251)
    _expect(smtp.docmd("DATA"), 354)
    text = letter.as_bytes(policy=CRLF)
    smtp.send(_dotted(text) + b".\r\n")
    try:
        if smtp.sock is not None:
            smtp.sock.settimeout(TAKEN_TIMEOUT)
        answer = smtp.getreply()
    except (smtplib.SMTPServerDisconnected, OSError) as error:
        raise Silent from error
    _expect(answer, 250)
    with suppress(smtplib.SMTPException, OSError):
        smtp.docmd("QUIT")


def _dotted(text: bytes) -> bytes:
    """Return lines of which none can be taken for the end (RFC 5321, 4.5.2), the last of them ended."""
    ended = text if text.endswith(b"\r\n") else text + b"\r\n"
    lines = (b"." + line if line.startswith(b".") else line for line in ended.split(b"\r\n"))
    return b"\r\n".join(lines)


def _expect(answer: tuple[int, bytes], *codes: int) -> None:
    if answer[0] not in codes:
        raise smtplib.SMTPResponseException(*answer)


def _context(account: Account) -> ssl.SSLContext:
    context = ssl.create_default_context()
    if not account.verified:
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
    return context


def _break_off(smtp: smtplib.SMTP) -> None:
    """End a conversation that takes too long, from beside it."""
    with suppress(OSError):
        if smtp.sock is not None:
            smtp.sock.shutdown(SHUT_RDWR)


def _failure(error: Exception) -> str:
    """Return in plain words why a letter was not taken."""
    words: str
    match error:
        case smtplib.SMTPNotSupportedError():
            words = "offers no way to log in, or no encryption as asked for"
        case smtplib.SMTPAuthenticationError(smtp_code=code):
            words = f"refused user and password ({code})"
        case smtplib.SMTPResponseException(smtp_code=code, smtp_error=said):
            words = f"answered {code} {said.decode(errors='replace') if isinstance(said, bytes) else said}"
        case ssl.SSLError():
            words = "has no good certificate, or does not speak TLS"
        case TimeoutError():
            words = "did not answer in time"
        case ConnectionRefusedError() | gaierror():
            words = "could not be reached"
        case _:
            words = "broke off before it had the letter"
    return f"the mail server {words}"

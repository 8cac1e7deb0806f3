"""How a message is written as a letter.

References
----------
RFC 5322, Internet Message Format, 3.6.4. RFC 2047, non-ASCII Text in Message Headers. RFC 3834, Automatic Responses to
Electronic Mail.
"""

from collections.abc import Iterable
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from hashlib import sha256
from html import escape
from typing import Final, cast

from daemon.domain.message import PICTURE_PLACEHOLDER, QueuedMessage
from daemon.messages.delivery.smtp import SEVEN_BIT_POLICY, Account, NamedAddress

PICTURE_CID: Final = "picture@forenoon"  # the name of a letter's picture within it


def build_letter(row: QueuedMessage, account: Account) -> EmailMessage:
    """Return a message as a letter: its text, and its HTML with the picture beside it where it has some.

    Notes
    -----
    The Message-ID and the date are those of the message, not of the attempt: every copy is the same letter.
    """
    letter = EmailMessage(policy=SEVEN_BIT_POLICY)
    letter["From"], letter["To"] = _address_headers([account.sender]), _address_headers(account.recipients)
    if account.cc:
        letter["Cc"] = _address_headers(account.cc)
    if account.reply_to:
        letter["Reply-To"] = _address_headers(account.reply_to)
    letter["Date"], letter["Message-ID"] = format_datetime(row.made_at), message_id(row, account)
    letter["Auto-Submitted"] = "auto-generated"
    if row.message.title:
        letter["Subject"] = _header_line(row.message.title)
    for name, value in account.headers.items():
        if name not in letter:
            letter[name] = _header_line(value)
    _add_content(letter, row)
    return letter


def message_id(row: QueuedMessage, account: Account) -> str:
    """Return the same name for every attempt at a message, and another for every other message."""
    words = "\n".join((row.day.isoformat(), str(row.kind), row.person, row.channel, row.made_at.isoformat()))
    domain = account.sender[1].rpartition("@")[2] or "localhost"
    return f"<{sha256(words.encode()).hexdigest()[:32]}.forenoon@{domain}>"


def _add_content(letter: EmailMessage, row: QueuedMessage) -> None:
    letter.set_content(row.message.body)
    if row.message.html is not None:
        title, html = escape(row.message.title), row.message.html
        head = f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{title}</title></head>'
        shown = _picture_html(row.message.alt_text) if row.message.picture else ""
        if PICTURE_PLACEHOLDER not in html:
            html += PICTURE_PLACEHOLDER
        placed = html.replace(PICTURE_PLACEHOLDER, shown, 1)
        letter.add_alternative(f"{head}<body>{placed}</body></html>\n", subtype="html")
        if row.message.picture:
            *_, rich = letter.iter_parts()
            cast(EmailMessage, rich).add_related(
                row.message.picture, "image", "png", cid=f"<{PICTURE_CID}>", disposition="inline"
            )


def _picture_html(words: str) -> str:
    return f'<p><img src="cid:{PICTURE_CID}" alt="{escape(words)}" style="max-width: 100%"></p>'


def _address_headers(named: Iterable[NamedAddress]) -> tuple[Address, ...]:
    return tuple(Address(display_name=_header_line(name), addr_spec=address) for name, address in named)


def _header_line(words: str) -> str:
    """Return words that fit in one header, whose lines no word of ours may break."""
    return " ".join("".join(character if character.isprintable() else " " for character in words).split())

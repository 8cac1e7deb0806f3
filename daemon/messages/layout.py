"""How the parts of an email are laid out, as text and as HTML."""

from collections.abc import Sequence
from html import escape
from typing import Final

from daemon.domain.message import PICTURE_PLACEHOLDER, Message
from daemon.words.catalog import phrase
from daemon.words.no_break import add_no_break_spaces

SUBJECT_LENGTH: Final = 40  # characters that a telephone shows of a subject


def email_message(
    subject: str, lines: Sequence[str], fields: Sequence[str], footer: Sequence[str], cautions: Sequence[str] = ()
) -> Message:
    """Return an email whose HTML says the same as its text; a picture comes before the fields."""
    lists = [(phrase("page.beware"), cautions), (phrase("page.fields"), fields)]
    body = "\n\n".join([*lines, *(_plain_list(head, items) for head, items in lists if items), *footer])
    cares, states = (_html_list(head, items) if items else "" for head, items in lists)
    above = "".join(f"<p>{escape(line)}</p>" for line in lines)
    below = "".join(f"<p><small>{escape(line)}</small></p>" for line in footer)
    return Message(
        subject, body, add_no_break_spaces(above + cares) + PICTURE_PLACEHOLDER + add_no_break_spaces(states + below)
    )


def _plain_list(head: str, items: Sequence[str]) -> str:
    return "\n".join([head, *(f"- {item}" for item in items)])


def _html_list(head: str, items: Sequence[str]) -> str:
    return f"<h3>{escape(head)}</h3><ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>"


def short_subject(text: str) -> str:
    """Return a subject as long as a telephone shows it."""
    return text if len(text) <= SUBJECT_LENGTH else f"{text[: SUBJECT_LENGTH - 3].rstrip()}..."

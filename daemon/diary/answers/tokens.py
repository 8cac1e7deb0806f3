"""Signed tokens, which carry an answer in the address of a link."""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Final

from itsdangerous import BadData, URLSafeSerializer

from daemon.diary.answers.choices import Choice
from daemon.diary.store import NoteKind
from daemon.domain.farm import Farm
from daemon.domain.units import DAY

MAX_TOKEN_LENGTH: Final = 2000  # characters; the program's own tokens have a few hundred
# Answers that are also accepted on the next day; the others are about what can be seen at that moment.
ANSWERABLE_NEXT_DAY: Final = (NoteKind.CUT, NoteKind.UNCUT, NoteKind.WRAPPED)


@dataclass(frozen=True)
class Answer:
    """What a link says about a field on a day, and the person who got it.

    `word` is the stage or the ground seen, or the area cut [ha] if that is not all of the field. `person` is empty for
    a link on the page, which nobody in particular reads.
    """

    kind: NoteKind
    word: str
    field: str
    day: date
    person: str
    expires_at: datetime
    nonce: str


class InvalidToken(Exception):
    """A token is not one that this program signed."""


def new_answer(farm: Farm, field: str, day: date, choice: Choice, person: str) -> Answer:
    """Return an answer that expires at the end of its day, or of the next day if it is then still accepted."""
    kind, word = choice
    last_day = day + DAY if kind in ANSWERABLE_NEXT_DAY else day
    expires_at = datetime.combine(last_day + DAY, time(0), tzinfo=farm.place.timezone).astimezone(UTC)
    return Answer(kind, str(word), field, day, person, expires_at, secrets.token_urlsafe(12))


def sign_answer(key: bytes, answer: Answer) -> str:
    """Return the token of an answer."""
    return _serializer(key, "answer").dumps(_pack(answer))


def read_token(key: bytes, token: str) -> Answer:
    """Return the answer in a token.

    Raises
    ------
    InvalidToken
        If it was not signed with the key, or if an older program signed it in another form.
    """
    try:
        return _unpack(_serializer(key, "answer").loads(token))
    except (BadData, ValueError, TypeError, OverflowError) as error:
        raise InvalidToken from error


def sign_form(key: bytes, token: str) -> str:
    """Return the mark of the form that the link with a token opens."""
    return _serializer(key, "form").dumps(hashlib.sha256(token.encode()).hexdigest())


def _serializer(key: bytes, salt: str) -> URLSafeSerializer:
    signer_kwargs = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
    return URLSafeSerializer(key, salt=f"forenoon {salt}", signer_kwargs=signer_kwargs)


def _pack(answer: Answer) -> list[str | int]:
    """Return the values of an answer as JSON can hold them; `_unpack` is the inverse."""
    day, expires_at = answer.day.isoformat(), int(answer.expires_at.timestamp())
    return [answer.kind, answer.word, answer.field, day, answer.person, expires_at, answer.nonce]


def _unpack(packed: object) -> Answer:
    """Return the answer in a signed token; raises ValueError or TypeError if it has another form."""
    if not isinstance(packed, list):
        raise ValueError("no list")
    kind, word, field, day, person, expires_at, nonce = packed
    if not all(isinstance(text, str) for text in (word, field, person, nonce)):
        raise ValueError("no words")
    expiry = datetime.fromtimestamp(expires_at, UTC)
    return Answer(NoteKind(kind), word, field, date.fromisoformat(day), person, expiry, nonce)

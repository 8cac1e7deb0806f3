"""What fits in a text message: characters and parts of the GSM 7-bit alphabet (3GPP TS 23.038, as remembered)."""

import unicodedata
from collections.abc import Sequence
from typing import Final

from daemon.words.catalog import said

TEXT_PARTS: Final = 2


BASIC: Final = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿"
    "abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENDED: Final = frozenset("^{}[]~\\|€\f")  # an escape and a character: two septets
ONE_PART: Final = 160  # [septets]
LINKED_PART: Final = 153  # [septets] where parts are linked, their header takes the rest
PLAIN: Final = {"–": "-", "—": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "…": "...", "°": " deg"}


def septets(text: str) -> int:
    """Return the length of a text in septets.

    Raises
    ------
    ValueError
        For a character outside the alphabet: one alone would cut a part from 153 characters to 67.

    Examples
    --------
    >>> septets("20 acres"), septets("[9]")
    (8, 5)
    """
    foreign = set(text) - BASIC - EXTENDED
    if foreign:
        raise ValueError(f"not in the GSM 7-bit alphabet: {''.join(sorted(foreign))!r}; write it with `plain`")
    return len(text) + sum(character in EXTENDED for character in text)


def parts(text: str) -> int:
    """Return how many message parts a text takes.

    Examples
    --------
    >>> parts("a" * 160), parts("a" * 161), parts("a" * 306), parts("a" * 307)
    (1, 2, 2, 3)
    """
    length = septets(text)
    return 1 if length <= ONE_PART else -(-length // LINKED_PART)


def plain(text: str) -> str:
    """Return a text in the alphabet: accents it lacks are dropped, and what has no letter in it becomes "?".

    Examples
    --------
    >>> plain("Żółta łąka – 20°"), plain("Wiese über dem Bach")
    ('Zo?ta ?aka - 20 deg', 'Wiese über dem Bach')
    """
    known = BASIC | EXTENDED
    return "".join(c if c in known else PLAIN.get(c) or _bare(c) for c in unicodedata.normalize("NFC", text))


def _bare(character: str) -> str:
    letter = unicodedata.normalize("NFKD", character)[0]
    return letter if letter in BASIC else "?"


def fit(farm_name: str, pieces: Sequence[str]) -> str:
    """Return as many of the pieces as two parts hold, from the front; the first is always in, cut if it must be."""
    kept = list(pieces)
    while len(kept) > 1 and parts(whole(farm_name, kept)) > TEXT_PARTS:
        kept.pop()
    return shortened(whole(farm_name, kept))


def shortened(text: str) -> str:
    """Return a text as far as two parts hold it."""
    while parts(text) > TEXT_PARTS:
        text = text[:-1]
    return text


def whole(farm_name: str, pieces: Sequence[str]) -> str:
    """Return a text that says first whose farm it is of, in the alphabet of texts."""
    return plain(said("text.whole", farm=farm_name, words=" ".join(pieces)))

"""What fits in a text message: characters and parts of the GSM 7-bit alphabet (3GPP TS 23.038, as remembered)."""

import unicodedata
from collections.abc import Sequence
from typing import Final

from daemon.words.catalog import phrase

MAX_PARTS: Final = 2


BASIC_CHARACTERS: Final = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿"
    "abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENDED_CHARACTERS: Final = frozenset("^{}[]~\\|€\f")  # an escape and a character: two septets
SINGLE_PART_SEPTETS: Final = 160  # [septets]
LINKED_PART_SEPTETS: Final = 153  # [septets] where parts are linked, their header takes the rest
REPLACEMENTS: Final = {"–": "-", "—": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "…": "...", "°": " deg"}


def septet_count(text: str) -> int:
    """Return the length of a text in septets.

    Raises
    ------
    ValueError
        For a character outside the alphabet: one alone would cut a part from 153 characters to 67.

    Examples
    --------
    >>> septet_count("20 acres"), septet_count("[9]")
    (8, 5)
    """
    foreign = set(text) - BASIC_CHARACTERS - EXTENDED_CHARACTERS
    if foreign:
        raise ValueError(
            f"not in the GSM 7-bit alphabet: {''.join(sorted(foreign))!r}; write it with `to_gsm_alphabet`"
        )
    return len(text) + sum(character in EXTENDED_CHARACTERS for character in text)


def part_count(text: str) -> int:
    """Return how many message parts a text takes.

    Examples
    --------
    >>> part_count("a" * 160), part_count("a" * 161), part_count("a" * 306), part_count("a" * 307)
    (1, 2, 2, 3)
    """
    length = septet_count(text)
    return 1 if length <= SINGLE_PART_SEPTETS else -(-length // LINKED_PART_SEPTETS)


def to_gsm_alphabet(text: str) -> str:
    """Return a text in the alphabet: accents it lacks are dropped, and what has no letter in it becomes "?".

    Examples
    --------
    >>> to_gsm_alphabet("Żółta łąka – 20°"), to_gsm_alphabet("Wiese über dem Bach")
    ('Zo?ta ?aka - 20 deg', 'Wiese über dem Bach')
    """
    known = BASIC_CHARACTERS | EXTENDED_CHARACTERS
    return "".join(
        c if c in known else REPLACEMENTS.get(c) or _base_letter(c) for c in unicodedata.normalize("NFC", text)
    )


def _base_letter(character: str) -> str:
    letter = unicodedata.normalize("NFKD", character)[0]
    return letter if letter in BASIC_CHARACTERS else "?"


def fit_pieces(farm_name: str, pieces: Sequence[str]) -> str:
    """Return as many of the pieces as two parts hold, from the front; the first is always in, cut if it must be."""
    kept = list(pieces)
    while len(kept) > 1 and part_count(full_text(farm_name, kept)) > MAX_PARTS:
        kept.pop()
    return shorten(full_text(farm_name, kept))


def shorten(text: str) -> str:
    """Return a text as far as two parts hold it."""
    while part_count(text) > MAX_PARTS:
        text = text[:-1]
    return text


def full_text(farm_name: str, pieces: Sequence[str]) -> str:
    """Return a text that says first whose farm it is of, in the alphabet of texts."""
    return to_gsm_alphabet(phrase("text.whole", farm=farm_name, words=" ".join(pieces)))

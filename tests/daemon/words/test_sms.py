import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.words.sms import BASIC_CHARACTERS, EXTENDED_CHARACTERS, part_count, septet_count, to_gsm_alphabet

FIXED = settings(derandomize=True, deadline=None, max_examples=200)


def test_the_alphabet_has_its_size() -> None:
    # 3GPP TS 23.038 table 6.2.1, memory: 128 places, one of them the escape to the ten characters of the extension
    assert len(BASIC_CHARACTERS) == 127
    assert len(EXTENDED_CHARACTERS) == 10
    assert not BASIC_CHARACTERS & EXTENDED_CHARACTERS


@pytest.mark.parametrize(
    ("text", "length"), [("", 0), ("a", 1), ("é", 1), ("€", 2), ("^{}[]~\\|", 16), ("ΔΩ", 2), ("\n", 1)]
)
def test_an_extended_character_takes_two_septets(text: str, length: int) -> None:
    assert septet_count(text) == length


@pytest.mark.parametrize(
    ("length", "count"), [(0, 1), (160, 1), (161, 2), (306, 2), (307, 3), (459, 3), (460, 4)]
)  # memory: 160 septets alone, 153 where parts are linked
def test_parts_are_counted_in_septets(length: int, count: int) -> None:
    assert part_count("b" * length) == count


def test_escapes_count_towards_the_parts() -> None:
    assert part_count("€" * 80) == 1
    assert part_count("€" * 80 + "a") == 2


@pytest.mark.parametrize("foreign", ["ł", "ç", "\u2013", "🐎", "\x00", "\t", "`"])
def test_a_foreign_character_is_refused(foreign: str) -> None:
    with pytest.raises(ValueError, match="not in the GSM 7-bit alphabet"):
        septet_count(f"a{foreign}b")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Prés d'En Haut", "Prés d'En Haut"),  # é is in the alphabet
        ("Fût \u2013 ê", "Fut - e"),
        ("Große Wiese", "Große Wiese"),
        ("Čistá louka", "Cista louka"),
        ("l\u2019étang\u2026", "l'étang..."),
        ("\u201cTop\u201d 🐎", '"Top" ?'),
        ("日本", "??"),
    ],
)
def test_names_are_written_in_the_alphabet(text: str, said: str) -> None:
    assert to_gsm_alphabet(text) == said


@FIXED
@given(st.text(max_size=80))
def test_whatever_is_written_plainly_can_be_sent(text: str) -> None:
    once = to_gsm_alphabet(text)
    assert septet_count(once) >= len(text)
    assert to_gsm_alphabet(once) == once


@FIXED
@given(st.text(alphabet=sorted(BASIC_CHARACTERS | EXTENDED_CHARACTERS), max_size=80))
def test_what_is_in_the_alphabet_is_left_alone(text: str) -> None:
    assert to_gsm_alphabet(text) == text

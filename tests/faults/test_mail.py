from random import Random

import pytest

from tests.faults.counts import Count
from tests.faults.mail import HASTY, Came, Faults, all_of, cases, drawn, patience

DRAWN = 16


@pytest.fixture(scope="module")
def came() -> list[Came]:
    """What comes of the whole matrix and of some drawn cases, with little patience."""
    draw = Random(6)
    with patience(HASTY):
        return all_of([*cases(), *(drawn(draw) for _ in range(DRAWN))])


def test_no_letter_is_lost_doubled_or_renamed_and_nobody_waits_for_anothers_server(came: list[Came]) -> None:
    faults = Faults()
    for one in came:
        faults.count(one)
    assert [count for count in faults.counts() if count.seen] == []
    assert {count.of for count in faults.counts()} == {len(came)}
    assert len(came) > DRAWN + 60


@pytest.mark.parametrize(
    ("name", "then", "letters"),
    [
        ("550 at rcpt", "new sent", 1),
        ("drop at data", "new sent", 1),
        ("hang at mail", "new sent", 1),
        ("drop at dot", "unknown sent", 1),
        ("drop at taken", "unknown sent", 2),
        ("550 for one of two recipients", "unknown sent", 2),
        ("drop at taken, for ever", "unknown unknown", 2),
        ("wrong password, for ever", "new new new new new new failed", 0),
    ],
)
def test_what_comes_of_a_case(came: list[Came], name: str, then: str, letters: int) -> None:
    [one] = [one for one in came if one.case.name == name]
    assert (" ".join(one.states), one.letters) == (then, letters)


def test_a_fault_would_be_counted() -> None:
    assert Count("a letter lost", 1, 10).bound is None

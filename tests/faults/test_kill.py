from collections.abc import Callable, Iterator, Sequence
from random import Random

import pytest

from tests.faults.forked_service import STATEMENT, Nursery
from tests.faults.kill import Found, Kill, drawn, faults, ground
from tests.faults.restarts import restarted

Make = Callable[[Sequence[Kill], Found], None]


@pytest.fixture(scope="module")
def make(nursery: Nursery) -> Iterator[Make]:
    with ground(nursery) as found:
        yield found


@pytest.mark.parametrize(
    ("kill", "in_window"),
    [
        (Kill("after insert", 2), 0),
        (Kill("after claim"), 0),
        (Kill("whole"), 0),
        (Kill("taken"), 1),
        (Kill("after mark", 2), 0),
        (Kill(STATEMENT, 20), 0),
    ],
)
def test_a_kill_loses_nothing_and_doubles_only_between_the_yes_and_the_mark(
    make: Make, kill: Kill, in_window: int
) -> None:
    found = Found()
    make([kill], found)
    assert (found.kills, found.in_window, found.again > 0) == (1, in_window, in_window > 0)
    assert not any(faults(found).values()), faults(found)


def test_kills_at_any_moment_lose_and_double_nothing(make: Make) -> None:
    found, draw = Found(), Random(11)
    for number in range(4):
        make([drawn(draw, 0.15, 140) for _ in range(1 + number % 3)], found)
    assert found.trials == 4
    assert not any(faults(found).values()), faults(found)


def test_restarts_repeat_nothing(nursery: Nursery) -> None:
    found = restarted(nursery, 12, seed=5)
    assert (found.restarts, found.mornings) == (12, 2)
    assert (found.repeats, found.lost, found.killed) == (0, 0, 0)

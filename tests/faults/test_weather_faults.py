"""A share of the spoiled replies, with fixed dice: nothing breaks down, and nothing is mown into the rain."""

import json
from collections.abc import Iterator

import pytest

from daemon.domain.advice import AdviceKind
from tests.faults.canned_replies import Canned
from tests.faults.corruptions import later
from tests.faults.weather import SOURCES, Ground, ground, tried, tried_heavy


@pytest.fixture(scope="module")
def place() -> Iterator[Ground]:
    with ground() as found:
        yield found


@pytest.mark.parametrize("name", SOURCES)
def test_good_replies_lead_to_a_mow_on_the_dry_day_and_to_none_on_the_wet_day(place: Ground, name: str) -> None:
    for wet in (False, True):
        morning = place.look(name, {path: Canned(body) for path, body in place.good[name, wet].items()})
        assert [advice.kind for advice in morning.advices] == [AdviceKind.WAIT if wet else AdviceKind.MOW]
        assert place.breakdowns.seen == []


def test_spoiled_replies_break_nothing_down_and_mow_nothing_into_the_rain(place: Ground) -> None:
    found = tried(place, 28, seed=11)
    assert (found.crashes, found.false_mows) == ([], [])
    assert found.looks == 28
    assert found.mown_dry > 0, "some are no worse for it"


def test_replies_wrongly_packed_or_too_large_break_nothing_down(place: Ground) -> None:
    found = tried_heavy(place, ("met.no",), ("100 MB", "packed, and cut", "nothing"))
    assert (found.looks, found.crashes, found.false_mows) == (3, [], [])


@pytest.mark.parametrize("hours", [-24, 24])
@pytest.mark.parametrize("name", ["open-meteo", "weather.gov", "met.no"])
def test_hours_told_whole_days_off_lead_to_no_mow(place: Ground, name: str, hours: int) -> None:
    replies = {}
    for path, body in place.good[name, True].items():
        tree = json.loads(body)
        later(tree, hours)
        replies[path] = Canned(json.dumps(tree).encode())
    assert place.look(name, replies).advices[0].kind is AdviceKind.NONE

"""Single mornings of a real season through the file source and the whole pass, against what really came."""

import pytest

from daemon.domain.prospect import FieldDay
from tests.season import Site, load, season, workable
from tests.support.farms import plan_of
from tests.support.rain import wettest_hour

NEEDED = 0.7


@pytest.fixture(scope="module")
def site() -> Site:
    return load("greensboro")


@pytest.fixture(scope="module")
def found(site: Site) -> dict[float, list[FieldDay]]:
    return {dry_matter: list(season(site, dry_matter, NEEDED, every=12)) for dry_matter in (2.0, 4.0)}


def test_it_speaks_where_the_crop_is_light(found: dict[float, list[FieldDay]]) -> None:
    assert sum(workable(day, NEEDED) for day in found[2.0]) >= 3


def test_it_is_silent_on_some_mornings(found: dict[float, list[FieldDay]]) -> None:
    assert not all(workable(day, NEEDED) for day in found[2.0])


def test_a_heavy_crop_never_gets_a_day_that_a_light_one_does_not(found: dict[float, list[FieldDay]]) -> None:
    light, heavy = ({day.date for day in found[yield_] if workable(day, NEEDED)} for yield_ in (2.0, 4.0))
    assert heavy <= light
    assert len(heavy) < len(light)


def test_it_never_speaks_on_a_day_with_rain_on_the_swath(site: Site, found: dict[float, list[FieldDay]]) -> None:
    spoken = [day for days in found.values() for day in days if day.plan]
    assert spoken
    for day in spoken:
        assert wettest_hour(site.hours, plan_of(day).start, plan_of(day).wrapped_by) < 0.2, day.date


def test_all_is_wrapped_by_the_end_of_the_day(found: dict[float, list[FieldDay]]) -> None:
    for day in (day for days in found.values() for day in days if day.plan):
        assert (plan_of(day).start.hour, plan_of(day).start.minute) >= (7, 0)
        assert (plan_of(day).wrapped_by.hour, plan_of(day).wrapped_by.minute) <= (20, 30)
        assert plan_of(day).moisture_at_baling.high <= 0.55 + 1e-9  # the wettest the farm bales

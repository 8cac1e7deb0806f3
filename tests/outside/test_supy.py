"""The season of 2012 on a London roof, as hourly record, through the file source and the whole pass."""

import pytest

from daemon.domain.prospect import FieldDay
from tests.season import Site, load, season, workable
from tests.support.farms import plan_of
from tests.support.rain import wettest_hour

NEEDED = 0.7
EVERY = 5  # days, so that 31 of 153 mornings are tried


@pytest.fixture(scope="module")
def site() -> Site:
    return load("london")


@pytest.fixture(scope="module")
def found(site: Site) -> dict[float, list[FieldDay]]:
    return {dry_matter: list(season(site, dry_matter, NEEDED, every=EVERY)) for dry_matter in (2.0, 4.0)}


def test_the_record_is_the_one_that_was_looked_at(site: Site) -> None:
    rain = site.hours.past["precipitation_amount"]
    dry = (rain.isel(member=0).to_series()["2012-05":"2012-09"] < 0.2).mean()
    assert 0.85 < dry < 0.99
    assert site.hours.past.sizes["time"] > 8700


def test_a_wet_summer_has_few_days_for_a_light_crop_and_hardly_any_for_a_heavy_one(
    found: dict[float, list[FieldDay]],
) -> None:
    light, heavy = ({day.date for day in found[yield_] if workable(day, NEEDED)} for yield_ in (2.0, 4.0))
    assert 5 <= len(light) <= 20  # of 31
    assert 1 <= len(heavy) <= 5
    assert heavy <= light


def test_it_never_speaks_on_a_day_with_rain_on_the_swath(site: Site, found: dict[float, list[FieldDay]]) -> None:
    spoken = [day for days in found.values() for day in days if day.plan]
    assert len(spoken) >= 5
    for day in spoken:
        assert wettest_hour(site.hours, plan_of(day).start, plan_of(day).wrapped_by) < 0.2, day.date

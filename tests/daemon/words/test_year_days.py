"""The days of the year that hold where the settings leave them out."""

from dataclasses import replace

import pytest

from daemon.domain.farm import Estimates
from daemon.domain.year_days import fawn_days_by_latitude, frost_day_by_latitude, nesting_days_by_latitude
from daemon.words.year_days import year_days_text
from models.cautions import YearlySpan
from tests.support.farms import farm

PLACE = farm().place


@pytest.mark.parametrize(
    ("latitude", "fawns", "nests", "frost"),
    [
        (43.0, YearlySpan((5, 15), (6, 30)), YearlySpan((4, 15), (8, 1)), (10, 10)),
        (
            35.0,
            YearlySpan((4, 25), (7, 20)),
            YearlySpan((3, 26), (8, 21)),
            (11, 11),
        ),  # 4 days for each of 5, and of 8, degrees
        (25.0, YearlySpan((3, 16), (8, 29)), YearlySpan((2, 14), (9, 30)), None),
    ],
)
def test_days_by_the_latitude(
    latitude: float, fawns: YearlySpan, nests: YearlySpan, frost: tuple[int, int] | None
) -> None:
    place = replace(PLACE, latitude=latitude)
    assert fawn_days_by_latitude(place) == fawns
    assert nesting_days_by_latitude(place) == nests
    assert frost_day_by_latitude(place) == frost


def test_in_the_south_they_come_half_a_year_later() -> None:
    south = replace(PLACE, latitude=-43.0)
    fawns = fawn_days_by_latitude(south)
    assert fawns is not None
    assert (fawns.first[0], fawns.last[0]) == (11, 12)
    assert nesting_days_by_latitude(south) == YearlySpan((10, 15), (1, 31))


def test_own_days_are_named_as_such() -> None:
    own = replace(farm(), estimates=Estimates(fawns=YearlySpan((11, 20), (1, 10))))
    assert year_days_text(own) == (
        "fawns 20 November to 10 January (the settings); nests 15 April to 1 August (estimate by the latitude); "
        "killing frost 10 October (estimate by the latitude)"
    )

"""The correction of odds on a public ensemble: trained on the first half, held against the second."""

import numpy as np
import pytest

from tests.outside.ensemble_scores import EVENTS, by_first_half, by_growing_record, forecasts, skill, tenths


@pytest.mark.parametrize("most_rain", EVENTS)
def test_raw_counts_and_the_prior_alone_are_worse_than_climatology(most_rain: float) -> None:
    event = forecasts(most_rain)
    assert skill(event, event.share[event.half :]) < 0.0
    assert skill(event, event.prior[event.half :]) < 0.0


@pytest.mark.parametrize("most_rain", EVENTS)
def test_the_record_of_the_first_half_gives_skill_on_the_second(most_rain: float) -> None:
    event = forecasts(most_rain)
    assert skill(event, by_first_half(event)) > 0.1


@pytest.mark.parametrize(
    ("most_rain", "told_apart", "off"),
    # At 5 mm the second half came drier than the first where most members were dry: the first half's own frequencies
    # at each count of members, with no curve between them, miss two tenths of the second half as well.
    [(0.0, 2, []), (1.0, 6, []), (5.0, 6, [0.75, 0.85])],
)
def test_odds_by_the_first_half_are_honest_but_where_the_halves_differ(
    most_rain: float, told_apart: int, off: list[float]
) -> None:
    event = forecasts(most_rain)
    found = tenths(event, by_first_half(event))
    assert len(found) == told_apart
    assert [tenth.said for tenth in found if not tenth.honest] == pytest.approx(off, abs=0.01)
    assert all(-0.05 < tenth.came - tenth.said < 0.07 for tenth in found)


@pytest.mark.parametrize("most_rain", EVENTS)
def test_odds_by_a_record_that_grows_are_honest_in_every_tenth(most_rain: float) -> None:
    event = forecasts(most_rain)
    odds = by_growing_record(event)
    found = tenths(event, odds)
    assert len(found) >= 2
    assert all(tenth.honest for tenth in found)
    assert skill(event, odds) > 0.1


def test_raw_counts_are_seen_to_be_dishonest() -> None:
    event = forecasts(1.0)
    assert not any(tenth.honest for tenth in tenths(event, event.share[event.half :])[:3])


def test_the_set_is_the_one_that_was_meant() -> None:
    event = forecasts(0.0)
    assert event.share.size == 4971
    assert np.isin(np.round(event.share * 11, 6), np.arange(12)).all()
    assert (str(event.day[0]), str(event.day[-1])) == ("2000-01-04", "2013-09-17")

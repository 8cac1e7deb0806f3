"""The correction of odds on a public ensemble: trained on the first half, held against the second."""

import numpy as np
import pytest

from tests.outside.ensemble_scores import EVENTS, as_told, by_first_half, by_growing_record, forecasts, skill, tenths


@pytest.mark.parametrize("most_rain", EVENTS)
def test_raw_counts_and_the_prior_alone_are_worse_than_climatology(most_rain: float) -> None:
    event = forecasts(most_rain)
    assert skill(event, event.share[event.half :]) < 0.0
    assert skill(event, event.prior[event.half :]) < 0.0


@pytest.mark.parametrize("most_rain", EVENTS)
def test_the_record_of_the_first_half_gives_skill_on_the_second(most_rain: float) -> None:
    event = forecasts(most_rain)
    assert skill(event, by_first_half(event)) > 0.17


@pytest.mark.parametrize(
    ("most_rain", "told_apart", "off"),
    # The second half came drier than the first where most members were dry: a record that is not added to for seven
    # years does not know it.
    [(0.0, 6, []), (1.0, 8, [0.85]), (5.0, 7, [0.85])],
)
def test_odds_by_the_first_half_are_honest_but_where_the_halves_differ(
    most_rain: float, told_apart: int, off: list[float]
) -> None:
    event = forecasts(most_rain)
    found = tenths(event, by_first_half(event))
    assert len(found) == told_apart
    wrong = [tenth for tenth in found if not tenth.within(tenth.error)]
    assert [tenth.said for tenth in wrong] == pytest.approx(off, abs=0.01)
    assert all(0.0 < tenth.came - tenth.said < 0.07 for tenth in wrong)


@pytest.mark.parametrize("most_rain", EVENTS)
def test_odds_by_a_record_that_grows_are_honest_in_every_tenth(most_rain: float) -> None:
    """The error takes the days as drawn anew, which asks for more than is fair."""
    event = forecasts(most_rain)
    odds = by_growing_record(event)
    found = tenths(event, odds)
    assert len(found) >= 6
    assert all(tenth.within(tenth.error) for tenth in found)
    assert skill(event, odds) > 0.17


@pytest.mark.parametrize(("most_rain", "least_skill"), [(0.0, 0.17), (1.0, 0.18), (5.0, 0.16)])
def test_limits_cost_little_skill_and_err_on_the_cautious_side_only(most_rain: float, least_skill: float) -> None:
    event = forecasts(most_rain)
    odds = as_told(event)
    assert least_skill < skill(event, odds) < skill(event, by_growing_record(event))
    found = tenths(event, odds)
    assert all(tenth.came > tenth.said for tenth in found if not tenth.within(tenth.error))
    assert all(tenth.within(tenth.error) for tenth in found if tenth.said >= 0.6)  # where mowing is decided


def test_days_of_a_month_go_together() -> None:
    event = forecasts(1.0)
    found = tenths(event, by_growing_record(event))
    assert np.mean([tenth.blocked / tenth.error for tenth in found]) > 1.1


def test_raw_counts_are_seen_to_be_dishonest() -> None:
    event = forecasts(1.0)
    assert not any(tenth.within(tenth.blocked) for tenth in tenths(event, event.share[event.half :])[:3])


def test_the_set_is_the_one_that_was_meant() -> None:
    event = forecasts(0.0)
    assert event.share.size == 4971
    assert np.isin(np.round(event.share * 11, 6), np.arange(12)).all()
    assert (str(event.day[0]), str(event.day[-1])) == ("2000-01-04", "2013-09-17")

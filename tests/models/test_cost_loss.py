import numpy as np
import pytest

from models.cost_loss import mowing_gain

SURE, DOUBTFUL = 1.0, 0.7


def days(*worth: float) -> np.ndarray:
    return np.array(worth)


def fit(*which: int, of: int) -> np.ndarray:
    return np.isin(np.arange(of), which)


@pytest.mark.published
@pytest.mark.parametrize(("window", "most"), [(1, 0.24), (3, 0.72)])
def test_cost_over_loss_of_the_worked_example(window: int, most: float) -> None:
    # $200 a tonne, 6 % a day of delay, rain costs $40 and $10 of rework: C/L is .24 for a window tomorrow, .72 for one
    # in three days (worked example after Thompson & Brier 1955, Murphy 1977)
    worth = days(*(1.0 - 0.06 * day for day in range(window + 1)))
    for risk, mow in ((most - 0.01, True), (most + 0.01, False)):
        odds = np.full(window + 1, 1.0)
        odds[0] = 1.0 - risk
        found = mowing_gain(worth, odds, fit(0, window, of=window + 1), delay=0.0, next_window=0.0)
        assert (found.lost_by_waiting > 0.0) is mow
        assert found.best_in_days == window


def test_a_crop_past_its_best_gains_more_by_mowing_than_one_that_grows() -> None:
    odds, both = np.array([DOUBTFUL, DOUBTFUL, DOUBTFUL]), fit(0, 2, of=3)
    falling, rising = mowing_gain(days(3.0, 2.8, 2.6), odds, both), mowing_gain(days(3.0, 3.1, 3.2), odds, both)
    assert falling.lost_by_waiting > 0.0 > rising.lost_by_waiting
    # 3 x 0.925 against 2.6 x 0.925 and two days of a later next cut
    assert falling.lost_by_waiting == pytest.approx(0.4 * 0.925 + 2 * 0.85 * 0.045)


def test_a_surer_day_is_waited_for_only_where_it_is_clearly_better() -> None:
    worth = days(3.0, 3.0)
    assert mowing_gain(worth, np.array([0.7, 0.97]), fit(0, 1, of=2)).is_waiting_better()
    assert not mowing_gain(worth, np.array([0.7, 0.75]), fit(0, 1, of=2)).is_waiting_better()
    assert not mowing_gain(worth, np.array([0.9, 0.9]), fit(0, 1, of=2)).is_waiting_better()


def test_a_day_under_the_odds_needed_is_not_waited_for() -> None:
    found = mowing_gain(days(3.0, 4.0, 3.0), np.array([0.7, 0.5, 0.7]), fit(0, 2, of=3))
    assert found.best_in_days == 2


def test_what_lies_beyond_the_forecast_is_never_waited_for() -> None:
    found = mowing_gain(days(3.0, 3.3), np.array([0.7, 0.3]), fit(0, of=2))
    assert found.best_in_days is None
    assert not found.is_waiting_better()


@pytest.mark.parametrize("odds", [0.6, 0.8, 0.95])
def test_better_odds_today_never_lower_the_gain(odds: float) -> None:
    worth, both = days(3.0, 2.9), fit(0, 1, of=2)
    assert (
        mowing_gain(worth, np.array([odds + 0.02, 0.8]), both).lost_by_waiting
        > mowing_gain(worth, np.array([odds, 0.8]), both).lost_by_waiting
    )


def test_what_is_not_known_is_refused() -> None:
    with pytest.raises(ValueError, match="leave the field in its order"):
        mowing_gain(days(3.0, np.nan), np.array([0.7, 0.8]), fit(0, 1, of=2))

import numpy as np
import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from models.draws import draw_crop
from models.odds import independent_members, odds_from_share


@pytest.mark.parametrize(
    ("members", "worth"),
    # m / (1 + 0.1 (m - 1)) by hand; a model that repeats itself without end is worth 1 / 0.1 forecasts
    [(1, 1.0), (11, 5.5), (31, 7.75), (51, 8.5), (10**9, 10.0)],
)
def test_members_that_repeat_each_other_are_worth_fewer(members: int, worth: float) -> None:
    assert independent_members(members) == pytest.approx(worth, rel=1e-6)


def test_correlation_at_its_ends() -> None:
    assert independent_members(31, correlation=0.0) == 31.0
    assert independent_members(31, correlation=1.0) == 1.0


@pytest.mark.parametrize(
    ("share", "independent", "odds"),
    [
        # (n share + 1 x 0.3) / (n + 1), by hand
        (0.0, 7.75, 0.3 / 8.75),
        (0.5, 7.75, 4.175 / 8.75),
        (1.0, 7.75, 8.05 / 8.75),
        (1.0, 1.0, 1.3 / 2.0),
        (0.0, 1.0, 0.3 / 2.0),
        # known hours: the share itself, kept within the ends
        (0.6, np.inf, 0.6),
        (0.0, np.inf, 0.03),
        (1.0, np.inf, 0.97),
    ],
)
def test_shrinkage_by_hand(share: float, independent: float, odds: float) -> None:
    assert odds_from_share(np.array([share]), independent)[0] == pytest.approx(odds)


def test_none_of_31_never_means_never_and_all_never_means_certain() -> None:
    none, all_ = odds_from_share(np.array([0.0, 1.0]), independent_members(31))
    assert 0.03 <= none < 0.1
    assert 0.9 < all_ <= 0.97


def test_seven_in_ten_takes_more_than_seven_in_ten_of_the_members() -> None:
    """The prior is below the odds usually needed, so a bare 70 % of the forecast is not enough."""
    assert odds_from_share(np.array([0.70]), independent_members(31))[0] < 0.7
    assert odds_from_share(np.array([0.76]), independent_members(31))[0] > 0.7


def test_few_members_stay_nearer_to_what_is_usual() -> None:
    sure = [odds_from_share(np.array([1.0]), independent_members(count))[0] for count in (1, 2, 8, 31, 51)]
    assert sure == sorted(sure)
    assert len(set(sure)) == 5


@seed(20260601)
@settings(max_examples=100, deadline=None, database=None)
@given(
    st.lists(st.floats(0.0, 1.0), min_size=2, max_size=20),
    st.one_of(st.integers(1, 200).map(independent_members), st.just(np.inf)),
)
def test_odds_never_rise_with_acres(shares: list[float], independent: float) -> None:
    odds = odds_from_share(np.array(sorted(shares, reverse=True)), independent)
    assert (np.diff(odds) <= 0.0).all()
    assert (odds >= 0.03).all()
    assert (odds <= 0.97).all()


@pytest.mark.parametrize(("members", "draws"), [(1, 64), (3, 22), (10, 7), (16, 4), (31, 4), (51, 4)])
def test_a_small_ensemble_gets_more_draws(members: int, draws: int) -> None:
    drawn = draw_crop(members)
    for values in (drawn.drying_factor, drawn.start_moisture_shift, drawn.yield_factor):
        assert values.shape == (members, draws)
    assert members * draws >= 64


def test_the_same_call_draws_the_same() -> None:
    first, second = draw_crop(31), draw_crop(31)
    np.testing.assert_array_equal(first.drying_factor, second.drying_factor)
    np.testing.assert_array_equal(first.start_moisture_shift, second.start_moisture_shift)
    np.testing.assert_array_equal(first.yield_factor, second.yield_factor)


@pytest.mark.parametrize("members", [1, 31])
def test_medians_and_spreads_are_the_ones_named(members: int) -> None:
    drawn = draw_crop(members)
    assert np.median(drawn.drying_factor) == pytest.approx(1.0, abs=0.02)
    assert np.median(drawn.yield_factor) == pytest.approx(1.0, abs=0.02)
    assert np.median(drawn.start_moisture_shift) == pytest.approx(0.0, abs=0.002)
    assert np.log(drawn.drying_factor).std() == pytest.approx(0.22, rel=0.06)
    assert np.log(drawn.yield_factor).std() == pytest.approx(0.15, rel=0.06)
    assert drawn.start_moisture_shift.std() == pytest.approx(0.02, rel=0.06)


def test_spreads_are_settings_and_none_means_certain() -> None:
    sure = draw_crop(8, drying_spread=0.0, start_moisture_spread=0.0, yield_spread=0.0)
    assert (sure.drying_factor == 1.0).all()
    assert (sure.start_moisture_shift == 0.0).all()
    assert (sure.yield_factor == 1.0).all()
    wide = draw_crop(8, drying_spread=0.44)
    assert np.log(wide.drying_factor) == pytest.approx(2.0 * np.log(draw_crop(8).drying_factor))
    np.testing.assert_array_equal(wide.yield_factor, draw_crop(8).yield_factor)


def test_what_is_drawn_together_does_not_belong_together() -> None:
    drawn = draw_crop(31)
    columns = np.array(
        [values.ravel() for values in (drawn.drying_factor, drawn.start_moisture_shift, drawn.yield_factor)]
    )
    between = np.corrcoef(columns)[np.triu_indices(3, 1)]
    assert np.abs(between).max() < 0.1


def test_the_draws_of_every_member_lie_on_both_sides_of_the_middle() -> None:
    drawn = draw_crop(31)
    for values, middle in ((drawn.drying_factor, 1.0), (drawn.start_moisture_shift, 0.0), (drawn.yield_factor, 1.0)):
        assert (values.min(axis=1) < middle).all()
        assert (values.max(axis=1) > middle).all()

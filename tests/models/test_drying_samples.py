import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.coefficients import K400_SPREAD
from models.drying_samples import Samples, drying_posterior, fit_drying_factor, is_plausible

Array = NDArray[np.float64]

FIRST = 0.22**2 / (0.22**2 + 0.12**2)  # 0.7707


def samples(*told: tuple[float, int, int]) -> Samples:
    """Samples of (factor, field, mowing)."""
    factor, field, mowing = (np.array(column) for column in zip(*told, strict=True))
    return Samples(np.log(factor), field, mowing)


def test_the_first_sample_moves_its_field_by_77_hundredths_and_every_other_by_half_of_it() -> None:
    mean, deviation = drying_posterior(samples((0.8, 1, 0)), 3)
    assert round(FIRST, 2) == 0.77
    assert mean / np.log(0.8) == pytest.approx([FIRST / 2, FIRST, FIRST / 2], rel=1e-12)
    assert deviation[1] == pytest.approx(0.22 * np.sqrt(1.0 - FIRST), rel=1e-12)
    assert deviation[[0, 2]] == pytest.approx(0.22 * np.sqrt(1.0 - FIRST / 4), rel=1e-12)


def test_two_mowings_by_hand() -> None:
    # Two samples of one field, of two mowings: their mean has half the error's variance, 0.0072, beside 0.0484.
    mean, deviation = drying_posterior(samples((0.8, 0, 0), (0.9, 0, 1)), 1)
    weight = 0.0484 / (0.0484 + 0.0072)
    assert mean[0] == pytest.approx(weight * np.log(0.72) / 2, rel=1e-12)
    assert deviation[0] ** 2 == pytest.approx(0.0484 * (1.0 - weight), rel=1e-12)


def test_samples_of_one_mowing_count_less_than_those_of_two() -> None:
    one, one_left = drying_posterior(samples((0.8, 0, 0)), 1)
    same, same_left = drying_posterior(samples((0.8, 0, 0), (0.8, 0, 0)), 1)
    apart, apart_left = drying_posterior(samples((0.8, 0, 0), (0.8, 0, 1)), 1)
    assert one[0] > same[0] > apart[0]  # all below 0: the crop is slow
    assert one_left[0] > same_left[0] > apart_left[0]
    # Ten readings of an afternoon keep the 0.7 of the variance that they share: 0.0144 (0.7 + 0.3 / 10) is left.
    _, ten_left = drying_posterior(samples(*[(0.8, 0, 0)] * 10), 1)
    error = 0.0144 * (0.7 + 0.03)
    assert ten_left[0] ** 2 == pytest.approx(0.0484 * error / (0.0484 + error), rel=1e-9)


def test_nothing_measured_nothing_learnt() -> None:
    nothing = Samples(np.array([]), np.array([], dtype=np.int64), np.array([], dtype=np.int64))
    mean, deviation = drying_posterior(nothing, 2)
    assert mean.tolist() == [0.0, 0.0]
    assert deviation == pytest.approx([K400_SPREAD] * 2, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(0.3, 3.0), st.integers(0, 3), st.integers(0, 4)), min_size=1, max_size=12))
def test_against_a_regression_with_every_unknown_written_out(told: list[tuple[float, int, int]]) -> None:
    """The farm part, four field parts and the error of each mowing as unknowns of one least-squares problem."""
    mean, deviation = drying_posterior(samples(*told), 4)
    spreads = np.sqrt([0.0242] * 5 + [0.0144 * 0.7] * 5)
    rows = np.array([[1.0, *np.eye(4)[field], *np.eye(5)[mowing]] for _, field, mowing in told])
    precision = np.diag(spreads**-2.0) + rows.T @ rows / (0.0144 * 0.3)
    covariance = np.linalg.inv(precision)
    unknowns = covariance @ rows.T @ np.log([factor for factor, _, _ in told]) / (0.0144 * 0.3)
    of_field = np.hstack([np.ones((4, 1)), np.eye(4), np.zeros((4, 5))])
    assert mean == pytest.approx(of_field @ unknowns, abs=1e-9)
    assert deviation**2 == pytest.approx(np.diag(of_field @ covariance @ of_field.T), abs=1e-9)


@pytest.mark.parametrize(
    ("told", "good"),
    [
        # 3 (0.22^2 + 0.12^2)^0.5 = 0.752: from 0.4715 to 2.121
        ([(0.471, 0, 0)], [False]),
        ([(0.472, 0, 0)], [True]),
        ([(2.12, 0, 0)], [True]),
        ([(2.122, 0, 0)], [False]),
        # 2 2^0.5 0.12 = 0.3394 apart: 2.62 and 1.866
        ([(2.62, 0, 0), (1.867, 1, 1)], [True, True]),
        ([(2.62, 0, 0), (1.865, 1, 1)], [False, True]),
        ([(2.62, 0, 0), (2.62, 0, 0)], [False, False]),
        ([(2.62, 0, 0), (0.4, 0, 1)], [False, False]),
        ([(2.62, 0, 0), (0.9, 0, 1), (2.3, 0, 2), (2.9, 0, 2)], [True, True, True, True]),
        ([], []),
    ],
)
def test_one_sample_far_off_is_believed_with_another_mowing_only(
    told: list[tuple[float, int, int]], good: list[bool]
) -> None:
    columns = np.array(told).reshape(-1, 3).T
    given = Samples(np.log(columns[0]), columns[1].astype(np.int64), columns[2].astype(np.int64))
    assert is_plausible(given).tolist() == good


@pytest.mark.parametrize("factor", [np.nan, np.inf])
def test_what_is_not_a_number_is_refused(factor: float) -> None:
    with pytest.raises(ValueError, match="allowed finite numbers"):
        drying_posterior(samples((1.0, 0, 0), (factor, 0, 1)), 1)
    with pytest.raises(ValueError, match="allowed a finite number"):
        fit_drying_factor(lambda factors: 1.0 / factors, factor)


@pytest.mark.parametrize("field", [-1, 2])
def test_a_field_that_is_not_there_is_refused(field: int) -> None:
    with pytest.raises(ValueError, match="allowed 0 to 1"):
        drying_posterior(samples((1.0, field, 0)), 2)


@pytest.mark.parametrize("factor", [0.3, 0.300001, 0.5, 1.0, 2.999, 3.0])
def test_a_search_finds_a_known_factor(factor: float) -> None:
    found = fit_drying_factor(lambda factors: 0.8 * np.exp(-factors), float(0.8 * np.exp(-factor)))
    assert found == pytest.approx(factor, abs=1e-6)


@pytest.mark.parametrize("factor", [0.29, 3.01])
def test_a_search_finds_nothing_outside_of_its_range(factor: float) -> None:
    assert fit_drying_factor(lambda factors: 0.8 * np.exp(-factors), float(0.8 * np.exp(-factor))) is None

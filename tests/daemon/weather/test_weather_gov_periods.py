import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.weather.sources import weather_gov


def spell(*parts: tuple[int, float]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.concatenate([np.full(hours, value) for hours, value in parts])


def test_an_amount_is_never_parted_and_has_the_highest_chance_of_its_hours() -> None:
    began = np.repeat([0, 6, 12, 18], 6)
    found = weather_gov.rain_periods(spell((6, 0.1), (3, 0.2), (3, 0.5), (12, 0.3)), np.full(24, 0.25), began)
    assert found.first.tolist() == [0, 6, 12]
    assert found.end.tolist() == [6, 12, 24]
    assert found.chance.tolist() == [0.1, 0.5, 0.3]
    assert found.amount.tolist() == [1.5, 1.5, 3.0]


def test_amounts_that_begin_beside_the_quarters_stay_whole() -> None:
    began = np.repeat([3, 9, 15], 6)
    found = weather_gov.rain_periods(spell((6, 0.1), (6, 0.2), (6, 0.3)), np.ones(18), began)
    assert (found.first.tolist(), found.end.tolist()) == ([0, 6, 12], [6, 12, 18])


def test_a_long_chance_is_parted_by_half_days() -> None:
    found = weather_gov.rain_periods(np.full(28, 0.1), np.zeros(28), np.arange(3, 31))
    assert found.end.tolist() == [9, 21, 28]


@given(
    chance=st.lists(st.sampled_from([0.0, 0.1, 0.4]), min_size=30, max_size=30),
    lengths=st.lists(st.sampled_from([1, 3, 6, 12]), min_size=30, max_size=30),
    start=st.integers(490_000, 490_023),
)
def test_every_hour_is_in_one_period_and_every_amount_in_one(
    chance: list[float], lengths: list[int], start: int
) -> None:
    edges = start + np.concatenate([[0], np.cumsum(lengths)])
    began = edges[np.searchsorted(edges, start + np.arange(30), side="right") - 1]
    rain = np.arange(30.0)
    found = weather_gov.rain_periods(np.array(chance), rain, began)
    assert [0, *found.end] == [*found.first, 30]
    assert found.amount.sum() == pytest.approx(rain.sum())
    for first, end, odds in zip(found.first, found.end, found.chance, strict=True):
        assert odds == max(chance[first:end])
        assert end == 30 or began[end] != began[end - 1]
        assert began[end - 1] // 6 - began[first] // 6 <= 1

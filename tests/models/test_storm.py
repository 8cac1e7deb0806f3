import numpy as np
import pytest

from models.storm import first_storm


def hours(*storms: int | None, told: int | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Rain and gusts of a day in one member for each given hour of a storm; the first `told` members tell of gusts."""
    rain, gust = np.zeros((len(storms), 24)), np.full((len(storms), 24), 7.0)
    for member, hour in enumerate(storms):
        if hour is not None:
            rain[member, hour : hour + 2], gust[member, hour] = 3.0, 16.0
    gust[len(storms) if told is None else told :] = np.nan
    return rain, gust


def test_a_storm_is_a_gust_with_rain_about_it() -> None:
    rain, gust = hours(18)
    assert first_storm(rain, gust) == 18
    assert first_storm(rain, gust - 1.5) is None, "14.5 m/s lay nothing flat"
    assert first_storm(rain * 0.8, gust) is None, "4.8 mm in the three hours are under 5"
    assert first_storm(np.roll(rain, 3), gust) is None, "the rain comes three hours after the gust"


@pytest.mark.parametrize(("struck", "found"), [(2, None), (3, 14), (10, 14)])
def test_a_storm_counts_from_three_in_ten_members_on(struck: int, found: int | None) -> None:
    assert first_storm(*hours(*range(14, 14 + struck), *[None] * (10 - struck))) == found


def test_members_that_tell_of_no_gust_have_no_say() -> None:
    assert first_storm(*hours(19, *[12] * 30, told=1)) == 19
    assert first_storm(*hours(19, 12, told=0)) is None


def test_the_hour_is_an_early_one_but_not_that_of_a_lone_early_member() -> None:
    assert first_storm(*hours(3, *[17] * 19)) == 17
    assert first_storm(*hours(3, 3, *[17] * 18)) == 3

import numpy as np
import pytest
from numpy.typing import NDArray

from models.heat import (
    CowHeat,
    HeatHours,
    HorseHeat,
    Hours,
    PeopleHeat,
    Spell,
    cow_heat,
    cow_thi,
    enclosing_spell,
    heat_index,
    horse_heat,
    horse_hours,
    horse_sum,
    hours_from,
    hours_where,
    people_heat,
    people_hours,
    team_pace,
)

Array = NDArray[np.float64]


def celsius(*fahrenheit: float) -> Array:
    return (np.array(fahrenheit) - 32.0) / 1.8


def shares(*percent: float) -> Array:
    return np.array(percent) / 100.0


def members(hot: int, of: int) -> NDArray[np.bool_]:
    """Return a block of three hours, the second of which holds in some of the members."""
    holds = np.zeros((of, 3), dtype=bool)
    holds[:hot, 1] = True
    return holds


def test_a_foggy_dawn_harms_no_horse() -> None:
    # 55 degF in fog has a sum of 155, which is "cools itself badly" at noon
    assert horse_sum(celsius(55.0), shares(100.0)) == pytest.approx([155.0])
    assert horse_heat(celsius(55.0, 69.0), shares(100.0, 100.0)).tolist() == ["cools itself well"] * 2
    assert horse_heat(celsius(70.0), shares(100.0)).tolist() == ["cools itself badly"]
    assert team_pace(celsius(55.0, 70.0), shares(100.0, 100.0)).tolist() == [1.0, 0.75]


def test_a_low_sum_in_dry_heat_is_no_all_clear() -> None:
    dry = np.array([34.9, 35.0, 38.0]), shares(20.0, 20.0, 10.0)
    assert horse_sum(*dry) == pytest.approx([114.82, 115.0, 110.4])
    assert horse_heat(*dry).tolist() == ["cools itself well", "no work", "no work"]
    assert team_pace(*dry).tolist() == [1.0, 0.0, 0.0]


def test_each_limit_of_the_sum_counts_with_what_is_above_it() -> None:
    humidity = shares(49.75, 50.25, 69.75, 70.25, 99.75, 100.0)  # at 26.7 degC (80.06 degF)
    assert horse_heat(np.full(6, 26.7), humidity).tolist() == [
        *("cools itself well", "cools itself less well", "cools itself less well"),
        *("cools itself badly", "cools itself badly", "no work"),
    ]


def test_a_farm_may_rest_and_stop_its_horses_at_other_sums() -> None:
    # 80 degF at 45, 55, 65, 75 and 95 %: sums of 125, 135, 145, 155 and 175
    air, humidity = celsius(*[80.0] * 5), shares(45.0, 55.0, 65.0, 75.0, 95.0)
    assert team_pace(air, humidity).tolist() == [1.0, 0.85, 0.85, 0.75, 0.75]
    assert team_pace(air, humidity, rest_at=120.0, stop_at=170.0).tolist() == [0.85, 0.85, 0.85, 0.75, 0.0]
    # 150, where it cools itself badly, holds only between the two
    assert team_pace(air, humidity, stop_at=140.0).tolist() == [1.0, 0.85, 0.0, 0.0, 0.0]
    assert team_pace(air, humidity, rest_at=150.0).tolist() == [1.0, 1.0, 1.0, 0.75, 0.75]
    block = horse_hours(air[None], humidity[None], rest_at=140.0, stop_at=170.0)
    assert block == HeatHours(rest=Hours(Spell(2, 5), Spell(2, 5)), stop=Hours(Spell(4, 5), Spell(4, 5)))
    # and great dry heat stops them whatever the sums are
    assert team_pace(celsius(96.0), shares(10.0), rest_at=150.0, stop_at=180.0).tolist() == [0.0]


@pytest.mark.parametrize(
    ("thi", "word"),
    [(67.9, "little"), (68.1, "slight stress"), (72.1, "stress"), (79.1, "danger"), (84.1, "emergency")],
)
def test_bands_of_cows(thi: float, word: str) -> None:
    # in saturated air the index is the temperature in degF
    assert cow_thi(celsius(thi), shares(100.0)) == pytest.approx([thi])
    assert cow_heat(celsius(thi), shares(100.0)).tolist() == [word]


def test_bands_of_people_by_hand() -> None:
    # 78 degF at 50 %: 0.5 x (78 + 61 + 12 + 4.7) = 77.85; the others by the regression: 81.45, 94.6, 105.9, 142.8
    felt = heat_index(celsius(78.0, 82.0, 90.0, 90.0, 100.0), shares(50.0, 40.0, 50.0, 70.0, 70.0)) * 1.8 + 32.0
    assert felt == pytest.approx([77.85, 81.45, 94.6, 105.92, 142.77], abs=0.05)
    assert people_heat(celsius(78.0, 82.0, 90.0, 90.0, 100.0), shares(50.0, 40.0, 50.0, 70.0, 70.0)).tolist() == list(
        PeopleHeat
    )


def test_the_air_feels_as_it_is_when_it_is_cold() -> None:
    assert heat_index(np.array([-10.0, 0.0, 4.0]), shares(90.0, 50.0, 100.0)) == pytest.approx([-10.0, 0.0, 4.0])


def test_what_is_not_known_counts_as_the_worst() -> None:
    unknown = np.array([np.nan, 25.0]), np.array([0.5, np.nan])
    assert horse_heat(*unknown).tolist() == [HorseHeat.NO_WORK] * 2
    assert cow_heat(*unknown).tolist() == [CowHeat.EMERGENCY] * 2
    assert people_heat(*unknown).tolist() == [PeopleHeat.EXTREME_DANGER] * 2
    assert team_pace(*unknown).tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("hot", "of", "likely", "perhaps"),
    [
        (1, 1, True, True),
        (0, 10, False, False),
        (1, 10, False, True),
        (1, 11, False, False),
        (2, 11, False, True),
        (3, 30, False, True),
        (5, 11, False, True),
        (5, 10, True, True),
        (6, 11, True, True),
    ],
)
def test_likely_is_half_of_the_members_and_perhaps_a_tenth(hot: int, of: int, likely: bool, perhaps: bool) -> None:
    found = hours_where(members(hot, of))
    assert found == Hours(Spell(1, 2) if likely else None, Spell(1, 2) if perhaps else None)


def test_a_lull_counts_with_the_hours_around_it() -> None:
    assert enclosing_spell(np.array([False, True, False, False, True, False])) == Spell(1, 5)
    assert enclosing_spell(np.array([True])) == Spell(0, 1)
    assert enclosing_spell(np.zeros(4, dtype=bool)) is None


def test_hours_from_a_band_take_the_worse_ones_with_them() -> None:
    heat = np.array([["little", "stress", "emergency", "slight stress"]])
    assert hours_from(CowHeat.SLIGHT, heat).likely == Spell(1, 4)
    assert hours_from(CowHeat.STRESS, heat).likely == Spell(1, 3)
    assert hours_from(CowHeat.DANGER, heat).likely == Spell(2, 3)


def test_a_hot_afternoon_of_a_team() -> None:
    # sums of the middle members: 146 (in the cool), 130.8, 134.2, 131.8, 126.6; the hot tenth reaches 35 degC at hour 3
    air = np.tile([18.0, 26.0, 29.0, 31.0, 27.0], (10, 1))
    humidity = np.tile([0.816, 0.52, 0.50, 0.44, 0.46], (10, 1))
    air[0, 2:] = [34.0, 35.5, 33.0]
    assert horse_hours(air, humidity) == HeatHours(rest=Hours(Spell(1, 4), Spell(1, 5)), stop=Hours(None, Spell(3, 4)))
    assert horse_hours(air, humidity, stop_at=130.0).stop.likely == Spell(1, 4)


def test_a_hot_afternoon_of_people() -> None:
    # heat index in degF: 76, 91, 105 and 88 in three members; two more feel none of it, and a dry one stays below 90
    warm = celsius(76.0, 86.0, 92.0, 86.0)
    damp = shares(60.0, 60.0, 63.0, 50.0)
    air, humidity = np.tile(warm, (5, 1)), np.tile(damp, (5, 1))
    air[3:] = celsius(70.0)
    hours = people_hours(air, humidity)
    assert hours == HeatHours(rest=Hours(Spell(1, 3), Spell(1, 3)), stop=Hours(Spell(2, 3), Spell(2, 3)))
    air[2] = celsius(70.0)
    assert people_hours(air, humidity) == HeatHours(rest=Hours(None, Spell(1, 3)), stop=Hours(None, Spell(2, 3)))
    assert people_hours(air, humidity, rest=PeopleHeat.CAUTION).rest.possible == Spell(1, 4)


def test_no_member_or_no_hour_is_refused() -> None:
    for shape in ((3,), (0, 4), (4, 0)):
        with pytest.raises(ValueError, match=r"hours of hours_where: shape .* given, allowed \(member, hour\)"):
            hours_where(np.zeros(shape, dtype=bool))


def test_no_word_speaks_of_safety() -> None:
    words = " ".join([*HorseHeat, *CowHeat, *PeopleHeat])
    assert not any(word in words for word in ("safe", "no danger", "no risk", "fine"))

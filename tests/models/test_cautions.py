from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from numpy.typing import NDArray

from models import coefficients as c
from models.cautions import (
    BaledMoisture,
    Caution,
    CautionHours,
    DayOfWork,
    LocalFigures,
    YearlySpan,
    has_fawns,
    has_nests,
    needs_fall_rest,
    rank_cautions,
)
from models.heat import Hours, Spell

Array = NDArray[np.float64]

AUTUMN = date(2026, 11, 20)
MILD = DayOfWork(
    on=AUTUMN,
    latitude=43.0,
    alfalfa_share=0.0,
    air_temperature=np.full((10, 4), 18.0),
    relative_humidity=np.full((10, 4), 0.5),
    thunder=np.zeros((10, 4)),
    moisture=BaledMoisture(0.44, 0.50, 0.56),
    stemmy=False,
    film_wait=2.0,
    drought_days=0,
    days_since_drought=90,
    horses_work=False,
    horses_fed=False,
    has_cows=False,
)


def keys(day: DayOfWork) -> list[Caution]:
    return [noted.caution for noted in rank_cautions(day)]


def told(day: DayOfWork) -> set[Caution]:
    """Return what a day is warned of beyond a mild day without horses."""
    return set(keys(day)) - {Caution.MACHINE, Caution.SIX_LAYERS}


def hours(day: DayOfWork, caution: Caution) -> Hours | None:
    (found,) = (noted for noted in rank_cautions(day) if noted.caution is caution)
    return found.hours


def bales(driest: float, middle: float, wettest: float) -> DayOfWork:
    return replace(MILD, moisture=BaledMoisture(driest, middle, wettest))


def year() -> Iterator[date]:
    return (date(2026, 1, 1) + timedelta(days=day) for day in range(365))


def ends(days: list[date]) -> tuple[date, date]:
    """Return the first and the last of some days, all of which must follow each other."""
    assert (days[-1] - days[0]).days == len(days) - 1
    return days[0], days[-1]


def test_no_day_is_without_a_caution() -> None:
    assert keys(MILD) == [Caution.MACHINE, Caution.SIX_LAYERS]
    assert not any("safe" in caution for caution in Caution)


def test_a_machine_and_film_belong_to_all_of_the_day() -> None:
    assert [noted.hours for noted in rank_cautions(MILD)] == [None, None]


# --- Thunder


def test_thunder_by_the_share_of_members_that_have_it_at_any_time() -> None:
    thunder = np.zeros((10, 4))
    thunder[0, 1] = 1.0
    assert told(replace(MILD, thunder=thunder)) == set()
    thunder[1, 3] = 1.0  # in two of ten, though at no hour in more than one
    assert hours(replace(MILD, thunder=thunder), Caution.THUNDER) == Hours(None, Spell(1, 4))


def test_thunder_of_a_single_forecast() -> None:
    def one(*percent: int) -> DayOfWork:
        return replace(MILD, thunder=np.array([percent]) / 100.0)

    assert told(one(0, 19, 19, 19)) == set()
    assert hours(one(0, 20, 5, 0), Caution.THUNDER) == Hours(None, Spell(1, 2))
    assert hours(one(0, 30, 60, 20), Caution.THUNDER) == Hours(Spell(2, 3), Spell(1, 4))
    assert rank_cautions(one(0, 10, 0, 0), LocalFigures(thunder_chance=0.1))[0].caution is Caution.THUNDER
    assert rank_cautions(one(0, 20, 0, 0), LocalFigures(thunder_chance=0.21))[0].caution is Caution.MACHINE


def test_thunder_is_unknown_where_the_forecast_tells_nothing() -> None:
    assert told(replace(MILD, thunder=None)) == {Caution.THUNDER_UNKNOWN}
    gap = np.zeros((10, 4))
    gap[:, 2] = np.nan  # an hour of which no member tells
    assert told(replace(MILD, thunder=gap)) == {Caution.THUNDER_UNKNOWN}
    gap[0, 2] = 0.0
    assert told(replace(MILD, thunder=gap)) == set()
    gap[:, 2] = np.nan
    gap[:2, 0] = 1.0
    assert told(replace(MILD, thunder=gap)) == {Caution.THUNDER}


def test_members_that_tell_nothing_of_thunder_do_not_dilute_it() -> None:
    thunder = np.full((31, 4), np.nan)
    thunder[0] = [0.0, 0.2, 0.0, 0.0]
    assert hours(replace(MILD, thunder=thunder), Caution.THUNDER) == Hours(None, Spell(1, 2))
    thunder[0] = [0.0, 0.1, 0.0, 0.0]
    assert told(replace(MILD, thunder=thunder)) == set()
    thunder[1] = [0.0, 0.3, 0.3, 0.0]  # with the first, 0.2 in the middle of those that tell something
    assert hours(replace(MILD, thunder=thunder), Caution.THUNDER) == Hours(None, Spell(1, 3))


def test_a_forecast_that_tells_thunder_alone_leaves_all_other_hours_unknown() -> None:
    thunder = np.full((5, 4), np.nan)
    assert told(replace(MILD, thunder=thunder)) == {Caution.THUNDER_UNKNOWN}
    thunder[0, 2] = 1.0
    assert hours(replace(MILD, thunder=thunder), Caution.THUNDER) == Hours(Spell(2, 3), Spell(2, 3))
    assert Caution.THUNDER_UNKNOWN not in keys(replace(MILD, thunder=thunder))


# --- Heat


def test_who_is_named_in_the_heat() -> None:
    # 32 degC at 62 %: horse sum 151.6, heat index 38.0 degC, THI 83
    hot = replace(MILD, air_temperature=np.full((10, 4), 32.0), relative_humidity=np.full((10, 4), 0.62))
    assert told(hot) == {Caution.PEOPLE_REST}
    assert told(replace(hot, has_cows=True)) == {Caution.PEOPLE_REST, Caution.COWS}
    assert told(replace(hot, horses_fed=True)) == {Caution.PEOPLE_REST, Caution.BOTULISM}
    assert told(replace(hot, horses_work=True)) == {Caution.PEOPLE_REST, Caution.HORSES_REST, Caution.BOTULISM}


def test_heat_is_told_of_with_its_hours_from_a_tenth_of_the_members_on() -> None:
    air, humidity = np.full((10, 4), 24.0), np.full((10, 4), 0.3)
    air[0, 2], humidity[0, 2] = 36.0, 0.5  # heat index 43.8 degC
    day = replace(MILD, air_temperature=air, relative_humidity=humidity, horses_work=True)
    for caution in (Caution.PEOPLE_STOP, Caution.PEOPLE_REST, Caution.HORSES_STOP, Caution.HORSES_REST):
        assert hours(day, caution) == Hours(None, Spell(2, 3)), caution
    air = np.vstack([air, np.full((1, 4), 24.0)])
    mild = replace(day, air_temperature=air, relative_humidity=np.full((11, 4), 0.3), thunder=None)
    assert Caution.PEOPLE_STOP not in keys(mild)


def test_horses_rest_and_stop_at_the_farms_own_sums() -> None:
    # 26.7 degC at 60 %: a sum of 140
    day = replace(MILD, air_temperature=np.full((1, 4), 26.7), relative_humidity=np.full((1, 4), 0.6), horses_work=True)

    def at(own: LocalFigures) -> set[Caution]:
        return {noted.caution for noted in rank_cautions(day, own)} & {Caution.HORSES_REST, Caution.HORSES_STOP}

    assert at(LocalFigures()) == {Caution.HORSES_REST}
    assert at(LocalFigures(horses_rest_at=145.0)) == set()
    assert at(LocalFigures(horses_stop_at=140.0)) == {Caution.HORSES_REST, Caution.HORSES_STOP}


def test_unknown_heat_is_stopped_for() -> None:
    air = MILD.air_temperature.copy()
    air[:, 1] = np.nan
    day = replace(MILD, air_temperature=air, horses_work=True)
    assert hours(day, Caution.PEOPLE_STOP) == hours(day, Caution.HORSES_STOP) == Hours(Spell(1, 2), Spell(1, 2))


# --- Bales


@pytest.mark.parametrize(
    ("driest", "middle", "wettest", "expected"),
    [
        (0.40, 0.45, 0.57, set()),
        (0.46, 0.57, 0.619, set()),
        (0.46, 0.571, 0.60, {Caution.BALED_WET}),
        (0.46, 0.55, 0.62, {Caution.BALED_WET}),
        (0.41, 0.449, 0.50, {Caution.BALED_DRY, Caution.EIGHT_LAYERS}),
        (0.399, 0.46, 0.50, {Caution.HOT_BALES}),
        (0.39, 0.449, 0.50, {Caution.HOT_BALES, Caution.BALED_DRY, Caution.EIGHT_LAYERS}),
        (np.nan, np.nan, np.nan, {Caution.BALED_WET, Caution.HOT_BALES, Caution.BALED_DRY, Caution.EIGHT_LAYERS}),
    ],
)
def test_too_wet_too_dry_and_hot(driest: float, middle: float, wettest: float, expected: set[Caution]) -> None:
    assert told(bales(driest, middle, wettest)) == expected


def test_a_stemmy_crop_asks_for_more_film() -> None:
    assert keys(replace(MILD, stemmy=True)) == [Caution.MACHINE, Caution.EIGHT_LAYERS]


@pytest.mark.parametrize(
    ("wait", "expected"),
    [
        (8.0, set()),
        (8.1, {Caution.WRAPPED_LATE}),
        (24.0, {Caution.WRAPPED_LATE}),
        (24.1, {Caution.WRAPPED_TOO_LATE}),
        (np.nan, {Caution.WRAPPED_TOO_LATE}),
    ],
)
def test_bales_that_wait_for_film(wait: float, expected: set[Caution]) -> None:
    assert told(replace(MILD, film_wait=wait)) == expected


@pytest.mark.parametrize("whose", ["horses_work", "horses_fed"])
def test_botulism_is_named_wherever_there_are_horses(whose: str) -> None:
    with_horses = replace(MILD, **{whose: True})  # type: ignore[arg-type]
    assert told(with_horses) == {Caution.BOTULISM}


def test_botulism_is_named_on_the_worst_of_days_too() -> None:
    worst = replace(
        bales(0.30, 0.60, 0.70),
        air_temperature=np.full((1, 4), 37.0),
        relative_humidity=np.full((1, 4), 0.8),
        thunder=np.ones((1, 4)),
        film_wait=30.0,
        drought_days=20,
        days_since_drought=0,
        horses_work=True,
        has_cows=True,
    )
    assert keys(worst) == [
        *(Caution.THUNDER_ON_TEAMS, Caution.PEOPLE_STOP, Caution.HORSES_STOP, Caution.MACHINE),
        *(Caution.PEOPLE_REST, Caution.HORSES_REST, Caution.BOTULISM),
    ]
    everything = [noted.caution for noted in rank_cautions(worst, max_count=99)]
    assert everything[7:] == [
        *(Caution.BALED_WET, Caution.WRAPPED_TOO_LATE, Caution.HOT_BALES, Caution.NITRATE),
        *(Caution.COWS, Caution.SIX_LAYERS),
    ]


@pytest.mark.parametrize(
    ("drought", "since", "expected"),
    [(6, 0, set()), (7, 0, {Caution.NITRATE}), (30, 5, {Caution.NITRATE}), (30, 6, set())],
)
def test_nitrate_in_a_drought_and_five_days_after(drought: int, since: int, expected: set[Caution]) -> None:
    assert told(replace(MILD, drought_days=drought, days_since_drought=since)) == expected


# --- The field and the time of the year


def test_dates_of_fawns_and_nests_in_the_north() -> None:
    assert ends([day for day in year() if has_fawns(day, 45.0)]) == (date(2026, 5, 15), date(2026, 6, 30))
    assert ends([day for day in year() if has_nests(day, 45.0)]) == (date(2026, 4, 15), date(2026, 8, 1))
    # four days wider at either end for each degree below 40
    assert ends([day for day in year() if has_fawns(day, 30.0)]) == (date(2026, 4, 5), date(2026, 8, 9))
    # so wide near the equator that it runs over the turn of the year: from 16 December to 29 November
    around = [date(2026, 11, 28), date(2026, 12, 5), date(2026, 12, 25), date(2027, 1, 5)]
    assert [has_nests(day, 10.0) for day in around] == [True, False, True, True]


def test_the_south_has_them_half_a_year_later() -> None:
    assert ends([day for day in year() if has_fawns(day, -45.0)]) == (date(2026, 11, 14), date(2026, 12, 30))
    from_july = [date(2026, 7, 1) + timedelta(days=day) for day in range(365)]
    assert ends([day for day in from_july if has_nests(day, -45.0)]) == (date(2026, 10, 15), date(2027, 1, 31))


def test_dates_of_the_place_replace_those_of_its_latitude_wholly() -> None:
    own = YearlySpan((6, 1), (6, 10))
    for latitude in (45.0, 10.0, -45.0):  # on its own calendar, no wider and not half a year later
        assert ends([day for day in year() if has_fawns(day, latitude, own)]) == (date(2026, 6, 1), date(2026, 6, 10))
        assert ends([day for day in year() if has_nests(day, latitude, own)]) == (date(2026, 6, 1), date(2026, 6, 10))
    assert Caution.FAWNS not in {
        noted.caution for noted in rank_cautions(replace(MILD, on=date(2026, 6, 11)), LocalFigures(fawns=own))
    }
    assert Caution.NESTS in {
        noted.caution for noted in rank_cautions(replace(MILD, on=date(2026, 6, 11)), LocalFigures(fawns=own))
    }


def test_days_of_the_year_may_run_over_the_new_year() -> None:
    summer = YearlySpan((11, 20), (1, 10))
    held = [day for day in year() if summer.contains(day)]
    assert len(held) == 11 + 31 + 10  # 20 to 30 November, December, 1 to 10 January
    around = [date(2026, 11, 19), date(2026, 11, 20), date(2026, 12, 31), date(2027, 1, 10), date(2027, 1, 11)]
    assert [summer.contains(day) for day in around] == [False, True, True, True, False]
    assert [YearlySpan((5, 1), (5, 1)).contains(date(2026, 5, day)) for day in (1, 2)] == [True, False]


def test_the_window_of_new_york_lies_within_ours() -> None:
    # Cornell Extension, as quoted: harm from 14 May to 22 July, wait to 1 August where possible
    assert all(has_nests(date(2026, 5, 14) + timedelta(days=day), 42.5) for day in range(80))


def test_alfalfa_rests_before_the_killing_frost() -> None:
    # 47 days before 10 October at 43 degrees, four days later for each degree nearer the equator
    assert ends([day for day in year() if needs_fall_rest(day, 43.0)]) == (date(2026, 8, 24), date(2026, 10, 10))
    assert ends([day for day in year() if needs_fall_rest(day, 38.0)]) == (date(2026, 9, 13), date(2026, 10, 30))
    assert ends([day for day in year() if needs_fall_rest(day, -43.0)]) == (date(2026, 2, 23), date(2026, 4, 11))
    assert not any(needs_fall_rest(day, 20.0) for day in year())


def test_the_killing_frost_of_the_place_outranks_its_latitude() -> None:
    for latitude in (43.0, -43.0, 10.0):  # 47 days before 20 September, on its own calendar
        rests = ends([day for day in year() if needs_fall_rest(day, latitude, (9, 20))])
        assert rests == (date(2026, 8, 4), date(2026, 9, 20)), latitude
    alfalfa = replace(MILD, on=date(2026, 8, 5), alfalfa_share=1.0)
    assert told(alfalfa) == set()
    assert Caution.FALL_REST in {noted.caution for noted in rank_cautions(alfalfa, LocalFigures(killing_frost=(9, 20)))}
    southern = [date(2026, 5, 20) + timedelta(days=day) for day in range(40)]
    assert all(needs_fall_rest(day, -40.0, (6, 30)) for day in southern)
    assert needs_fall_rest(date(2026, 12, 20), 43.0, (1, 5))  # a frost after the turn of the year


def test_the_field_is_named_by_its_stand_and_the_day() -> None:
    def in_fall(alfalfa: float) -> DayOfWork:
        return replace(MILD, on=date(2026, 9, 10), alfalfa_share=alfalfa)

    assert told(in_fall(0.2)) == {Caution.FALL_REST}
    assert told(in_fall(0.19)) == set()
    assert told(replace(in_fall(1.0), on=date(2026, 6, 10))) == {Caution.FAWNS, Caution.NESTS}
    assert told(replace(MILD, on=date(2026, 7, 10))) == {Caution.NESTS}


# --- What is asked of the input


@pytest.mark.parametrize(
    ("humidity", "thunder"),
    [((10, 3), (10, 4)), ((9, 4), (10, 4)), ((10, 4), (10, 3)), ((10, 4), (4,)), ((10, 4), (0, 4))],
)
def test_hours_that_do_not_fit_are_refused(humidity: tuple[int, ...], thunder: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"hours of DayOfWork: shapes \(10, 4\), .*allowed \(member, hour\)"):
        replace(MILD, relative_humidity=np.zeros(humidity), thunder=np.zeros(thunder))


def test_thunder_may_come_from_other_members() -> None:
    assert told(replace(MILD, thunder=np.full((1, 4), 0.5))) == {Caution.THUNDER}


def test_at_most_so_many_are_told() -> None:
    day = replace(MILD, on=date(2026, 6, 10), horses_work=True, thunder=None)
    assert len(rank_cautions(day)) == 6
    assert rank_cautions(day, max_count=2) == (CautionHours(Caution.THUNDER_UNKNOWN), CautionHours(Caution.MACHINE))
    assert c.MAX_CAUTIONS == 7

"""The stage clocks, what corrects them and what they refuse."""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib.resources import files
from math import erfc, inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from models import coefficients as c
from models.degree_days import Days, green_up, killing_frost, season_origin
from models.growth import (
    NO_CONTEXT,
    DoubtKind,
    Growth,
    GrowthContext,
    GrowthDoubt,
    GrowthUnknown,
    Prior,
    StageLook,
    degree_days,
    field_growth,
    legume_start,
    season_start,
    species_table,
)
from models.look_misfit import LookMisfit
from models.looks import LOOK_STAGES, kalman_update, truncated_clock
from models.species import (
    GRASS_STAGES,
    Array,
    Species,
    make_variety,
    resolve_stand,
    stand_drying_factor,
    stand_grass_share,
)
from models.stage_scales import KALU_FICK, MOORE, scale_code
from models.stages import Purpose, alfalfa_height, grass_ndf, ndf_target

NAMES = [
    "kentucky bluegrass",
    "orchardgrass",
    "tall fescue",
    "meadow fescue",
    "perennial ryegrass",
    "late perennial ryegrass",
    "smooth brome",
    "reed canarygrass",
    "timothy",
    "mixed meadow",
    "alfalfa",
    "red clover",
]
SPRING: Array = -6.0 + 0.17 * np.arange(181, dtype=np.float64)  # daily means that pass 5 degC early in April


def days(first: str, count: int) -> Days:
    return np.datetime64(first) + np.arange(count)


def on(date: str) -> np.datetime64:
    return np.datetime64(date)


def grow(
    stand: Mapping[str, float],
    warmth: ArrayLike = SPRING,
    first: str = "2026-01-01",
    last_cut: str | None = None,
    looks: Sequence[StageLook] = (),
    southern: bool = False,
    latitude: float = 43.0,
    known: GrowthContext = NO_CONTEXT,
    low: Array | None = None,
    kinds: Mapping[str, Species] | None = None,
) -> Growth:
    mean = np.asarray(warmth, dtype=np.float64)
    cut = None if last_cut is None else on(last_cut)
    return field_growth(
        stand,
        days(first, mean.size),
        mean + 6 if low is None else 2 * mean - low,
        mean - 6 if low is None else low,
        last_cut=cut,
        looks=looks,
        southern=southern,
        latitude=latitude,
        context=known,
        species_by_name=kinds,
    )


def at(growth: Growth, date: str) -> int:
    return int(np.searchsorted(growth.day, on(date)))


# --- degree-days and the start of counting ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("high", "low", "base", "cap", "expected"),
    [
        (12, -2, 5, None, 0.0),
        (12, -2, 0, None, 5.0),
        (15, 3, 5, None, 4.0),
        (4, -6, 5, None, 0.0),
        (25, 13, 5, None, 14.0),
        (33, 20, 5, None, 21.5),
        (33, 20, 5, 30.0, 20.0),
    ],
)
def test_degree_days_by_hand(high: float, low: float, base: float, cap: float | None, expected: float) -> None:
    assert degree_days(high, low, base, cap) == pytest.approx(expected)


def test_season_starts_with_the_first_of_three_warm_pentads() -> None:
    mean = np.concatenate([np.full(60, 4.0), np.full(4, 9.0), np.full(20, 4.9), np.full(30, 6.0)])
    # 60 days of 4 degC pass the sum of 200 on day 50; four warm days make one warm pentad but not three, and a
    # 5-day mean that holds one of the 6.0 days with four of 4.9 already exceeds 5.
    assert season_start(mean, days("2026-01-01", mean.size)) == 80


def test_season_waits_for_the_temperature_sum() -> None:
    mean = np.full(40, 8.0)
    # 8 degC from 1 January: warm at once, and the 25th day brings the sum to 200.
    assert season_start(mean, days("2026-01-01", mean.size)) == 24


def test_season_that_has_not_started_is_known_not_to_have() -> None:
    assert season_start(np.full(90, 4.9), days("2026-01-01", 90)) is None
    assert season_start(np.full(14, 20.0), days("2026-01-01", 14)) is None
    growth = grow({"timothy": 1.0}, np.full(90, 2.0))
    assert growth.start_day is None
    assert growth.clock.max() == 0.0
    assert growth.ndf_mid[-1] < 41


def test_frost_takes_nothing_from_the_temperature_sum() -> None:
    mean = np.concatenate([np.full(30, -20.0), np.full(40, 8.0)])
    assert season_start(mean, days("2026-01-01", mean.size)) == 30 + 24


def test_season_looks_no_further_back_than_its_origin() -> None:
    mean = np.concatenate([np.full(100, 15.0), SPRING])
    with_past = season_start(mean, days("2025-09-23", mean.size))
    assert with_past == season_start(SPRING, days("2026-01-01", SPRING.size)) + 100  # type: ignore[operator]


@pytest.mark.parametrize(
    ("day", "southern", "origin"),
    [
        ("2026-01-01", False, "2026-01-01"),
        ("2026-12-31", False, "2026-01-01"),
        ("2026-06-30", True, "2025-07-01"),
        ("2026-07-01", True, "2026-07-01"),
        ("2026-01-15", True, "2025-07-01"),
    ],
)
def test_season_origin(day: str, southern: bool, origin: str) -> None:
    assert season_origin(on(day), southern) == on(origin)


def test_legumes_count_from_march_once_five_highs_reach_five() -> None:
    high = np.full(100, 20.0)
    high[:70] = 4.0  # day 59 is 1 March
    high[62:66] = 12.0  # four days only
    assert legume_start(high, days("2026-01-01", 100)) == 70
    assert legume_start(np.full(100, 20.0), days("2026-01-01", 100)) == 59
    assert legume_start(np.full(50, 20.0), days("2026-01-01", 50)) is None


def test_alfalfa_needs_no_weather_before_march() -> None:
    growth = grow({"alfalfa": 1.0}, SPRING[59:], "2026-03-01")
    np.testing.assert_allclose(growth.clock, grow({"alfalfa": 1.0}).clock[59:])
    with pytest.raises(GrowthUnknown, match=r"2026-03-01: .* reach back"):
        grow({"alfalfa": 1.0}, SPRING[60:], "2026-03-02")


def test_rules_of_green_up_are_told_apart() -> None:
    mean = np.concatenate([np.full(20, 6.0), np.full(30, 1.0), np.full(30, 8.0)])
    # 20 days of 6 and 30 of 1 make 150 degC d: the 7th day of 8 degC passes 200. Pentads of 6 hold on four of the first
    # days, and three in a row begin at once; five days above 5.6 begin at once too.
    rules = green_up(mean, days("2026-01-01", mean.size))
    assert list(rules.values()) == [0, 56, 0]
    assert season_start(mean, days("2026-01-01", mean.size)) == 56
    assert set(green_up(np.full(4, 9.0), days("2026-01-01", 4)).values()) == {None}


def test_growth_says_when_each_rule_of_its_kinds_came() -> None:
    grass, legume = grow({"orchardgrass": 1.0}), grow({"alfalfa": 1.0})
    assert grass.start_day == max(day for day in list(grass.green_up.values())[:2] if day is not None)
    assert list(legume.green_up.values()) == [legume.start_day]
    assert len(grow({"orchardgrass": 0.5, "alfalfa": 0.5}).green_up) == 4
    assert grow({"orchardgrass": 1.0}, last_cut="2026-05-20").green_up == {}


# --- one growth --------------------------------------------------------------------------------------------------


def test_clock_is_the_sum_since_the_start() -> None:
    growth = grow({"orchardgrass": 1.0})
    start = at(growth, str(growth.start_day))
    np.testing.assert_allclose(growth.clock[start:], np.cumsum(SPRING[start:]))
    assert growth.clock[start - 1] == 0.0
    assert set(growth.clock_spread) == {60.0}


def test_stage_words_and_numbers_follow_the_table() -> None:
    growth = grow({"orchardgrass": 1.0})
    for word, number in (("stem", 2.0), ("boot", 3.0), ("early heads", 3.1), ("full heads", 3.5), ("bloom", 3.7)):
        first = growth.stage.index(word)
        onset = species_table()["orchardgrass"].stages[word]
        assert growth.clock[first - 1] < onset <= growth.clock[first]
        assert growth.msc[first - 1] < number <= growth.msc[first]
    assert growth.stage[0] == "leaf"


def test_legumes_have_words_of_their_own() -> None:
    growth = grow({"alfalfa": 0.7, "timothy": 0.3})
    assert list(dict.fromkeys(growth.stage)) == ["vegetative", "buds", "first flower", "full flower"]
    assert np.isnan(growth.msc).all()


def test_fibre_points_come_from_the_clock_through_the_curve() -> None:
    growth = grow({"tall fescue": 1.0})
    for points, shift in ((growth.ndf_low, -76.9), (growth.ndf_mid, 0.0), (growth.ndf_high, 76.9)):
        np.testing.assert_allclose(points, grass_ndf(growth.clock + shift, 450.0), atol=0.01)


def test_even_mix_lies_between_its_species() -> None:
    grass, legume = grow({"orchardgrass": 1.0}), grow({"alfalfa": 1.0})
    mix = grow({"orchardgrass": 0.5, "alfalfa": 0.5})
    late = slice(59, None)
    np.testing.assert_allclose(mix.ndf_mid[late], (grass.ndf_mid[late] + legume.ndf_mid[late]) / 2)
    np.testing.assert_allclose(mix.dry_matter[late], (grass.dry_matter[late] + legume.dry_matter[late]) / 2)
    water = [g.start_moisture[late] / (1 - g.start_moisture[late]) for g in (grass, legume, mix)]
    np.testing.assert_allclose(water[2], (water[0] + water[1]) / 2)
    assert (mix.ndf_target, mix.grass_share) == (44.0, 0.5)
    assert mix.drying_factor == pytest.approx(0.975)


def test_pure_grass_is_ripe_before_the_mix_and_the_mix_before_alfalfa() -> None:
    ripe = [
        int(np.argmax(growth.ndf_mid >= growth.ndf_target))
        for growth in (
            grow({"orchardgrass": g, "alfalfa": 1 - g} if 0 < g < 1 else {n: 1.0})
            for g, n in ((1, "orchardgrass"), (0.5, ""), (0, "alfalfa"))
        )
    ]
    assert ripe[0] < ripe[1] < ripe[2]


@pytest.mark.parametrize("name", NAMES)
def test_fibre_and_yield_rise_and_moisture_falls(name: str) -> None:
    growth = grow({name: 1.0})
    known = np.isfinite(growth.clock)
    assert (np.diff(growth.ndf_mid[known]) >= 0).all()
    assert (np.diff(growth.dry_matter[known]) >= -1e-12).all()
    assert (np.diff(growth.start_moisture[known]) <= 0).all()
    assert (growth.ndf_low <= growth.ndf_mid)[known].all()
    assert (growth.ndf_mid <= growth.ndf_high)[known].all()
    assert 0.70 <= growth.start_moisture[known].min() <= growth.start_moisture[known].max() <= 0.85


def test_clock_far_beyond_the_table_says_coarse() -> None:
    growth = grow({"kentucky bluegrass": 1.0})
    assert growth.clock[-1] > 1200
    assert growth.ndf_mid[-1] == pytest.approx(68.0, abs=0.1)
    assert (growth.stage[-1], growth.msc[-1]) == ("bloom", 3.7)
    assert growth.days_left[-1] < -30


def test_standing_moisture_at_the_stages() -> None:
    growth = grow({"timothy": 1.0})
    boot, heads = growth.stage.index("boot"), growth.stage.index("full heads")
    assert growth.start_moisture[0] == pytest.approx(0.84)
    assert 0.80 <= growth.start_moisture[boot] <= 0.82
    assert 0.72 <= growth.start_moisture[heads] <= 0.75


def test_days_left_count_down_to_the_end_of_the_window() -> None:
    growth = grow({"mixed meadow": 1.0}, np.where(np.arange(181) < 90, 4.0, 14.0))
    past = int(np.argmax(growth.ndf_mid > growth.ndf_target + c.RIPE_HALF_WIDTH))
    steady = np.arange(past - 20, past + 10)
    np.testing.assert_allclose(np.diff(growth.days_left[steady]), -1.0, atol=0.02)
    assert growth.days_left[past] <= 0 < growth.days_left[past - 1]


def test_days_left_agree_with_the_rate_where_the_curve_is_straight() -> None:
    growth = grow({"mixed meadow": 1.0}, np.where(np.arange(181) < 90, 4.0, 14.0))
    near = int(np.argmax(growth.ndf_mid > 51.5))
    rate = growth.ndf_mid[near + 1] - growth.ndf_mid[near]
    assert growth.days_left[near] == pytest.approx((53.0 - growth.ndf_mid[near]) / rate, rel=0.05)


def test_hot_days_add_stage_but_no_growth() -> None:
    mean = np.where(np.arange(120) < 60, 8.0, 27.0)
    hot, mild = grow({"orchardgrass": 1.0}, mean), grow({"orchardgrass": 1.0}, np.minimum(mean, 22.0))
    assert hot.clock[-1] == pytest.approx(mild.clock[-1] + 60 * 5.0)
    np.testing.assert_allclose(hot.dry_matter, mild.dry_matter)


def test_expected_first_cut_of_a_meadow() -> None:
    # A wide check that the parts fit together: ripe in May with 2-4 t/ha, at 43 degrees north.
    growth = grow({"mixed meadow": 1.0})
    ripe = int(np.argmax(growth.ndf_mid >= growth.ndf_target))
    assert on("2026-04-25") < growth.day[ripe] < on("2026-05-25")
    assert 2.0 < growth.dry_matter[ripe] < 4.0


# --- regrowth ----------------------------------------------------------------------------------------------------


def test_regrowth_counts_from_the_cut_and_knows_nothing_before() -> None:
    growth = grow({"orchardgrass": 1.0}, last_cut="2026-05-20")
    cut = at(growth, "2026-05-20")
    assert growth.start_day == on("2026-05-20")
    np.testing.assert_allclose(growth.clock[cut:], np.cumsum(SPRING[cut:]))
    assert np.isnan(growth.ndf_mid[:cut]).all()
    assert set(growth.stage[:cut]) == {""}
    assert set(growth.stage[cut:]) == {"leafy regrowth"}
    assert growth.ndf_mid[-1] < c.NDF_REGROWTH_CEILING
    assert growth.start_moisture[-1] == pytest.approx(0.81)


def test_regrowth_of_grass_is_at_fifty_at_its_own_mark() -> None:
    growth = grow({"timothy": 1.0}, last_cut="2026-05-20")
    assert np.interp(550.0, growth.clock[140:], growth.ndf_mid[140:]) == pytest.approx(50.0, abs=0.05)


def test_regrowth_needs_no_weather_before_the_cut() -> None:
    whole = grow({"orchardgrass": 1.0}, last_cut="2026-05-20")
    part = grow({"orchardgrass": 1.0}, SPRING[139:], "2026-05-20", last_cut="2026-05-20")
    np.testing.assert_allclose(part.ndf_mid, whole.ndf_mid[139:])
    with pytest.raises(GrowthUnknown, match=r"2026-05-20: .* reach back"):
        grow({"orchardgrass": 1.0}, SPRING[140:], "2026-05-21", last_cut="2026-05-20")


def test_cut_of_last_year_means_first_growth() -> None:
    np.testing.assert_allclose(
        grow({"orchardgrass": 1.0}, last_cut="2025-09-10").clock, grow({"orchardgrass": 1.0}).clock
    )


def test_regrowth_of_alfalfa_is_doubted_until_it_is_looked_at() -> None:
    blind = grow({"alfalfa": 1.0}, last_cut="2026-05-20")
    seen = grow({"alfalfa": 1.0}, last_cut="2026-05-20", looks=[StageLook(on("2026-06-15"), height=0.6)])
    assert blind.doubts == (GrowthDoubt(DoubtKind.REGROWTH, "alfalfa"),)
    assert seen.doubts == ()
    assert seen.clock_spread[-1] < blind.clock_spread[-1] == c.LEGUME_REGROWTH_SPREAD


# --- drought and frost -----------------------------------------------------------------------------------------


def dry_from(date: str, stress: float, count: int = 181) -> GrowthContext:
    return GrowthContext(stress=np.where(days("2026-01-01", count) >= on(date), stress, 1.0))


def test_water_stress_slows_the_growth_and_not_the_stage() -> None:
    wet, dry = grow({"orchardgrass": 1.0}), grow({"orchardgrass": 1.0}, known=dry_from("2026-04-20", 0.5))
    np.testing.assert_allclose(dry.clock, wet.clock)
    i = at(wet, "2026-04-20")
    run, grown = wet.clocks[False], dry.clocks[False].growth_clock
    np.testing.assert_allclose(np.diff(grown[i:]), np.diff(run.growth_clock[i:]) / 2)
    assert dry.dry_matter[-1] < wet.dry_matter[-1]


def test_drought_holds_a_regrowth_and_lets_a_first_growth_ripen() -> None:
    known = dry_from("2026-06-10", 0.1)
    first, regrown = (grow({"orchardgrass": 1.0}, known=known, last_cut=cut) for cut in (None, "2026-05-20"))
    i = at(first, "2026-06-09")
    assert first.clock[-1] > first.clock[i] + 200
    assert regrown.clock[-1] == regrown.clock[i]
    for growth in (first, regrown):
        assert growth.dry_matter[-1] == pytest.approx(growth.dry_matter[i])
        assert growth.doubts == (GrowthDoubt(DoubtKind.DROUGHT, "orchardgrass", days=21),)


def test_stress_at_the_limit_holds_nothing() -> None:
    held = grow({"orchardgrass": 1.0}, known=dry_from("2026-06-10", c.DROUGHT_KS), last_cut="2026-05-20")
    np.testing.assert_allclose(held.clock, grow({"orchardgrass": 1.0}, last_cut="2026-05-20").clock)
    assert held.doubts == ()


@pytest.mark.parametrize("stress", [float("nan"), -0.1, 1.1])
def test_stress_that_is_none_is_refused(stress: float) -> None:
    with pytest.raises(GrowthUnknown, match="stress factor must be 0 to 1") as refused:
        grow({"timothy": 1.0}, known=dry_from("2026-06-30", stress))
    assert refused.value.day == on("2026-06-30")
    with pytest.raises(ValueError, match="shape"):
        grow({"timothy": 1.0}, known=GrowthContext(stress=np.ones(3)))


def frosty(*dates: str) -> Array:
    low = SPRING - 6
    low[[int((on(date) - on("2026-01-01")).astype(int)) for date in dates]] = -3.5
    return low


def test_hard_frost_on_a_tall_crop_widens_the_spread_once_until_a_look() -> None:
    plain = grow({"orchardgrass": 1.0})
    low = frosty("2026-03-25", "2026-05-01", "2026-05-02", "2026-05-12")
    frozen = grow({"orchardgrass": 1.0}, low=low)
    i = at(plain, "2026-05-01")
    np.testing.assert_allclose(frozen.clock, plain.clock)
    assert plain.clock[at(plain, "2026-03-25")] < c.FROST_TALL_GRASS
    assert (frozen.clock_spread[i - 1], frozen.clock_spread[i], frozen.clock_spread[-1]) == (60.0, 90.0, 90.0)
    assert frozen.doubts == (GrowthDoubt(DoubtKind.FROST, "orchardgrass", on("2026-05-01")),)
    assert frozen.ndf_high[i] - frozen.ndf_low[i] > plain.ndf_high[i] - plain.ndf_low[i]
    looks = [StageLook(on("2026-05-02"), "early heads")]
    seen = grow({"orchardgrass": 1.0}, low=low, looks=looks)
    assert seen.clock_spread[i + 1] == pytest.approx(kalman_update(0.0, 90.0, 0.0)[1])
    assert seen.clock_spread[i + 11] == pytest.approx(np.hypot(seen.clock_spread[i + 1], 7 * 10**0.5) + 30)
    assert seen.doubts == (GrowthDoubt(DoubtKind.FROST, "orchardgrass", on("2026-05-12")),)
    assert grow({"orchardgrass": 1.0}, low=frosty("2026-05-01"), looks=looks).doubts == ()


def test_a_look_decides_whether_a_crop_is_tall_enough_for_a_frost_to_hurt() -> None:
    plain = grow({"orchardgrass": 1.0})
    short = str(plain.day[int(np.argmax(plain.clock > 150.0))])
    ahead = [StageLook(on(short) - 1, "boot")]
    assert grow({"orchardgrass": 1.0}, low=frosty(short)).doubts == ()
    (doubted,) = grow({"orchardgrass": 1.0}, looks=ahead, low=frosty(short)).doubts
    assert doubted.kind is DoubtKind.FROST
    tall = str(plain.day[int(np.argmax(plain.clock > 205.0))])
    behind = [StageLook(on(tall) - 1, "leaf")]
    (doubted,) = grow({"orchardgrass": 1.0}, low=frosty(tall)).doubts
    assert doubted.kind is DoubtKind.FROST
    assert grow({"orchardgrass": 1.0}, looks=behind, low=frosty(tall)).doubts == ()


def test_a_vague_look_does_not_make_good_what_a_frost_has_done() -> None:
    vague = [StageLook(on("2026-04-21"), "no heads yet")]
    frozen = grow({"orchardgrass": 1.0}, looks=vague, low=frosty("2026-04-20"))
    i = at(frozen, "2026-04-21")
    deviation = truncated_clock(frozen.clocks[False].step[: i + 1].sum(), 90.0, -inf, 470.0)[1]
    assert 70.0 < deviation < 90.0
    np.testing.assert_allclose(frozen.clock_spread[i:], deviation)


AUTUMN: Array = np.concatenate([np.full(60, 2.0), np.full(200, 15.0), np.full(40, 8.0)])


def test_killing_frost_of_autumn_ends_legumes_and_not_grasses() -> None:
    low = AUTUMN - 6
    low[[100, 270]] = -4.0  # 11 April and 28 September
    frozen = grow({"alfalfa": 0.6, "timothy": 0.4}, AUTUMN, low=low, last_cut="2026-09-01")
    i = at(frozen, "2026-09-28")
    assert frozen.end_day == on("2026-09-28")
    assert frozen.clock[-1] == frozen.clock[i - 1]
    assert frozen.clock[i - 1] > frozen.clock[i - 2]
    assert frozen.clocks[False].clock[-1] > frozen.clocks[False].clock[i - at(frozen, "2026-09-01")]
    assert frozen.clocks[False].end_day is None
    assert GrowthDoubt(DoubtKind.GROWTH_ENDED, "alfalfa", on("2026-09-28")) in frozen.doubts
    assert grow({"alfalfa": 1.0}, AUTUMN[:260], low=low[:260]).end_day is None


def test_killing_frost_is_looked_for_half_a_year_later_in_the_south() -> None:
    low = np.full(300, 5.0)
    low[40] = -4.0
    assert killing_frost(low, days("2025-07-15", 300), southern=True) is None
    low[250] = -4.1
    assert killing_frost(low, days("2025-07-15", 300), southern=True) == 250
    assert killing_frost(low + 0.2, days("2025-07-15", 300), southern=True) is None


# --- from one season to the next ----------------------------------------------------------------------------------


def test_half_of_an_offset_is_handed_on_to_the_next_season() -> None:
    seen = grow({"orchardgrass": 1.0}, looks=[StageLook(on("2026-05-01"), "early heads")])
    offset = float(seen.clock[-1] - grow({"orchardgrass": 1.0}).clock[-1])
    assert abs(offset) > 5
    assert seen.next_season_priors()["grasses"].offset == pytest.approx(offset / 2)
    assert seen.next_season_priors()["grasses"].spread == 45.0
    after = grow({"orchardgrass": 1.0}, known=GrowthContext(priors=seen.next_season_priors()))
    assert after.clock[-1] - (seen.clock[-1] - offset) == pytest.approx(offset / 2)
    assert after.clock[: at(after, str(after.start_day))].max() == 0.0
    assert set(after.clock_spread) == {45.0}


def test_an_old_look_leaves_a_clock_as_sure_as_the_season_before_did() -> None:
    known = GrowthContext(priors={"grasses": Prior(10.0, 45.0)})
    seen = grow({"orchardgrass": 1.0}, looks=[StageLook(on("2026-04-20"), "boot")], known=known)
    assert seen.clock_spread[at(seen, "2026-04-20")] < 30.0
    assert seen.clock_spread[-1] == 45.0  # 71 days later the noise alone would make it 65


def test_without_a_look_an_offset_fades_and_nothing_is_handed_on_from_a_regrowth() -> None:
    known = GrowthContext(priors={"legumes": Prior(40.0, 64.5)})
    faded = grow({"alfalfa": 1.0}, known=known)
    assert faded.next_season_priors() == {"legumes": Prior(pytest.approx(20.0), c.LEGUME_CLOCK_SPREAD)}  # type: ignore[arg-type]
    assert grow({"alfalfa": 1.0}).next_season_priors() == {}
    regrown = grow({"alfalfa": 1.0}, known=known, last_cut="2026-05-20")
    assert regrown.next_season_priors() == {}
    np.testing.assert_array_equal(regrown.clock, grow({"alfalfa": 1.0}, last_cut="2026-05-20").clock)


# --- looks -------------------------------------------------------------------------------------------------------


def test_look_corrects_the_clock_from_its_day_on() -> None:
    plain = grow({"orchardgrass": 1.0})
    seen = grow({"orchardgrass": 1.0}, looks=[StageLook(on("2026-05-01"), "early heads")])
    i = at(plain, "2026-05-01")
    mean, spread = kalman_update(plain.clock[i], 60.0, 470.0)
    assert seen.clock[i] == pytest.approx(mean)
    assert seen.clock_spread[i] == pytest.approx(spread)
    np.testing.assert_allclose(seen.clock[:i], plain.clock[:i])
    np.testing.assert_allclose(seen.clock[i:] - plain.clock[i:], mean - plain.clock[i])
    assert seen.clock_spread[i + 10] == pytest.approx(np.hypot(spread, 7 * 10**0.5))
    assert seen.clock_spread.max() == 60.0
    assert seen.ndf_high[i] - seen.ndf_low[i] < plain.ndf_high[i] - plain.ndf_low[i]


def test_looks_are_taken_in_the_order_of_their_days() -> None:
    looks = [StageLook(on("2026-05-08"), "early heads"), StageLook(on("2026-05-01"), "boot")]
    there, back = grow({"orchardgrass": 1.0}, looks=looks), grow({"orchardgrass": 1.0}, looks=looks[::-1])
    np.testing.assert_array_equal(there.clock, back.clock)


def test_no_heads_yet_only_ever_holds_the_clock_back() -> None:
    plain = grow({"orchardgrass": 1.0})
    early = grow({"orchardgrass": 1.0}, looks=[StageLook(on("2026-04-10"), "no heads yet")])
    late = grow({"orchardgrass": 1.0}, looks=[StageLook(on("2026-05-10"), "no heads yet")])
    i = at(plain, "2026-05-10")
    np.testing.assert_allclose(early.clock, plain.clock, atol=0.01)
    assert plain.clock[i] > 470 > late.clock[i]


def test_no_buds_yet_holds_alfalfa_back_and_full_flower_never_does() -> None:
    plain = grow({"alfalfa": 1.0})
    day = str(plain.day[int(np.argmax(plain.clock > 400))])
    i = at(plain, day)
    assert grow({"alfalfa": 1.0}, looks=[StageLook(on(day), "no buds yet")]).clock[i] < 389
    late = str(plain.day[int(np.argmax(plain.clock > 800))])
    bloomed = grow({"alfalfa": 1.0}, looks=[StageLook(on(late), "full flower")])
    np.testing.assert_allclose(bloomed.clock, plain.clock, atol=3.0)
    early = str(plain.day[int(np.argmax(plain.clock > 500))])
    assert grow({"alfalfa": 1.0}, looks=[StageLook(on(early), "full flower")]).clock[at(plain, early)] > 597


@pytest.mark.parametrize(
    ("said", "stand", "word"),
    [
        ("heads here and there", "timothy", "early heads"),
        ("R0", "timothy", "boot"),
        ("E", "timothy", "stem"),
        ("R4", "timothy", "bloom"),
        ("S2", "timothy", "bloom"),
        ("KF3", "alfalfa", "buds"),
        ("KF2", "alfalfa", "vegetative"),
        ("KF6", "alfalfa", "full flower"),
    ],
)
def test_what_else_stages_are_called(said: str, stand: str, word: str) -> None:
    clock = grow({stand: 1.0}).clock
    day = np.datetime64("2026-01-01") + int(np.argmax(clock > 500))
    told, meant = (grow({stand: 1.0}, looks=[StageLook(day, stage)]) for stage in (said, word))
    np.testing.assert_array_equal(told.clock, meant.clock)
    assert told.clocks[stand == "alfalfa"].is_corrected


@pytest.mark.parametrize(("code", "stand", "clock"), [("R2", "timothy", 680.0), ("KF4", "alfalfa", 439.0)])
def test_codes_between_two_words_stand_for_the_middle(code: str, stand: str, clock: float) -> None:
    plain = grow({stand: 1.0})
    i = int(np.argmax(plain.clock > clock - 30))
    seen = grow({stand: 1.0}, looks=[StageLook(plain.day[i], code)])
    assert seen.clock[i] == pytest.approx(kalman_update(plain.clock[i], plain.clock_spread[i], clock)[0])


@pytest.mark.parametrize(("legume", "said"), [(legume, said) for legume in LOOK_STAGES for said in LOOK_STAGES[legume]])
def test_every_stage_that_may_be_said_speaks_of_its_kind_only(legume: bool, said: str) -> None:
    clocks = {kind: grow({name: 1.0}).clock for kind, name in ((False, "timothy"), (True, "alfalfa"))}
    unused = []
    for kind, name in ((False, "timothy"), (True, "alfalfa")):
        day = np.datetime64("2026-01-01") + int(np.argmax(clocks[kind] > (450 if kind else 600)))
        unused.append(grow({name: 1.0}, looks=[StageLook(day, said)]).doubts != ())
    assert unused == [legume, not legume]


@pytest.mark.parametrize(("lower", "upper"), [(-inf, 470.0), (250.0, 430.0), (700.0, 820.0), (-inf, 200.0)])
def test_limits_agree_with_the_integral(lower: float, upper: float) -> None:
    x = np.linspace(max(lower, -600.0), upper, 400_001)
    weight = np.exp(-(((x - 450.0) / 60.0) ** 2) / 2)
    mean = np.average(x, weights=weight)
    deviation = np.average((x - mean) ** 2, weights=weight) ** 0.5
    assert truncated_clock(450.0, 60.0, lower, upper) == pytest.approx((mean, deviation), abs=0.02)


@settings(max_examples=100, deadline=None)
@given(clock=st.floats(0, 1200), spread=st.floats(15, 120), seen=st.floats(0, 1200))
def test_a_look_never_makes_the_clock_less_sure_nor_overshoots(clock: float, spread: float, seen: float) -> None:
    mean, deviation = kalman_update(clock, spread, seen)
    assert min(clock, seen) - 1e-9 <= mean <= max(clock, seen) + 1e-9
    assert deviation < spread


def test_look_at_the_legume_leaves_the_grass_alone() -> None:
    stand = {"orchardgrass": 0.6, "alfalfa": 0.4}
    plain, seen = grow(stand), grow(stand, looks=[StageLook(on("2026-05-10"), "buds")])
    np.testing.assert_allclose(seen.clock, plain.clock)
    assert seen.ndf_mid[at(plain, "2026-05-10")] != pytest.approx(plain.ndf_mid[at(plain, "2026-05-10")], abs=0.01)


def test_height_of_alfalfa_corrects_its_fibre() -> None:
    # 28 in, vegetative: 36.8 % by the height line; gain 86^2 / (86^2 + (2.2 / 0.0409)^2) = 0.719.
    plain = grow({"alfalfa": 1.0})
    seen = grow({"alfalfa": 1.0}, looks=[StageLook(on("2026-05-05"), height=0.7112)])
    i = at(plain, "2026-05-05")
    assert plain.stage[i] == "vegetative"
    assert seen.ndf_mid[i] == pytest.approx(plain.ndf_mid[i] + 0.719 * (36.8 - plain.ndf_mid[i]), abs=0.02)


@pytest.mark.parametrize("other", ["timothy", "red clover"])
def test_height_tells_less_in_a_mix(other: str) -> None:
    # 3.0 % of fibre instead of 2.2: gain 86^2 / (86^2 + (3.0 / 0.0409)^2) = 0.579 on the clock of the alfalfa.
    look = [StageLook(on("2026-05-05"), height=0.7112)]
    plain, seen = (grow({"alfalfa": 0.6, other: 0.4}, looks=looks) for looks in ([], look))
    i = at(plain, "2026-05-05")
    told = 417.0 + (36.8 - 40.0) / 0.0409
    assert seen.clock[i] == pytest.approx(plain.clock[i] + 0.579 * (told - plain.clock[i]), abs=0.6)


def test_short_alfalfa_is_young() -> None:
    # By the height line 0.40 m, vegetative, are 28.4 % of fibre and so a clock of 417 + (28.378 - 40) / 0.0409 = 132.8.
    plain = grow({"alfalfa": 1.0})
    i = at(plain, "2026-05-01")
    seen, barely = (grow({"alfalfa": 1.0}, looks=[StageLook(on("2026-05-01"), height=tall)]) for tall in (0.3, 0.4))
    # What lies below that line with its own error of 2.2 / 0.0409, summed up by hand.
    clocks = np.linspace(-500.0, 900.0, 14001)
    error = 2.2 / 0.0409
    weight = np.exp(-(((clocks - plain.clock[i]) / 86.0) ** 2) / 2.0)
    weight *= np.array([erfc((clock - 132.8) / error / 2.0**0.5) for clock in clocks])
    mean = (clocks * weight).sum() / weight.sum()
    assert seen.clock[i] == pytest.approx(mean, abs=0.5)
    assert seen.clock_spread[i] == pytest.approx(
        ((clocks - mean) ** 2 * weight).sum() ** 0.5 / weight.sum() ** 0.5, 0.01
    )
    assert seen.clock[i] < barely.clock[i] < plain.clock[i]
    assert seen.doubts == ()


def test_short_alfalfa_before_the_clock_of_the_shortest_changes_little() -> None:
    plain = grow({"alfalfa": 1.0})
    i = at(plain, "2026-04-01")
    seen = grow({"alfalfa": 1.0}, looks=[StageLook(on("2026-04-01"), height=0.1)])
    assert plain.clock[i] < 60.0
    assert plain.clock[i] - 40.0 < seen.clock[i] < plain.clock[i]


def test_short_alfalfa_that_buds_is_told_by_its_buds() -> None:
    both = grow({"alfalfa": 1.0}, looks=[StageLook(on("2026-05-10"), "buds", height=0.3)])
    np.testing.assert_allclose(
        both.clock, grow({"alfalfa": 1.0}, looks=[StageLook(on("2026-05-10"), "buds")]).clock, equal_nan=True
    )
    young, short = (
        grow({"alfalfa": 1.0}, looks=[StageLook(on("2026-05-01"), word, height=0.3)]) for word in ("no buds yet", None)
    )
    np.testing.assert_allclose(young.clock, short.clock, equal_nan=True)


def test_looks_tell_how_far_the_clock_went_to_them() -> None:
    looks = [StageLook(on("2026-05-01"), height=0.3), StageLook(on("2026-05-15"), "buds")]
    young, buds = grow({"alfalfa": 1.0}, looks=looks).clocks[True].applied_looks
    assert (young.look, young.share, buds.look) == (looks[0], None, looks[1])
    first = grow({"alfalfa": 1.0}, looks=looks[1:]).clocks[True].applied_looks[0].share
    assert first == pytest.approx(86**2 / (86**2 + 35**2))
    assert buds.share is not None and first is not None and 0.5 < buds.share < first


def test_looks_that_say_nothing_are_named() -> None:
    tall = grow({"alfalfa": 1.0}, looks=[StageLook(on("2026-05-01"), height=1.3)])
    clover = grow({"red clover": 1.0}, looks=[StageLook(on("2026-05-01"), height=0.3)])
    grass = grow({"timothy": 1.0}, looks=[StageLook(on("2026-05-01"), height=0.5)])
    regrown = grow({"timothy": 1.0}, last_cut="2026-05-20", looks=[StageLook(on("2026-06-10"), "early heads")])
    dates = ("2026-05-01", "2026-05-01", "2026-05-01", "2026-06-10")
    for growth, date in zip((tall, clover, grass, regrown), dates, strict=True):
        assert growth.doubts == (GrowthDoubt(DoubtKind.LOOK_UNUSED, day=on(date)),)


def test_looks_before_the_cut_belong_to_the_growth_before() -> None:
    looks = [StageLook(on("2026-05-20"), "full flower")]
    seen = grow({"alfalfa": 1.0}, last_cut="2026-05-20", looks=looks)
    np.testing.assert_array_equal(seen.clock, grow({"alfalfa": 1.0}, last_cut="2026-05-20").clock)


# --- south and north -------------------------------------------------------------------------------------------


def test_south_gives_the_same_answer_half_a_year_later() -> None:
    north = grow({"orchardgrass": 1.0})
    south = grow({"orchardgrass": 1.0}, first="2026-07-01", southern=True, latitude=-43.0)
    assert south.start_day - north.start_day == on("2026-07-01") - on("2026-01-01")  # type: ignore[operator]
    np.testing.assert_array_equal(north.ndf_mid, south.ndf_mid)
    np.testing.assert_array_equal(north.days_left, south.days_left)
    assert north.stage == south.stage


def test_south_gives_alfalfa_the_same_answer_from_september() -> None:
    north = grow({"alfalfa": 1.0}, SPRING[59:], "2026-03-01")
    south = grow({"alfalfa": 1.0}, SPRING[59:], "2026-09-01", southern=True, latitude=-43.0)
    np.testing.assert_array_equal(north.ndf_mid, south.ndf_mid)


def test_timothy_heads_sooner_in_the_far_north_with_the_same_fibre() -> None:
    south, north = grow({"timothy": 1.0}), grow({"timothy": 1.0}, latitude=65.0)
    assert north.stage.index("early heads") < south.stage.index("early heads")
    np.testing.assert_array_equal(north.ndf_mid, south.ndf_mid)


# --- what is refused -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("missing", ["2026-01-01", "2026-02-14", "2026-06-30"])
def test_missing_day_is_refused_with_its_date(missing: str) -> None:
    mean = SPRING.copy()
    mean[(on(missing) - on("2026-01-01")).astype(int)] = np.nan
    with pytest.raises(GrowthUnknown, match="missing") as refused:
        grow({"orchardgrass": 1.0}, mean)
    assert refused.value.day == on(missing)


def test_missing_day_before_the_cut_does_not_matter() -> None:
    mean = SPRING.copy()
    mean[40] = np.nan
    assert np.isfinite(grow({"orchardgrass": 1.0}, mean, last_cut="2026-05-20").ndf_mid[-1])


def test_past_that_begins_too_late_is_refused() -> None:
    with pytest.raises(GrowthUnknown, match=r"2026-01-01: .* reach back"):
        grow({"orchardgrass": 1.0}, SPRING[1:], "2026-01-02")


def test_high_below_low_is_refused() -> None:
    day = days("2026-01-01", 181)
    with pytest.raises(GrowthUnknown, match="below its lowest"):
        field_growth(
            {"timothy": 1.0},
            day,
            SPRING - 6,
            SPRING + 6,
            last_cut=None,
            looks=[],
            southern=False,
            latitude=43.0,
        )


def test_dates_after_the_weather_are_refused() -> None:
    with pytest.raises(GrowthUnknown, match="last cut"):
        grow({"timothy": 1.0}, last_cut="2026-08-01")
    with pytest.raises(GrowthUnknown, match="look"):
        grow({"timothy": 1.0}, looks=[StageLook(on("2026-08-01"), "boot")])


@pytest.mark.parametrize(
    ("stand", "given", "first", "last"),
    [
        ("timothy", StageLook(on("2026-02-20"), "boot"), True, True),
        ("timothy", StageLook(on("2026-06-30"), "boot"), True, True),
        ("timothy", StageLook(on("2026-04-01"), "bloom"), True, False),
        ("timothy", StageLook(on("2026-06-28"), "leaf"), False, True),
        ("alfalfa", StageLook(on("2026-06-30"), "vegetative", height=0.41), False, True),
    ],
)
def test_look_that_cannot_be_true_is_refused_with_the_days_that_it_would_fit(
    stand: str, given: StageLook, first: bool, last: bool
) -> None:
    with pytest.raises(LookMisfit) as refused:
        grow({stand: 1.0}, looks=[given])
    assert (refused.value.day, refused.value.look) == (given.on, given)
    assert refused.value.by_height == (given.height is not None)
    ends = [refused.value.first, refused.value.last]
    assert [end is not None for end in ends] == [first, last]
    days_told = [at for at in days("2026-01-02", 180) if taken(stand, replace(given, on=at))]
    assert (days_told[0], days_told[-1]) == (ends[0] or on("2026-01-02"), ends[1] or on("2026-06-30"))
    assert len(days_told) == (days_told[-1] - days_told[0]).astype(int) + 1


def taken(stand: str, *looks: StageLook) -> bool:
    try:
        grow({stand: 1.0}, looks=looks)
    except GrowthUnknown:
        return False
    return True


def test_look_that_no_day_fits_says_so() -> None:
    with pytest.raises(LookMisfit) as refused:
        grow({"timothy": 1.0}, SPRING[:100], looks=[StageLook(on("2026-04-01"), "bloom")])
    assert (refused.value.first, refused.value.last) == (None, None)


def test_days_that_fit_are_those_after_the_looks_before() -> None:
    # Heads of 1 May hold the clock close, so that boot fits fewer days than without them.
    heads, boot = StageLook(on("2026-05-01"), "early heads"), StageLook(on("2026-06-15"), "boot")
    told = []
    for looks in ([boot], [heads, boot]):
        with pytest.raises(LookMisfit) as refused:
            grow({"orchardgrass": 1.0}, looks=looks)
        assert refused.value.last is not None
        told.append(refused.value.last)
    assert told[1] < told[0]
    assert taken("orchardgrass", heads, replace(boot, on=told[1]))
    assert not taken("orchardgrass", heads, replace(boot, on=told[1] + 1))


@pytest.mark.parametrize(
    ("look", "message"),
    [(StageLook(on("2026-05-01"), "heads"), "known are leaf"), (StageLook(on("2026-05-01")), "stage or a height")],
)
def test_malformed_look_is_refused(look: StageLook, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        grow({"timothy": 1.0}, looks=[look])


@pytest.mark.parametrize(
    ("stand", "message"),
    [
        ({"thistle": 1.0}, "unknown species 'thistle'"),
        ({"timothy": 0.5, "alfalfa": 0.4}, "add up to 0.9"),
        ({"timothy": 1.5, "alfalfa": -0.5}, "must be above 0"),
        ({"timothy": float("nan")}, "must be above 0"),
        ({}, "add up to 0"),
    ],
)
def test_malformed_stand_is_refused(stand: Mapping[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        grow(stand)


def test_gap_in_the_days_is_refused() -> None:
    day = np.delete(days("2026-01-01", 181), 50)
    kept = np.delete(SPRING, 50)
    with pytest.raises(ValueError, match="without a gap"):
        field_growth({"timothy": 1.0}, day, kept + 6, kept - 6, last_cut=None, looks=[], southern=False, latitude=43.0)


# --- scales, heights and targets ---------------------------------------------------------------------------------


def test_kalu_fick_follows_height_then_buds_and_flowers() -> None:
    growth = grow({"alfalfa": 1.0})
    known = np.isfinite(growth.kalu_fick)
    scale = np.interp([0.0, 389.0, 489.0, 597.0, 900.0], growth.clock[known], growth.kalu_fick[known])
    np.testing.assert_allclose(scale, [0.0, 3.0, 5.0, 6.0, 6.0], atol=0.1)
    for height, number in ((0.16, 1.0), (0.31, 2.0)):
        tall = int(np.argmax(alfalfa_height(growth.clock) >= height))
        assert growth.kalu_fick[tall - 1] < number <= growth.kalu_fick[tall]
    assert np.isnan(grow({"red clover": 1.0}).kalu_fick).all()
    assert np.isnan(grow({"timothy": 1.0}).kalu_fick).all()


@pytest.mark.parametrize(
    ("number", "scale", "code"),
    [(1.0, MOORE, "V"), (2.99, MOORE, "E"), (3.1, MOORE, "R1"), (4.9, MOORE, "S5"), (0.9, KALU_FICK, "KF0")],
)
def test_a_mean_stage_has_the_code_it_has_reached(number: float, scale: Mapping[str, float], code: str) -> None:
    assert scale_code(number, scale) == code


def test_stages_and_codes_are_in_one_order() -> None:
    growth = grow({"orchardgrass": 1.0})
    codes = [scale_code(growth.msc[growth.stage.index(word)], MOORE) for word in GRASS_STAGES]
    assert codes == ["V", "E", "R0", "R1", "R3", "R4"]


def test_alfalfa_and_alfalfa_with_grass_have_a_height_to_begin_cutting() -> None:
    half = {"orchardgrass": 0.5, "alfalfa": 0.3, "red clover": 0.2}
    assert grow({"alfalfa": 1.0}).cut_height == pytest.approx(28 * 0.0254)
    assert grow(half).cut_height == pytest.approx(22 * 0.0254)
    late = make_variety(species_table()["alfalfa"], "late alfalfa", stages_later=30.0)
    assert grow({"timothy": 0.9, "late alfalfa": 0.1}, kinds=own(late)).cut_height == pytest.approx(15.76 * 0.0254)
    assert grow({"timothy": 0.5, "red clover": 0.5}).cut_height is None


def test_target_moves_the_ripe_days_and_not_the_fibre() -> None:
    milk, horses = (
        grow({"mixed meadow": 1.0}, known=GrowthContext(target=ndf_target(1.0, purpose)))
        for purpose in (Purpose.MILK, Purpose.HORSES)
    )
    assert (milk.ndf_target, horses.ndf_target) == (50.0, 58.0)
    np.testing.assert_array_equal(milk.ndf_mid, horses.ndf_mid)
    i = at(milk, "2026-05-05")
    assert 4 < horses.days_left[i] - milk.days_left[i] < 14
    np.testing.assert_array_equal(milk.days_left, grow({"mixed meadow": 1.0}).days_left)


# --- the table -------------------------------------------------------------------------------------------------


def test_table_has_every_species_in_order() -> None:
    assert list(species_table()) == NAMES
    for row in species_table().values():
        onsets = list(row.stages.values())
        assert onsets == sorted(set(onsets))
        assert list(row.stages) == list(row.moisture_by_stage)


def test_every_value_of_the_table_has_a_unit_and_a_mark() -> None:
    table = tomllib.loads(files("models").joinpath("species.toml").read_text(encoding="utf-8"))
    marks = ("published", "remembered", "derived", "estimate")
    for kind in (table["grasses"], table["legumes"]):
        rows = [kind, *kind["species"].values()]
        for row in rows:
            for key in row.keys() - {"marks", "species"}:
                assert key in table["units"]
                assert (kind["marks"] | row.get("marks", {}))[key].startswith(marks)


def test_drying_factor_is_mixed_by_share() -> None:
    assert stand_drying_factor({"perennial ryegrass": 0.75, "tall fescue": 0.25}) == pytest.approx(0.875)


# --- rows of a farm's own ----------------------------------------------------------------------------------------


def own(*rows: Species) -> dict[str, Species]:
    return {**species_table(), **{row.name: row for row in rows}}


@pytest.mark.parametrize("like", ["orchardgrass", "alfalfa"])
def test_a_variety_with_a_later_mark_is_ripe_later_by_just_that_clock(like: str) -> None:
    usual = species_table()[like]
    late = make_variety(usual, "late", ndf_mark=usual.ndf_mark + 40.0)
    ripe = [
        np.interp(growth.ndf_target, growth.ndf_mid[100:150], growth.clock[100:150])
        for growth in (grow({like: 1.0}), grow({"late": 1.0}, kinds=own(late)))
    ]
    assert ripe[1] - ripe[0] == pytest.approx(40.0, abs=0.3)  # the curves are read between whole days
    assert grow({"late": 1.0}, kinds=own(late)).stage == grow({like: 1.0}).stage


def test_a_regrowth_follows_its_own_mark_only() -> None:
    late = make_variety(species_table()["timothy"], "late", ndf_mark=600.0, ndf_mark_regrowth=580.0)
    growth = grow({"late": 1.0}, last_cut="2026-05-20", kinds=own(late))
    assert np.interp(580.0, growth.clock[140:], growth.ndf_mid[140:]) == pytest.approx(50.0, abs=0.05)


def test_later_stages_move_the_words_and_the_water_and_not_the_fibre() -> None:
    late = make_variety(species_table()["orchardgrass"], "late", stages_later=50.0)
    usual, moved = grow({"orchardgrass": 1.0}), grow({"late": 1.0}, kinds=own(late))
    first = moved.stage.index("early heads")
    assert moved.clock[first - 1] < 520.0 <= moved.clock[first]
    np.testing.assert_array_equal(moved.ndf_mid, usual.ndf_mid)
    assert moved.start_moisture[first] > usual.start_moisture[first]


def test_a_variety_of_alfalfa_is_told_by_its_height_too() -> None:
    tall = make_variety(
        make_variety(species_table()["alfalfa"], "early", stages_later=-20.0), "earlier", stages_later=-20.0
    )
    seen = grow({"earlier": 1.0}, looks=[StageLook(on("2026-05-05"), height=0.7112)], kinds=own(tall))
    assert seen.doubts == ()
    assert np.interp(349.0, seen.clock[60:], seen.kalu_fick[60:]) == pytest.approx(3.0, abs=0.05)
    assert not make_variety(species_table()["red clover"], "clover").is_alfalfa


def test_own_rows_mix_with_those_of_the_table() -> None:
    quick = make_variety(species_table()["red clover"], "quick clover", drying_factor=1.1)
    stand, kinds = {"timothy": 0.6, "quick clover": 0.4}, own(quick)
    assert stand_drying_factor(stand, kinds) == pytest.approx(0.6 * 0.95 + 0.4 * 1.1)
    assert stand_grass_share(stand, kinds) == grow(stand, kinds=kinds).grass_share == 0.6
    with pytest.raises(ValueError, match="unknown species 'quick clover'; known are kentucky"):
        resolve_stand(stand)
    with pytest.raises(ValueError, match="known are quick clover"):
        resolve_stand(stand, {"quick clover": quick})


def test_rows_are_told_apart_as_keys_and_two_names_of_one_row_add_up() -> None:
    timothy = species_table()["timothy"]
    twin = make_variety(timothy, "timothy")
    assert len({timothy: 1.0, twin: 1.0, species_table()["timothy"]: 1.0}) == 2
    assert resolve_stand({"timothy": 0.5, "twin": 0.5}, {"timothy": timothy, "twin": twin}) == {timothy: 0.5, twin: 0.5}
    assert resolve_stand({"timothy": 0.5, "tim": 0.5}, {"timothy": timothy, "tim": timothy}) == {timothy: 1.0}


@pytest.mark.parametrize(
    ("like", "given", "message"),
    [
        ("timothy", {"ndf_mark": 0.0}, "'own': ndf_mark is 0; it must be above 0"),
        ("timothy", {"ndf_mark_regrowth": -5.0}, "ndf_mark_regrowth is -5"),
        ("timothy", {"ndf_mark": float("nan")}, "ndf_mark is nan"),
        ("timothy", {"drying_factor": 0.0}, "drying_factor is 0"),
        ("timothy", {"drying_factor": inf}, "drying_factor is inf"),
        ("orchardgrass", {"stages_later": -220.0}, "stem would begin at 0 degC d of the first growth"),
        ("timothy", {"stages_later": -220.0}, "stem would begin at -10 degC d"),  # in the far north, 120 sooner
        ("timothy", {"stages_later": float("nan")}, "stem would begin at nan"),
        ("timothy", {"stages_later": inf}, "stem would begin at inf"),
        ("alfalfa", {"ndf_mark": 900.0}, "buds would begin at -28 degC d of a regrowth"),
    ],
)
def test_a_variety_that_cannot_be_is_refused(like: str, given: Mapping[str, float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        make_variety(species_table()[like], "own", **given)

"""Raking, baling and wrapping take a slot a strip, with enough hands: n strips dry from r on are done at r + n + 2."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st

from models.day_plan import CropDay, Hindrance, Plan, best_plan, main_hindrance, next_plan, plan_hour_later, workday_end
from models.workday import NEVER, Crew, max_wrapped

FIRST, ROWS, HOURS = 4, 20, 14
DRIES_IN = 20  # slots
CASES = 10


def crew(finish: int = 34, **changes: float) -> Crew:
    usual = {"hands": 4, "raking_rate": 1.0, "wrapping_rate": 1.0, "rake_lead": 0, "wrap_within": 8}
    return Crew(**{**usual, **changes}, finish_slot=finish)  # type: ignore[arg-type]


def crop(dries_in: object = DRIES_IN, *, rain: tuple[tuple[int, int], ...] = ()) -> CropDay:
    """Ten members with one draw each; `dries_in` broadcasts to (row, case), `rain` names wet (member, hour) pairs."""
    mown = FIRST + np.arange(ROWS)[:, None]
    ready = np.minimum(mown + np.broadcast_to(np.asarray(dries_in), (ROWS, CASES)), NEVER)
    wet = np.zeros((CASES, HOURS), dtype=bool)
    for member, hour in rain:
        wet[member, hour] = True
    slots = 4.0 * np.arange(HOURS + 1)
    lying = slots[:, None, None] - mown[None, :, :]
    water = np.broadcast_to(4.0 - 0.1 * lying, (HOURS + 1, ROWS, CASES))
    never, one = np.full((ROWS, CASES), NEVER), np.ones(CASES)
    return CropDay(FIRST, ready, never, one, one, water, wet, 1, np.ones(4 * HOURS))


def share(values: np.ndarray) -> np.ndarray:
    return values


def best(field: CropDay, starts: tuple[int, ...] = (4, 6), *, finish: int = 34, **changes: float) -> Plan:
    usual: dict[str, float] = {"max_strips": 12, "min_strips": 2, "odds_needed": 0.7, **changes}
    return best_plan(field, crew(finish), starts, to_odds=share, **usual)  # type: ignore[arg-type]


def never_in(*cases: int, rows: slice = slice(None)) -> np.ndarray:
    """Drying times with cases in which strips of these rows never dry."""
    times = np.full((ROWS, CASES), DRIES_IN)
    times[rows, list(cases)] = NEVER
    return times


def test_the_largest_area_by_hand() -> None:
    plan = best(crop())
    assert (plan.start, plan.strip_count, plan.mowing_end) == (4, 8, 12)  # dry from 24: 24 + 8 + 2 = 34
    assert plan.odds.tolist() == [1.0] * 8 + [0.0] * 4


def test_a_larger_area_at_the_odds_needed_beats_a_surer_one() -> None:
    half_sure = crop(never_in(0, 1, rows=slice(0, 2)))  # mown at 4 or 5, two cases in ten never dry
    assert best(half_sure).odds[7] == 0.8
    assert (best(half_sure).start, best(half_sure).strip_count) == (4, 8)
    assert (best(half_sure, odds_needed=0.9).start, best(half_sure, odds_needed=0.9).strip_count) == (6, 6)


def test_among_equal_areas_the_surer_start_and_then_the_earlier() -> None:
    assert best(crop(), max_strips=4).start == 4
    assert best(crop(never_in(0, 1, rows=slice(0, 2))), max_strips=4).start == 6


def test_where_none_reaches_the_odds_the_least_area_is_shown_at_its_best() -> None:
    times = never_in(0, 1, 2)
    times[:2, 3:5] = NEVER
    plan = best(crop(times), odds_needed=0.8)
    assert (plan.start, plan.strip_count, plan.mowing_end) == (6, 0, 6)
    assert plan.odds[1] == pytest.approx(0.7)


def test_less_than_is_worth_hitching_up_for_is_nothing() -> None:
    assert best(crop(), finish=29, min_strips=3).strip_count == 3
    plan = best(crop(), finish=29, min_strips=4)
    assert plan.strip_count == 0
    assert plan.odds[:4].tolist() == [1.0, 1.0, 1.0, 0.0]


def test_a_shower_that_is_over_does_not_spoil_a_later_start() -> None:
    shower = crop(rain=tuple((member, 1) for member in range(CASES)))  # in slots 4 to 7
    assert best(shower, (4, 6)).strip_count == 0
    later = best(shower, (4, 8))
    assert (later.start, later.strip_count) == (8, 4)


def test_rain_in_some_members_lowers_the_odds_of_what_it_reaches() -> None:
    plan = best(
        crop(rain=((0, 7), (1, 7), (2, 7), (3, 7))), odds_needed=0.5
    )  # rain at slot 28: raked 24, baled 25 to 27
    assert plan.odds.tolist() == [1.0] * 3 + [0.6] * 5 + [0.0] * 4
    assert plan.strip_count == 8


def test_each_draw_of_a_member_meets_its_rain() -> None:
    wet = np.zeros((2, HOURS), dtype=bool)
    wet[0, 5] = True
    slots, one = np.full((ROWS, 6), 24), np.ones(6)
    field = CropDay(FIRST, slots, slots, one, one, np.zeros((HOURS + 1, ROWS, 6)), wet, 3, np.ones(4 * HOURS))
    assert field.rain_slots([4, 24]).tolist() == [[20, 20, 20, NEVER, NEVER, NEVER], [NEVER] * 6]


def test_strips_past_the_last_row_never_dry() -> None:
    strips = crop().strips([FIRST + ROWS - 2], 4)
    assert strips.ready[:, 0].tolist() == [42, 43, NEVER, NEVER]
    assert strips.mown[:, 0].tolist() == [22, 23, 24, 25]


def after(before: Plan, field: CropDay, travel: int = 0, **changes: float) -> Plan:
    usual: dict[str, float] = {"max_strips": 12, "min_strips": 2, "odds_needed": 0.7, **changes}
    return next_plan(before, field, crew(), travel, to_odds=share, **usual)  # type: ignore[arg-type]


def test_the_next_field_gets_what_the_day_has_left() -> None:
    first = best(crop(), max_strips=3)
    second = after(first, crop())
    assert (first.strip_count, second.start, second.strip_count, second.mowing_end) == (
        3,
        7,
        5,
        12,
    )  # 3 + 5 = the 8 of one field
    assert second.strips_so_far.mown[:, 0].tolist() == list(range(4, 4 + 3 + 12))


def test_strips_that_are_left_standing_do_not_hinder_the_next_field() -> None:
    first = best(crop(never_in(*range(CASES), rows=slice(3, None))), (4,), max_strips=6)
    assert (first.strip_count, first.odds.size) == (3, 6)
    assert after(first, crop()).strip_count == 5


def test_the_odds_of_the_next_field_are_those_of_wrapping_both() -> None:
    first = best(crop(never_in(0, 1)), max_strips=3)
    second = after(first, crop(never_in(1, 2)))
    assert first.odds[2] == 0.8
    assert second.odds[4] == 0.7  # fails in 0, 1 and 2
    assert second.strip_count == 5
    assert after(first, crop(never_in(1, 2, 3))).strip_count == 0


def test_the_way_to_the_next_field_costs_its_time() -> None:
    first = best(crop(), max_strips=3)
    near, far = after(first, crop()), after(first, crop(), 2)
    assert (near.start, far.start) == (7, 9)
    assert far.strips_so_far.travel[:, 0].tolist() == [0.0, 0.0, 0.0, 2.0, *[0.0] * 11]
    # mown two slots later, and the rake, the baler and the wrapper are two slots on their way, all at once
    assert (near.strip_count, far.strip_count) == (5, 3)


def test_an_hours_delay_costs_four_strips() -> None:
    plan = best(crop(), (4,))
    later = plan_hour_later(plan, crop(), crew(), odds_needed=0.7, to_odds=share)
    assert (plan.strip_count, later.start, later.strip_count) == (8, 8, 4)
    assert later.odds[plan.strip_count - 1] == 0.0


def test_a_slower_mower_lays_fewer_strips() -> None:
    slow = replace(crop(), pace=np.full(4 * HOURS, 0.5))
    plan = best(slow, (4,))
    # mown in every second slot from 5 on and dry 20 slots later: the n-th is wrapped in 25 + 2 n + 1 at the latest
    assert plan.strips_so_far.mown[:4, 0].tolist() == [5, 7, 9, 11]
    assert plan.strip_count == 4
    assert plan.mowing_end == 12


def test_a_full_day_leaves_nothing_for_the_next_field() -> None:
    second = after(best(crop()), crop())
    assert (second.strip_count, second.start) == (0, 12)
    assert second.odds.max() == 0.0


def test_a_third_field_follows_the_second() -> None:
    second = after(best(crop(), max_strips=3), crop(), max_strips=3)
    third = after(second, crop())
    assert (second.strip_count, third.start, third.strip_count) == (3, 10, 2)
    assert third.strips_so_far.mown[:, 0].tolist() == list(range(4, 4 + 3 + 3 + 12))


def test_too_little_of_the_next_field_is_nothing() -> None:
    first = best(crop(), max_strips=7)
    assert after(first, crop(), min_strips=1).strip_count == 1
    assert after(first, crop(), min_strips=2).strip_count == 0


def test_an_evening_by_hand() -> None:
    close = workday_end(best(crop()), crop(), crew(), 1.0)
    assert close.baling_from == 25  # dry and raked in 24
    assert close.wrapped_by == 34
    assert close.moisture == pytest.approx((2.0, 2.0, 2.0))  # 4 less 0.1 for each of 20 slots, every strip
    assert close.bales == 8.0


def test_moisture_at_raking_is_that_of_each_strip_when_its_turn_comes() -> None:
    """A rake that takes two slots for a strip leaves the later ones lying: 20, 21, 22 slots."""
    slow = crew(60, raking_rate=0.5)
    plan = best_plan(crop(), slow, (4,), max_strips=3, min_strips=2, odds_needed=0.7, to_odds=share)
    close = workday_end(plan, crop(), slow, min_water=1.95)
    assert close.moisture == pytest.approx((1.8, 1.9, 2.0))
    assert close.too_dry_share == pytest.approx(2 / 3), "the second and third strip lie too long"


@pytest.mark.parametrize(
    ("good", "baling_from", "wrapped_by"),
    [(5, 27, 32), (4, 27, 31)],  # baling from 25 on, wrapped by 28 on; the later of two middle cases
)
def test_an_evening_tells_of_the_cases_in_which_all_goes_well(good: int, baling_from: int, wrapped_by: int) -> None:
    times = np.full((ROWS, CASES), NEVER)
    times[:, :good] = DRIES_IN + np.arange(good)
    field = crop(times)
    close = workday_end(best(field, (4,), finish=60, max_strips=2, odds_needed=0.4), field, crew(60), 1.0)
    assert (close.baling_from, close.wrapped_by) == (baling_from, wrapped_by)


def test_the_evening_of_a_second_field_is_its_own() -> None:
    first = best(crop(), max_strips=3)
    later = crop(22)
    second = after(first, later)
    close = workday_end(second, later, crew(), 1.0)
    assert close.moisture == pytest.approx((1.8, 1.8, 1.8))
    assert (second.strip_count, close.bales) == (3, 3.0)  # mown at 7, dry from 29: 29 + 3 + 2 = 34


RAIN_AT_DRYING = 6  # the hour of slots 24 to 27


@pytest.mark.parametrize(
    ("wet", "damp", "kind", "spoiled"),
    [(3, 5, Hindrance.DRYING, 0.5), (6, 4, Hindrance.RAIN, 0.6), (0, 8, Hindrance.DRYING, 0.8)],
)
def test_what_hinders_most(wet: int, damp: int, kind: Hindrance, spoiled: float) -> None:
    field = crop(never_in(*range(wet, wet + damp)), rain=tuple((member, RAIN_AT_DRYING) for member in range(wet)))
    found, part = main_hindrance(best(field), crew(), 2)
    assert found is kind
    assert part == pytest.approx(spoiled)


def test_dry_in_the_day_but_too_late_is_want_of_time() -> None:
    plan = best(crop(28), (4,))  # dry from 32: two strips would be done at 36, not 34
    assert main_hindrance(plan, crew(), 2) == (Hindrance.TIME, 1.0)


def test_rain_after_the_last_bale_spoils_nothing() -> None:
    field = crop(rain=tuple((member, 9) for member in range(CASES)))  # from slot 36
    plan = best(field, finish=50, max_strips=4)
    assert plan.strip_count == 4
    assert main_hindrance(plan, crew(50), 2)[1] == 0.0


def test_what_hinders_a_second_field_is_not_looked_for_in_the_first() -> None:
    second = after(best(crop(), max_strips=3), crop(NEVER))
    assert main_hindrance(second, crew(), 1) == (Hindrance.DRYING, 1.0)


@st.composite
def random_crop(draw: st.DrawFn) -> CropDay:
    generator = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    times = generator.integers(12, 30, (ROWS, CASES))
    rain = tuple(
        (int(member), int(hour)) for member, hour in zip(*np.nonzero(generator.random((10, 14)) < 0.05), strict=True)
    )
    return crop(times, rain=rain)


@seed(20260601)
@settings(max_examples=40, deadline=None, database=None)
@given(random_crop(), st.integers(1, 4), st.sampled_from([0.3, 0.5, 0.7, 0.9]))
def test_no_start_tried_alone_does_better(field: CropDay, least: int, needed: float) -> None:
    starts = (4, 6, 8, 10)
    plan = best(field, starts, min_strips=least, odds_needed=needed)
    alone = {}
    for start in starts:
        wrapped = max_wrapped(field.strips([start], 12), crew(), field.rain_slots([start])[0])
        at_needed = [n for n in range(least, 13) if sum(count >= n for count in wrapped) >= needed * CASES]
        alone[start] = (max(at_needed, default=0), sum(count >= least for count in wrapped) / CASES)
    assert plan.strip_count == max(most for most, _ in alone.values())
    assert plan.strip_count == alone[plan.start][0]
    assert (np.diff(plan.odds) <= 0.0).all()
    if plan.strip_count == 0:
        assert plan.odds[least - 1] == max(odds for _, odds in alone.values())

import numpy as np
import pytest

from models.day_limits import baling_hours, baling_window, first_rain_slot, mowing_slots, wet_hours
from models.workday import NEVER, Crew, Strips, max_wrapped, simulate_day
from tests.models.random_days import both_ways, random_day


def crew(**changes: object) -> Crew:
    usual: dict[str, object] = {
        "hands": 2,
        "raking_rate": 1.0,
        "wrapping_rate": 6.25,
        "rake_lead": 2,
        "wrap_within": 16,
        "finish_slot": 54,
    }
    return Crew(**{**usual, **changes})  # type: ignore[arg-type]


def strips(count: int, *, first: int = 4, ready: int = 30, bales: float = 5.0, closes: int = NEVER) -> Strips:
    """Strips mown one slot after another from `first`, each dry one slot after the one before."""
    number = np.arange(count)[:, None]
    return Strips(
        mown=first + number,
        ready=ready + number,
        closes=np.full((count, 1), closes),
        bales=np.full((1, 1), bales),
        baling_time=np.full((1, 1), bales / 6.25),
        travel=np.zeros((1, 1)),
    )


DRY = np.array([NEVER])


def test_an_evening_by_hand() -> None:
    """Two strips, one person free after mowing... and a second: told slot by slot in the comments."""
    run = simulate_day(strips(2, bales=6.25), np.array([2]), crew(), DRY)
    # 30 rake A; 31 rake B; lead of two slots: 33 bale A; 34 bale B + wrap A; 35 wrap B, done at its end
    assert run.baling_slots(2)[:, 0].tolist() == [33, 34]
    assert run.wrapped_at.tolist() == [36]
    assert run.raking_slots(2)[:, 0].tolist() == [30, 31]
    assert run.done.tolist() == [True]


def test_two_people_cannot_do_three_jobs_at_once() -> None:
    """A strip is one slot of raking, baling and wrapping each: two people end 1.5 slots a strip, four people one."""
    many = strips(12, ready=10, bales=6.25, first=0)
    few_hands = simulate_day(many, np.array([12]), crew(finish_slot=90, rake_lead=0), DRY).wrapped_at[0]
    all_hands = simulate_day(many, np.array([12]), crew(finish_slot=90, rake_lead=0, hands=4), DRY).wrapped_at[0]
    one_hand = simulate_day(many, np.array([12]), crew(finish_slot=90, rake_lead=0, hands=1), DRY).wrapped_at[0]
    assert few_hands - 10 >= 1.5 * 12
    assert all_hands - 10 == 12 + 2
    assert one_hand - 12 >= 3 * 12


def test_the_mower_keeps_a_hand_from_the_baler() -> None:
    early = strips(16, first=20, ready=26, bales=6.25)
    alone = simulate_day(early, np.array([16]), crew(hands=1, finish_slot=200), DRY)
    assert alone.baling_slots(16)[0, 0] > 35, "one person mows until slot 36 before anything else starts"


def test_rain_stops_the_baler_but_not_the_wrapper() -> None:
    day = strips(8, ready=20, bales=6.25)
    dry = max_wrapped(day, crew(), DRY)[0]
    # strip A is raked in 20 and baled in 23; rain at the start of slot 26 leaves A to C baled
    assert dry == 8
    assert max_wrapped(day, crew(), np.array([26]))[0] == 3
    assert max_wrapped(day, crew(), np.array([23]))[0] == 0


def test_dew_closes_a_strip() -> None:
    assert (
        max_wrapped(strips(8, ready=20, closes=28), crew(), DRY)[0] < max_wrapped(strips(8, ready=20), crew(), DRY)[0]
    )


def test_nothing_ready_nothing_wrapped() -> None:
    assert max_wrapped(strips(6, ready=NEVER - 10), crew(), DRY)[0] == 0
    assert not simulate_day(strips(6), np.array([0]), crew(), DRY).done[0]


@pytest.mark.parametrize("number", range(4))
def test_the_most_is_that_of_the_day_told_slowly(number: int) -> None:
    chance = np.random.default_rng([20260601, number])
    pairs = [both_ways(*random_day(chance)) for _ in range(150)]
    assert [fast for fast, _ in pairs] == [slow for _, slow in pairs]
    assert len({slow for _, slow in pairs}) > 5


def test_cases_do_not_disturb_each_other() -> None:
    generator = np.random.default_rng(7)
    shape = (10, 50)
    ready = np.sort(generator.integers(20, 45, shape), axis=0)
    bales = generator.uniform(1, 9, (1, 50))
    day = Strips(
        mown=np.broadcast_to(np.arange(10)[:, None], shape),
        ready=ready,
        closes=np.where(generator.random(shape) < 0.2, 48, NEVER),
        bales=bales,
        baling_time=bales / 6.25,
        travel=np.zeros((1, 50)),
    )
    wall = np.where(generator.random(50) < 0.3, 40, NEVER)
    together = max_wrapped(day, crew(), wall)
    alone = [max_wrapped(day.for_cases(np.array([case])), crew(), wall[[case]])[0] for case in range(50)]
    assert together.tolist() == alone
    assert len(set(alone)) > 3


def test_bales_that_wait_too_long_for_their_film_are_not_made() -> None:
    """One person: rake, then bale, then wrap; the first bale waits for all of the baling."""
    alone = strips(6, first=0, ready=8, bales=6.25)
    # three strips: raked in 8 to 10, baled in 11 to 13, wrapped from 14 on: the first bale waits for two slots
    assert max_wrapped(alone, crew(hands=1, finish_slot=90, wrap_within=2), DRY)[0] == 3
    assert max_wrapped(alone, crew(hands=1, finish_slot=90, wrap_within=1), DRY)[0] == 2
    assert max_wrapped(alone, crew(hands=1, finish_slot=90, wrap_within=5), DRY)[0] == 6


def test_a_break_costs_its_slots() -> None:
    day = strips(6, first=0, ready=8, bales=6.25)
    through = simulate_day(day, np.array([6]), crew(finish_slot=90, hands=4), DRY).wrapped_at[0]
    paused = simulate_day(
        day, np.array([6]), crew(finish_slot=90, hands=4, rest_slots=frozenset(range(12, 16))), DRY
    ).wrapped_at[0]
    assert paused == through + 4


def test_the_way_to_the_next_field_takes_every_machine_its_time() -> None:
    near = strips(4, first=0, ready=8, bales=6.25).broadcast()
    travel = np.array([0.0, 0.0, 2.0, 0.0])[:, None]
    far = Strips(near.mown, near.ready, near.closes, near.bales, near.baling_time, travel)
    people = crew(finish_slot=90, hands=4)
    # the rake, the baler and the wrapper go one behind the other, so the way is lost once
    assert (
        simulate_day(far, np.array([4]), people, DRY).wrapped_at[0]
        == simulate_day(near, np.array([4]), people, DRY).wrapped_at[0] + 2
    )


def test_pace_stretches_the_mowing() -> None:
    pace = np.array([1.0, 1.0, 0.0, 0.75, 0.75, 0.75, 1.0])
    # from slot 5 on: three quarters of a strip there, and the rest of it with most of the next in slot 6
    assert mowing_slots(pace, np.array([0, 5]), 5).T.tolist() == [[0, 1, 4, 5, 6], [6, NEVER, NEVER, NEVER, NEVER]]


@pytest.mark.published
def test_bales_an_hour_of_the_notes() -> None:
    # 4x4 ft bale of .228 t at 9 t/h: 1.52 + .9 min, 25 an hour (worked example after Grisso 2020; inputs from memory)
    hours = baling_hours(np.array([4.0]), 1.0, bale_mass=0.228, intake=9.0, bale_cycle=0.9 / 60.0, area_per_hour=4.0)
    assert 4.0 / 0.228 / hours[0] == pytest.approx(25, abs=0.5)


def test_window_crosses_between_hours() -> None:
    water = np.array([4.0, 3.0, 1.5, 1.0, 0.8, 1.6, 1.2])
    ready, closes = baling_window(water, 1.25)
    # falls through 1.25 halfway through the third hour (2.5 h -> slot 10), rises through it 0.5625 into the fifth
    assert (int(ready), int(closes)) == (10, int(np.floor((4 + (1.25 - 0.8) / 0.8) * 4)))
    never, _ = baling_window(np.array([4.0, 3.0, 2.0]), 1.25)
    assert int(never) == NEVER


def test_what_is_not_known_to_the_end_is_never_ready() -> None:
    water = np.array([[4.0, 1.0, 0.9, 0.8], [4.0, 1.0, np.nan, np.nan], [4.0, 1.0, 0.9, 1.4]]).T
    ready, closes = baling_window(water, 1.25)
    assert ready.tolist() == [4, NEVER, 4]
    assert closes.tolist() == [NEVER, NEVER, 10]


def test_rain_wall_is_the_start_of_the_first_wet_hour_from_the_start_on() -> None:
    wet = np.array([[True, False, False, True, False], [False] * 5])
    # the last begins inside a wet hour: at once
    assert first_rain_slot(wet, np.array([4, 0, 13])).tolist() == [[12, NEVER], [0, NEVER], [13, NEVER]]


def wet(rain: np.ndarray, step: int | list[int], began: int = 0) -> list[bool]:
    hours = began + np.arange(rain.size)
    steps = np.broadcast_to(np.asarray(step), rain.shape)
    return [bool(one) for one in wet_hours(rain[None], steps, hours, wet_hour=0.2, wet_step=1.0)[0]]


def test_wet_hours_of_a_coarse_step_fall_where_they_hurt_most() -> None:
    rain = np.array([0.0, 0.0, 0.0, 0.4, 0.4, 0.4, 0.1, 0.1, 0.1])
    assert wet(rain, 3) == [False] * 3 + [True] * 3 + [False] * 3
    assert wet(rain, 1) == [False] * 3 + [True] * 3 + [False] * 3
    assert wet(rain[4:], 3, began=4) == [True, True] + [False] * 3, "begins in the middle of a step"


def test_a_source_may_go_from_hours_to_ever_longer_steps() -> None:
    # Two hours, then steps from 3 to 6 and from 6 to 12 o'clock: 0.3 mm a hour are 0.9 and 1.8 mm.
    rain, step = np.full(11, 0.3), [1] * 2 + [3] * 3 + [6] * 6
    rain[0] = 0.1
    assert wet(rain, step, began=1) == [False, True] + [False] * 3 + [True] * 6


@pytest.mark.parametrize("hands", [1, 2, 3, 4])
def test_more_rain_never_helps(hands: int) -> None:
    day = strips(10, ready=22)
    areas = [max_wrapped(day, crew(hands=hands), np.array([wall]))[0] for wall in range(20, 60)]
    assert areas == sorted(areas)

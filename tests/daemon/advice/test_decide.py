from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.advice.decide import NO_ADVICE_REASONS, DayUnderway, decide
from daemon.domain.advice import AdviceKind, Morning, WatchedField, WatchState
from daemon.domain.causes import StatedCause, TodayNotAhead
from daemon.domain.farm import Farm
from daemon.domain.prospect import FieldDay, FieldProspect, Prospect, Reason, Unknown
from daemon.planning.prospect import unknown_prospect
from tests.support.farms import (
    ACRE,
    DAWN,
    DAY,
    farm,
    field_day,
    field_prospect,
    plan_of,
    prospect,
    stated,
    with_day_changes,
)

FIXED = settings(derandomize=True, deadline=None, max_examples=150)
WAITS = sorted(set(Reason) - NO_ADVICE_REASONS)


@pytest.fixture(scope="module")
def two_elms() -> Farm:
    return farm()


def later(day: FieldDay, hours: int) -> FieldDay:
    return with_day_changes(day, start=plan_of(day).start + timedelta(hours=hours))


def test_a_day_at_the_odds_needed_is_a_mow(two_elms: Farm) -> None:
    (advice,) = decide(two_elms, prospect(field_prospect("Long Meadow", 22, field_day()))).mows
    assert advice.area == pytest.approx(20 * ACRE)
    assert advice.reason is None


def test_tomorrow_is_not_today(two_elms: Farm) -> None:
    (advice,) = decide(two_elms, prospect(field_prospect("Long Meadow", 22, field_day(1)))).advices
    assert (advice.kind, advice.reason, advice.area) == (AdviceKind.NONE, Reason.DATA_MISSING, 0.0)
    assert advice.cause == TodayNotAhead()


def test_the_day_is_that_of_the_farms_clock(two_elms: Farm) -> None:
    # 02:30 UTC on 2 June is still the evening of 1 June on the farm
    found = replace(prospect(field_prospect("Long Meadow", 22, field_day())), at=DAWN + timedelta(hours=17))
    assert found.at.day == 2
    assert decide(two_elms, found).date == DAY
    assert len(decide(two_elms, found).mows) == 1


@pytest.mark.parametrize("reason", sorted(NO_ADVICE_REASONS))
def test_every_unknown_is_no_advice_even_with_an_area(two_elms: Farm, reason: Reason) -> None:
    whole = replace(field_prospect("Long Meadow", 22, field_day()), unknown=stated(reason, "why"))
    today = field_prospect("Creek", 9, field_day(reason=reason))
    for advice in decide(two_elms, prospect(whole, today)).advices:
        assert (advice.kind, advice.area, advice.reason) == (AdviceKind.NONE, 0.0, reason)


@pytest.mark.parametrize("reason", WAITS)
def test_every_known_hindrance_is_to_wait(two_elms: Farm, reason: Reason) -> None:
    whole = replace(field_prospect("Long Meadow", 22, field_day()), unknown=Unknown(reason))
    today = field_prospect("Creek", 9, field_day(reason=reason))
    for advice in decide(two_elms, prospect(whole, today)).advices:
        assert (advice.kind, advice.area, advice.reason) == (AdviceKind.WAIT, 0.0, reason)


@pytest.mark.parametrize("reason", sorted(NO_ADVICE_REASONS))
def test_without_weather_no_field_gets_advice(two_elms: Farm, reason: Reason) -> None:
    morning = decide(two_elms, unknown_prospect(two_elms, DAWN, stated(reason, "the server is down")))
    assert [advice.field for advice in morning.advices] == ["Long Meadow", "Creek & Bend"]
    assert {(advice.kind, advice.reason, advice.cause) for advice in morning.advices} == {
        (AdviceKind.NONE, reason, StatedCause("the server is down"))
    }


def test_no_area_and_no_reason_is_not_sure_enough(two_elms: Farm) -> None:
    (advice,) = decide(two_elms, prospect(field_prospect("Long Meadow", 22, field_day(acres=0)))).advices
    assert (advice.kind, advice.reason) == (AdviceKind.WAIT, Reason.ODDS_TOO_LOW)


def test_an_area_that_is_no_number_is_no_mow(two_elms: Farm) -> None:
    day = replace(field_day(), area=float("nan"))
    assert decide(two_elms, prospect(field_prospect("Long Meadow", 22, day))).mows == ()


def test_mows_come_by_their_start_and_the_rest_in_the_order_of_the_settings(two_elms: Farm) -> None:
    rain = field_day(acres=0, reason=Reason.RAIN)
    found = prospect(
        field_prospect("rain", 9, rain),
        field_prospect("late", 9, later(field_day(), 3)),
        replace(field_prospect("unknown", 9), unknown=Unknown(Reason.OUT_OF_RANGE)),
        field_prospect("early", 9, field_day()),
    )
    morning = decide(two_elms, found)
    assert [advice.field for advice in morning.advices] == ["early", "late", "rain", "unknown"]
    assert [advice.field for advice in morning.mows] == ["early", "late"]


numbers = st.sampled_from([0.0, 1.0, 20.0, float("nan"), -1.0])
days = st.builds(
    lambda acres, reason, ahead: replace(field_day(ahead, 20.0, reason=reason), area=acres * ACRE),
    numbers,
    st.none() | st.sampled_from(Reason),
    st.integers(0, 2),
)
fields = st.builds(
    lambda day, unknown: replace(field_prospect("Long Meadow", 22, day), unknown=unknown),
    days,
    st.none() | st.builds(Unknown, st.sampled_from(Reason)),
)


@FIXED
@given(found=st.lists(fields, min_size=1, max_size=4))
def test_only_a_known_area_of_today_without_a_reason_is_mown(found: list[FieldProspect]) -> None:
    named = [replace(field, name=f"field {number}") for number, field in enumerate(found)]
    morning = decide(farm(), prospect(*named))
    clear = {
        field.name
        for field in named
        if field.unknown is None
        and field.days[0].date == DAY
        and field.days[0].reason is None
        and np.nan_to_num(field.days[0].area) > 0.0
    }
    assert {advice.field for advice in morning.mows} == clear
    assert len(morning.advices) == len(named)
    assert all((advice.reason is None) == (advice.kind is AdviceKind.MOW) for advice in morning.advices)
    assert all(advice.area == 0.0 for advice in morning.advices if advice.kind is not AdviceKind.MOW)


def said(*fields: FieldProspect) -> Morning:
    """What was said of these fields in the morning."""
    return decide(farm(), replace(prospect(*fields), at=DAWN))


def two(first: FieldDay, second: FieldDay, hours: int = 0) -> Prospect:
    fields = (field_prospect("Long Meadow", 22, first), field_prospect("Creek & Bend", 9, second))
    return replace(prospect(*fields), at=DAWN + timedelta(hours=hours))


def watched(name: str, state: WatchState) -> WatchedField:
    at = DAWN + timedelta(hours=4)
    return WatchedField(name, state, at, at, 2.0, 0.3, None, None, None)


MOWS, WAITS_FOR_SUN = field_day(), field_day(0, 0, 0.3, Reason.WILL_NOT_DRY)


def kinds(found: Prospect, underway: DayUnderway) -> list[tuple[str, AdviceKind, Reason | None]]:
    return sorted((one.field, one.kind, one.reason) for one in decide(farm(), found, underway).advices)


def test_what_was_said_stands_once_mowing_has_begun() -> None:
    morning = said(*two(MOWS, WAITS_FOR_SUN).fields)
    now_otherwise = two(WAITS_FOR_SUN, MOWS, hours=4)  # half past nine; mowing was to begin at eight
    underway = DayUnderway(morning, (watched("Long Meadow", WatchState.ON_TRACK),))
    assert kinds(now_otherwise, underway) == [
        ("Creek & Bend", AdviceKind.WAIT, Reason.CROP_LIES),
        ("Long Meadow", AdviceKind.MOW, None),
    ]
    assert decide(farm(), now_otherwise, underway).mows[0] == morning.mows[0]


def test_what_is_no_longer_watched_was_cut_before_and_does_not_stand() -> None:
    morning = said(*two(MOWS, WAITS_FOR_SUN).fields)
    found = kinds(two(WAITS_FOR_SUN, WAITS_FOR_SUN, hours=4), DayUnderway(morning))
    assert ("Long Meadow", AdviceKind.WAIT, Reason.WILL_NOT_DRY) in found


def test_before_mowing_begins_the_newest_look_is_heard() -> None:
    morning = said(*two(MOWS, WAITS_FOR_SUN).fields)
    assert kinds(two(WAITS_FOR_SUN, WAITS_FOR_SUN, hours=1), DayUnderway(morning)) == [
        ("Creek & Bend", AdviceKind.WAIT, Reason.WILL_NOT_DRY),
        ("Long Meadow", AdviceKind.WAIT, Reason.WILL_NOT_DRY),
    ]


def test_what_was_called_off_is_not_advised_again() -> None:
    morning = said(*two(MOWS, WAITS_FOR_SUN).fields)
    off = (watched("Long Meadow", WatchState.WILL_NOT_MAKE_IT),)
    for hours in (1, 4, 6):
        found = decide(farm(), two(MOWS, WAITS_FOR_SUN, hours=hours), DayUnderway(morning, off))
        assert found.mows == ()
        assert found.watched == off
        assert next(one for one in found.advices if one.field == "Long Meadow").reason is Reason.CALLED_OFF


def test_what_was_left_uncut_is_not_advised_again_and_makes_room() -> None:
    morning = said(*two(MOWS, WAITS_FOR_SUN).fields)
    done = (watched("Long Meadow", WatchState.DONE),)
    for hours in (1, 4):
        assert kinds(two(MOWS, MOWS, hours=hours), DayUnderway(morning, done, left_uncut=("Long Meadow",))) == [
            ("Creek & Bend", AdviceKind.MOW, None),
            ("Long Meadow", AdviceKind.WAIT, Reason.LEFT_UNCUT),
        ]


def test_a_crop_that_lies_keeps_everybody_from_another_field() -> None:
    assert kinds(two(MOWS, MOWS), DayUnderway(lying=("Hill",))) == [
        ("Creek & Bend", AdviceKind.WAIT, Reason.CROP_LIES),
        ("Long Meadow", AdviceKind.WAIT, Reason.CROP_LIES),
    ]


def test_a_day_that_is_full_beside_a_crop_that_lies_is_full_of_that() -> None:
    full = field_day(0, 0, None, Reason.DAY_IS_FULL)
    assert ("Creek & Bend", AdviceKind.WAIT, Reason.CROP_LIES) in kinds(two(MOWS, full), DayUnderway(lying=("Hill",)))
    assert ("Creek & Bend", AdviceKind.WAIT, Reason.DAY_IS_FULL) in kinds(two(MOWS, full), DayUnderway())


def test_what_is_wrapped_makes_room_for_the_newest_look() -> None:
    morning = said(*two(MOWS, WAITS_FOR_SUN).fields)
    done = (watched("Long Meadow", WatchState.DONE),)
    found = kinds(two(WAITS_FOR_SUN, WAITS_FOR_SUN, hours=8), DayUnderway(morning, done))
    assert ("Long Meadow", AdviceKind.WAIT, Reason.WILL_NOT_DRY) in found


def test_what_cannot_be_known_is_no_advice_whatever_was_said() -> None:
    morning = said(*two(MOWS, WAITS_FOR_SUN).fields)
    stale = unknown_prospect(farm(), DAWN + timedelta(hours=4), stated(Reason.DATA_STALE, "30 hours old"))
    assert {one.kind for one in decide(farm(), stale, DayUnderway(morning)).advices} == {AdviceKind.NONE}

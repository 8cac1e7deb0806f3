from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from daemon.advice.decide import decide
from daemon.diary.overlay import apply_diary
from daemon.diary.store import Note, NoteKind
from daemon.domain.advice import Morning, WatchedField, WatchState
from daemon.domain.farm import Channel, Farm, Units
from daemon.domain.field_watch import changes, keep_last_watch, start_watch, wettest_when_urgent, with_changes_told
from daemon.domain.message import MessageState
from daemon.domain.prospect import AreaOdds, Band, LeftOvernight, Reason
from daemon.messages.change import compose_change
from daemon.messages.daily import compose_messages
from daemon.messages.outbox.store import Outbox
from daemon.page.server import render_page
from daemon.planning.prospect import plan_fields, unknown_prospect
from daemon.planning.watch import watch_fields
from daemon.service.health import take_snapshot
from daemon.service.rounds import Service
from daemon.weather.contract import Weather
from daemon.words.sms import part_count
from daemon.words.watch import watch_text
from tests.loopback.hours import HERE
from tests.loopback.receivers import Gateway
from tests.support.farms import ACRE, person, stated
from tests.support.hand_clock import HandClock
from tests.support.plain_text import spaced
from tests.support.weather import farm_today, weather, working_farm
from tests.support.weather import field as light_field

pytestmark = pytest.mark.slow

DAY = date(2026, 6, 10)
MEMBERS = 10
FARM = working_farm(light_field("Long Meadow", 40, expected_yield=3.0), light_field("Hill", 15, expected_yield=3.0))
FARM = replace(FARM, place=replace(FARM.place, longitude=-74.975))  # its weather is fetched every hour sharp


def at(hour: float) -> datetime:
    """The clock of the farm on the day, in UTC."""
    return datetime(DAY.year, DAY.month, DAY.day, 4, tzinfo=UTC) + timedelta(hours=hour)


DAWN = at(5.5)


@cache
def sky(
    now: datetime, rain_from: float | None = None, wet: int = MEMBERS, brighter_from: float | None = None
) -> Weather:
    """Hours as they stand at a time: rain for three hours in so many members, or a brighter sky from an hour on."""
    rain = np.zeros((MEMBERS, round((at(49) - now.replace(minute=0)) / timedelta(hours=1)) - 1))
    if rain_from is not None:
        first = round((at(rain_from) - now.replace(minute=0)) / timedelta(hours=1))
        rain[:wet, first : first + 3] = 1.0
    hours = weather(HERE, now, at(49), rain=rain, members=MEMBERS, kind="forecast")
    if brighter_from is None:
        return hours
    label = np.datetime64(at(brighter_from).replace(tzinfo=None), "ns")
    return Weather(_brighter(hours.past, label), _brighter(hours.ahead, label))


def _brighter(hours: xr.Dataset, label: np.datetime64) -> xr.Dataset:
    sun = hours["surface_downwelling_shortwave_flux_in_air"]
    return hours.assign({sun.name: sun.where(sun["time"] <= label, 1.3 * sun)})


@cache
def advice(now: datetime, rain_from: float | None = None) -> Morning:
    return decide(FARM, plan_fields(farm_today(FARM), sky(now, rain_from), now))


def morning() -> Morning:
    return start_watch(advice(DAWN))


def looked(
    now: datetime, hours: Weather, said: Morning | None = None, *lines: Note, farm: Farm = FARM
) -> list[WatchedField]:
    return list(watch_fields(farm, hours, said or morning(), lines, now))


def line(
    kind: NoteKind, hour: float, name: str = "Long Meadow", *, area: float | None = None, timed: bool = True
) -> Note:
    return Note(1, kind, name, at(hour), at(hour), timed=timed, area=area)


def clock(moment: datetime | None) -> str:
    assert moment is not None
    return moment.astimezone(HERE.timezone).strftime("%H:%M")


# --- What the reckoning finds ------------------------------------------------------------------------------------


def test_nothing_changes_on_a_good_day() -> None:
    said = morning().watched
    assert [(one.field, clock(one.start)) for one in said] == [("Long Meadow", "07:00")]
    for hour in (6.5, 9.5, 12.5, 15.5, 18.5):
        (stands,) = looked(at(hour), sky(at(hour)))
        assert stands.state is WatchState.ON_TRACK
        assert stands.odds == pytest.approx(said[0].odds)
        assert stands.area == said[0].area
        assert clock(stands.bale_from) == clock(said[0].bale_from)


def test_the_swath_is_followed_from_the_moment_it_is_cut() -> None:
    assert looked(at(6.5), sky(at(6.5)))[0].moisture is None
    bands = [looked(at(hour), sky(at(hour)))[0].moisture for hour in (8.5, 10.5, 12.5)]
    assert all(band is not None and band.low < band.mid < band.high for band in bands)
    middles = [band.mid for band in bands if band]
    assert middles == sorted(middles, reverse=True)
    assert 0.55 < middles[-1] < middles[0] < 0.8


def test_rain_before_the_end_of_the_work_means_to_bale_sooner() -> None:
    (stands,) = looked(at(12), sky(at(12), 19))
    assert (stands.state, stands.reason, clock(stands.rain_at)) == (WatchState.BALE_SOONER, Reason.RAIN, "19:00")
    assert stands.bale_from and stands.last_told_bale_from and stands.bale_from < stands.last_told_bale_from
    assert stands.still_wrappable is None and stands.left is None


def test_rain_after_the_end_of_the_work_changes_nothing() -> None:
    (stands,) = looked(at(12), sky(at(12), 20))
    assert stands.state is WatchState.ON_TRACK


@pytest.mark.parametrize(("wet", "state"), [(2, WatchState.ON_TRACK), (3, WatchState.BALE_SOONER)])
def test_rain_is_told_from_three_in_ten_members_on(wet: int, state: WatchState) -> None:
    (stands,) = looked(at(12), sky(at(12), 15, wet))
    said = morning().watched[0].odds
    # ten members are worth 5.26, beside one of prior: each that is lost costs 0.084 of what it was good for
    assert said is not None and stands.odds is not None and said - stands.odds > 0.1
    assert stands.state is state


def test_rain_that_was_in_the_odds_from_the_first_is_no_news() -> None:
    (said,) = morning().watched
    for odds, state in ((0.73, WatchState.BALE_SOONER), (0.70, WatchState.ON_TRACK)):
        (stands,) = looked(at(12), sky(at(12), 19), replace(morning(), watched=(replace(said, odds=odds),)))
        assert stands.odds == pytest.approx(0.61, abs=0.01)
        assert stands.state is state


def test_rain_in_the_afternoon_calls_it_off() -> None:
    (stands,) = looked(at(12), sky(at(12), 16))
    assert (stands.state, stands.reason, clock(stands.rain_at)) == (WatchState.WILL_NOT_MAKE_IT, Reason.RAIN, "16:00")
    assert stands.odds is not None and stands.odds < 0.4
    assert (
        stands.still_wrappable is not None
        and 0.0 < stands.still_wrappable.area < stands.area
        and stands.still_wrappable.odds >= 0.7
    )
    assert stands.wrapped_by is not None and at(12) < stands.wrapped_by <= at(16.5)
    assert stands.left is not None and stands.left.rain == 0.97


def test_only_what_is_cut_can_still_be_wrapped() -> None:
    (before,) = looked(at(6.5), sky(at(6.5), 15))
    assert (before.state, before.still_wrappable, before.left) == (WatchState.WILL_NOT_MAKE_IT, None, None)
    (begun,) = looked(at(8), sky(at(8), 17))
    # 2.8 ha an hour from seven on
    assert begun.still_wrappable is not None and begun.still_wrappable.area <= 2.8 + 1e-9


def test_more_is_wrapped_at_a_pinch_than_in_the_usual_way() -> None:
    (stands,) = looked(at(12), sky(at(12), 17))
    assert stands.moisture is not None and stands.moisture.low > FARM.baleage.wettest
    # though all but the driest of it is wetter than the settings want, raking can begin at once
    assert stands.rake_from == at(12)
    assert stands.still_wrappable is not None


@pytest.mark.parametrize(
    ("wettest", "ceiling"), [(0.5, 0.60), (0.6, 0.60), (0.605, 0.605), (0.615, 0.61), (0.619, 0.61)]
)
def test_the_ceiling_is_under_62_whatever_the_settings_say(wettest: float, ceiling: float) -> None:
    assert wettest_when_urgent(replace(FARM, baleage=replace(FARM.baleage, wettest=wettest))) == ceiling


def test_a_brighter_sky_means_to_bale_sooner() -> None:
    (stands,) = looked(at(11), sky(at(11), brighter_from=8))
    assert (stands.state, stands.reason) == (WatchState.BALE_SOONER, None)
    assert stands.bale_from and stands.last_told_bale_from
    assert stands.last_told_bale_from - stands.bale_from >= timedelta(minutes=45)


def test_nothing_is_raked_before_now() -> None:
    (said,) = morning().watched
    assert said.rake_from is not None
    late = said.rake_from.astimezone(UTC) - timedelta(minutes=20)
    (stands,) = looked(late, sky(late, brighter_from=8))
    assert stands.rake_from is not None and late <= stands.rake_from <= said.rake_from
    assert stands.state is WatchState.ON_TRACK, "there is nothing left to be gained"


def test_rain_that_fell_ends_the_day_whatever_the_members_had() -> None:
    now = at(14)
    dry = sky(now)
    fell = dry.past.copy(deep=True)
    fell["precipitation_amount"][:, -1] = 2.0
    (stands,) = looked(now, Weather(fell, dry.ahead))
    assert (stands.state, stands.reason, clock(stands.rain_at)) == (WatchState.WILL_NOT_MAKE_IT, Reason.RAIN, "13:00")


def test_what_the_members_had_for_hours_that_stayed_dry_is_forgotten() -> None:
    now = at(14)
    ahead = sky(now).ahead.copy(deep=True)
    label = np.datetime64(at(13).replace(tzinfo=None), "ns")
    ahead["precipitation_amount"] = ahead["precipitation_amount"].where(ahead["time"] != label, 2.0)
    (stands,) = looked(now, Weather(sky(now).past, ahead))
    assert stands.state is WatchState.ON_TRACK


def test_what_was_called_off_stays_called_off() -> None:
    said = with_changes_told(morning(), looked(at(12), sky(at(12), 16)))
    (stands,) = looked(at(14), sky(at(14)), said)
    assert (stands.state, stands.reason) == (WatchState.WILL_NOT_MAKE_IT, Reason.RAIN)
    assert stands.still_wrappable is not None
    assert "mowing was called off earlier today" in watch_text(FARM, stands, at(14), at(14))


def test_mowing_is_held_to_have_ended_when_it_was_called_off() -> None:
    off = looked(at(8), sky(at(8), 12))
    said = with_changes_told(morning(), off)
    (later,) = looked(at(13), sky(at(13), 20), said)
    # an hour's mowing, none of which would have been dry before the rain; all of it is when the rain stays away
    assert off[0].still_wrappable is None and later.still_wrappable is not None
    assert later.still_wrappable.area == pytest.approx(2.8)
    (anyway,) = looked(at(13), sky(at(13), 20), said, line(NoteKind.CUT, 9, area=12 * ACRE))
    assert anyway.still_wrappable is not None and anyway.still_wrappable.area > 2.8


def test_after_it_was_told_the_new_hours_are_what_was_said() -> None:
    first = looked(at(12), sky(at(12), 19))
    (stands,) = looked(at(13), sky(at(13), 19), with_changes_told(morning(), first))
    assert stands.state is WatchState.ON_TRACK
    assert stands.last_told_bale_from == first[0].bale_from
    assert clock(stands.bale_from) == clock(first[0].bale_from)


# --- What the diary tells ----------------------------------------------------------------------------------------


def test_a_noted_cut_gives_the_hour_and_the_area() -> None:
    cut = line(NoteKind.CUT, 9.25, area=12 * ACRE)
    (stands,) = looked(at(12), sky(at(12)), None, cut)
    assert (clock(stands.start), stands.area) == ("09:15", 12 * ACRE)
    whole = looked(at(12), sky(at(12)), None, line(NoteKind.CUT, 0.0, timed=False))[0]
    assert (clock(whole.start), whole.area) == ("07:00", 40 * ACRE)


def test_parts_cut_on_one_day_add_up() -> None:
    parts_cut = (line(NoteKind.CUT, 8, area=5 * ACRE), replace(line(NoteKind.CUT, 10, area=7 * ACRE), id=2))
    (stands,) = looked(at(12), sky(at(12)), None, *parts_cut)
    assert clock(stands.start) == "08:00"
    assert stands.area == pytest.approx(12 * ACRE)


def test_a_field_mown_without_advice_is_watched_too() -> None:
    fields = looked(at(12), sky(at(12)), None, line(NoteKind.CUT, 6.5, "Hill", area=2 * ACRE))
    assert [(one.field, one.state, clock(one.start)) for one in fields] == [
        ("Hill", WatchState.ON_TRACK, "06:30"),
        ("Long Meadow", WatchState.ON_TRACK, "07:00"),
    ]
    assert [one.field for one in watch_fields(FARM, sky(at(12)), None, [line(NoteKind.CUT, 6.5, "Hill")], at(12))] == [
        "Hill"
    ]


def test_fields_share_the_hands() -> None:
    alone = looked(at(12), sky(at(12)))[0].odds
    after = looked(at(12), sky(at(12)), None, line(NoteKind.CUT, 6.0, "Hill"))[1].odds
    assert alone is not None and after is not None and after < alone


def test_a_line_wrapped_ends_the_watch() -> None:
    wrapped = replace(line(NoteKind.WRAPPED, 15), id=2)
    (stands,) = looked(at(16), sky(at(16)), None, line(NoteKind.CUT, 7), wrapped)
    assert stands.state is WatchState.DONE
    (again,) = looked(at(16), sky(at(16)), None, replace(wrapped, at=at(8)), line(NoteKind.CUT, 9, area=4 * ACRE))
    assert (again.state, again.area) == (WatchState.ON_TRACK, 4 * ACRE)


def test_a_field_left_uncut_is_watched_no_longer_until_it_is_cut_after_all() -> None:
    left = line(NoteKind.UNCUT, 0, timed=False)
    (stands,) = looked(at(9), sky(at(9), 11), None, left)
    assert stands.state is WatchState.DONE
    assert list(changes(replace(morning(), watched=(stands,)), morning())) == []
    after = replace(line(NoteKind.CUT, 8, area=4 * ACRE), id=2)
    (stands,) = looked(at(9), sky(at(9)), None, left, after)
    assert (stands.state, stands.noted) == (WatchState.ON_TRACK, True)
    (stands,) = looked(at(9), sky(at(9)), None, line(NoteKind.CUT, 8), replace(left, id=2))
    assert (stands.state, stands.noted) == (WatchState.DONE, False)
    assert looked(at(9), sky(at(9)), None, replace(left, at=at(-24)))[0].state is WatchState.ON_TRACK


def test_wrapping_what_was_cut_yesterday_leaves_what_was_cut_today() -> None:
    yesterday = line(NoteKind.CUT, -16, area=15 * ACRE)
    wrapped = replace(line(NoteKind.WRAPPED, 11), id=3)
    today = replace(line(NoteKind.CUT, 7, area=20 * ACRE), id=2)
    unhoured = replace(line(NoteKind.CUT, 0, area=20 * ACRE, timed=False), id=4, written_at=at(12))
    said = start_watch(decide(FARM, plan_fields(apply_diary(FARM, [yesterday], DAWN), sky(DAWN), DAWN)))

    def stands(*lines: Note) -> list[tuple[WatchState, float]]:
        found = looked(at(13), sky(at(13)), said, yesterday, *lines)
        return [(one.state, round(one.area / ACRE, 6)) for one in found]

    advised = round(said.watched[0].area / ACRE, 6)
    assert stands(wrapped) == [(WatchState.ON_TRACK, advised)], "mown as advised, and not noted yet"
    assert stands(today, wrapped) == [(WatchState.ON_TRACK, 20)]
    assert stands(replace(wrapped, at=at(6.9)), unhoured) == [(WatchState.ON_TRACK, 20)]
    again = replace(wrapped, id=5, at=at(12.5))
    assert [state for state, _ in stands(wrapped, again)] == [WatchState.DONE]
    assert [state for state, _ in stands(today, wrapped, again)] == [WatchState.DONE]
    # What was wrapped on its own day waits for no line of today.
    before = replace(wrapped, id=6, at=at(-6))
    assert [state for state, _ in stands(before, wrapped)] == [WatchState.DONE]


def test_a_field_that_turns_out_to_be_cut_before_today_is_not_watched() -> None:
    late = replace(line(NoteKind.CUT, -14), written_at=at(8))
    assert looked(at(8.5), sky(at(8.5)), None, late) == []
    parts_cut = [replace(late, id=number, area=18.5 * ACRE) for number in (1, 2)]
    assert looked(at(8.5), sky(at(8.5)), None, *parts_cut) == []
    (rest,) = looked(at(8.5), sky(at(8.5)), None, parts_cut[0])
    assert rest.area == pytest.approx(21.5 * ACRE), "only so much was left to be mown today"
    # What was known when it was said is in what was said.
    (kept,) = looked(at(8.5), sky(at(8.5)), None, replace(late, at=at(-14 - 20 * 24), written_at=at(-14)))
    assert kept.area == morning().watched[0].area
    both = (late, replace(line(NoteKind.CUT, 7, area=2 * ACRE), id=2))
    assert [one.area for one in looked(at(8.5), sky(at(8.5)), None, *both)] == [2 * ACRE]


def test_the_end_of_the_working_day_ends_the_watch() -> None:
    assert looked(at(19.9), sky(at(19)))[0].state is WatchState.ON_TRACK
    assert looked(at(20), sky(at(20)))[0].state is WatchState.DONE
    tomorrow = at(24 + 6)
    assert watch_fields(FARM, sky(tomorrow), morning(), (), tomorrow) == ()


def test_a_field_that_cannot_be_reckoned_stands_as_it_was_said(caplog: pytest.LogCaptureFixture) -> None:
    fields = (replace(FARM.fields[0], expected_yield=12.0), FARM.fields[1])
    found = looked(at(12), sky(at(12)), None, line(NoteKind.CUT, 8, "Hill"), farm=replace(FARM, fields=fields))
    assert [(one.field, one.at) for one in found] == [("Long Meadow", DAWN), ("Hill", at(12))]
    assert "Long Meadow cannot be watched: its swath lies too thick" in caplog.text


# --- What is said ------------------------------------------------------------------------------------------------

ANN, BEN = person("Ann"), person("Ben", Channel.EMAIL)


def told(one: WatchedField, farm: Farm = FARM) -> tuple[str, str, str]:
    """The text, and the email's subject and body."""
    heard = compose_change(replace(farm, alerts=replace(farm.alerts, people=(ANN, BEN))), one)
    assert heard.keys() == {ANN, BEN}
    return heard[ANN].body, heard[BEN].title, heard[BEN].body


def local(hour: float) -> datetime:
    return at(hour).astimezone(HERE.timezone)


def standing(state: WatchState, **changes: object) -> WatchedField:
    """Long Meadow at noon, as told by hand."""
    bare = WatchedField(
        "Long Meadow", state, at(12), local(8), 20 * ACRE, 0.61, local(13), local(13.75), local(17.5),
        last_told_bale_from=local(15.5), moisture=Band(0.58, 0.62, 0.66),
    )  # fmt: skip
    return replace(bare, **changes)  # type: ignore[arg-type]


FAILING = standing(
    WatchState.WILL_NOT_MAKE_IT,
    odds=0.24,
    reason=Reason.RAIN,
    rain_at=local(16),
    still_wrappable=AreaOdds(6 * ACRE, 0.72),
    left=LeftOvernight(Band(0.48, 0.52, 0.57), 0.84),
)


def test_bale_sooner_says_why_then_when_then_how_sure() -> None:
    sooner = standing(WatchState.BALE_SOONER, reason=Reason.RAIN, rain_at=local(17))
    text, subject, body = told(sooner)
    assert text == (
        "Two Elms: If you mowed Long Meadow: rain is now due at about 5:00 pm. Bale sooner: rake from 1:00 pm, bale "
        "from 1:45 pm (not 3:30 pm as said), all wrapped by about 5:30 pm. 20 acres: 6 in 10 that all is wrapped "
        "tonight. Check a sample before baling."
    )
    assert subject == "Bale sooner: Long Meadow"
    assert "What is cut is now at about 58 to 66% water." in body


def test_drying_is_named_where_there_is_no_rain() -> None:
    text, _, _ = told(standing(WatchState.BALE_SOONER))
    assert "If you mowed Long Meadow: it dries faster than was said. Bale sooner" in text


def test_calling_off_says_what_to_do() -> None:
    text, subject, body = told(FAILING)
    assert text == (
        "Two Elms: If you mowed Long Meadow: rain by about 4:00 pm; it will not all make it (odds 2 in 10). Stop "
        "mowing. Wrap what is at or under 60% water, about 6 acres (7 in 10); never bale wetter. Leave the rest for "
        "tomorrow: fit to bale by noon if dry (48 to 57% water); rain before that: 9 in 10."
    )
    assert subject == "Stop mowing: Long Meadow"
    assert "Check a sample before baling." in body
    assert "Bale nothing at 62% water or wetter" in body


def test_where_all_members_have_rain_no_dry_moisture_is_told() -> None:
    text, _, _ = told(replace(FAILING, left=LeftOvernight(Band(0.3, 0.4, 0.5), 0.97)))
    assert "Leave the rest for tomorrow: rain before noon: 9 in 10." in text
    assert "if dry" not in text


def test_before_the_start_it_says_not_to_begin() -> None:
    text, _, _ = told(replace(FAILING, at=at(6), still_wrappable=None, left=None))
    assert "Stop mowing, or do not begin." in text


def test_rain_that_leaves_the_hour_as_it_was_said_asks_for_no_more_than_readiness() -> None:
    stays = standing(WatchState.BALE_SOONER, reason=Reason.RAIN, rain_at=local(17), last_told_bale_from=local(13.75))
    assert "Bale as soon as it is fit: rake from 1:00 pm, bale from 1:45 pm, all" in told(stays)[0]


def test_odds_under_those_asked_for_are_not_on_track() -> None:
    for sure, words in ((0.61, "on track"), (0.59, "not sure enough")):
        stands = standing(WatchState.ON_TRACK, odds=sure)
        assert watch_text(FARM, stands, at(12), at(12)).startswith(f"If you mowed Long Meadow: {words}, rake")


@pytest.mark.parametrize("units", Units)
@pytest.mark.parametrize("reason", [Reason.RAIN, Reason.WILL_NOT_DRY, Reason.TOO_LITTLE_TIME])
def test_a_text_fits_and_keeps_what_is_to_be_done(reason: Reason, units: Units) -> None:
    farm = replace(FARM, name="F" * 80, units=units)  # the longest that the settings take
    failing = replace(FAILING, reason=reason, rain_at=local(16) if reason is Reason.RAIN else None)
    for noted in (False, True):
        text, _, _ = told(replace(failing, field="A" * 40, noted=noted, timed=noted), farm)
        assert part_count(text) == 2
        assert "Stop mowing. Wrap what is at or under 60% water" in text
        assert "never bale wetter" in text


def test_no_message_calls_anything_safe() -> None:
    for one in (FAILING, standing(WatchState.BALE_SOONER), standing(WatchState.ON_TRACK)):
        assert "safe" not in watch_text(FARM, one, at(12), at(12)).lower()


def test_what_is_noted_as_cut_is_told_as_such() -> None:
    untimed = standing(WatchState.ON_TRACK, noted=True)
    for stands, lead in ((untimed, "cut today"), (replace(untimed, timed=True), "cut at 8:00 am")):
        assert watch_text(FARM, stands, at(12), at(12)).startswith(f"Long Meadow, 20 acres {lead}: on track, rake")
        assert watch_text(FARM, stands, at(13), at(13)).startswith(f"Long Meadow, 20 acres {lead}: nothing new")


def test_the_diary_says_what_is_cut_and_when() -> None:
    part = line(NoteKind.CUT, 7.5, area=3 * ACRE)
    (stands,) = looked(at(9.5), sky(at(9.5)), None, part)
    assert (stands.noted, stands.timed, stands.area, clock(stands.start)) == (True, True, 3 * ACRE, "07:30")
    (stands,) = looked(at(9.5), sky(at(9.5)), None, line(NoteKind.CUT, 0, timed=False))
    assert (stands.noted, stands.timed) == (True, False)
    (stands,) = looked(at(9.5), sky(at(9.5)))
    assert (stands.noted, stands.timed) == (False, False)


def test_the_page_says_how_it_stands_and_since_when_nothing_is_known() -> None:
    stands = standing(WatchState.ON_TRACK, bale_from=local(15.5))
    assert watch_text(FARM, stands, at(12.5), at(12)) == (
        "If you mowed Long Meadow: on track, rake from 1:00 pm, bale from 3:30 pm, all wrapped by about 5:30 pm. "
        "20 acres: 6 in 10 that all is wrapped tonight. What is cut is now at about 58 to 66% water."
    )
    old = watch_text(FARM, stands, at(14), at(13))
    assert old.startswith("If you mowed Long Meadow: nothing new is known since 12:00 pm.")
    assert "on track" not in old
    done = standing(WatchState.DONE)
    assert watch_text(FARM, done, at(16), at(16)).startswith("Long Meadow: no longer watched")


# --- The day of the service --------------------------------------------------------------------------------------


@dataclass
class Skies:
    """Looks at a sky that turns: from each hour on, rain at another hour (or none); None is no weather at all."""

    farm: Farm
    turns: dict[float, float | str | None] = field(default_factory=dict)

    def __call__(self, farm: Farm, now: datetime, said: Morning | None) -> Morning:
        rain = next((rain for hour, rain in sorted(self.turns.items(), reverse=True) if now >= at(hour)), None)
        if isinstance(rain, str):
            return decide(self.farm, unknown_prospect(self.farm, now, stated(Reason.DATA_MISSING, rain)))
        return replace(advice(now, rain), watched=watch_fields(self.farm, sky(now, rain), said, (), now))


@dataclass
class Bench:
    """A service on real disk with a real gateway, and a clock set by hand."""

    folder: Path
    gateway: Gateway
    clock: HandClock = field(default_factory=lambda: HandClock(DAWN))

    def __post_init__(self) -> None:
        people = (person("Ann", address=self.gateway.address),)
        self.farm = replace(FARM, alerts=replace(FARM.alerts, people=people))
        self.look = Skies(self.farm)
        self.start()

    def start(self) -> None:
        self.postbag = Outbox(self.folder / "postbag.sqlite3")
        self.service = Service(self.farm, self.postbag, self.clock, self.look, compose_messages)

    def run(self, until: float) -> None:
        while self.clock.at < at(until):
            self.service.round()
            self.clock.at += timedelta(minutes=30)

    @property
    def kinds(self) -> list[str]:
        return [str(row.kind) for row in reversed(self.postbag.recent()) if row.state is MessageState.SENT]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    with Gateway() as gateway:
        yield Bench(tmp_path, gateway)


def test_a_good_day_brings_no_change(bench: Bench) -> None:
    bench.run(18.5)
    assert bench.kinds == ["morning"]
    assert "If you mowed Long Meadow: on track" in render_page(bench.service.snapshot())


def test_rain_that_moves_forward_is_told_once_each(bench: Bench) -> None:
    bench.look.turns = {11: 19, 13: 16, 15: 19, 16: 17}
    bench.run(18.5)
    assert bench.kinds == ["morning", "bale sooner: Long Meadow", "will not make it: Long Meadow"]
    sooner, off = (posted["message"] for posted in bench.gateway.posted[1:])
    assert sooner.startswith("Two Elms: If you mowed Long Meadow: rain is now due at about 7:00 pm. Bale sooner")
    assert off.startswith("Two Elms: If you mowed Long Meadow: rain by about 4:00 pm; it will not all make it")


def test_after_calling_off_there_is_no_bale_sooner(bench: Bench) -> None:
    bench.look.turns = {11: 15, 12: 19, 14: None}
    bench.run(18.5)
    assert bench.kinds == ["morning", "will not make it: Long Meadow"]
    assert "If you mowed Long Meadow: mowing was called off earlier today" in render_page(bench.service.snapshot())


def test_a_restart_loses_nothing_and_repeats_nothing(bench: Bench) -> None:
    bench.look.turns = {11: 19, 13: 16}
    while bench.clock.at < at(18.5):
        bench.start()
        bench.run((bench.clock.at - at(0)) / timedelta(hours=1) + 0.5)
    assert bench.kinds == ["morning", "bale sooner: Long Meadow", "will not make it: Long Meadow"]


def test_a_crash_before_a_change_is_said_only_delays_it(bench: Bench) -> None:
    bench.run(11)
    bench.look.turns = {11: 19}
    said, bench.service._enqueue_changes = bench.service._enqueue_changes, lambda now: None  # type: ignore[method-assign]
    bench.run(12)
    assert bench.kinds == ["morning"]
    assert said is not bench.service._enqueue_changes
    bench.start()
    bench.run(12.5)
    assert bench.kinds == ["morning", "bale sooner: Long Meadow"]


def test_a_crash_between_the_message_and_its_mark_repeats_nothing(bench: Bench) -> None:
    bench.run(10.5)
    before = bench.postbag.load_value("said")
    bench.look.turns = {11: 19}
    bench.run(12)
    assert before is not None
    bench.postbag.save_value("said", before)
    bench.start()
    bench.run(18.5)
    assert bench.kinds == ["morning", "bale sooner: Long Meadow"]


def test_without_weather_nothing_is_said_and_the_page_says_since_when(bench: Bench) -> None:
    bench.look.turns = {11: "the server is away"}
    bench.run(15)
    assert bench.kinds == ["morning"]
    page = spaced(render_page(bench.service.snapshot()))
    assert "If you mowed Long Meadow: nothing new is known since 10:30 am." in page
    assert "on track" not in page
    bench.start()
    assert "nothing new is known since 10:30 am" in spaced(render_page(bench.service.snapshot()))


def test_without_weather_from_the_first_the_page_holds_to_what_was_said(bench: Bench) -> None:
    bench.look.turns = {6: "the server is away"}
    bench.run(9)
    assert "If you mowed Long Meadow: nothing new is known since 5:30 am." in spaced(
        render_page(bench.service.snapshot())
    )


def test_a_service_that_stands_still_is_not_on_track(bench: Bench) -> None:
    bench.run(11)
    old = replace(FARM.weather, oldest=2.0)
    shown = take_snapshot(replace(bench.farm, weather=old), bench.service.snapshot().morning, (), at(12))
    assert "nothing new is known since 10:30 am" in spaced(render_page(shown))
    assert "If you mowed" not in render_page(take_snapshot(bench.farm, shown.morning, (), at(24.5)))


def test_what_is_kept_is_of_its_day_only() -> None:
    lost = decide(FARM, unknown_prospect(FARM, at(13), stated(Reason.DATA_STALE, "30 hours old")))
    assert keep_last_watch(lost, morning(), None).watched == morning().watched
    assert keep_last_watch(replace(lost, date=DAY + timedelta(days=1)), morning()).watched == ()


def test_a_second_field_that_fails_later_is_told_too() -> None:
    first, second = (standing(WatchState.WILL_NOT_MAKE_IT, field=name) for name in ("Hill", "Creek"))
    now = replace(
        advice(at(12), None), watched=(first, second), prospect=replace(advice(at(12), None).prospect, at=at(12))
    )
    assert [one.field for one in changes(now, None)] == ["Hill", "Creek"]
    said = with_changes_told(now, [first])
    assert [one.field for one in changes(now, replace(said, watched=(first,)))] == ["Creek"]

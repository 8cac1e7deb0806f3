import sqlite3
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from daemon.advice.advise import Stores, advise
from daemon.diary.store import Diary, Note, NoteKind
from daemon.domain.farm import UNCORRECTED_DRYING, Drying, Farm, Field, Units
from daemon.domain.prospect import FieldProspect, Reason, reason_of
from daemon.learning.samples import DryingLearnt, learn_drying
from daemon.planning.daily_weather import daily_extremes, daily_water
from daemon.planning.drying import day_index
from daemon.planning.forecast_hours import hourly_weather
from daemon.planning.ground import field_profile, ground_on
from daemon.planning.growth import field_growth_on
from daemon.weather.contract import FILLED, Weather, to_datetime64
from daemon.words.causes import unknown_detail_text
from daemon.words.field_history import field_sentences, sample_sentences
from models.swath import lay_swath, standing_wetness, start_moisture_shift, wet_basis, wilt
from tests.loopback.hours import invented, source, written
from tests.support.farms import ZONE, stand_of
from tests.support.weather import field, field_state, working_farm
from tests.support.weather import weather as forecast

pytestmark = pytest.mark.slow

NOW = datetime(2026, 6, 20, 12, tzinfo=UTC)
FIRST = 0.22**2 / (0.22**2 + 0.12**2)
LONG, CREEK = field("Long Meadow", 20), field("Creek", 9)


def at(hour: float, day: int = 10, month: int = 6) -> datetime:
    return datetime(2026, month, day, tzinfo=ZONE).astimezone(UTC) + timedelta(hours=hour)


@cache
def weather(since: datetime | None = None, now: datetime = NOW) -> Weather:
    return forecast(working_farm().place, now, now + timedelta(days=2), since=since)


def farm(*fields: Field) -> Farm:
    return working_farm(*(fields or (LONG, CREEK)))


def cut(number: int = 1, *, begun: datetime | None = None, field: str = LONG.name, day: int = 10) -> Note:
    return Note(number, NoteKind.CUT, field, begun or at(0, day), NOW, timed=begun is not None)


def sample(moisture: float, taken: datetime, number: int = 2, field: str = LONG.name) -> Note:
    return Note(number, NoteKind.MOISTURE, field, taken, NOW, moisture=moisture)


def reading(begun: datetime, taken: datetime, factor: float, field: Field = LONG) -> float:
    """Return the moisture that the model gives between two whole hours, the hours cut out of the record."""
    given, hours = farm(field), weather()
    day = begun.astimezone(ZONE).date()
    days = daily_extremes(hours, given)
    ends, came, *_ = hourly_weather(given, hours.past)
    ground = ground_on(field_state(field), daily_water(given, ends, came), day, field_profile(given, field))
    growth = field_growth_on(given, field_state(field), days[days.index <= day], ground)
    crop = field.expected_yield or float(growth.dry_matter[day_index(growth, day)])
    solar = np.array(begun.astimezone(UTC).hour + given.place.longitude / 15.0)
    moisture = growth.start_moisture[day_index(growth, day)] + float(start_moisture_shift(solar))
    first, last = (int(np.searchsorted(ends, to_datetime64(moment))) for moment in (begun, taken))
    dewed = standing_wetness(came.between(first - 19, first + 1), crop)[:, -1:]
    one = np.ones((1, 1))
    swath = lay_swath(
        *(crop * one, moisture * one, 0.85),
        drying_factor=factor,
        crop_factor=growth.drying_factor,
        conditioned=True,
        soil_factor=ground.soil_factor,
    )
    later = np.arange(1, last - first + 1) > (at(24, day.day) - begun) / timedelta(hours=1)
    lying = came.between(first + 1, last + 1)
    water = wilt(lying, swath, np.zeros(1), dewed, later_day=later)
    return float(wet_basis(water[-1, 0, 0, 0]))


def told(lines: list[Note], given: Farm | None = None, hours: Weather | None = None) -> DryingLearnt:
    return learn_drying(given or farm(), {}, lines, hours or weather(), NOW)


def sentences(found: DryingLearnt, field: Field = LONG) -> tuple[str, ...]:
    return tuple(sample_sentences(found.reports[field.name], Units.US))


def drying(found: DryingLearnt, number: int = 0) -> Drying:
    return found.drying.get(farm().fields[number].name, UNCORRECTED_DRYING)


@pytest.mark.parametrize("factor", [0.5, 0.8, 1.0, 1.4])
def test_a_sample_tells_the_factor_that_it_was_made_with(factor: float) -> None:
    found = told([cut(begun=at(8)), sample(reading(at(8), at(13), factor), at(13))])
    assert found.factors[2] == pytest.approx(factor, abs=1e-6)
    assert drying(found).factor == pytest.approx(factor**FIRST, abs=1e-6)
    assert drying(found).spread == pytest.approx(0.22 * np.sqrt(1.0 - FIRST))
    assert drying(found).samples == 1
    assert drying(found, 1).factor == pytest.approx(factor ** (FIRST / 2), abs=1e-6)
    assert drying(found, 1).spread == pytest.approx(0.22 * np.sqrt(1.0 - FIRST / 4))
    assert drying(found, 1).samples == 0


def test_a_sample_of_the_day_after_dries_through_night_and_dew() -> None:
    slow = replace(LONG, expected_yield=4.5)
    made = reading(at(12), at(35), 0.6, slow)
    found = told([cut(begun=at(12)), sample(made, at(35))], farm(slow))
    assert found.factors[2] == pytest.approx(0.6, abs=1e-6)
    assert "for a crop mown the day before at 12:00 pm" in sentences(found, LONG)[0]


def test_growth_of_the_sample_is_the_one_that_was_cut() -> None:
    # By the model's own yield, of the growth since 1 May; today a younger one stands there.
    grown = replace(LONG, expected_yield=None, last_cut=date(2026, 5, 1))
    made = reading(at(8), at(13), 0.8, grown)
    assert told([cut(begun=at(8)), sample(made, at(13))], farm(grown)).factors[2] == pytest.approx(0.8, abs=1e-6)
    former = Note(3, NoteKind.CUT, LONG.name, at(0, 1, 5), NOW, timed=False)
    bare = replace(grown, last_cut=date(2026, 6, 10))  # the settings tell of the mowing itself
    lines = [former, cut(begun=at(8)), sample(made, at(13))]
    assert told(lines, farm(bare)).factors[2] == pytest.approx(0.8, abs=1e-6)


def test_the_sentences_of_a_sample() -> None:
    lines = [cut(begun=at(8)), sample(reading(at(8), at(13), 0.8), at(13))]
    found = told(lines)
    measured, plain = (f"{100 * reading(at(8), at(13), factor):.3g}" for factor in (0.8, 1.0))
    assert sentences(found, LONG) == (
        f"Sample of {measured}% on 10 June 2026 at 1:00 pm (line 2): the model had {plain}% for a crop mown at "
        "8:00 am; it tells a drying factor of 0.80, which moved the field's from 1.00 to 0.84.",
        "Drying factor 0.84, uncertain by 11% instead of 22%: samples of this field 1, of others 0.",
    )
    assert sentences(found, CREEK) == (
        "Drying factor 0.92, uncertain by 20% instead of 22%: samples of this field 0, of others 1.",
    )


def test_a_cut_without_its_hour_began_at_the_earliest_start() -> None:
    found = told([cut(), sample(reading(at(7), at(13), 0.8), at(13))])
    assert found.factors[2] == pytest.approx(0.8, abs=1e-6)
    assert "mown at 7:00 am (the earliest start: its hour is not noted)" in sentences(found, LONG)[0]


def test_a_wrapped_line_with_its_moisture_is_a_sample_and_a_cut() -> None:
    wrapped = replace(sample(reading(at(7), at(13), 0.8), at(13)), kind=NoteKind.WRAPPED)
    assert told([wrapped]).factors[2] == pytest.approx(0.8, abs=1e-6)


def test_a_sample_between_two_hours_lies_between_them() -> None:
    early, late = (reading(at(8), at(hour), 0.8) for hour in (12, 13))
    found = told([cut(begun=at(8)), sample((early + late) / 2, at(12.5))])
    assert found.factors[2] == pytest.approx(0.8, abs=0.01)
    part = told([cut(begun=at(8.5)), sample(late, at(13))]).factors[2]
    assert 0.8 < part < told([cut(begun=at(9)), sample(late, at(13))]).factors[2]


def test_two_samples_of_one_mowing_count_less_than_two_of_two_mowings() -> None:
    one = [cut(begun=at(8)), *(sample(reading(at(8), at(hour), 0.8), at(hour), hour) for hour in (12, 13))]
    two = [  # in parts, so that the same growth stood there on both days
        *(replace(cut(day, begun=at(8, day), day=day), area=2.0) for day in (10, 15)),
        *(sample(reading(at(8, day), at(13, day), 0.8), at(13, day), 10 * day) for day in (10, 15)),
    ]
    same, apart = told(one), told(two)
    assert drying(same).samples == drying(apart).samples == 2
    assert drying(told(one[:2])).factor > drying(same).factor > drying(apart).factor > 0.8
    assert drying(told(one[:2])).spread > drying(same).spread > drying(apart).spread
    assert "from 1.00 to 0.84" in sentences(apart, LONG)[0]
    assert "from 0.84 to 0.82" in sentences(apart, LONG)[1]


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ([sample(0.5, at(13))], "no cut is noted on its day or the day before; note the cut of its field"),
        ([cut(day=8), sample(0.5, at(13))], "no cut is noted on its day or the day before; note the cut of its field"),
        ([cut(begun=at(8)), sample(0.5, at(7))], "it was taken before mowing began at 8:00 am"),
        ([cut(begun=at(8)), sample(0.7, at(8.9))], "it was taken less than an hour after mowing began at 8:00 am"),
        ([cut(begun=at(8)), sample(0.1, at(10))], "no crop could have dried that fast; check time, cut and reading"),
        ([cut(begun=at(8)), replace(sample(0.5, at(0)), timed=False)], "its hour is not noted"),
        ([cut(begun=at(8)), sample(0.7, at(9.25))], "it hardly depends on how fast the crop dries"),
        ([cut(day=20), sample(0.7, at(8, 20), 2)], "the past weather from 12:00 pm on 19 June 2026 to 8:00 am is not"),
    ],
)
def test_a_sample_that_tells_nothing_is_set_aside_and_named(lines: list[Note], said: str) -> None:
    hours = forecast(farm().place, NOW - timedelta(hours=2), NOW + timedelta(days=2)) if "past" in said else None
    found = told(lines, hours=hours)
    assert found.drying == {}
    assert found.factors == {}
    assert len(sentences(found, LONG)) == 1
    assert f" (line 2) is set aside: {said}" in sentences(found, LONG)[0]
    assert sentences(found, CREEK) == ()


def test_a_thick_swath_is_set_aside() -> None:
    found = told([cut(begun=at(8)), sample(0.6, at(13))], farm(replace(LONG, expected_yield=7.0)))
    assert "is set aside: the swath lay too thick for the model" in sentences(found, LONG)[0]


def test_one_bad_sample_leaves_the_others() -> None:
    lines = [cut(begun=at(8)), sample(reading(at(8), at(13), 0.8), at(13)), sample(0.1, at(9.5), 3)]
    assert drying(told(lines)) == drying(told(lines[:2]))


def slips(*factors: float) -> list[Note]:
    """Samples of one field, of a mowing every five days, whose weather is gone."""
    return [
        line
        for number, factor in enumerate(factors)
        for line in (
            replace(cut(2 * number + 1, begun=at(8, 1 + 5 * number)), area=1.0),
            replace(sample(0.6, at(13, 1 + 5 * number), 2 * number + 2), factor=factor),
        )
    ]


def test_one_reading_far_off_moves_no_field_until_a_second_agrees() -> None:
    late = weather(since=at(0, 18))
    alone = told(slips(2.62), hours=late)
    assert alone.drying == {}
    assert sentences(alone, LONG) == (
        "Sample of 60% on 1 June 2026 at 1:00 pm (line 2) is set aside: reckoned when its weather was at hand; it "
        "tells a drying factor of 2.62 where 0.47 to 2.12 was expected. If it was read and noted right, take a second "
        "sample at another mowing: if both agree, both count.",
    )
    assert drying(told(slips(2.62, 0.8), hours=late)).factor == pytest.approx(0.8**FIRST)
    agreed = told(slips(2.62, 2.4), hours=late)
    assert drying(agreed).samples == 2
    assert drying(agreed).factor > 2.0


def test_what_a_reading_far_off_told_is_kept_for_the_second_one() -> None:
    found = told([cut(begun=at(8)), sample(reading(at(8), at(13), 2.4), at(13))])
    assert found.drying == {}
    assert found.factors[2] == pytest.approx(2.4, abs=1e-5)


@pytest.mark.parametrize("kept", [0.29, 3.01, 1e300, np.inf])
def test_a_kept_factor_outside_of_the_range_is_not_used(kept: float) -> None:
    found = told(slips(kept, kept), hours=weather(since=at(0, 18)))
    assert found.drying == {}
    assert "is set aside: the weather of the whole of 1 June 2026 is not at hand." in sentences(found, LONG)[0]


def test_what_a_sample_told_outlives_its_weather() -> None:
    line = replace(sample(0.6, at(13)), factor=0.7)
    late = weather(since=at(0, 12))
    assert "is set aside: " in sentences(told([cut(begun=at(8)), replace(line, factor=None)], hours=late), LONG)[0]
    found = told([cut(begun=at(8)), line], hours=late)
    assert drying(found).factor == pytest.approx(0.7**FIRST)
    assert found.factors == {}
    assert (
        "(line 2): reckoned when its weather was at hand; it tells a drying factor of 0.70"
        in (sentences(found, LONG)[0])
    )
    # Without its cut it is of no mowing, whatever it told.
    assert drying(told([line], hours=late)) == Drying()


def test_a_sample_that_dried_in_hours_only_forecast_waits_until_they_are_told() -> None:
    lines = [cut(begun=at(8)), sample(reading(at(8), at(13), 0.7), at(13))]
    hours = weather()
    noon = hours.past["time"].to_numpy() == to_datetime64(at(12))
    assert noon.sum() == 1
    guessed = told(lines, hours=replace(hours, past=hours.past.assign_coords({FILLED: ("time", noon)})))
    assert drying(guessed) == Drying()
    assert "is not at hand" in sentences(guessed, LONG)[0]
    assert drying(told(lines, hours=hours)).factor == pytest.approx(0.7**FIRST)


def test_the_wetter_a_sample_the_slower_its_field_down_to_the_slowest_that_is_believed() -> None:
    found = [drying(told([cut(begun=at(8)), sample(wet, at(13))])).factor for wet in (0.55, 0.62, 0.68, 0.75, 0.85)]
    assert found == sorted(found, reverse=True)
    assert found[0] > found[1] > found[2]
    assert found[-2:] == pytest.approx([0.4717**FIRST] * 2, abs=1e-3)


def test_a_sample_of_this_hour_counts_at_once() -> None:
    now = at(12.5)
    hours = forecast(farm().place, now, now + timedelta(days=2))
    found = learn_drying(farm(), {}, [cut(begun=at(8)), sample(0.66, now)], hours, now)
    assert drying(found).factor < 0.9
    later = told([cut(begun=at(8)), sample(0.66, now)])
    assert drying(found).factor == pytest.approx(drying(later).factor, abs=0.01)


def test_however_many_mowings_are_measured_the_next_may_differ() -> None:
    days = [at(8, day) for day in range(1, 19)]
    lines = [
        line
        for number, begun in enumerate(days)
        for line in (
            cut(2 * number + 1, begun=begun),
            replace(sample(0.6, begun + timedelta(hours=5), 2 * number + 2), factor=0.8),
        )
    ]
    found = drying(told(lines, hours=weather(since=at(0, 20))))  # their weather is gone, what they told was kept
    assert found.samples == 18
    assert found.spread == 0.06


def test_an_old_sample_is_used_and_said_to_be_old() -> None:
    then = at(13) - timedelta(days=731)
    lines = [replace(cut(), at=then - timedelta(hours=5)), replace(sample(0.6, then), factor=0.7)]
    found = told(lines)
    assert drying(found).factor == pytest.approx(0.7**FIRST)
    assert sentences(found, LONG)[0].endswith("It is older than two years.")


@pytest.fixture
def record(tmp_path: Path) -> Farm:
    table = invented("2026-01-01T01:00Z", "2026-06-24T00:00Z")
    path = written(tmp_path / "record.csv", table)
    return replace(farm(), weather=source(sources=("file",), path=path))


def said(given: Farm, diary: Diary | None) -> FieldProspect:
    return advise(given, NOW, stores=Stores(diary)).prospect.fields[0]


def test_a_look_takes_the_diary_in_and_an_undone_line_leaves_no_trace(tmp_path: Path, record: Farm) -> None:
    diary = Diary(tmp_path / "diary.sqlite3")
    before = advise(record, NOW, stores=Stores(diary))
    assert before == advise(record, NOW)
    noted = diary.add(NoteKind.CUT, LONG.name, at(8), NOW)
    measured = diary.add(NoteKind.MOISTURE, LONG.name, at(13), NOW, moisture=0.62)
    after = said(record, diary)
    assert stand_of(after).clock_from == date(2026, 6, 10)
    first, second = field_sentences(after, Units.US)[:2]
    assert first == "Last cut 10 June 2026, from the diary (line 1)."
    assert second.startswith("Sample of 62% on 10 June 2026 at 1:00 pm (line 2): the model had ")
    assert diary.notes()[1].factor == pytest.approx(told_factor(second), abs=0.006)
    for line in (measured, noted):
        diary.delete(line.id)
    assert advise(record, NOW, stores=Stores(diary)) == before


def told_factor(sentence: str) -> float:
    return float(sentence.partition("a drying factor of ")[2].partition(",")[0])


def test_a_diary_that_cannot_be_read_is_no_advice(tmp_path: Path, record: Farm) -> None:
    path = tmp_path / "diary.sqlite3"
    path.write_text("not a database, but long enough to be looked at" * 30)
    field = said(record, Diary(path))
    assert reason_of(field.unknown) is Reason.DIARY_UNREADABLE
    assert "cannot be used (file is not a database)" in unknown_detail_text(field.unknown, Units.US)


def test_weather_that_is_missing_leaves_what_was_cut(tmp_path: Path, record: Farm) -> None:
    diary = Diary(tmp_path / "diary.sqlite3")
    diary.add(NoteKind.CUT, LONG.name, at(8), NOW)
    broken = replace(record, weather=source(sources=("file",), path=tmp_path / "none.csv"))
    field = said(broken, diary)
    assert reason_of(field.unknown) is Reason.DATA_MISSING
    assert field_sentences(field, Units.US) == ["Last cut 10 June 2026, from the diary (line 1)."]


def test_a_diary_that_cannot_be_written_still_gives_advice(
    tmp_path: Path, record: Farm, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "diary.sqlite3"
    diary = Diary(path)
    diary.add(NoteKind.CUT, LONG.name, at(8), NOW)
    diary.add(NoteKind.MOISTURE, LONG.name, at(13), NOW, moisture=0.62)
    db = sqlite3.connect(path)
    db.execute("CREATE TRIGGER no BEFORE UPDATE ON lines BEGIN SELECT RAISE(ABORT, 'locked'); END")
    db.close()
    assert "it tells a drying factor of" in field_sentences(said(record, diary), Units.US)[1]
    assert "what a sample told was not kept: diary: " in caplog.text
    assert diary.notes()[1].factor is None

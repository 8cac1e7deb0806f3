import logging
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from pydantic import TypeAdapter

from daemon.domain.farm import Farm
from daemon.domain.prospect import ForecastCase, Prospect
from daemon.domain.record_summary import RecordSummary
from daemon.learning.record import ForecastRecord, ForecastRecordError
from daemon.learning.verification import fit_odds_correction, summarize_record, verify
from daemon.planning.prospect import plan_fields
from daemon.weather.contract import FILLED, Weather, to_datetime64
from daemon.words.record_summary import record_sentences
from models.calibration import VerificationRecord
from models.odds import UNCORRECTED, Correction, corrected_odds, independent_members, logit, odds_from_share
from tests.loopback.hours import HERE
from tests.support.farms import plan_of
from tests.support.processes import run_at_once
from tests.support.weather import NOW, TODAY, farm_today, field, weather, working_farm

pytestmark = pytest.mark.slow

STRIP = 2.8 / 4  # [ha]
KEEPS = """
import sys
from datetime import UTC, date, datetime
from pathlib import Path
from daemon.learning.record import ForecastRecord
from daemon.domain.prospect import Prospect, ForecastCase
sys.stdin.readline()
day, start, odds = date(2026, 6, 10), datetime(2026, 6, 10, 12, tzinfo=UTC), float(sys.argv[2])
for lead in range(15):
    rest = (day, lead, odds, 0.0, 1.0, start, 2.0, 0.8, 1.0, 1.0, 1.0, 0.2)
    cases = [ForecastCase("shared", *rest), ForecastCase(sys.argv[2], *rest)]
    ForecastRecord(Path(sys.argv[1])).store_cases(cases, day)
"""


def said(**given: Any) -> ForecastCase:
    """Return a strip of a light crop, mown at eight today."""
    usual: dict[str, Any] = {
        "field": "Long Meadow", "day": TODAY, "lead": 0, "odds": 0.6, "rain": 0.2, "area": STRIP,
        "start": NOW.replace(hour=12, minute=0), "dry_matter": 1.5, "start_moisture": 0.8, "crop_factor": 1.0,
        "soil_factor": 1.0, "drying_factor": 1.0, "drying_spread": 0.22,
    }  # fmt: skip
    return ForecastCase(**(usual | given))


@pytest.fixture
def ledger(tmp_path: Path) -> ForecastRecord:
    return ForecastRecord(tmp_path / "state" / "record.sqlite3")


@pytest.fixture(scope="module")
def later() -> Weather:
    """Return clear hours until three days after today."""
    return weather(HERE, NOW + timedelta(days=3), NOW + timedelta(days=4))


def changed(hours: Weather, at: datetime, **values: float) -> xr.Dataset:
    """Return the hours that came with other values in the one that ends at a time."""
    past = hours.past.copy(deep=True)
    for name, value in values.items():
        past[name].loc[{"time": np.datetime64(at.replace(tzinfo=None), "ns")}] = value
    return past


def one(found: Mapping[ForecastCase, float]) -> float:
    (outcome,) = found.values()
    return outcome


# --- What was said -----------------------------------------------------------------------------------------------


def forecast(**given: Any) -> Weather:
    return weather(HERE, NOW, NOW + timedelta(days=3), kind="forecast", members=8, **given)


def test_a_pass_says_its_odds_of_every_field_and_day_ripe_or_not() -> None:
    rain = np.zeros((8, 12))
    rain[4:, 7] = [1.0, 4.0, 9.0, 16.0]  # from noon to one
    farm = working_farm(field("ripe", 20), field("young", 10, last_cut=date(2026, 6, 1)))
    found = plan_fields(farm_today(farm), forecast(rain=rain), NOW)
    lines = {(line.field, line.lead): line for line in found.forecast_cases}
    assert sorted(lines) == [(name, lead) for name in ("ripe", "young") for lead in range(3)]
    today, tomorrow = lines["ripe", 0], lines["ripe", 1]
    assert (today.day, tomorrow.day) == (TODAY, TODAY + timedelta(days=1))
    shown = found.fields[0].days
    # Half of the forecast is wet today: the odds are those of the least area, two acres and so two strips.
    assert shown[0].area == 0.0
    assert today.area == pytest.approx(2 * STRIP)
    assert today.odds < 0.6
    assert today.rain == pytest.approx((1 + 2 + 3 + 4) / 8)
    assert tomorrow.rain == 0.0
    assert tomorrow.area == shown[1].area > 2 * STRIP
    assert tomorrow.odds == shown[1].raw_odds
    assert tomorrow.start == plan_of(shown[1]).start
    assert tomorrow.start.utcoffset() == timedelta(0)
    assert (tomorrow.dry_matter, tomorrow.drying_factor, tomorrow.drying_spread) == (2.2, 1.0, 0.22)


def test_a_field_that_shares_its_day_is_kept_as_it_was_alone() -> None:
    alone = plan_fields(farm_today(working_farm(field("second", 40))), forecast(), NOW).forecast_cases
    both = plan_fields(
        farm_today(working_farm(field("first", 25), field("second", 40))), forecast(), NOW
    ).forecast_cases
    assert [line for line in both if line.field == "second"] == list(alone)


def test_what_was_said_outlives_a_morning_kept_on_disk() -> None:
    found, kept = plan_fields(farm_today(working_farm()), forecast(), NOW), TypeAdapter(Prospect)
    assert len(found.forecast_cases) == 3
    assert kept.validate_json(kept.dump_json(found)).forecast_cases == found.forecast_cases


def test_nothing_is_said_of_hours_that_are_known() -> None:
    assert (
        plan_fields(farm_today(working_farm()), weather(HERE, NOW, NOW + timedelta(days=2)), NOW).forecast_cases == ()
    )


def test_the_rain_of_the_day_has_its_say_in_the_odds() -> None:
    rain = np.zeros((8, 12))
    rain[:, 3] = 0.09  # too little to make an hour wet; its root is 0.3
    hours = forecast(rain=rain)
    plain, moved = (
        plan_fields(farm_today(working_farm()), hours, NOW, by) for by in (UNCORRECTED, Correction(rain=-2.0))
    )
    for day, by in ((0, 0.6), (1, 0.0)):
        before, after = (found.fields[0].days[day].curve[0].odds for found in (plain, moved))
        assert logit(np.array(after)) == pytest.approx(logit(np.array(before)) - by)


def test_the_record_moves_the_odds_of_a_pass_but_not_what_it_says() -> None:
    plain, moved = (
        plan_fields(farm_today(working_farm()), forecast(), NOW, by) for by in (UNCORRECTED, Correction(bias=-0.5))
    )
    at = {one.area: one.odds for one in plain.fields[0].days[0].curve}
    for chance in moved.fields[0].days[0].curve:
        less = 1.0 / (1.0 + np.exp(0.5 - logit(np.array(at[chance.area]))))
        assert chance.odds == pytest.approx(max(float(less), 0.03))
    assert moved.forecast_cases[0].odds >= plain.forecast_cases[0].odds  # of fewer acres, before the record has its say


# --- Keeping -----------------------------------------------------------------------------------------------------


def test_a_line_comes_back_as_it_was(ledger: ForecastRecord) -> None:
    line = said(day=TODAY - timedelta(days=1), field='Creek "&" Bend', start=NOW + timedelta(microseconds=3))
    assert ledger.store_cases([line], TODAY) == 1
    assert ledger.unverified(TODAY) == (line,)


def test_nothing_is_kept_before_the_first_line(ledger: ForecastRecord, tmp_path: Path) -> None:
    assert ledger.unverified(TODAY) == ()
    assert ledger.load_record(TODAY).odds.size == 0
    assert not (tmp_path / "state").exists()


def test_the_first_pass_of_a_day_wins(ledger: ForecastRecord) -> None:
    first = said(odds=0.4)
    assert ledger.store_cases([first, said(lead=1, odds=0.5)], TODAY) == 2
    assert ledger.store_cases([said(odds=0.9), said(lead=2, odds=0.7)], TODAY) == 1
    kept = ledger.unverified(TODAY + timedelta(days=1))
    assert [(line.lead, line.odds) for line in kept] == [(0, 0.4), (1, 0.5), (2, 0.7)]


def test_days_to_come_and_days_given_up_are_not_judged(ledger: ForecastRecord) -> None:
    days = {ahead: said(day=TODAY + timedelta(days=ahead)) for ahead in (-11, -10, -1, 0, 1)}
    ledger.store_cases(days.values(), TODAY - timedelta(days=1))
    assert ledger.unverified(TODAY) == (days[-10], days[-1])


def test_the_file_stays_bounded(ledger: ForecastRecord, tmp_path: Path) -> None:
    old = {ago: said(day=TODAY - timedelta(days=ago)) for ago in (1096, 1095, 30, 11, 10)}
    ledger.store_cases(old.values(), TODAY - timedelta(days=1095))
    ledger.store_outcomes({old[ago]: 1.0 for ago in (1096, 1095, 30)})
    ledger.store_cases([], TODAY)
    with sqlite3.connect(tmp_path / "state" / "record.sqlite3") as db:
        kept = [row[0] for row in db.execute("SELECT day FROM said ORDER BY day")]
    db.close()
    # Three years of what was judged, ten days of what was not.
    assert kept == [old[ago].day.isoformat() for ago in (1095, 30, 10)]


def test_what_came_stands_beside_what_was_said(ledger: ForecastRecord) -> None:
    yesterday, before = (TODAY - timedelta(days=ago) for ago in (1, 2))
    lines = [said(day=yesterday, lead=3, odds=0.7, rain=1.5), said(day=before, field="gone", odds=0.2), said()]
    ledger.store_cases(lines, TODAY)
    ledger.store_outcomes({lines[0]: 0.25, lines[1]: 0.0})
    found = ledger.load_record(TODAY)
    columns = (found.odds, found.lead, found.rain, found.outcome)
    assert [column.tolist() for column in columns] == [[0.2, 0.7], [0.0, 3.0], [0.2, 1.5], [0.0, 0.25]]
    assert found.day.tolist() == [before, yesterday]
    assert ledger.unverified(TODAY + timedelta(days=1)) == (lines[2],)


@pytest.mark.parametrize(
    "wrong",
    [
        {"day": date(2999, 6, 10)}, {"day": TODAY}, {"odds": 1e-300}, {"odds": 0.98}, {"odds": np.inf}, {"rain": 1e9},
        {"rain": -0.1}, {"lead": 99}, {"outcome": 2.0}, {"outcome": -0.1},
    ],
)  # fmt: skip
def test_what_no_pass_can_have_written_is_left_out_and_counted(
    ledger: ForecastRecord, later: Weather, caplog: pytest.LogCaptureFixture, wrong: dict[str, Any]
) -> None:
    given = {"outcome": 1.0, **wrong}
    outcome = given.pop("outcome")
    bad = {said(**{"day": TODAY - timedelta(days=ago), **given, "field": f"no {ago}"}): outcome for ago in (1, 2)}
    good = said(day=TODAY - timedelta(days=3), odds=0.4)
    filled(ledger, bad | {good: 0.5})
    with caplog.at_level(logging.WARNING):
        found = ledger.load_record(TODAY)
    assert (found.odds.tolist(), found.day.tolist()) == ([0.4], [good.day])
    assert "2 of 3 cases" in caplog.text
    _, told = fit_odds_correction(working_farm(), ledger, later, TODAY)
    assert "holds 1 case of 1 day" in record_sentences(told)[0]


def test_the_ends_of_what_a_pass_can_have_written_count(
    ledger: ForecastRecord, caplog: pytest.LogCaptureFixture
) -> None:
    yesterday = TODAY - timedelta(days=1)
    ends = [said(day=yesterday, odds=0.03, rain=0.0), said(day=yesterday, odds=0.97, rain=500.0**0.5, lead=16)]
    filled(ledger, dict(zip(ends, (0.0, 1.0), strict=True)))
    assert ledger.load_record(TODAY).odds.tolist() == [0.03, 0.97]
    assert caplog.text == ""


def test_two_processes_keep_at_once_and_each_line_is_one_of_theirs(tmp_path: Path) -> None:
    path = tmp_path / "new" / "record.sqlite3"
    assert run_at_once(KEEPS, *([str(path), each] for each in ("0.25", "0.75"))) == [(0, "")] * 2
    lines = ForecastRecord(path).unverified(TODAY + timedelta(days=1))
    assert len(lines) == 45
    shared = [line.lead for line in lines if line.field == "shared"]
    assert shared == list(range(15))


def broken(path: Path) -> None:
    path.write_bytes(b"this is no database, and long enough to be seen as none" * 20)


def other(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE notes (text)")
    db.close()


def nonsense(path: Path) -> None:
    ForecastRecord(path).store_cases([said(day=TODAY - timedelta(days=40), odds=0.5)], TODAY - timedelta(days=40))
    with sqlite3.connect(path) as db:
        db.execute("UPDATE said SET outcome = 1.0, odds = 'high'")
    db.close()


def wrong_start(path: Path) -> None:
    ForecastRecord(path).store_cases([said(day=TODAY - timedelta(days=1))], TODAY)
    with sqlite3.connect(path) as db:
        db.execute("UPDATE said SET start = 'noon'")
    db.close()


@pytest.mark.parametrize("spoil", [broken, other, nonsense, wrong_start])
def test_a_file_that_cannot_be_used_corrects_nothing_and_leaves_a_warning(
    tmp_path: Path, later: Weather, caplog: pytest.LogCaptureFixture, spoil: Any
) -> None:
    path = tmp_path / "record.sqlite3"
    spoil(path)
    with caplog.at_level(logging.WARNING):
        correction, told = fit_odds_correction(working_farm(), ForecastRecord(path), later, TODAY)
    assert correction == UNCORRECTED
    assert told == RecordSummary(is_readable=False)
    assert str(path) in caplog.text


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    path = tmp_path / "file" / "record.sqlite3"
    with pytest.raises(ForecastRecordError, match="make its folder writable"):
        ForecastRecord(path).store_cases([said()], TODAY)


# --- What came ---------------------------------------------------------------------------------------------------


def test_a_forecast_that_came_true_comes_out_as_its_share_of_cases(later: Weather) -> None:
    """The same day, crop and draws: eight members like what came, with eight draws each, are its 64."""
    whole = working_farm(field("Long", 60), work={"mown_per_hour": 2.8, "hands": 2})
    for line in plan_fields(farm_today(whole), forecast(), NOW).forecast_cases:
        weight = 1.0 / (1.0 + independent_members(8))
        share = (line.odds - weight * 0.3) / (1.0 - weight)
        assert 0.5 < share < 1.0
        assert one(verify(whole, [line], later.past)) == pytest.approx(share)
        assert odds_from_share(np.array([share]), independent_members(8))[0] == pytest.approx(line.odds)


@pytest.mark.parametrize(
    ("given", "outcome"),
    [
        ({}, 1.0),  # one strip of a light crop on a clear day
        ({"dry_matter": 6.5, "drying_factor": 0.3}, 0.0),  # never dry
        ({"area": 40.0}, 0.0),  # 57 strips, with slots for 49 to wrap them all
        ({"area": 5 * STRIP}, 1.0),
    ],
)
def test_a_clear_day_by_hand(later: Weather, given: dict[str, Any], outcome: float) -> None:
    assert one(verify(working_farm(), [said(**given)], later.past)) == outcome


@pytest.mark.parametrize(
    ("hour", "rain", "outcome"),
    [
        (14, 0.2, 0.0),  # on the swath, at ten on the farm's clock
        (14, 0.1, 1.0),  # less than makes an hour wet
        (11, 0.1, 1.0),  # dried off before mowing at eight
        (25, 5.0, 1.0),  # from eight in the evening on: all is wrapped
    ],
)
def test_a_wet_hour_by_hand(later: Weather, hour: int, rain: float, outcome: float) -> None:
    at = datetime(2026, 6, 10, tzinfo=UTC) + timedelta(hours=hour)
    past = changed(later, at, precipitation_amount=rain)
    assert one(verify(working_farm(), [said()], past)) == outcome


def test_what_is_not_known_of_the_crop_stays_in_the_outcome(later: Weather) -> None:
    """Else a run of dry days would teach the odds that every crop dries like the middle one."""
    slow = said(dry_matter=3.5, start=NOW.replace(hour=16, minute=0))
    unsure, sure = (one(verify(working_farm(), [replace(slow, drying_spread=by)], later.past)) for by in (0.4, 0.01))
    assert 0.2 < unsure < 0.8
    assert unsure != sure


def test_the_evening_before_wets_the_crop(later: Weather) -> None:
    line = said(dry_matter=3.5, start=NOW.replace(hour=12, minute=0))
    rained = changed(later, datetime(2026, 6, 10, 9, tzinfo=UTC), precipitation_amount=10.0)
    assert one(verify(working_farm(), [line], rained)) < one(verify(working_farm(), [line], later.past))


def test_a_day_with_a_gap_and_a_day_that_is_not_over_are_left(later: Weather) -> None:
    days = [said(day=TODAY + timedelta(days=ahead), start=said().start + timedelta(days=ahead)) for ahead in range(4)]
    holed = changed(later, datetime(2026, 6, 11, 20, tzinfo=UTC), wind_speed=np.nan)
    # The hole at 16 h of the 11th is after the noon before the 12th, too; the 13th goes on after the last hour.
    assert list(verify(working_farm(), days, holed)) == [days[0]]
    assert list(verify(working_farm(), days, later.past)) == days[:3]
    short = later.past.isel(time=slice(-60, None))  # from the evening of the 10th on
    assert list(verify(working_farm(), days, short)) == [days[2]]


def test_a_start_that_today_s_rules_do_not_have_is_left(later: Weather) -> None:
    late = said(start=NOW.replace(hour=17, minute=0))  # at one, an hour after the latest start
    assert verify(working_farm(), [late], later.past) == {}


# --- What the odds learn -----------------------------------------------------------------------------------------


def season(farm: Farm, *, days: int, slope: float, bias: float, by_lead: float) -> Iterator[tuple[ForecastCase, float]]:
    """Yield a made-up season in which the odds were bent as told."""
    random = np.random.default_rng(20260610)
    usual = logit(np.array(0.3))
    for ago in range(1, days + 1):
        for lead in range(4):
            odds = float(odds_from_share(random.beta(0.5, 0.8, 1), independent_members(31))[0])
            bent = usual + bias + by_lead * lead + slope * (logit(np.array(odds)) - usual)
            day = TODAY - timedelta(days=ago)
            line = said(day=day, lead=lead, odds=odds, rain=0.0)
            yield line, float(random.random() < 1.0 / (1.0 + np.exp(-bent)))


def filled(ledger: ForecastRecord, came: Mapping[ForecastCase, float]) -> None:
    ledger.store_cases(came, min(line.day for line in came))
    ledger.store_outcomes(came)


def test_no_record_leaves_the_odds_exactly_as_they_were(ledger: ForecastRecord, later: Weather) -> None:
    correction, told = fit_odds_correction(working_farm(), ledger, later, TODAY)
    assert correction == UNCORRECTED
    assert tuple(record_sentences(told)) == (
        "The farm's own record of odds against what came is empty, so they are as the forecast gives them.",
    )


def test_a_known_bias_is_found(ledger: ForecastRecord, later: Weather) -> None:
    farm = working_farm()
    filled(ledger, dict(season(farm, days=900, slope=0.5, bias=0.6, by_lead=-0.2)))
    correction, _ = fit_odds_correction(farm, ledger, later, TODAY)
    assert correction.slope == pytest.approx(0.5, abs=0.1)
    assert correction.bias == pytest.approx(0.6, abs=0.2)
    assert correction.lead == pytest.approx(-0.2, abs=0.08)
    assert correction.rain == 0.0
    # 0.9 is 9 to 1: 3/7 (9 x 7/3)^0.5 e^0.6 = 3.58 to 1
    assert corrected_odds(np.array([0.9]), 0.0, correction)[0] == pytest.approx(0.782, abs=0.05)


def test_five_lucky_days_move_seven_in_ten_by_less_than_one_tenth(ledger: ForecastRecord, later: Weather) -> None:
    filled(ledger, {said(day=TODAY - timedelta(days=ago), odds=0.7, rain=0.0): 1.0 for ago in range(1, 6)})
    correction, _ = fit_odds_correction(working_farm(), ledger, later, TODAY)
    assert 0.72 < corrected_odds(np.array([0.7]), 0.0, correction)[0] < 0.8


def test_days_that_came_better_than_said_make_no_mow_of_rain_in_all_members(
    ledger: ForecastRecord, later: Weather
) -> None:
    random = np.random.default_rng(3)
    days = (TODAY - timedelta(days=ago) for ago in range(1, 61))
    came = {said(day=day, odds=random.uniform(0.2, 0.7), rain=random.uniform(0.2, 1.5)): 0.95 for day in days}
    filled(ledger, came)
    correction, _ = fit_odds_correction(working_farm(), ledger, later, TODAY)
    rain = np.zeros((8, 12))
    rain[:, 6:12] = 5.0
    today = (
        plan_fields(farm_today(working_farm(field("Long", 60))), forecast(rain=rain), NOW, correction).fields[0].days[0]
    )
    assert today.area == 0.0
    assert max(chance.odds for chance in today.curve) <= 0.45 + 1e-12


def test_days_that_have_come_are_judged_once_and_count(ledger: ForecastRecord, later: Weather) -> None:
    days = [said(day=TODAY + timedelta(days=ahead), start=said().start + timedelta(days=ahead)) for ahead in range(5)]
    ledger.store_cases(days, TODAY)
    on = TODAY + timedelta(days=3)
    correction, told = fit_odds_correction(working_farm(), ledger, later, on)
    assert ledger.load_record(on).outcome.tolist() == [1.0, 1.0, 1.0]
    assert ledger.unverified(on) == ()
    assert correction.bias > 0.0
    assert "holds 3 cases of 3 days" in record_sentences(told)[0]


def test_a_day_with_hours_that_were_only_forecast_waits_to_be_judged(ledger: ForecastRecord, later: Weather) -> None:
    days = [said(day=TODAY + timedelta(days=ahead), start=said().start + timedelta(days=ahead)) for ahead in range(2)]
    ledger.store_cases(days, TODAY)
    noon = to_datetime64(datetime(2026, 6, 11, 16, tzinfo=UTC))
    guessed = replace(later, past=later.past.assign_coords({FILLED: ("time", later.past["time"].to_numpy() == noon)}))
    on = TODAY + timedelta(days=2)
    fit_odds_correction(working_farm(), ledger, guessed, on)
    assert ledger.unverified(on) == (days[1],)
    fit_odds_correction(working_farm(), ledger, later, on)
    assert ledger.unverified(on) == ()


def test_a_file_that_cannot_be_written_still_corrects(
    ledger: ForecastRecord, later: Weather, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    filled(ledger, {said(day=TODAY - timedelta(days=ago), odds=0.7): 0.0 for ago in range(11, 31)})
    ledger.store_cases([said()], TODAY)
    with sqlite3.connect(tmp_path / "state" / "record.sqlite3") as db:
        db.execute("CREATE TRIGGER locked BEFORE UPDATE ON said BEGIN SELECT RAISE(ABORT, 'not for you'); END")
    db.close()
    with caplog.at_level(logging.WARNING):
        correction, told = fit_odds_correction(working_farm(), ledger, later, TODAY + timedelta(days=1))
    assert correction.bias < -0.2
    assert "holds 20 cases of 20 days" in record_sentences(told)[0]
    assert "what came of the odds was not kept" in caplog.text
    assert "not for you" in caplog.text


def test_the_record_in_words() -> None:
    record = VerificationRecord(
        np.array([0.1, 0.3, 0.5, 0.8, 0.9]),
        np.zeros(5),
        np.zeros(5),
        np.array([0.0, 0.5, 1.0, 0.5, 1.0]),
        np.array(["2026-06-01", "2026-06-01", "2026-06-02", "2026-06-02", "2026-06-03"], dtype="datetime64[D]"),
    )
    # 0.8 is 4 to 1; e^-0.7 = 0.497 of that is 0.665
    assert record_sentences(summarize_record(record, Correction(bias=-0.7))) == [
        "The farm's own record of odds holds 5 cases of 3 days. Of what the forecast alone gave: below 4 in 10, 20% "
        "said and 25% came (2 cases); 4 to 7 in 10, 50% said and 100% came (1 case); 7 in 10 and more, 85% said "
        "and 75% came (2 cases).",
        "It makes 6 in 10 of 8 in 10 for today where no rain is forecast.",
    ]

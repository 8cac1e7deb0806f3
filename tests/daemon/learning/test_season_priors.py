import sqlite3
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from daemon.advice import advise as advise_module
from daemon.advice.advise import Stores, advise
from daemon.diary.overlay import apply_diary
from daemon.domain.farm import Calibration, Estimates, Farm, Look, Units
from daemon.domain.prospect import FieldProspect, Prospect
from daemon.learning.record import ForecastRecord
from daemon.learning.season_priors import last_season_priors, store_next_season_priors
from daemon.planning.prospect import plan_fields
from daemon.words.field_history import field_sentences
from models.looks import Prior
from tests.loopback.hours import HERE
from tests.support.farms import stand_of
from tests.support.weather import field, weather, working_farm

NOW = datetime(2026, 3, 10, 9, 30, tzinfo=UTC)
SEEN = Look(date(2026, 3, 6), "early heads")


@pytest.fixture
def ledger(tmp_path: Path) -> ForecastRecord:
    return ForecastRecord(tmp_path / "record.sqlite3")


def passed(farm: Farm, ledger: ForecastRecord, now: datetime = NOW) -> FieldProspect:
    """Look ahead with what was kept, keep what is told, and return the first field."""
    found = look_ahead(farm, ledger, now)
    store_next_season_priors(farm, ledger, found, now.date())
    return found.fields[0]


def look_ahead(farm: Farm, ledger: ForecastRecord, now: datetime = NOW) -> Prospect:
    calibration = Calibration(priors=last_season_priors(farm, ledger, now.date()))
    known = apply_diary(farm, (), now, calibration)
    return plan_fields(known, weather(HERE, now, now + timedelta(hours=22)), now)


def clock(found: FieldProspect) -> float:
    return stand_of(found).clock


def test_half_of_what_a_look_told_holds_in_the_next_season_and_fades(ledger: ForecastRecord) -> None:
    seen, bare = working_farm(field("Long", 12, looks=(SEEN,))), working_farm(field("Long", 12))
    never = ForecastRecord(Path("nowhere.sqlite3"))
    offset = clock(passed(seen, ledger)) - clock(look_first(bare, never))
    assert abs(offset) > 20.0
    for years, share in ((1, 0.5), (2, 0.25), (3, 0.125)):
        later = NOW.replace(year=NOW.year + years)
        gained = clock(passed(bare, ledger, later)) - clock(look_first(bare, never, later))
        assert gained == pytest.approx(share * offset, abs=1e-6)
    gap = NOW.replace(year=NOW.year + 5)
    assert clock(passed(bare, ledger, gap)) == clock(look_first(bare, never, gap)), "only the season before is asked"


def look_first(farm: Farm, ledger: ForecastRecord, now: datetime = NOW) -> FieldProspect:
    return look_ahead(farm, ledger, now).fields[0]


def test_the_share_that_is_carried_is_a_setting(ledger: ForecastRecord) -> None:
    farm = replace(working_farm(field("Long", 12, looks=(SEEN,))), estimates=Estimates(carried_share=0.2))
    passed(farm, ledger)
    (prior,) = ledger.load_priors(date(2026, 1, 1))["long"].values()
    offset = clock(look_first(farm, ledger)) - clock(look_first(working_farm(field("Long", 12)), ledger))
    assert prior == Prior(pytest.approx(0.2 * offset), 45.0)  # type: ignore[arg-type]


def test_a_look_taken_back_is_forgotten_and_a_cut_keeps_what_was_told(ledger: ForecastRecord) -> None:
    seen, bare = working_farm(field("Long", 12, looks=(SEEN,))), working_farm(field("Long", 12))
    passed(seen, ledger)
    told = ledger.load_priors(date(2026, 1, 1))
    passed(working_farm(field("Long", 12, last_cut=date(2026, 3, 8))), ledger)
    assert ledger.load_priors(date(2026, 1, 1)) == told != {}
    passed(bare, ledger)
    assert ledger.load_priors(date(2026, 1, 1)) == {}


def test_a_look_of_the_service_keeps_it_and_says_so_next_season(
    ledger: ForecastRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        advise_module, "gather", lambda _, now, *__, **___: weather(HERE, now, now + timedelta(hours=22))
    )
    memory = Stores(forecast_record=ledger, is_recording=True)
    advise(working_farm(field("Long", 12, looks=(SEEN,))), NOW, stores=memory)
    next_year = advise(working_farm(field("Long", 12)), NOW.replace(year=2027), stores=memory)
    assert any(
        "Last season its grasses were" in words for words in field_sentences(next_year.prospect.fields[0], Units.US)
    )


def test_a_record_that_cannot_be_read_leaves_the_clock_to_the_weather(ledger: ForecastRecord, tmp_path: Path) -> None:
    farm = working_farm(field("Long", 12, looks=(SEEN,)))
    passed(farm, ledger)
    with sqlite3.connect(tmp_path / "record.sqlite3") as db:
        db.execute("UPDATE carried SET offset = 'much'")
    assert last_season_priors(farm, ledger, date(2027, 5, 1)) == {}


@pytest.mark.parametrize("change", ["offset = 9e999", "offset = 1e9", "spread = 0", "spread = 1e200"])
def test_what_no_look_can_have_told_is_left_out(ledger: ForecastRecord, tmp_path: Path, change: str) -> None:
    passed(working_farm(field("Long", 12, looks=(SEEN,))), ledger)
    with sqlite3.connect(tmp_path / "record.sqlite3") as db:
        db.execute(f"UPDATE carried SET {change}")
    assert ledger.load_priors(date(2026, 1, 1)) == {}


def test_a_field_written_otherwise_keeps_what_was_told_of_it(ledger: ForecastRecord) -> None:
    passed(working_farm(field("Long", 12, looks=(SEEN,))), ledger)
    assert last_season_priors(working_farm(field("LONG", 12)), ledger, date(2027, 3, 1))["LONG"]

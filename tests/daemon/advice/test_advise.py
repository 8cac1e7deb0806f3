"""A look with the farm's memory, against a real server in the shape of the forecast service."""

import logging
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from daemon.advice.advise import Stores, advise
from daemon.domain.farm import Farm
from daemon.learning.record import ForecastRecord
from daemon.words.record_summary import record_sentences
from tests.loopback.hours import invented, source
from tests.loopback.open_meteo import OpenMeteo
from tests.support.weather import NOW, field, working_farm


@pytest.fixture(scope="module")
def server() -> Iterator[OpenMeteo]:
    with OpenMeteo(invented("2025-12-29T00:00Z", "2026-06-30T00:00Z"), now=NOW, members=8) as server:
        yield server


@pytest.fixture
def farm(server: OpenMeteo) -> Farm:
    server.now = NOW
    return replace(working_farm(field("Long", 20), field("Creek", 9)), weather=source(server.address))


def test_what_is_said_is_kept_where_it_is_to_be_and_is_not_in_the_morning(farm: Farm, tmp_path: Path) -> None:
    ledger = ForecastRecord(tmp_path / "record.sqlite3")
    read_only = advise(farm, NOW, stores=Stores(None, ledger))
    assert ledger.unverified(date(2026, 6, 20)) == ()
    morning = advise(farm, NOW, stores=Stores(None, ledger, is_recording=True))
    assert morning == read_only
    assert morning.prospect.forecast_cases == ()
    kept = ledger.unverified(date(2026, 6, 11))
    assert {(line.field, line.day, line.lead) for line in kept} == {
        (name, date(2026, 6, 10), 0) for name in ("Long", "Creek")
    }
    assert record_sentences(morning.prospect.record_summary)[0].startswith(
        "The farm's own record of odds against what came is empty"
    )


def test_the_next_look_judges_the_days_that_have_come(farm: Farm, server: OpenMeteo, tmp_path: Path) -> None:
    ledger = ForecastRecord(tmp_path / "record.sqlite3")
    advise(farm, NOW, stores=Stores(None, ledger, is_recording=True))
    server.now = NOW + timedelta(hours=20)
    later = advise(farm, server.now, stores=Stores(None, ledger, is_recording=True))
    assert ledger.load_record(date(2026, 6, 11)).odds.size == 2
    assert "holds 2 cases of 1 day" in record_sentences(later.prospect.record_summary)[0]


def test_a_record_that_cannot_be_used_costs_no_morning(
    farm: Farm, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "record.sqlite3"
    path.write_text("not a database, but long enough to be looked at" * 30)
    with caplog.at_level(logging.WARNING):
        morning = advise(farm, NOW, stores=Stores(None, ForecastRecord(path), is_recording=True))
    assert [one.kind for one in morning.advices] == [one.kind for one in advise(farm, NOW).advices]
    assert morning.prospect.trouble is None
    assert "the odds are not corrected" in caplog.text
    assert "was not kept in the record" in caplog.text

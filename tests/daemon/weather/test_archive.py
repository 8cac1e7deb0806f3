import sqlite3
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from daemon.weather.archive import Archive, ArchiveError
from daemon.weather.contract import FILLED, REQUIRED, to_datetime64, validate
from daemon.weather.past import complete_until
from tests.loopback.hours import HERE
from tests.support.weather import NOW, weather

HOUR = timedelta(hours=1)
FULL = NOW.replace(minute=0)
RAIN = "precipitation_amount"
GIVEN = weather(
    HERE, NOW, NOW + timedelta(hours=46), since=NOW.replace(minute=0) - timedelta(days=5), members=3, kind="forecast"
)


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    return Archive(tmp_path / "state" / "weather.sqlite3")


def later(ahead: xr.Dataset, hours: int, **attributes: str) -> xr.Dataset:
    """Return a forecast fetched some hours later, its values changed a little."""
    fetched = (NOW + hours * HOUR).isoformat(timespec="seconds")
    moved = ahead.assign(air_temperature=ahead["air_temperature"] + 0.1 * hours)
    moved["air_temperature"].attrs.update(ahead["air_temperature"].attrs)
    return moved.assign_attrs(fetched_at=fetched, **attributes)


def test_nothing_is_held_before_anything_is_kept(archive: Archive) -> None:
    assert archive.past_hours(HERE, NOW - HOUR, NOW) is None
    assert archive.newest_forecast(HERE, NOW) is None


def test_hours_that_came_are_held_to_the_last_digit(archive: Archive) -> None:
    archive.store_past(HERE, GIVEN.past, NOW)
    held = archive.past_hours(HERE, FULL - 48 * HOUR, FULL)
    assert held is not None
    came = GIVEN.past.sel(time=slice(to_datetime64(FULL - 48 * HOUR), None))
    for name in REQUIRED:
        assert held[name].to_numpy().tolist() == came[name].to_numpy().tolist()
    assert not held[FILLED].any()
    validate(held.assign_attrs(GIVEN.past.attrs))


def test_an_hour_that_was_forecast_stands_until_it_is_told(archive: Archive) -> None:
    archive.store_past(HERE, GIVEN.past, NOW)
    archive.store_forecast(HERE, GIVEN.ahead, NOW)
    last = FULL + 6 * HOUR
    held = archive.past_hours(HERE, FULL - HOUR, last)
    assert held is not None
    assert held[FILLED].to_numpy().tolist() == [False] * 2 + [True] * 6
    mean = GIVEN.ahead["air_temperature"].mean("member").sel(time=to_datetime64(last))
    assert held["air_temperature"].to_numpy()[0, -1] == pytest.approx(float(mean))
    told = held.isel(time=slice(2, 4)).assign(air_temperature=held["air_temperature"].isel(time=slice(2, 4)) + 1.0)
    archive.store_past(HERE, told.assign_coords({FILLED: ("time", [False, True])}), NOW)
    archive.store_forecast(HERE, later(GIVEN.ahead, 1), NOW)
    again = archive.past_hours(HERE, FULL - HOUR, last)
    assert again is not None
    assert again[FILLED].to_numpy().tolist() == [False] * 3 + [True] * 5, "what is only filled is not kept as told"
    assert complete_until(again, FULL - HOUR) == FULL + HOUR


def test_a_gap_ends_what_is_told_without_a_break(archive: Archive) -> None:
    archive.store_past(HERE, GIVEN.past.isel(time=slice(None, 10)), NOW)
    archive.store_past(HERE, GIVEN.past.isel(time=slice(12, None)), NOW)
    first = FULL - timedelta(days=5)
    held = archive.past_hours(HERE, first, FULL)
    assert held is not None
    assert complete_until(held, first) == first + 9 * HOUR
    assert complete_until(held, first - HOUR) == first - 2 * HOUR, "nothing before the first hour is nothing told"
    assert held.sizes["time"] == GIVEN.past.sizes["time"] - 2


def test_another_place_knows_nothing_of_it(archive: Archive) -> None:
    archive.store_past(HERE, GIVEN.past, NOW)
    assert archive.past_hours(replace(HERE, latitude=HERE.latitude + 0.001), FULL - HOUR, FULL) is None


def test_the_last_forecast_comes_back_as_it_was(archive: Archive) -> None:
    archive.store_forecast(HERE, GIVEN.ahead, NOW)
    archive.store_forecast(HERE, later(GIVEN.ahead, 3), NOW + 3 * HOUR)
    held = archive.newest_forecast(HERE, NOW)
    assert held is not None
    given = later(GIVEN.ahead, 3)
    assert held.attrs == {name: value for name, value in given.attrs.items() if value != ""}
    for name in given.data_vars:
        assert np.allclose(held[name], given[name], rtol=1e-6, atol=1e-6, equal_nan=True)
        assert held[name].attrs == given[name].attrs
    assert held["native_step"].to_numpy().tolist() == given["native_step"].to_numpy().tolist()
    validate(held)
    assert archive.newest_forecast(HERE, NOW + 4 * HOUR) is None


def test_a_forecast_that_does_not_change_is_held_once_with_its_first_hour(archive: Archive) -> None:
    for hours in (0, 10, 30):
        at = (NOW + hours * HOUR).isoformat()
        issued = at if hours else GIVEN.ahead.attrs["issued_at"]
        archive.store_forecast(HERE, GIVEN.ahead.assign_attrs(issued_at=issued, fetched_at=at), NOW)
    source, model = GIVEN.ahead.attrs["source"], GIVEN.ahead.attrs["model"]
    held = archive.newest_forecast(HERE, NOW + 30 * HOUR)
    assert held is not None
    assert held.attrs["issued_at"] == GIVEN.ahead.attrs["issued_at"]
    assert archive.forecast_before(HERE, source, model, NOW + HOUR) is not None
    assert archive.forecast_before(HERE, source, model, NOW) is None
    assert archive.forecast_before(HERE, "another", model, NOW + HOUR) is None


def test_it_stays_bounded(archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sizes = "SELECT sum(length(data)), count(*) FROM forecasts"
    archive.store_forecast(HERE, GIVEN.ahead, NOW)
    with sqlite3.connect(tmp_path / "state" / "weather.sqlite3") as db:
        most = 4 * db.execute(sizes).fetchone()[0]
    monkeypatch.setattr("daemon.weather.archive.MAX_FORECAST_BYTES", most)
    for hours in range(4, 40, 4):
        archive.store_forecast(HERE, later(GIVEN.ahead, hours), NOW + hours * HOUR)
    with sqlite3.connect(tmp_path / "state" / "weather.sqlite3") as db:
        size, count = db.execute(sizes).fetchone()
    assert 0.5 * most < size <= most
    assert 2 <= count <= 5
    archive.store_past(HERE, GIVEN.past, NOW)
    archive.store_past(HERE, GIVEN.past.isel(time=[-1]), NOW + timedelta(days=801))
    assert archive.past_hours(HERE, FULL - timedelta(days=5), FULL) is None
    archive.store_forecast(HERE, later(GIVEN.ahead, 400), NOW + timedelta(days=20))
    with sqlite3.connect(tmp_path / "state" / "weather.sqlite3") as db:
        assert db.execute("SELECT count(*) FROM forecasts").fetchone() == (1,)


@pytest.mark.parametrize("damage", ["DROP TABLE hours", "UPDATE forecasts SET data = x'00'"])
def test_a_spoiled_file_is_named(archive: Archive, tmp_path: Path, damage: str) -> None:
    archive.store_forecast(HERE, GIVEN.ahead, NOW)
    with sqlite3.connect(tmp_path / "state" / "weather.sqlite3") as db:
        db.execute(damage)
    if "DROP" in damage:
        assert archive.newest_forecast(HERE, NOW) is None
        return
    with pytest.raises(ArchiveError, match=r"weather.sqlite3 cannot be used .*move the file away"):
        archive.newest_forecast(HERE, NOW)


def test_a_file_that_is_none_is_named(tmp_path: Path) -> None:
    path = tmp_path / "weather.sqlite3"
    path.write_text("not a database at all, but some text of that length")
    with pytest.raises(ArchiveError, match="weather archive: "):
        Archive(path).past_hours(HERE, NOW, NOW)
    with pytest.raises(ArchiveError, match="weather archive: "):
        Archive(path).store_past(HERE, GIVEN.past, NOW)

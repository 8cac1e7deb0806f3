"""The hours behind, through outages and spoiled files, and how long a look can take; against real servers."""

import sqlite3
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from daemon.advice.advise import Stores, advise
from daemon.weather.contract import FILLED, Refused, Weather, is_filled
from daemon.weather.gather import gather
from daemon.weather.http.client import open_session
from tests.loopback.hours import NOW
from tests.loopback.open_meteo import ENSEMBLE, FORECAST, HISTORY
from tests.loopback.silent import Silent
from tests.loopback.world import AIR, World
from tests.support.farms import stand_of

HOUR = timedelta(hours=1)
RAIN = "precipitation_amount"


def note(weather: Weather) -> str:
    return str(weather.ahead.attrs["note"])


def asked_days(servers: World) -> list[tuple[str, str]]:
    """The calls to Open-Meteo since the last time, with the past days that each asks for."""
    calls = [(one.path, one.query.get("past_days", "by date")) for one in servers.open_meteo.asked if one.query]
    servers.open_meteo.asked.clear()
    return calls


# --- What is asked for again ---------------------------------------------------------------------------------------


def test_the_first_look_asks_for_the_season_and_the_next_for_its_last_days(servers: World) -> None:
    servers.told("open-meteo", now=NOW - HOUR)
    assert asked_days(servers) == [(FORECAST, "92"), (ENSEMBLE, "2"), (HISTORY, "by date")]
    found = servers.told("open-meteo", warmer=0.3)
    first, *rest = asked_days(servers)
    assert rest == [(ENSEMBLE, "2")]
    assert first[0] == FORECAST
    assert 3 <= int(first[1]) <= 4
    alone = gather(servers.farm("open-meteo"), NOW)
    assert asked_days(servers)[0] == (FORECAST, "92")
    for name in (AIR, RAIN):
        assert np.array_equal(found.past[name], alone.past[name])
    assert np.array_equal(found.past["time"], alone.past["time"])


def test_hours_that_are_put_right_within_the_last_whole_days_are_taken_as_they_are_now(servers: World) -> None:
    servers.told("open-meteo", now=NOW - HOUR)
    late, early = (pd.Timestamp(NOW).floor("h") - hours * HOUR for hours in (58, 110))
    servers.table.loc[[late, early], RAIN] = 7.0
    rain = servers.told("open-meteo", warmer=0.3).past[RAIN].isel(member=0).to_series()
    assert rain[rain > 0].to_dict() == {late.tz_localize(None): 7.0}


def test_a_look_that_is_not_kept_leaves_the_hours_to_be_asked_for_again(servers: World) -> None:
    for _ in range(2):
        gather(servers.farm("open-meteo"), NOW, servers.archive)
        assert asked_days(servers)[0] == (FORECAST, "92")
    assert servers.archive.past_hours(servers.place, NOW - HOUR, NOW) is None


# --- Outages -------------------------------------------------------------------------------------------------------


def test_an_outage_of_three_days_is_filled_from_the_forecast_until_the_hours_are_told(servers: World) -> None:
    servers.told("open-meteo", "met.no")
    truth = servers.table[AIR]
    servers.refuse_open_meteo("no power")
    for hours in range(12, 73, 12):
        found = servers.told("open-meteo", "met.no", now=NOW + hours * HOUR, warmer=2.0)
        assert found.ahead.attrs["source"] == "met.no"
        assert int(is_filled(found.past).sum()) == hours
        assert f"{hours} past hours are as they were forecast" in note(found)
    filled = is_filled(found.past)
    assert str(found.past["time"].to_numpy()[filled][0])[:13] == "2026-06-10T10"
    assert found.past.sizes["time"] == len(truth["2025-12-31T00:00Z":"2026-06-13T09:00Z"])
    assert np.isfinite(found.past[AIR]).all()

    servers.mend()
    later = NOW + 78 * HOUR
    back = servers.told("open-meteo", "met.no", now=later, warmer=0.5)
    assert back.ahead.attrs["source"] == "open-meteo"
    assert (int(is_filled(back.past).sum()), note(back)) == (0, "")
    told = back.past[AIR].isel(member=0)
    assert np.allclose(told, truth[pd.DatetimeIndex(told["time"].to_numpy()).tz_localize("UTC")])


def test_hours_of_an_outage_come_from_the_newest_forecast_of_them(servers: World) -> None:
    servers.told("open-meteo", "met.no")
    servers.refuse_open_meteo()
    servers.told("open-meteo", "met.no", now=NOW + 6 * HOUR, warmer=2.0)
    found = servers.told("open-meteo", "met.no", now=NOW + 12 * HOUR, warmer=4.0)
    hours = found.past[AIR].isel(member=0)[-12:]
    off = (
        hours.to_numpy() - servers.table[AIR][pd.DatetimeIndex(hours["time"].to_numpy()).tz_localize("UTC")].to_numpy()
    )
    assert off.round(3).tolist() == [0.0] * 6 + [2.0] * 6


def test_only_the_past_hours_are_asked_of_who_tells_them_where_the_source_tells_none(servers: World) -> None:
    servers.told("met.no")
    calls = asked_days(servers)
    assert sorted(path for path, _ in calls) == [HISTORY, FORECAST]
    servers.told("met.no", now=NOW + HOUR, warmer=0.3)
    ((path, days),) = asked_days(servers)
    assert path == FORECAST
    assert 3 <= int(days) <= 4


def test_without_any_past_hour_the_reason_is_told_in_plain_words(servers: World) -> None:
    servers.refuse_open_meteo("the store is being rebuilt")
    with pytest.raises(Refused, match=r"^past hours: 127.0.0.1:\d+/v1/forecast answered 400: the store is being reb"):
        servers.told("weather.gov")


def test_hours_that_nobody_told_or_forecast_are_refused_with_the_reason(servers: World) -> None:
    servers.told("open-meteo", now=NOW - timedelta(days=12))
    servers.refuse_open_meteo("the store is being rebuilt")
    with pytest.raises(Refused, match=r"past hours: .*being rebuilt; .* hours are as they.*; the past weather lacks "):
        servers.told("met.no")


# --- An archive that cannot be used --------------------------------------------------------------------------------


def text(path: Path) -> None:
    path.write_bytes(b"not a database, but long enough to be looked at" * 90)


def cut(path: Path) -> None:
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 3])


def overwritten(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096 : len(content) // 2] = b"\xa5" * (len(content) // 2 - 4096)
    path.write_bytes(content)


def words(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.execute(f"UPDATE hours SET {AIR} = 'warm' WHERE hour % 7 = 0")


def folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def old_table(path: Path) -> None:
    with sqlite3.connect(path) as db:
        db.executescript("DROP TABLE forecasts; CREATE TABLE forecasts (id INTEGER PRIMARY KEY, place TEXT)")


@pytest.mark.parametrize("spoil", [text, cut, overwritten, words, folder, old_table])
def test_a_spoiled_archive_costs_no_forecast(
    servers: World, spoil: Callable[[Path], None], caplog: pytest.LogCaptureFixture
) -> None:
    servers.told("open-meteo", now=NOW - HOUR)
    spoil(servers.folder / "weather.sqlite3")
    alone = gather(servers.farm("open-meteo"), NOW)
    found = servers.told("open-meteo")
    assert np.array_equal(found.past[AIR], alone.past[AIR])
    assert found.ahead.sizes["member"] == 9
    assert "weather archive: " in caplog.text


def test_an_archive_that_cannot_be_written_costs_no_forecast(
    servers: World, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    servers.told("open-meteo", now=NOW - HOUR)
    connect = sqlite3.connect

    def read_only(path: Path, **given: object) -> sqlite3.Connection:
        db = connect(path, **given)  # type: ignore[call-overload]
        db.execute("PRAGMA query_only = 1")  # what the disk does to a user without the right to write
        return db  # type: ignore[no-any-return]

    monkeypatch.setattr(sqlite3, "connect", read_only)
    asked_days(servers)
    found = servers.told("open-meteo", warmer=0.3)
    assert int(asked_days(servers)[0][1]) <= 4, "what it holds is used"
    assert int(is_filled(found.past).sum()) == 0
    assert "the weather was not kept" in caplog.text


def test_no_filled_hour_is_kept_as_told(servers: World) -> None:
    servers.told("open-meteo")
    servers.refuse_open_meteo()
    for hours in (3, 6):
        servers.told("met.no", now=NOW + hours * HOUR, warmer=hours / 10)
    held = servers.archive.past_hours(servers.place, NOW - HOUR, NOW + 6 * HOUR)
    assert held is not None
    assert held[FILLED].to_numpy().tolist() == [False] * 2 + [True] * 6


# --- How long a look can take --------------------------------------------------------------------------------------


def test_a_server_that_never_answers_is_asked_no_longer_than_its_time(
    servers: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    servers.told("open-meteo", now=NOW - HOUR)
    monkeypatch.setattr("daemon.weather.gather.open_session", partial(open_session, backoff=0.0, host_limit=1.5))
    with Silent() as silent:
        addresses = dict.fromkeys(("forecast_address", "ensemble_address", "weather_gov_address"), silent.address)
        servers.at(NOW, 0.3)
        found = gather(servers.farm("open-meteo", "weather.gov", "met.no", **addresses), NOW, servers.archive)
    assert found.ahead.attrs["source"] == "met.no", note(found)
    assert silent.asked == 1, "forecast, ensemble, point, past hours and warnings have one time together"
    told = note(found)
    assert "v1/forecast did not answer in time" in told
    assert told.count("is not asked again in this look: its server took 2 s already") == 4
    assert "official warnings could not be had" in told


def test_the_sum_of_warmth_goes_on_through_an_outage(servers: World) -> None:
    farm = servers.farm("open-meteo", "met.no")
    clocks = []
    for hours in (0, 24, 48, 72):
        servers.told("open-meteo", "met.no", now=NOW + hours * HOUR)
        servers.refuse_open_meteo()
        memory = Stores(archive=servers.archive)
        clocks.append(stand_of(advise(farm, NOW + hours * HOUR, stores=memory).prospect.fields[0]).clock)
    servers.mend()
    servers.at(NOW + 72 * HOUR)
    whole = stand_of(advise(servers.farm("open-meteo"), NOW + 72 * HOUR).prospect.fields[0]).clock
    assert min(np.diff(clocks)) > 5.0
    assert clocks[-1] == pytest.approx(whole, abs=1e-2), "what is forecast here is what comes"

import re
from datetime import timedelta
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path

import pytest
import xarray as xr

from daemon.advice.decide import decide
from daemon.cli.demo import MEMBERS, NOW, invented_morning, invented_weather, show_demo
from daemon.domain.advice import Morning
from daemon.domain.farm import Farm
from daemon.domain.prospect import Reason
from daemon.planning.prospect import plan_fields
from daemon.settings import load
from daemon.weather.contract import Weather, validate
from tests.support.farms import plan_of
from tests.support.weather import farm_today

pytestmark = pytest.mark.slow


@cache
def demo_farm() -> Farm:
    with as_file(files("daemon.cli.demo") / "farm.toml") as path:
        return load(path)


@cache
def demo_weather() -> Weather:
    return invented_weather(demo_farm())


@cache
def demo_morning() -> Morning:
    return decide(demo_farm(), plan_fields(farm_today(demo_farm()), demo_weather(), NOW))


def test_the_invented_weather_is_the_same_at_each_call() -> None:
    again = invented_weather(demo_farm())
    xr.testing.assert_identical(again.past, demo_weather().past)
    xr.testing.assert_identical(again.ahead, demo_weather().ahead)


def test_the_invented_weather_keeps_the_contract() -> None:
    hours = demo_weather()
    assert validate(hours.ahead).sizes["member"] == MEMBERS
    assert hours.ahead.attrs["members_dropped"] == 0
    rain = validate(hours.ahead)["precipitation_amount"]
    assert float(rain.sum("time").min()) < float(rain.sum("time").max())  # members differ


def test_the_demo_mows_two_fields_one_after_another() -> None:
    first, second = demo_morning().mows
    assert first.day is not None
    assert second.day is not None
    assert plan_of(second.day).start == plan_of(first.day).mow_until + timedelta(minutes=15)  # on the way
    needed = demo_farm().alerts.odds_needed
    assert all(one.day and one.day.odds and one.day.odds >= needed for one in (first, second))


def test_the_demo_shows_days_off_and_rain_too() -> None:
    reasons = {day.reason for field in demo_morning().prospect.fields for day in field.days}
    assert reasons >= {None, Reason.DAY_OFF, Reason.RAIN}
    assert all(field.unknown is None for field in demo_morning().prospect.fields)


def test_the_demo_says_and_writes_everything(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = tmp_path / "page.html"
    show_demo(*invented_morning(), page)
    said = capsys.readouterr().out
    assert re.search(r"^Three Willows: Monday: mow .*Odds [7-9] in 10", said, re.MULTILINE)
    assert "Subject: Mow " in said
    for field in demo_farm().fields:
        assert said.count(field.name) >= 2
        assert field.name in page.read_text(encoding="utf-8")
    assert str(page) in said

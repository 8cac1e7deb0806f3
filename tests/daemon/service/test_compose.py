from dataclasses import replace
from datetime import timedelta

import pytest

from daemon.advice.decide import decide
from daemon.domain.advice import Morning
from daemon.domain.farm import Channel
from daemon.domain.schedule import TaskKind
from daemon.messages.daily import compose_messages
from daemon.page.pictures import render
from daemon.planning.prospect import plan_fields
from daemon.service.compose import compose_with_picture
from tests.loopback.hours import HERE
from tests.support.farms import person
from tests.support.weather import NOW, farm_today, weather, working_farm

ANN, BEN = person("Ann"), person("Ben", Channel.EMAIL, "mailto://127.0.0.1:3")
FARM = replace(working_farm(), alerts=replace(working_farm().alerts, people=(ANN, BEN)))
PNG = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def morning() -> Morning:
    return decide(FARM, plan_fields(farm_today(FARM), weather(HERE, NOW, NOW + timedelta(hours=22)), NOW))


def test_the_email_of_a_mow_carries_its_picture_and_the_text_does_not(morning: Morning) -> None:
    told = compose_with_picture(FARM, morning, TaskKind.MORNING)
    plain = compose_messages(FARM, morning, TaskKind.MORNING)
    assert told[ANN] == plain[ANN]
    picture = told[BEN].picture or b""
    assert picture.startswith(PNG)
    assert len(picture) < 40_000
    assert "Long Meadow" in told[BEN].alt_text
    assert replace(told[BEN], picture=None, alt_text="") == plain[BEN]


def test_no_picture_keeps_no_message_back(morning: Morning, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(render.run_drawing, "__defaults__", (("/nowhere/at/all",), 1.0))
    assert compose_with_picture(FARM, morning, TaskKind.MORNING) == compose_messages(FARM, morning, TaskKind.MORNING)


def test_other_messages_have_none(morning: Morning) -> None:
    assert compose_with_picture(FARM, morning, TaskKind.EVENING) == compose_messages(FARM, morning, TaskKind.EVENING)

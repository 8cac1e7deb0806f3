"""The service as it is run, in a process of its own, with real servers for weather, mail and text around it."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from signal import SIGTERM
from typing import Any, Final

import pandas as pd
import pytest
import requests

from daemon.words.sms import part_count
from tests.loopback.open_meteo import OpenMeteo, a_little_windier
from tests.loopback.receivers import Gateway, MailServer
from tests.support.hourly_records import greensboro
from tests.support.processes import next_line, wait_until

pytestmark = pytest.mark.slow

GOOD_DAY: Final = "1990-06-01T05:30-04:00"  # dry, sunny and warm in the record
WET_DAY: Final = "1990-06-06T05:30-04:00"  # rain through the afternoon
LONGEST: Final = 60.0  # [s] for any one thing that must come
LONGEST_STOP: Final = 10.0  # [s]

SETTINGS = """
[farm]
name = "Piedmont Farm"
latitude = 36.1
longitude = -79.95
elevation = 900
timezone = "America/New_York"
units = "us"

[weather]
contact = "farm@example.org"
forecast_address = "{weather}"
ensemble_address = "{weather}"
history_address = "{weather}/history"

[work]
mown_per_hour = 5
hands = 3
latest_start = "11:00"

[page]
port = 0

[[alerts.person]]
name = "Iris"
by = "text"
address = "{text}"

[[alerts.person]]
name = "Ben"
by = "email"
address = "{email}"

[[field]]
name = "Hill Piece"
area = 20
stand = "orchardgrass"
drainage = "well"
expected_yield = 1.0

[[field]]
name = "Low Meadow"
area = 12
stand = "timothy"
last_cut = 1990-05-25
"""
JOB = re.compile(
    r"Friday: mow (?P<acres>\d+) acres of Hill Piece, start (?P<start>[\d:]+ [ap]m), stop by (?P<stop>[\d:]+ [ap]m), "
    r"bale from (?P<bale>[\d:]+ [ap]m)\. Odds (?P<odds>\d) in 10"
)


@pytest.fixture(scope="module")
def record() -> pd.DataFrame:
    # The year begins at 06 UTC of 1 January, the past that growth needs two days before: the first day is repeated.
    table = greensboro()
    missing = pd.date_range("1989-12-30T00:00Z", table.index[0], freq="h", inclusive="left")
    same_hour = (missing.hour.to_numpy() - table.index[0].hour) % 24
    whole: pd.DataFrame = pd.concat([table.iloc[same_hour].set_index(missing), table])
    return whole


def a_little_different(table: pd.DataFrame, member: int) -> pd.DataFrame:
    table = a_little_windier(table, member)
    return table.assign(air_temperature=table["air_temperature"] + 0.08 * (member % 7 - 3))


class Farm:
    """The settings on disk, the servers they name, and the program run with them."""

    def __init__(self, folder: Path, record: pd.DataFrame, now: str) -> None:
        self.folder, self.now = folder, now
        self.weather = OpenMeteo(record, now=datetime.fromisoformat(now), perturb=a_little_different)
        self.gateway, self.mail = Gateway(), MailServer()

    @contextmanager
    def open(self) -> Iterator["Farm"]:
        with self.weather, self.gateway, self.mail:
            settings = SETTINGS.format(weather=self.weather.address, text=self.gateway.address, email=self.mail.address)
            (self.folder / "farm.toml").write_text(settings)
            yield self

    def start(self, *words: str, log: int) -> subprocess.Popen[str]:
        given = [
            sys.executable,
            "-m",
            "daemon.cli.commands",
            *words,
            "-c",
            str(self.folder / "farm.toml"),
            "--now",
            self.now,
        ]
        return subprocess.Popen(
            given,
            env={**os.environ, "STATE_DIRECTORY": str(self.folder / "state")},
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )

    @contextmanager
    def running(self) -> Iterator["Service"]:
        """Run the service until the block ends, then have it stopped as systemd does."""
        log = self.folder / "log"
        with log.open("w") as errors, self.start("run", "--verbose", log=errors.fileno()) as process:
            try:
                yield Service(process, log)
                process.send_signal(SIGTERM)
                assert process.wait(LONGEST_STOP) == 0
            finally:
                process.kill()


class Service:
    """The running process, seen from outside."""

    def __init__(self, process: subprocess.Popen[str], log: Path) -> None:
        self._log = log
        self._process, self.page = process, next_line(process, "page at ").removeprefix("page at ")

    def wait_for(self, condition: Callable[[], Any]) -> None:
        wait_until(condition, self._process, seconds=LONGEST, log=self._log)

    def wait_for_a_round(self) -> None:
        self.wait_for(lambda: "executed successfully" in self._log.read_text())

    def get(self, path: str) -> requests.Response:
        return requests.get(self.page + path, timeout=LONGEST)


def clock(text: str) -> datetime:
    return datetime.strptime(text, "%I:%M %p")  # noqa: DTZ007 - two times of one day are compared


def mail_text(server: MailServer) -> str:
    body = server.mails[0].get_body(("plain",))
    assert body is not None
    return " ".join(body.get_content().split())


def test_a_good_morning_is_told_to_all_and_only_once(tmp_path: Path, record: pd.DataFrame) -> None:
    with Farm(tmp_path, record, GOOD_DAY).open() as farm:
        with farm.running() as service:
            service.wait_for(lambda: farm.gateway.posted and farm.mail.mails)
            service.wait_for_a_round()
            page, health = service.get(""), service.get("health")
        with farm.running() as service:
            service.wait_for_a_round()
            page_again = service.get("").text
        [posted], [mail] = farm.gateway.posted, farm.mail.mails

    text = posted["message"]
    job = JOB.search(text)
    assert job is not None, text
    acres = int(job["acres"])
    assert 5 <= acres <= 20
    assert clock("7:00 am") <= clock(job["start"]) <= clock("11:00 am")
    assert clock(job["start"]) < clock(job["stop"]) < clock("8:00 pm")
    assert clock(job["start"]) < clock(job["bale"]) < clock("8:00 pm")
    # The crew of the settings mows five acres an hour, to the quarter of an hour that is told.
    hours = (clock(job["stop"]) - clock(job["start"])).total_seconds() / 3600.0
    assert hours == pytest.approx(acres / 5.0, abs=0.5)
    assert int(job["odds"]) >= 7
    assert text.startswith("Piedmont Farm: ")
    assert part_count(text) <= 2

    email = mail_text(farm.mail)
    assert f"Mow {acres} acres: Hill Piece" in mail["Subject"]
    assert f"Hill Piece: {acres} acres. Start mowing at {job['start']} and stop by {job['stop']}." in email
    assert "Low Meadow: not ripe yet" in email
    assert "Check a sample before baling." in email
    assert "Open-Meteo.com (CC BY 4.0)" in email
    assert "from 32 forecasts" in email
    assert "Your own eye, the sky and local rules come first." in email

    assert page.status_code == 200
    assert f"{acres} acres of Hill Piece" in page.text
    assert f"{acres} acres of Hill Piece" in page_again  # from disk: nothing was fetched a second time
    assert (health.status_code, health.text) == (200, "ok\n")


def test_a_wet_morning_is_told_to_whoever_asked(tmp_path: Path, record: pd.DataFrame) -> None:
    with Farm(tmp_path, record, WET_DAY).open() as farm:
        with farm.running() as service:
            service.wait_for(lambda: farm.mail.mails)
            service.wait_for_a_round()
            page = service.get("").text
        assert farm.gateway.posted == []
        [mail] = farm.mail.mails
    assert mail["Subject"] == "Wednesday: do not mow"
    assert "Hill Piece: the ground will not carry the baler yet" in mail_text(farm.mail)  # 30 mm fell in four days
    assert "No mowing today" in page


def test_without_the_weather_service_there_is_no_advice(tmp_path: Path, record: pd.DataFrame) -> None:
    with Farm(tmp_path, record, GOOD_DAY).open() as farm:
        pass  # on the best of days, but the server has gone: its port refuses
    with farm.start("once", "--json", log=subprocess.PIPE) as process:
        said, complaint = process.communicate(timeout=LONGEST)
    advices = [field["advice"] for field in json.loads(said)["fields"]]
    assert [advice["kind"] for advice in advices] == ["none", "none"]
    assert {advice["reason"] for advice in advices} == {"weather data missing"}
    assert all(advice["area_ha"] == 0.0 and "could not be reached" in advice["detail"] for advice in advices)
    assert process.returncode == 1
    assert "127.0.0.1" in complaint
    assert "could not be reached" in complaint

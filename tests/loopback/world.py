"""All services at once, which tell the same weather, and a farm that asks them in an order."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pandas as pd

from daemon.domain.farm import Farm, Place
from daemon.weather.archive import Archive
from daemon.weather.contract import Weather
from daemon.weather.gather import gather
from tests.loopback.hours import HERE, NOW, invented, source
from tests.loopback.met_no import MetNo
from tests.loopback.open_meteo import ENSEMBLE, FORECAST, HISTORY, OpenMeteo, error
from tests.loopback.weather_gov import WeatherGov
from tests.support.weather import working_farm

AIR: Final = "air_temperature"
HOURLY: Final = 60  # hours that MET Norway tells one by one here
BEFORE: Final = 8  # [h] that a grid goes back


@dataclass
class World:
    """The servers, and the folder of the archive."""

    open_meteo: OpenMeteo
    weather_gov: WeatherGov
    met_no: MetNo
    table: pd.DataFrame
    folder: Path
    place: Place = HERE

    @property
    def archive(self) -> Archive:
        return Archive(self.folder / "weather.sqlite3")

    def farm(self, *sources: str, **changes: Any) -> Farm:
        addresses = {"weather_gov_address": self.weather_gov.address, "met_no_address": self.met_no.address}
        weather = source(self.open_meteo.address, **{"sources": sources, **addresses, **changes})
        return replace(working_farm(place=self.place), weather=weather)

    def at(self, now: datetime, warmer: float = 0.0) -> None:
        """Set the clocks of all servers, and change what they tell of the hours ahead."""
        table = self.table.copy()
        table.loc[table.index > now, AIR] += warmer
        begin = pd.Timestamp(now).floor("h") - BEFORE * pd.Timedelta(hours=1)
        self.open_meteo.table, self.open_meteo.now = table, now
        self.weather_gov.table, self.weather_gov.issued = table[begin : begin + pd.Timedelta(days=8)], now
        self.met_no.table, self.met_no.now, self.met_no.updated = table, now, now - timedelta(minutes=49)

    def told(self, *sources: str, now: datetime = NOW, warmer: float = 0.0, **changes: Any) -> Weather:
        """One look that adds to the archive."""
        self.at(now, warmer)
        return gather(self.farm(*sources, **changes), now, self.archive, update_archive=True)

    def refuse_open_meteo(
        self, reason: str = "not today", paths: tuple[str, ...] = (FORECAST, ENSEMBLE, HISTORY)
    ) -> None:
        for path in paths:
            self.open_meteo.faults[path] = error(400, reason)

    def mend(self) -> None:
        """Let every server answer as it should."""
        self.open_meteo.faults.clear()
        self.weather_gov.faults.clear()
        self.met_no.fault = None


@contextmanager
def world(folder: Path, place: Place = HERE, first: str = "2025-12-29T00:00Z", now: datetime = NOW) -> Iterator[World]:
    """Start all servers."""
    table = invented(first, f"{now + timedelta(days=20):%Y-%m-%dT00:00Z}", place).assign(thunderstorm_probability=0.05)
    with ExitStack() as stack:
        open_meteo = stack.enter_context(OpenMeteo(table, now=now, members=8, run=None))
        weather_gov = stack.enter_context(WeatherGov(table, issued=now))
        met_no = stack.enter_context(MetNo(table, now=now, hourly=HOURLY))
        found = World(open_meteo, weather_gov, met_no, table, folder, place)
        found.at(now)
        yield found

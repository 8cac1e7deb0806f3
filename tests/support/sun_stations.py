"""Hours of the stations that pvlib carries, with observed cloud, and how well sun is estimated from cloud there.

Greensboro and Sand Point are typical years (TMY3) whose sun was measured in all hours (source 1 or 2, as remembered).
Of Miami (TMY2) the hours with measured sun are taken (flags A and C, as remembered). April to October, hours with the
sun up.
"""

from collections.abc import Iterator
from importlib.resources import files
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from daemon.domain.farm import Place
from daemon.weather.contract import Hours
from daemon.weather.derive import Array, sun_from_cloud
from models.sun import extraterrestrial_radiation

YEAR: Final = 1990  # a made-up typical year needs a year to be labelled with
UTC: Final = ZoneInfo("UTC")
MEGAJOULES: Final = 0.0036  # of an hour with 1 W m-2


class Station(NamedTuple):
    """Hours of a year, labelled at their end in UTC: sun [W m-2], all cloud and opaque cloud [1], date on its clock."""

    name: str
    place: Place
    table: pd.DataFrame

    @property
    def time(self) -> Hours:
        """Labels of the hours."""
        return self.table.index.to_numpy("datetime64[ns]")

    def told(self, kind: str, *, opaque: bool) -> Array:
        """Return the sun [W m-2] told from a kind of cloud by one of the two pairs."""
        return sun_from_cloud(self.table[kind].to_numpy(), self.place, self.time, opaque=opaque)


class Score(NamedTuple):
    """Bias and root mean square error of hours [W m-2] and of days [MJ m-2], with what is usual."""

    hour_bias: float
    hour_error: float
    hour_mean: float
    day_bias: float
    day_error: float
    day_mean: float


def stations() -> Iterator[Station]:
    """Yield the stations, read from what pvlib ships."""
    yield _tmy3("Greensboro", "723170TYA.CSV", Place(36.1, -79.95, 273.0, UTC), -5)
    yield _tmy3("Sand Point", "703165TY.csv", Place(55.317, -160.517, 7.0, UTC), -9)
    yield _miami()


def score(station: Station, kind: str, *, opaque: bool) -> Score:
    """Return how well the sun is told; an hour, or a day with one, whose sun was not measured is left out."""
    up = extraterrestrial_radiation(station.place.latitude, station.place.longitude, station.time) > 0.0
    summer = station.table["day"].dt.month.between(4, 10)
    hours = station.table.assign(wrong=station.told(kind, opaque=opaque) - station.table["sun"])[up & summer]
    hours = hours[["day", "sun", "wrong"]]
    days = hours.groupby("day").agg(lambda values: values.sum(skipna=False)).dropna() * MEGAJOULES
    hours = hours.dropna()
    return Score(
        hours["wrong"].mean(),
        _size(hours["wrong"]),
        hours["sun"].mean(),
        days["wrong"].mean(),
        _size(days["wrong"]),
        days["sun"].mean(),
    )


def _tmy3(name: str, file: str, place: Place, offset: int) -> Station:
    """Read a table of the third edition: measured hours have a source of 1 or 2."""
    with files("pvlib").joinpath(f"data/{file}").open() as table:
        raw = pd.read_csv(table, skiprows=1)
    sun = raw["GHI (W/m^2)"].where(raw["GHI source"].isin([1, 2]))
    return _station(name, place, offset, sun, raw["TotCld (tenths)"], raw["OpqCld (tenths)"])


def _miami() -> Station:
    """Read the table of the second edition, with columns of fixed width."""
    with files("pvlib").joinpath("data/12839.tm2").open() as table:
        rows = pd.Series(table.read().splitlines()[1:])
    sun, total, opaque = (rows.str[a:b].astype(float) for a, b in ((17, 21), (59, 61), (63, 65)))
    dark = sun == 0.0
    return _station(
        "Miami", Place(25.8, -80.27, 2.0, UTC), -5, sun.where(rows.str[21].isin(["A", "C"]) | dark), total, opaque
    )


def _station(name: str, place: Place, offset: int, sun: pd.Series, total: pd.Series, opaque: pd.Series) -> Station:
    """Return a year of hours, told by a clock so many hours from UTC, as a station."""
    clock = pd.date_range(f"{YEAR}-01-01T01:00", periods=len(sun), freq="h", unit="ns")
    columns = {"sun": sun, "total": total / 10.0, "opaque": opaque / 10.0}
    table = pd.DataFrame({key: column.to_numpy(dtype=float) for key, column in columns.items()}, index=clock)
    table["day"] = (clock - pd.Timedelta(minutes=30)).floor("D")
    return Station(name, place, table.set_index(clock - pd.Timedelta(hours=offset)))


def _size(wrong: pd.Series) -> float:
    return float(np.sqrt((wrong**2).mean()))

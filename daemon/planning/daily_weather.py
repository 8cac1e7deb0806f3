"""Weather of whole local days: the extremes that growth runs on and the water that goes into the ground and out."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Farm
from daemon.weather.contract import Weather
from models.swath import DryingHours

Array = NDArray[np.float64]

SPIN_UP_DAYS = 90  # of past water that are followed: the ground forgets what it was before
MIN_HOURS_PER_DAY = 23  # hours that a day needs to be believed: the shortest day has 23


@dataclass(frozen=True)
class DailyWater:
    """Rain and evapotranspiration of short grass [mm] of each whole local day, shape (member, day).

    `early_rain` is the part of the rain that falls before the last hour in which mowing may begin, and
    `early_rain_to_come` the part of that which has not fallen by now.
    """

    day: NDArray[np.datetime64]
    rain: Array
    evapotranspiration: Array
    early_rain: Array
    early_rain_to_come: Array

    def since(self, day: date) -> "DailyWater":
        """Return the days from one on."""
        return self._select(np.flatnonzero(self.day >= np.datetime64(day, "D")))

    def before(self, day: np.datetime64, limit: int) -> "DailyWater":
        """Return the last days before one, no more than some."""
        return self._select(np.flatnonzero(self.day < day)[-limit:])

    def _select(self, days: NDArray[np.intp]) -> "DailyWater":
        each = (self.rain, self.evapotranspiration, self.early_rain, self.early_rain_to_come)
        return DailyWater(self.day[days], *(one[:, days] for one in each))


def daily_extremes(weather: Weather, farm: Farm) -> pd.DataFrame:
    """Return the highest and lowest temperature [degC] of each whole local day, past and coming.

    Notes
    -----
    Of the days ahead it is the mean over the members of each member's extremes.
    """
    zone = farm.place.timezone
    past = _local_extremes(weather.past["air_temperature"], zone.key)
    ahead = _local_extremes(weather.ahead["air_temperature"], zone.key)
    # Today is in both: its forecast has all of its hours.
    return pd.concat([past[~past.index.isin(ahead.index)], ahead]).sort_index()


def _local_extremes(temperature: xr.DataArray, zone: str) -> pd.DataFrame:
    labels = pd.DatetimeIndex(temperature["time"].to_numpy()).tz_localize("UTC").tz_convert(zone)
    frame = pd.DataFrame(temperature.transpose("time", "member").to_numpy())
    days = frame.groupby(np.asarray(labels.date))
    table = pd.DataFrame({"high": days.max().mean(axis="columns"), "low": days.min().mean(axis="columns")})
    return table[days.size() >= MIN_HOURS_PER_DAY]


def daily_water(
    farm: Farm, ends: NDArray[np.datetime64], drying: DryingHours, observed_until: np.datetime64 | None = None
) -> DailyWater:
    """Return what fell and what the air took on each whole local day.

    Parameters
    ----------
    farm : Farm
        Its clock, and when work may begin.
    ends : datetime64, shape (hour,)
        UTC, end of each hour.
    drying : DryingHours
    """
    # An hour belongs to the day in which it began: midnight ends the day before.
    began = pd.DatetimeIndex(ends).tz_localize("UTC").tz_convert(farm.place.timezone.key) - pd.Timedelta(hours=1)
    day, first, hours = np.unique(np.array(began.date, dtype="datetime64[D]"), return_index=True, return_counts=True)
    # Up to the last start: whenever mowing begins, what has rained by then is in the ground that the baler meets.
    before_work = np.asarray(began.time < farm.work.latest_start)
    yet = before_work & (ends > observed_until if observed_until is not None else False)
    early = (np.where(which, drying.rain, 0.0) for which in (before_work, yet))
    found = (drying.rain, np.maximum(drying.evaporation, 0.0), *early)
    whole = hours >= MIN_HOURS_PER_DAY
    return DailyWater(day[whole], *(np.add.reduceat(each, first, axis=1)[:, whole] for each in found))

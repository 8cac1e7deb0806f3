"""The growth of a field over the days of the farm's clock."""

import numpy as np
import pandas as pd
import xarray as xr

from daemon.farm import Farm, Field
from daemon.weather.contract import Weather
from models.growth import Growth, Known, StageLook, field_growth
from models.stages import grass_share, ndf_target

WHOLE_DAY = 23  # hours that a day needs for its extremes to be believed: the shortest day has 23


def daily_extremes(weather: Weather, farm: Farm) -> pd.DataFrame:
    """Return the highest and lowest temperature [degC] of each whole local day, past and coming.

    Notes
    -----
    Of the days ahead it is the mean over the members of each member's extremes.
    """
    zone = farm.place.timezone
    past = _local_days(weather.past["air_temperature"], zone.key)
    ahead = _local_days(weather.ahead["air_temperature"], zone.key)
    # Today is in both: its forecast has all of its hours.
    return pd.concat([past[~past.index.isin(ahead.index)], ahead]).sort_index()


def _local_days(temperature: xr.DataArray, zone: str) -> pd.DataFrame:
    labels = pd.DatetimeIndex(temperature["time"].to_numpy()).tz_localize("UTC").tz_convert(zone)
    frame = pd.DataFrame(temperature.transpose("time", "member").to_numpy())
    days = frame.groupby(np.asarray(labels.date))
    table = pd.DataFrame({"high": days.max().mean(axis="columns"), "low": days.min().mean(axis="columns")})
    return table[days.size() >= WHOLE_DAY]


def field_growth_on(farm: Farm, field: Field, days: pd.DataFrame) -> Growth:
    """Return the growth of a field over days with their extremes.

    Raises
    ------
    GrowthUnknown
        As `models.growth.field_growth`.
    """
    return field_growth(
        field.stand,
        np.array(days.index.to_numpy(), dtype="datetime64[D]"),
        days["high"].to_numpy(),
        days["low"].to_numpy(),
        last_cut=None if field.last_cut is None else np.datetime64(field.last_cut, "D"),
        looks=[StageLook(np.datetime64(look.on, "D"), look.stage, look.height) for look in field.looks],
        southern=farm.place.latitude < 0.0,
        latitude=farm.place.latitude,
        known=Known(target=fibre_target(field)),
    )


def fibre_target(field: Field) -> float:
    """Return the fibre at which a field should be cut [% of DM]: as the settings say, else by its stand and purpose.

    Raises
    ------
    ValueError
        If the stand is malformed.
    """
    return field.cut_at_fibre or ndf_target(grass_share(field.stand), field.purpose)

"""The water in the ground under each field, day by day, and what it does to a swath that lies on it."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from daemon.farm import Field
from daemon.growing import WHOLE_DAY
from models.ground import GroundState, Profile, crop_coefficient, follow_ground, soil_drying_factor, soil_profile
from models.swath import DryingHours

Array = NDArray[np.float64]

DAYS_BEFORE = 90  # of past water that are followed: the ground forgets what it was before


@dataclass(frozen=True)
class DailyWater:
    """Rain and evapotranspiration of short grass [mm] of each whole local day, shape (member, day)."""

    day: NDArray[np.datetime64]
    rain: Array
    evapotranspiration: Array

    def since(self, day: date) -> "DailyWater":
        """Return the days from one on."""
        kept = self.day >= np.datetime64(day, "D")
        return DailyWater(self.day[kept], self.rain[:, kept], self.evapotranspiration[:, kept])


def daily_water(ends: NDArray[np.datetime64], drying: DryingHours, zone: str) -> DailyWater:
    """Return what fell and what the air took on each whole local day.

    Parameters
    ----------
    ends : datetime64, shape (hour,)
        UTC, end of each hour.
    drying : DryingHours
    zone : str
        The farm's time zone.
    """
    # An hour belongs to the day in which it began: midnight ends the day before.
    began = pd.DatetimeIndex(ends).tz_localize("UTC").tz_convert(zone) - pd.Timedelta(hours=1)
    dates = np.array(began.date, dtype="datetime64[D]")
    day, first, hours = np.unique(dates, return_index=True, return_counts=True)
    rain, taken = (np.add.reduceat(each, first, axis=1) for each in (drying.rain, np.maximum(drying.evaporation, 0.0)))
    whole = hours >= WHOLE_DAY
    return DailyWater(day[whole], rain[:, whole], taken[:, whole])


def soil_factors(field: Field, past: DailyWater, ahead: DailyWater) -> Array:
    """Return how fast a swath dries for the ground under it on each day of `ahead` and the next, shape (member, day).

    Parameters
    ----------
    field : Field
        Its soil, drainage and last cut.
    past, ahead : DailyWater
        Of the past, one member, the last 90 days before `ahead` are followed.

    Notes
    -----
    The ground is taken to be full 90 days ago, or when the past begins. The factor of a day is that of its morning.
    """
    profile = soil_profile(field.soil, field.drainage)
    start = _ground_on(field, profile, past, ahead.day[0])
    coming = follow_ground(profile, ahead.rain, ahead.evapotranspiration, _cover(field, ahead.day), start=start)
    return soil_drying_factor(coming.wetness)


def soil_factor_on(field: Field, past: DailyWater, day: date) -> float:
    """Return how fast a swath dried for the ground under it on a day that has come."""
    profile = soil_profile(field.soil, field.drainage)
    morning = _ground_on(field, profile, past, np.datetime64(day, "D"))
    return float(soil_drying_factor(morning.topsoil_water / profile.topsoil)[0])


def _ground_on(field: Field, profile: Profile, past: DailyWater, day: np.datetime64) -> GroundState:
    """Return the ground on the morning of a day."""
    before = np.flatnonzero(past.day < day)[-DAYS_BEFORE:]
    cover = _cover(field, past.day[before])
    return follow_ground(profile, past.rain[:, before], past.evapotranspiration[:, before], cover).end


def _cover(field: Field, day: NDArray[np.datetime64]) -> Array:
    """Return the crop coefficient of each day."""
    if field.last_cut is None:
        return crop_coefficient(np.full(day.size, np.inf))
    since = (day - np.datetime64(field.last_cut, "D")).astype(np.float64)
    return crop_coefficient(np.where(since < 0.0, np.inf, since))

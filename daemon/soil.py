"""The water in the ground under each field, day by day: how a swath dries on it, and whether it carries the baler."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from daemon.farm import Field
from daemon.growing import WHOLE_DAY
from models.ground import (
    Firmness,
    GroundState,
    Load,
    Profile,
    Words,
    crop_coefficient,
    first_firm_day,
    follow_ground,
    soil_drying_factor,
    soil_profile,
)
from models.swath import DryingHours

Array = NDArray[np.float64]

DAYS_BEFORE = 90  # of past water that are followed: the ground forgets what it was before
CARRIED = 0.5  # least share of the members in which the ground is firm, for it to be taken for firm


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


@dataclass(frozen=True)
class Ground:
    """The ground under a field in the morning of each day from today on, shape (member, day).

    `soil_factor` [1] is how fast a swath dries on it, and `firmness` how it takes the baler: what goes over it last is
    the heaviest, and where that is carried everything is.
    """

    soil_factor: Array
    firmness: Words

    def carried(self, day: int) -> float:
        """Return the share of the members in which it is firm on a day, counted from today."""
        return float((self.firmness[:, day] == Firmness.FIRM).mean())

    @property
    def today(self) -> Firmness:
        """How it is this morning, which all members have in common."""
        return Firmness(self.firmness[0, 0])

    def carries_in(self, days: int) -> int | None:
        """Return the days from today until it is firm, None if it is not in so many days."""
        return first_firm_day(self.firmness[:, :days], CARRIED)


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


def ground_ahead(field: Field, past: DailyWater, ahead: DailyWater) -> Ground:
    """Return the ground of a field in the morning of each day of `ahead` and the next.

    Parameters
    ----------
    field : Field
        Its soil, drainage, last cut and looks at its ground.
    past, ahead : DailyWater
        Of the past, one member, the last 90 days before `ahead` are followed.

    Notes
    -----
    The ground is taken to be full 90 days ago, or when the past begins. The state of a day is that of its midnight,
    before its rain, and a look holds from then on.
    """
    profile = soil_profile(field.soil, field.drainage)
    start = _ground_on(field, profile, past, ahead.day[0])
    cover, looks = _cover(field, ahead.day), _looks(field, ahead.day)
    coming = follow_ground(profile, ahead.rain, ahead.evapotranspiration, cover, start=start, looks=looks)
    return Ground(soil_drying_factor(coming.wetness), coming.firmness(Load.BALER))


def soil_factor_on(field: Field, past: DailyWater, day: date) -> float:
    """Return how fast a swath dried for the ground under it on a day that has come."""
    profile = soil_profile(field.soil, field.drainage)
    morning = _ground_on(field, profile, past, np.datetime64(day, "D"))
    return float(soil_drying_factor(morning.topsoil_water / profile.topsoil)[0])


def _ground_on(field: Field, profile: Profile, past: DailyWater, day: np.datetime64) -> GroundState:
    """Return the ground on the morning of a day."""
    before = np.flatnonzero(past.day < day)[-DAYS_BEFORE:]
    cover, looks = _cover(field, past.day[before]), _looks(field, past.day[before])
    return follow_ground(profile, past.rain[:, before], past.evapotranspiration[:, before], cover, looks=looks).end


def _looks(field: Field, day: NDArray[np.datetime64]) -> dict[int, Firmness]:
    """Return what was seen of the ground, by where its day stands among some."""
    seen = {np.datetime64(on, "D"): Firmness(word) for on, word in field.ground_looks}
    return {at: seen[one] for at, one in enumerate(day) if one in seen}


def _cover(field: Field, day: NDArray[np.datetime64]) -> Array:
    """Return the crop coefficient of each day."""
    if field.last_cut is None:
        return crop_coefficient(np.full(day.size, np.inf))
    since = (day - np.datetime64(field.last_cut, "D")).astype(np.float64)
    return crop_coefficient(np.where(since < 0.0, np.inf, since))

"""Daily evapotranspiration of FAO-56 against pyet, a program that shares no source with this one."""

from typing import NamedTuple

import numpy as np
import pandas as pd
import pyet
import pytest
from numpy.typing import NDArray

from models.evapotranspiration import daily_reference_evapotranspiration
from models.sun import daily_extraterrestrial_radiation

pytestmark = pytest.mark.published

Array = NDArray[np.float64]


class Days(NamedTuple):
    """What both programs take, an array element a day."""

    day: pd.DatetimeIndex
    high: Array
    low: Array
    vapour_pressure: Array
    wind: Array
    shortwave: Array
    ground: float
    latitude: float
    elevation: float


def one(day: str, *values: float, ground: float = 0.0, latitude: float, elevation: float) -> Days:
    high, low, vapour_pressure, wind, shortwave = (np.array([value]) for value in values)
    given = (high, low, vapour_pressure, wind, shortwave)
    return Days(pd.DatetimeIndex([day]), *given, ground, latitude, elevation)


def theirs(days: Days) -> Array:
    mean, high, low, held, wind, sun = (
        pd.Series(values, index=days.day)
        for values in ((days.high + days.low) / 2, *days[1:3], days.vapour_pressure, days.wind, days.shortwave)
    )
    latitude = float(np.radians(days.latitude))
    found = pyet.pm_fao56(
        mean, wind, rs=sun, tmax=high, tmin=low, ea=held, g=days.ground, elevation=days.elevation, lat=latitude
    )
    return np.asarray(found)


def ours(days: Days) -> Array:
    above = daily_extraterrestrial_radiation(days.latitude, days.day.dayofyear.to_numpy(dtype=float))
    given = (days.high, days.low, days.vapour_pressure, days.wind, days.shortwave, above, days.elevation)
    return daily_reference_evapotranspiration(*given, ground_heat_flux=days.ground)


# Inputs of both examples are from memory, with the intermediate values unrounded.
BANGKOK = one("2015-04-15", 34.8, 25.6, 2.85, 2.0, 22.6510, ground=0.14, latitude=13 + 44 / 60, elevation=2.0)
UCCLE = one("2015-07-06", 21.5, 12.3, 1.40862, 2.07764, 22.0721, latitude=50.8, elevation=100.0)


@pytest.mark.parametrize(
    ("days", "expected", "printed"),
    [(BANGKOK, 5.7161, 5.7), (UCCLE, 3.88026, 3.9)],  # FAO-56 examples 17 and 18: pyet 1.5 and the printed answer
    ids=["Bangkok", "Uccle"],
)
def test_worked_examples(days: Days, expected: float, printed: float) -> None:
    assert theirs(days)[0] == pytest.approx(expected, abs=1e-4), "pyet itself has changed"
    assert ours(days)[0] == pytest.approx(expected, abs=5e-4)
    assert ours(days)[0] == pytest.approx(printed, abs=0.05)


def test_an_invented_year() -> None:
    day = pd.date_range("2015-01-01", "2015-12-31")
    season = np.sin(2 * np.pi * (day.dayofyear.to_numpy() - 105) / 365)
    dice = np.random.default_rng(5)
    high = 15 + 13 * season + dice.normal(0, 4, day.size)
    low = high - dice.uniform(3, 15, day.size)
    held = 0.6108 * np.exp(17.27 * (low - 1) / (low - 1 + 237.3))
    above = daily_extraterrestrial_radiation(43.0, day.dayofyear.to_numpy(dtype=float))
    days = Days(
        day,
        high,
        low,
        held,
        dice.uniform(0.3, 6, day.size),
        above * dice.uniform(0.25, 0.72, day.size),
        0.0,
        43.0,
        250.0,
    )
    assert ours(days) == pytest.approx(theirs(days), abs=2e-3)
    assert np.ptp(ours(days)) > 4.0

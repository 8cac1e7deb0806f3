"""Heat and those who work in it: what a team of horses can be asked for."""

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c

Array = NDArray[np.float64]


def horse_sum(air_temperature: Array, relative_humidity: Array) -> Array:
    """Return the working-horse sum: air temperature in degF plus relative humidity in per cent.

    Parameters
    ----------
    air_temperature : array [degC]
    relative_humidity : array [1]

    Notes
    -----
    Under 130 a horse cools itself well, up to 150 less well, above it badly, and above 180 work can kill (Nadeau,
    University of Connecticut Extension). A low sum in dry heat is no all-clear.

    Examples
    --------
    >>> horse_sum(np.array([30.0]), np.array([0.6])).round(1).tolist()
    [146.0]
    """
    return 1.8 * air_temperature + 32.0 + 100.0 * relative_humidity


def team_pace(air_temperature: Array, relative_humidity: Array) -> Array:
    """Return the share of its usual pace [1] at which a team mows, 0 where it should not be asked to.

    Parameters
    ----------
    air_temperature : array [degC]
    relative_humidity : array [1]

    Notes
    -----
    The sum is heeded from 21 degC on: a cool dawn in fog has a high one and harms no horse. From 130 on a team breathes
    about 6 minutes in 40, above 150 about 10 (5 to 10 minutes in each 30 to 45, remembered); from 180 on, or 35 degC
    however dry, it does not work (the latter an estimate). The driver's eye and the vet's word come before any figure.

    Examples
    --------
    >>> team_pace(np.array([12.0, 24.0, 30.0, 33.0, 36.0]), np.array([1.0, 0.6, 0.7, 0.95, 0.2])).tolist()
    [1.0, 0.85, 0.75, 0.0, 0.0]
    """
    total = horse_sum(air_temperature, relative_humidity)
    rest = [total >= c.HORSE_SUM_STOP, total > c.HORSE_SUM_HARD, total >= c.HORSE_SUM_WARM]
    pace = np.select(rest, [0.0, c.TEAM_PACE_HARD, c.TEAM_PACE_WARM], 1.0)
    pace = np.where(air_temperature < c.HORSE_COOL, 1.0, pace)
    return np.where(air_temperature >= c.HORSE_HOT, 0.0, pace)

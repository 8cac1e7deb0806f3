"""Storms that may lay a crop flat: rain with gusts, and when the first of them may come."""

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c

Array = NDArray[np.float64]


def first_storm(
    rain: Array,
    gust: Array,
    *,
    min_gust: float = c.STORM_GUST,
    min_rain: float = c.STORM_RAIN,
    share: float = c.STORM_SHARE,
) -> int | None:
    """Return the hour in which the first storm may begin, None where none is likely enough.

    Parameters
    ----------
    rain : array, shape (member, hour)
        Sum of each hour [mm].
    gust : array, shape (member, hour)
        The strongest of each hour [m/s]; a member that tells of none is NaN and has no say.
    min_gust, min_rain : float
        A gust [m/s] and the rain [mm] of its hour and the two beside it that are a storm together; estimates.
    share : float
        Of the members that tell gusts, in which there must be one [1]; estimate.

    Notes
    -----
    The hour is an early one: that of the earliest tenth of the members with a storm.

    Examples
    --------
    >>> rain, gust = np.zeros((1, 6)), np.full((1, 6), 8.0)
    >>> rain[0, 3:5], gust[0, 4] = 4.0, 18.0
    >>> first_storm(rain, gust)
    4
    """
    telling = np.isfinite(gust).any(axis=1)
    beside = np.pad(rain[telling], ((0, 0), (1, 1)))
    storm = (gust[telling] >= min_gust) & (beside[:, :-2] + beside[:, 1:-1] + beside[:, 2:] >= min_rain)
    struck = storm.any(axis=1)
    if not struck.any() or struck.mean() < share:
        return None
    return int(np.quantile(storm[struck].argmax(axis=1), c.POSSIBLE_SHARE, method="lower"))

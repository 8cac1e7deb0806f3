"""What a crop loses while it lies: to its own breath and to rain."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from models import coefficients as c
from models.quality import BandSeries
from models.species import Array

RESPIRATION_SOURCE: Final = "estimate: within 0.055 to 0.25% an hour at 15 degC (Robson)"
RAIN_LOSS_SOURCE: Final = "published for alfalfa: Rotz, Davis & Abrams 1991; grass and fresh crops: estimate"


def respiration_loss(
    moisture: ArrayLike, temperature: ArrayLike, *, rate: float = c.RESPIRATION, q10: float = c.RESPIRATION_Q10
) -> BandSeries:
    """Return what a lying crop breathes away in an hour [% of DM].

    Parameters
    ----------
    moisture : array_like
        Of the crop [wet basis].
    temperature : array_like
        Of the crop [degC]; that of the air stands for it.
    rate : float
        Of a fresh crop at 15 degC [% of DM per hour].
    q10 : float
        Times for 10 degC more [1].

    Notes
    -----
    ``0.10 2^((T - 15) / 10)`` times a share that falls in a straight line from 1 at 75 % water to 0 at 37 %: an
    estimate within Robson's range for ryegrass in the dark. Each hour may be half or twice as much.

    Examples
    --------
    >>> float(respiration_loss(0.8, 15.0).mid)
    0.1
    """
    warm = np.minimum(np.asarray(temperature, dtype=float), c.RESPIRATION_CAP)
    share = np.interp(np.asarray(moisture, dtype=float), [c.RESPIRATION_NONE, c.RESPIRATION_FULL], [0.0, 1.0])
    return _loss_band(rate * q10 ** ((warm - 15.0) / 10.0) * share, RESPIRATION_SOURCE)


def rain_loss(rain: ArrayLike, hours: ArrayLike, moisture: ArrayLike, grass_share: float) -> BandSeries:
    """Return what rain takes from a lying crop [% of DM].

    Parameters
    ----------
    rain : array_like
        Of one shower [mm].
    hours : array_like
        That it lasts [h].
    moisture : array_like
        Of the crop when it begins [wet basis].
    grass_share : float
        Share of grass in the stand [1].

    Notes
    -----
    Alfalfa loses 0.1 % for each mm that falls at 18 mm an hour, and 18 mm take 1.1 % more for each hour over which
    they are spread (Rotz, Davis & Abrams 1991). Departures: the second is taken in proportion to the rain; grass loses
    half of it, after near-dry orchardgrass; a crop just cut loses 0.3 of it, one at 65 % water and less all. The middle
    is held at 25 %. Worse is printed too: 22 against 6 % after 25 mm on a crop that had dried for a day (Collins),
    hence the wide band.

    References
    ----------
    Rotz, Davis & Abrams 1991, Trans. ASAE 34(4):1583-1591.

    Examples
    --------
    >>> rain_loss(18.0, [1.0, 7.0], 0.6, 0.0).mid.round(1)
    array([1.8, 8.4])
    """
    fallen, lasting = np.asarray(rain, dtype=float), np.asarray(hours, dtype=float)
    slower = c.RAIN_LOSS_PER_HOUR / c.RAIN_LOSS_INTENSITY * np.maximum(lasting - fallen / c.RAIN_LOSS_INTENSITY, 0.0)
    stand = grass_share * c.RAIN_LOSS_GRASS + 1.0 - grass_share
    dried = np.interp(np.asarray(moisture, dtype=float), c.RAIN_LOSS_MOISTURES, [1.0, c.RAIN_LOSS_FRESH])
    most = c.MAX_RAIN_LOSS / c.LOSS_RANGE[1]
    return _loss_band(np.minimum(fallen * (c.RAIN_LOSS + slower) * stand * dried, most), RAIN_LOSS_SOURCE)


def _loss_band(mid: Array, source: str) -> BandSeries:
    low, high = (factor * mid for factor in c.LOSS_RANGE)
    return BandSeries(low, mid, high, "% of DM", source)

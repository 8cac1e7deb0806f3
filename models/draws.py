"""What is not known about the crop, as a few fixed quasi-random draws for each weather member."""

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from models.coefficients import DRAWS_PER_MEMBER, K400_SPREAD, MIN_CASES, START_MOISTURE_SPREAD, YIELD_SPREAD

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CropDraws:
    """Draws of shape (member, draw): two factors with median 1 and an addition to the moisture at mowing [1]."""

    drying_factor: Array
    start_moisture_shift: Array
    yield_factor: Array


def draw_crop(
    members: int,
    *,
    drying_spread: float = K400_SPREAD,
    start_moisture_spread: float = START_MOISTURE_SPREAD,
    yield_spread: float = YIELD_SPREAD,
) -> CropDraws:
    """Draw drying factor, moisture at mowing and yield for every weather member.

    Parameters
    ----------
    members : int
        Number of weather members, at least 1.
    drying_spread, yield_spread : float
        Relative standard deviations [1]; both factors are log-normal, so that they stay positive.
    start_moisture_spread : float
        Standard deviation [wet basis, 1].

    Returns
    -------
    CropDraws
        Four draws for each member of an ensemble, and more for a small one, so that at least 64 cases stand behind
        any odds. The same call always gives the same draws: advice must not change because the dice did.

    Notes
    -----
    Points of the additive recurrence whose step is the powers of the inverse of 1.2207, the root of
    x^4 = x + 1 (the golden ratio's cousin in three dimensions). Neighbouring points lie far apart, so the four of a
    member already cover the range and all together cover it evenly.

    References
    ----------
    Roberts, M. (2018), The unreasonable effectiveness of quasirandom sequences (as remembered).

    Examples
    --------
    >>> draw_crop(31).yield_factor.shape, draw_crop(1).yield_factor.shape
    ((31, 4), (1, 64))
    """
    per_member = max(DRAWS_PER_MEMBER, -(-MIN_CASES // members))
    normal = _normal_points(members * per_member).reshape(3, members, per_member)
    return CropDraws(
        drying_factor=np.exp(drying_spread * normal[0]),
        start_moisture_shift=start_moisture_spread * normal[1],
        yield_factor=np.exp(yield_spread * normal[2]),
    )


def _normal_points(count: int) -> Array:
    """Return standard normal points of shape (3, count)."""
    step = 1.2207440846057596 ** -np.arange(1.0, 4.0)
    uniform = (0.5 + np.outer(step, np.arange(1, count + 1))) % 1.0
    inverse = NormalDist().inv_cdf
    return np.array([[inverse(u) for u in row] for row in uniform])

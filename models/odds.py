"""From counts of forecast members to odds that a farmer can trust."""

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c

Array = NDArray[np.float64]


def independent_members(members: int, *, correlation: float = c.MEMBER_CORRELATION) -> float:
    """Return how many independent forecasts an ensemble is worth.

    Parameters
    ----------
    members : int
        Forecast members, at least 1.
    correlation : float [1]
        How much they repeat each other: members share a model and its errors.

    Notes
    -----
    Kish's effective sample size for equally correlated members, m / (1 + (m - 1) r). The correlation is an estimate,
    to be replaced by a farm's own record of forecast against outcome.

    References
    ----------
    Kish, L. (1965), Survey Sampling (as remembered).

    Examples
    --------
    >>> round(independent_members(31), 2), independent_members(1)
    (7.75, 1.0)
    """
    return members / (1.0 + (members - 1) * correlation)


def odds_from_share(
    share: Array,
    independent: float,
    *,
    prior_chance: float = c.PRIOR_CHANCE,
    prior_weight: float = c.PRIOR_WEIGHT,
    least: float = c.LEAST_ODDS,
    most: float = c.MOST_ODDS,
) -> Array:
    """Return honest odds from the share of forecast cases in which the day works out.

    Parameters
    ----------
    share : array [1]
        Share of cases; odds keep its order, so they never rise with acres if the share does not.
    independent : float
        Worth of the forecast in independent members; infinite for hours that are known, where only the crop is not.
    prior_chance, prior_weight : float
        What is expected without any forecast, and for how many independent members that counts.
    least, most : float [1]
        Nobody is told never, and nobody is told certain.

    Notes
    -----
    Mean of a beta posterior. Raw counts are over-confident: in a published eleven-member set they score worse than
    climatology.

    Examples
    --------
    >>> odds_from_share(np.array([0.0, 1.0]), independent_members(31)).round(2).tolist()
    [0.03, 0.92]
    """
    weight = prior_weight / (prior_weight + independent)
    return np.clip((1.0 - weight) * share + weight * prior_chance, least, most)

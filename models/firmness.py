"""How the ground takes wheels, in a word: firm, soft or ruts."""

from collections.abc import Mapping
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c

Array = NDArray[np.float64]
Words = NDArray[np.str_]


class Firmness(StrEnum):
    """How the ground takes wheels, from best to worst."""

    FIRM = "firm"
    SOFT = "soft"
    RUTS = "ruts"


class Load(StrEnum):
    """What goes over the ground, from lightest to heaviest."""

    TEAM = "team"  # horses with a mower or a rake
    MOWER = "mower"  # a tractor with a mower or a rake
    BALER = "baler"  # a loaded baler, wrapped bales


LOAD_LIMITS: Final[Mapping[Load, tuple[float, float]]] = {  # most topsoil wetness, least deficit
    Load.TEAM: (c.WETNESS_RUTS, c.DEFICIT_RUTS),
    Load.MOWER: (c.WETNESS_MOWER, c.DEFICIT_FIRM),
    Load.BALER: (c.WETNESS_BALER, c.DEFICIT_FIRM),
}


def ground_firmness(
    wetness: Array, deficit: Array, load: Load, load_limits: Mapping[Load, tuple[float, float]] = LOAD_LIMITS
) -> Words:
    """Return in a word how the ground takes a load.

    Parameters
    ----------
    wetness : array
        Water in the topsoil in terms of what it holds at field capacity [1].
    deficit : array
        What the root zone lacks of field capacity [mm]; the shape of `wetness`.
    load : Load
    load_limits : mapping of Load
        Up to which wetness [1] and from which deficit [mm] on each load is carried.

    Returns
    -------
    array of str
        Values of `Firmness`: the worse of what the two say.

    Notes
    -----
    The topsoil's limits are estimates: above field capacity (1.0) it takes no wheels, up to that a team, up to 0.9 a
    mower, up to 0.75 a baler. The deficit's limit for machines, 10 mm, is remembered from Schulte et al. (2005); that
    of a team, 5 mm, is an estimate, and with less nothing goes. What is not a number makes ruts.

    References
    ----------
    Schulte et al. 2005, Irish J. Agric. Food Res. 44:95-110.

    Examples
    --------
    >>> ground_firmness(np.array([0.7, 0.8, 1.2]), np.array([20.0, 20.0, 20.0]), Load.BALER).tolist()
    ['firm', 'soft', 'ruts']
    """
    most_wetness, least_deficit = load_limits[load]
    # Asked for what holds, not for what does not, so that NaN never passes.
    by_wetness = 2 - (wetness <= most_wetness).astype(int) - (wetness <= c.WETNESS_RUTS)
    by_deficit = 2 - (deficit >= least_deficit).astype(int) - (deficit >= c.DEFICIT_RUTS)
    words: Words = np.array(list(Firmness))[np.maximum(by_wetness, by_deficit)]
    return words


def first_firm_day(words: Words, share: float) -> int | None:
    """Return the first day on which the ground is firm in at least a share of the members.

    Parameters
    ----------
    words : array of str, shape (member, day)
        From `ground_firmness`.
    share : float
        Of the members [1].

    Examples
    --------
    >>> first_firm_day(np.array([["ruts", "soft", "firm"], ["soft", "firm", "firm"]]), 0.7)
    2
    """
    firm = np.flatnonzero((words == Firmness.FIRM).mean(axis=0) >= share)
    return int(firm[0]) if firm.size else None

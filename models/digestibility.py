"""Digestibility and protein of grasses and legumes, by their clock, their fibre or their yield."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from models import coefficients as c
from models.species import Array

FIRST_HEADS: Final = "early heads"


def grass_digestibility(
    clock: ArrayLike,
    onset: float,
    step: ArrayLike,
    mean: ArrayLike,
    *,
    leafy: float = c.DIGESTIBILITY_LEAFY,
    floor: float = c.DIGESTIBILITY_FLOOR,
    fall: float = c.DIGESTIBILITY_FALL,
    warmth: float = c.DIGESTIBILITY_FALL_WARMTH,
) -> Array:
    """Return the digestibility of a grass in first growth [% of DM].

    Parameters
    ----------
    clock : array_like
        Stage clock [degC d], shape (..., days).
    onset : float
        Clock at which the first heads show [degC d].
    step, mean : array_like
        Degree-days [degC d] and mean temperature [degC] of each day, shape (days,).
    leafy, floor : float
        Before heads show, and the least [% of DM].
    fall, warmth : float
        Daily fall at 14 degC, and what each degC adds to it [% of DM per day].

    Returns
    -------
    Array
        The shape of `clock`.

    Notes
    -----
    Flat until the heads show, then falling by 0.5 units a day (Minson et al. 1960) and 0.06 more for each degC
    (Thorvaldsson 1992); which temperature the 0.5 belongs to is this project's estimate. The days since heading are
    reckoned back from the clock at the pace of the days since, so that a look that moves the clock moves them too.

    References
    ----------
    Minson et al. 1960, J. Br. Grassl. Soc. 15:174-180, doi 10.1111/j.1365-2494.1960.tb00175.x.
    Thorvaldsson 1992, Grass Forage Sci. 47, doi 10.1111/j.1365-2494.1992.tb02275.x.

    Examples
    --------
    >>> grass_digestibility([456.0, 470.0, 484.0, 498.0], 470.0, [14.0] * 4, [14.0] * 4)
    array([76. , 76. , 75.5, 75. ])
    """
    late = np.asarray(clock, dtype=float) - onset
    since = late > 0
    daily = np.maximum(fall + warmth * (np.asarray(mean, dtype=float) - c.DIGESTIBILITY_FALL_AT), 0.0)
    warm = np.maximum(np.cumsum(since * np.asarray(step, dtype=float), axis=-1), 1.0)
    pace = np.cumsum(since * daily, axis=-1) / warm
    return np.asarray(np.maximum(leafy - pace * np.maximum(late, 0.0), floor))


def fibre_digestibility(ndf: ArrayLike, *, legume: bool) -> Array:
    """Return the digestibility of a legume, or of a grass in regrowth, by its fibre [% of DM].

    Parameters
    ----------
    ndf : array_like
        Fibre [% of DM].
    legume : bool
        Whether it is a legume.

    Notes
    -----
    Legumes: ``88.9 - 0.779 ADF``, the digestible dry matter in relative feed value, with the ADF that alfalfa has at
    this NDF in Penn State's table; red clover is taken as alfalfa. Grass in regrowth grows no heads: it is taken as
    leafy up to 45 % NDF and falls by half a unit for each unit above (estimate).

    Examples
    --------
    >>> fibre_digestibility([38.0, 40.0], legume=True).round(1)
    array([67.1, 66. ])
    """
    fibre = np.asarray(ndf, dtype=float)
    if not legume:
        lost = c.REGROWTH_FALL * np.maximum(fibre - c.REGROWTH_FALL_FROM, 0.0)
        return np.asarray(c.DIGESTIBILITY_LEAFY - lost)
    acid = c.LEGUME_ADF_AT_TARGET + c.LEGUME_ADF_RATE * (fibre - c.NDF_TARGET_LEGUME)
    return np.asarray(c.DIGESTIBLE_WITHOUT_FIBRE - c.DIGESTIBLE_LOST_BY_ADF * acid)


def ndf_digestibility(
    digestibility: ArrayLike,
    ndf: ArrayLike,
    *,
    solubles: float = c.SOLUBLES_DIGESTIBILITY,
    metabolic: float = c.METABOLIC_LOSS,
) -> Array:
    """Return how much of the fibre is digested [% of NDF].

    Parameters
    ----------
    digestibility, ndf : array_like
        [% of DM].
    solubles : float
        Share of what is not NDF that is digested [1].
    metabolic : float
        What the animal adds to its dung [% of DM].

    Notes
    -----
    The summative equation of Goering & Van Soest (1970), remembered, solved for the fibre:
    ``D = 0.98 (100 - NDF) + NDFD NDF - 12.9``. Held in 0 to 100.

    Examples
    --------
    >>> ndf_digestibility([66.3, 76.0], [40.0, 50.0]).round(0)
    array([51., 80.])
    """
    fibre = np.asarray(ndf, dtype=float)
    digested = np.asarray(digestibility, dtype=float) + metabolic - solubles * (100.0 - fibre)
    return np.asarray(np.clip(100.0 * digested / fibre, 0.0, 100.0))


def grass_protein(
    dry_matter: ArrayLike,
    *,
    nutrition: float = c.NITROGEN_NUTRITION_INDEX,
    critical: float = c.CRITICAL_NITROGEN,
    exponent: float = c.DILUTION_GRASS,
) -> Array:
    """Return the crude protein of a grass by its yield [% of DM].

    Parameters
    ----------
    dry_matter : array_like
        Standing dry matter [t/ha].
    nutrition : float
        Its nitrogen over the critical [1]: 0.75 with fertiliser or clover, 0.65 without.
    critical, exponent : float
        Critical nitrogen at 1 t/ha [% of DM] and the exponent of its decline [1].

    Notes
    -----
    ``6.25 nutrition 4.8 W^-0.32`` (Lemaire & Salette 1984, remembered), for 1 t/ha and more; less is held at 1 t/ha.

    Examples
    --------
    >>> grass_protein([2.0, 3.0, 4.0]).round(1)
    array([18. , 15.8, 14.4])
    """
    heavy = np.maximum(np.asarray(dry_matter, dtype=float), c.DILUTION_MIN_YIELD)
    return np.asarray(6.25 * nutrition * critical * heavy**-exponent)


def legume_protein(ndf: ArrayLike) -> Array:
    """Return the crude protein of a legume by its fibre [% of DM].

    Parameters
    ----------
    ndf : array_like
        [% of DM]

    Notes
    -----
    A line through Penn State's table of alfalfa from late vegetative to full bloom, which it meets within 1.3 %; its
    last two rows are remembered. Used for clover too.

    Examples
    --------
    >>> legume_protein([38.0, 40.0, 50.0]).round(1)
    array([21.8, 20.6, 14.5])
    """
    line = c.LEGUME_PROTEIN_AT_BUD - c.LEGUME_PROTEIN_LOSS_RATE * (np.asarray(ndf, dtype=float) - 40.0)
    return np.clip(line, *c.LEGUME_PROTEIN_RANGE)

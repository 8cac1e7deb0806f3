"""What the stage clock of a species means: stage words, fibre, moisture and dry matter.

A clock is a temperature sum since the start of the season (first growth) or since the last cut (regrowth), in
degC d above 0 degC for grasses and above 5 degC for legumes. The tables are in ``species.toml``.
"""

from collections.abc import Mapping
from enum import StrEnum
from math import log
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from models import coefficients as c
from models.species import Array, Species

NO_HEADS: Final = "no heads yet"
NO_BUDS: Final = "no buds yet"
LEAFY_REGROWTH: Final = "leafy regrowth"


class Purpose(StrEnum):
    """What the forage is for."""

    MILK = "milking cows"
    DRY_COWS = "dry cows"
    HORSES = "working horses"


def ndf_target(
    grass_share: float,
    purpose: Purpose = Purpose.MILK,
    *,
    grass: float = c.NDF_TARGET_GRASS,
    legume: float = c.NDF_TARGET_LEGUME,
    coarser: float = c.NDF_TARGET_COARSER,
) -> float:
    """Return the fibre at which a stand should be cut [% of DM].

    Parameters
    ----------
    grass_share : float
        Share of grass [1].
    purpose : Purpose
        What the forage is for.
    grass, legume : float
        For milking cows, where the stand is all of the one or of the other [% of DM].
    coarser : float
        What dry cows and working horses may have on top of that [% of DM].

    Notes
    -----
    The ends (38 and 50) and the middle (44) are extension advice of Cornell and Ohio; the line between is
    this project's, and so is `coarser`.

    Examples
    --------
    >>> ndf_target(0.5), ndf_target(1.0, Purpose.HORSES)
    (44.0, 58.0)
    """
    return legume + (grass - legume) * grass_share + (0.0 if purpose is Purpose.MILK else coarser)


def grass_ndf(
    clock: ArrayLike,
    mark: float,
    *,
    ceiling: float = c.NDF_FLOOR + c.NDF_RISE,
    floor: float = c.NDF_FLOOR,
    scale: float = c.NDF_SCALE,
) -> Array:
    """Return the fibre (NDF) of a grass by its clock [% of DM].

    Parameters
    ----------
    clock : array_like
        Temperature sum above 0 degC [degC d], any shape.
    mark : float
        Clock at which NDF is 50 % [degC d].
    ceiling, floor : float
        Upper and lower limits of the curve [% of DM]; 62 is the ceiling of a regrowth.
    scale : float
        Width of the curve [degC d].

    Notes
    -----
    A logistic curve of this project, placed so that it passes through 50 % at `mark`; it rises by 0.8 to
    1.2 units a day in spring, as is read in the field. A clock beyond the last stage (say 1200 degC d)
    gives a value near the ceiling, which says "coarse" and no more than that.

    Examples
    --------
    >>> grass_ndf([350.0, 450.0, 550.0], 450.0).round(1)
    array([44.8, 50. , 56.8])
    """
    middle = mark + scale * log((ceiling - 50) / (50 - floor))
    return floor + (ceiling - floor) / (1 + np.exp((middle - np.asarray(clock, dtype=float)) / scale))


def legume_ndf(
    clock: ArrayLike,
    mark: float,
    *,
    rate: float = c.LEGUME_NDF_RATE,
    min_ndf: float = c.LEGUME_NDF_MIN,
    max_ndf: float = c.LEGUME_NDF_MAX,
) -> Array:
    """Return the fibre (NDF) of a legume by its clock [% of DM].

    Parameters
    ----------
    clock : array_like
        Temperature sum above 5 degC [degC d], any shape.
    mark : float
        Clock at which NDF is 40 % [degC d].
    rate : float
        Rise [% of DM per degC d].
    min_ndf, max_ndf : float
        Limits of the line [% of DM].

    Notes
    -----
    The line through Michigan's 40 % at 750 and 45 % at 970 degF d above 41 degF since 1 March, read for
    the first growth of pure alfalfa between 500 and 1000 degF d (278 to 556 degC d), 3 units either way.
    Departures: it is prolonged outside that range up to its limits, and moved along the clock for
    regrowth and for red clover.

    Examples
    --------
    >>> legume_ndf(680 / 1.8, 417.0).round(1)
    np.float64(38.4)
    """
    return np.clip(40 + rate * (np.asarray(clock, dtype=float) - mark), min_ndf, max_ndf)


def alfalfa_height_ndf(height: float, stage: str, *, rate: float = c.HEIGHT_NDF_RATE) -> float:
    """Return the fibre (NDF) of alfalfa by its tallest stem and its most mature stem's stage [% of DM].

    Parameters
    ----------
    height : float
        Length of the tallest stem [m], 0.40 and more.
    stage : str
        Stage of the most mature stem, one of `LEGUME_STAGES`.
    rate : float
        Rise with height [% of DM per m].

    Notes
    -----
    Straight lines that reproduce Ohio's table for late vegetative, bud and flowering alfalfa within 0.1.
    The formula of Hintz & Albrecht (1991, Crop Sci. 31:1561-1565), which the table goes back to, lies up
    to 1.5 higher.

    Examples
    --------
    >>> round(alfalfa_height_ndf(0.7112, "vegetative"), 1)
    36.8
    """
    base = {"vegetative": c.HEIGHT_NDF_VEGETATIVE, "buds": c.HEIGHT_NDF_BUD}.get(stage, c.HEIGHT_NDF_FLOWER)
    return base + rate * height


def alfalfa_height(clock: ArrayLike) -> Array:
    """Return the height of alfalfa in its first growth by its clock [m].

    Notes
    -----
    A straight line of this project, which gives 0.71 m (28 in) at 750 degF d above 41 degF and 0.56 m at 615; it serves
    to tell the youngest classes of Kalu & Fick apart and what a frost may hurt, not to tell the fibre.

    Examples
    --------
    >>> alfalfa_height([750 / 1.8, 615 / 1.8]).round(2)
    array([0.71, 0.56])
    """
    return np.maximum(c.ALFALFA_HEIGHT_RATE * (np.asarray(clock, dtype=float) - c.ALFALFA_HEIGHT_START), 0.0)


def cutting_height(grass_share: float) -> float:
    """Return the height of the alfalfa in or beside a stand at which cutting for milking cows may begin [m].

    Parameters
    ----------
    grass_share : float
        Share of grass [1]; for grass alone it is the height of alfalfa nearby.

    Notes
    -----
    ``28 - 10 g - 4 g^2`` inches, through the three figures of Cornell's advisers (28 alfalfa, 22 even mix, 14 grass).
    It says when to look. Where alfalfa was measured, `alfalfa_height_ndf` tells its fibre better.

    Examples
    --------
    >>> [round(cutting_height(share) / 0.0254, 1) for share in (0.0, 0.5, 1.0)]
    [28.0, 22.0, 14.0]
    """
    return 0.0254 * (28.0 - 10.0 * grass_share - 4.0 * grass_share**2)


def standing_dry_matter(
    clock: ArrayLike,
    *,
    max_yield: float = c.MAX_YIELD_FIRST_GROWTH,
    centre: float = c.YIELD_CENTRE,
    width: float = c.YIELD_WIDTH,
) -> Array:
    """Return the dry matter standing by the growth clock [t/ha].

    Parameters
    ----------
    clock : array_like
        Temperature sum without the warmth above the heat cap [degC d], any shape.
    max_yield : float
        Asymptote [t/ha].
    centre, width : float
        Centre and width of the curve [degC d].

    Notes
    -----
    ``W = max_yield (L(T) - L(0))`` with the logistic L: typical figures of an unirrigated cool-season meadow, all
    estimates. Drought slows the clock that it is given; the site is not in it, and a farm's own yield outranks it.

    Examples
    --------
    >>> standing_dry_matter([100.0, 500.0]).round(2)
    array([0.2 , 3.03])
    """
    grown = 1 / (1 + np.exp((centre - np.asarray(clock, dtype=float)) / width))
    return np.asarray(max_yield * (grown - 1 / (1 + np.exp(centre / width))))


def species_ndf(species: Species, clock: Array, *, regrowth: bool) -> Array:
    """Return the fibre of one species by its clock [% of DM], in first growth or regrowth."""
    mark = species.ndf_mark_regrowth if regrowth else species.ndf_mark
    if species.legume:
        return legume_ndf(clock, mark)
    return grass_ndf(clock, mark, ceiling=c.NDF_REGROWTH_CEILING if regrowth else c.NDF_FLOOR + c.NDF_RISE)


def species_dry_matter(species: Species, clock: Array, *, regrowth: bool) -> Array:
    """Return the dry matter of one species, were it alone, by its growth clock [t/ha]."""
    most = c.MAX_YIELD_REGROWTH if regrowth else c.MAX_YIELD_FIRST_GROWTH
    if species.legume:
        return standing_dry_matter(clock, max_yield=most, centre=c.LEGUME_YIELD_CENTRE, width=c.LEGUME_YIELD_WIDTH)
    if regrowth:
        return standing_dry_matter(clock, max_yield=most, centre=c.YIELD_CENTRE_REGROWTH, width=c.YIELD_WIDTH_REGROWTH)
    return standing_dry_matter(clock, max_yield=most)


def stand_ndf(species_shares: Mapping[Species, float], clocks: Mapping[bool, Array], *, regrowth: bool) -> Array:
    """Return the fibre of a stand by the clocks of its grasses (False) and legumes (True) [% of DM], mixed by share."""
    parts = [
        share * species_ndf(kind, clocks[kind.legume], regrowth=regrowth) for kind, share in species_shares.items()
    ]
    return np.asarray(sum(parts), dtype=float)


def stand_dry_matter(species_shares: Mapping[Species, float], clocks: Mapping[bool, Array], *, regrowth: bool) -> Array:
    """Return the dry matter of a stand by the growth clocks of its grasses and legumes [t/ha], mixed by share."""
    parts = [
        share * species_dry_matter(kind, clocks[kind.legume], regrowth=regrowth)
        for kind, share in species_shares.items()
    ]
    return np.asarray(sum(parts), dtype=float)


def stage_words(clock: Array, onsets: Mapping[str, float]) -> list[str]:
    """Return the stage in the trade's words at each clock; `onsets` empty means the regrowth of a grass."""
    if not onsets:
        return [LEAFY_REGROWTH] * clock.size
    words = list(onsets)
    reached = np.searchsorted(list(onsets.values()), clock, side="right")
    return [words[max(index - 1, 0)] for index in reached]


def standing_moisture(
    species: Species,
    clock: Array,
    onsets: Mapping[str, float],
    *,
    regrowth: bool,
    drier: float = c.REGROWTH_DRIER,
) -> Array:
    """Return the moisture of a standing crop free of dew [kg water per kg DM] by its stage.

    Notes
    -----
    The defaults by stage are joined by straight lines along the clock; regrowth is taken as `drier` [wet basis]
    than first growth, and that of a grass stays at the leafy figure. Mornings may be 1-3 points wetter.
    Returned on the dry basis because only that may be mixed by shares of dry matter.
    """
    by_stage = list(species.moisture_by_stage.values())
    wet = np.interp(clock, list(onsets.values()), by_stage) if onsets else np.full(clock.shape, by_stage[0])
    wet = wet - drier if regrowth else wet
    return wet / (1 - wet)

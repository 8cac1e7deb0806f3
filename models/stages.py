"""The species of a stand and what their stage clocks mean: stage words, fibre, moisture and dry matter.

A clock is a temperature sum since the start of the season (first growth) or since the last cut (regrowth), in
degC d above 0 degC for grasses and above 5 degC for legumes. The tables are in ``species.toml``.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import log
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models import coefficients as c

Array = NDArray[np.float64]

GRASS_STAGES: Final = ("leaf", "stem", "boot", "early heads", "full heads", "bloom")
LEGUME_STAGES: Final = ("vegetative", "buds", "first flower", "full flower")
NO_HEADS: Final = "no heads yet"
REGROWTH: Final = "regrowth, leafy"
FAR_NORTH: Final = 58.0  # [deg] of latitude beyond which far_north_shift holds

# Index of each grass stage at its onset: Moore et al. 1991, Agron. J. 83:1073-1077,
# doi 10.2134/agronj1991.00021962008300060027x.
STAGE_NUMBERS: Final = (1.0, 2.0, 3.0, 3.1, 3.5, 3.7)


@dataclass(frozen=True, eq=False)
class Species:
    """One species' row of ``species.toml``; `stages` starts with the youngest stage at a clock of 0."""

    name: str
    legume: bool
    base: float  # [degC]
    stages: Mapping[str, float]  # [degC d] at onset, first growth
    ndf_mark: float  # [degC d] at NDF 50 % (grasses) or 40 % (legumes)
    ndf_mark_regrowth: float  # [degC d]
    regrowth_days: tuple[int, int]
    drying_factor: float
    moisture_by_stage: Mapping[str, float]  # [wet basis]
    far_north_shift: float  # [degC d]


@cache
def species() -> Mapping[str, Species]:
    """Return every species the program knows, by name.

    Returns
    -------
    Mapping[str, Species]
        Grasses first, then legumes.

    Examples
    --------
    >>> species()["orchardgrass"].stages["early heads"]
    470.0
    """
    table = tomllib.loads(files("models").joinpath("species.toml").read_text(encoding="utf-8"))
    rows = [_row(name, row, table["grasses"], legume=False) for name, row in table["grasses"]["species"].items()]
    rows += [_row(name, row, table["legumes"], legume=True) for name, row in table["legumes"]["species"].items()]
    return MappingProxyType({row.name: row for row in rows})


def _row(name: str, row: Mapping[str, Any], kind: Mapping[str, Any], *, legume: bool) -> Species:
    youngest = (LEGUME_STAGES if legume else GRASS_STAGES)[0]
    wetter = row.get("moisture_shift", 0.0)
    onsets = {youngest: 0.0} | {word: float(clock) for word, clock in row["stages"].items()}
    return Species(
        name=name,
        legume=legume,
        base=kind["base"],
        stages=MappingProxyType(onsets),
        ndf_mark=float(row["ndf_mark"]),
        ndf_mark_regrowth=float(row["ndf_mark_regrowth"]),
        regrowth_days=(row["regrowth_days"][0], row["regrowth_days"][1]),
        drying_factor=row["drying_factor"],
        moisture_by_stage=MappingProxyType({k: v + wetter for k, v in kind["moisture_by_stage"].items()}),
        far_north_shift=float(row.get("far_north_shift", 0.0)),
    )


def known_stand(stand: Mapping[str, float]) -> dict[Species, float]:
    """Return the species of a stand with their shares of its dry matter.

    Raises
    ------
    ValueError
        If a name is unknown, a share is not above 0, or the shares do not add up to 1 within 0.01.
    """
    for name, share in stand.items():
        if name not in species():
            raise ValueError(f"stand: unknown species {name!r}; known are {', '.join(species())}")
        if not share > 0:
            raise ValueError(f"stand: the share of {name} is {share}; it must be above 0")
    if not abs(sum(stand.values()) - 1) <= 0.01:
        raise ValueError(f"stand: the shares add up to {sum(stand.values()):g}; they must add up to 1")
    return {species()[name]: share for name, share in stand.items()}


def grass_share(stand: Mapping[str, float]) -> float:
    """Return the share of grass in a stand [1]; what is not a legume counts as grass."""
    return sum((share for kind, share in known_stand(stand).items() if not kind.legume), 0.0)


def drying_factor(stand: Mapping[str, float]) -> float:
    """Return how fast a stand dries as a multiple of a mixed sward's rate, mixed by share [1]."""
    return sum((share * kind.drying_factor for kind, share in known_stand(stand).items()), 0.0)


def ndf_target(share: float, *, grass: float = c.NDF_TARGET_GRASS, legume: float = c.NDF_TARGET_LEGUME) -> float:
    """Return the fibre at which a stand should be cut for milking cows [% of DM].

    Parameters
    ----------
    share : float
        Share of grass [1].

    Notes
    -----
    The ends (38 and 50) and the middle (44) are extension advice of Cornell and Ohio; the line between is
    this project's. Dry cows and working horses want a coarser feed.

    Examples
    --------
    >>> ndf_target(0.5)
    44.0
    """
    return legume + (grass - legume) * share


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
    least: float = c.LEGUME_NDF_LEAST,
    most: float = c.LEGUME_NDF_MOST,
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
    least, most : float
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
    return np.clip(40 + rate * (np.asarray(clock, dtype=float) - mark), least, most)


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


def dry_matter(
    clock: ArrayLike,
    *,
    most: float = c.YIELD_FIRST,
    centre: float = c.YIELD_CENTRE,
    width: float = c.YIELD_WIDTH,
) -> Array:
    """Return the dry matter standing by the growth clock [t/ha].

    Parameters
    ----------
    clock : array_like
        Temperature sum without the warmth above the heat cap [degC d], any shape.
    most : float
        Asymptote [t/ha].
    centre, width : float
        Centre and width of the curve [degC d].

    Notes
    -----
    ``W = most (L(T) - L(0))`` with the logistic L: typical figures of an unirrigated cool-season meadow, all
    estimates. Drought and the site are not in it; a farm's own yield outranks it.

    Examples
    --------
    >>> dry_matter([100.0, 500.0]).round(2)
    array([0.2 , 3.03])
    """
    grown = 1 / (1 + np.exp((centre - np.asarray(clock, dtype=float)) / width))
    return np.asarray(most * (grown - 1 / (1 + np.exp(centre / width))))


def species_ndf(kind: Species, clock: Array, *, regrowth: bool) -> Array:
    """Return the fibre of one species by its clock [% of DM], in first growth or regrowth."""
    mark = kind.ndf_mark_regrowth if regrowth else kind.ndf_mark
    if kind.legume:
        return legume_ndf(clock, mark)
    return grass_ndf(clock, mark, ceiling=c.NDF_REGROWTH_CEILING if regrowth else c.NDF_FLOOR + c.NDF_RISE)


def species_dry_matter(kind: Species, clock: Array, *, regrowth: bool) -> Array:
    """Return the dry matter of one species, were it alone, by its growth clock [t/ha]."""
    most = c.YIELD_REGROWTH if regrowth else c.YIELD_FIRST
    if kind.legume:
        return dry_matter(clock, most=most, centre=c.LEGUME_YIELD_CENTRE, width=c.LEGUME_YIELD_WIDTH)
    if regrowth:
        return dry_matter(clock, most=most, centre=c.YIELD_CENTRE_REGROWTH, width=c.YIELD_WIDTH_REGROWTH)
    return dry_matter(clock, most=most)


def stage_onsets(kind: Species, *, regrowth: bool, latitude: float) -> dict[str, float]:
    """Return the clock at which each stage is first seen [degC d]; empty for the regrowth of a grass.

    Notes
    -----
    Most cool-season grasses do not head again after a cut, so that the table says nothing of their
    regrowth. The stages of a legume's regrowth are those of its first growth, moved as far as its NDF
    mark is.
    """
    if regrowth and not kind.legume:
        return {}
    move = kind.ndf_mark_regrowth - kind.ndf_mark if regrowth else 0.0
    if abs(latitude) > FAR_NORTH:
        move += kind.far_north_shift
    return {word: onset + move if onset else 0.0 for word, onset in kind.stages.items()}


def stage_words(clock: Array, onsets: Mapping[str, float]) -> list[str]:
    """Return the stage in the trade's words at each clock; `onsets` empty means the regrowth of a grass."""
    if not onsets:
        return [REGROWTH] * clock.size
    words = list(onsets)
    reached = np.searchsorted(list(onsets.values()), clock, side="right")
    return [words[max(index - 1, 0)] for index in reached]


def stage_number(clock: Array, onsets: Mapping[str, float]) -> Array:
    """Return the mean stage of a grass (MSC, 1 to 3.7) by linear interpolation between the onsets.

    Notes
    -----
    The index is that of Moore et al. (1991); a clock past bloom stays at 3.7.
    """
    return np.interp(clock, list(onsets.values()), STAGE_NUMBERS)


def standing_moisture(
    kind: Species,
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
    by_stage = list(kind.moisture_by_stage.values())
    wet = np.interp(clock, list(onsets.values()), by_stage) if onsets else np.full(clock.shape, by_stage[0])
    wet = wet - drier if regrowth else wet
    return wet / (1 - wet)

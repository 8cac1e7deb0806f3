"""The species of a stand and what their stage clocks mean: stage words, fibre, moisture and dry matter.

A clock is a temperature sum since the start of the season (first growth) or since the last cut (regrowth), in
degC d above 0 degC for grasses and above 5 degC for legumes. The tables are in ``species.toml``.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache
from importlib.resources import files
from itertools import product
from math import inf, log
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models import coefficients as c

Array = NDArray[np.float64]

GRASS_STAGES: Final = ("leaf", "stem", "boot", "early heads", "full heads", "bloom")
LEGUME_STAGES: Final = ("vegetative", "buds", "first flower", "full flower")
NO_HEADS: Final = "no heads yet"
NO_BUDS: Final = "no buds yet"
REGROWTH: Final = "leafy regrowth"
FAR_NORTH: Final = 58.0  # [deg] of latitude beyond which far_north_shift holds


class Purpose(StrEnum):
    """What the forage is for."""

    MILK = "milking cows"
    DRY_COWS = "dry cows"
    HORSES = "working horses"


@dataclass(frozen=True, eq=False)
class Species:
    """A row of ``species.toml`` or a `variety` of one; `stages` starts with the youngest stage at a clock of 0.

    Two rows are one only if they are the same object, so that a row may be the key of a dict: make each once.
    """

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
    root_depth: float  # Zr, of effective roots [m]
    like: str = ""  # the species of the table that this is a variety of

    @property
    def alfalfa(self) -> bool:
        """Whether this is alfalfa or a variety of it, whose height speaks of its fibre."""
        return "alfalfa" in (self.name, self.like)


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
        root_depth=float(row.get("root_depth", kind["root_depth"])),
    )


def variety(
    like: Species,
    name: str,
    *,
    ndf_mark: float | None = None,
    ndf_mark_regrowth: float | None = None,
    stages_later: float = 0.0,
    drying_factor: float | None = None,
) -> Species:
    """Return a row of its own for a variety, or for a local species, that is like a known one.

    Parameters
    ----------
    like : Species
        The row that holds for all that is not given.
    name : str
        What a stand calls it.
    ndf_mark, ndf_mark_regrowth : float, optional
        Clock at NDF 50 % (grasses) or 40 % (legumes), in first growth and in a regrowth [degC d].
    stages_later : float
        How much later than in `like` the stages of the first growth come [degC d]; below 0 they come sooner.
    drying_factor : float, optional
        Drying rate as a multiple of that of a mixed sward [1].

    Returns
    -------
    Species

    Raises
    ------
    ValueError
        If a mark or the factor is not above 0, or a stage would begin before its growth does.

    Notes
    -----
    The fibre does not move with the stages: a variety that heads later and coarsens later needs both. Varieties of
    one species head up to two weeks apart, some 200 degC d. The stages of a legume's regrowth move as its marks do
    (`stage_onsets`).

    Examples
    --------
    >>> late = variety(species()["timothy"], "late timothy", ndf_mark=550.0, stages_later=60.0)
    >>> late.ndf_mark, late.stages["boot"], late.ndf_mark_regrowth
    (550.0, 610.0, 550.0)
    """
    row = replace(
        like,
        name=name,
        like=like.like or like.name,
        ndf_mark=like.ndf_mark if ndf_mark is None else ndf_mark,
        ndf_mark_regrowth=like.ndf_mark_regrowth if ndf_mark_regrowth is None else ndf_mark_regrowth,
        stages=MappingProxyType({word: onset + stages_later if onset else 0.0 for word, onset in like.stages.items()}),
        drying_factor=like.drying_factor if drying_factor is None else drying_factor,
    )
    _check_variety(row)
    return row


def _check_variety(row: Species) -> None:
    for what in ("ndf_mark", "ndf_mark_regrowth", "drying_factor"):
        value = getattr(row, what)
        if not 0 < value < inf:
            raise ValueError(f"variety {row.name!r}: {what} is {value:g}; it must be above 0")
    for regrowth, latitude in product((False, True), (0.0, 90.0)):
        onsets = stage_onsets(row, regrowth=regrowth, latitude=latitude)
        for word in list(onsets)[1:2]:  # those after it move as far; a grass has none in a regrowth
            if not 0 < onsets[word] < inf:
                raise ValueError(
                    f"variety {row.name!r}: {word} would begin at {onsets[word]:g} degC d of "
                    f"{'a regrowth' if regrowth else 'the first growth'}; it must be above 0, "
                    "so change stages_later or the marks"
                )


def known_stand(stand: Mapping[str, float], kinds: Mapping[str, Species] | None = None) -> dict[Species, float]:
    """Return the species of a stand with their shares of its dry matter.

    Parameters
    ----------
    stand : Mapping[str, float]
        Shares of the dry matter by the names of species [1].
    kinds : Mapping[str, Species], optional
        The species that may be named; left out, those of `species`.

    Raises
    ------
    ValueError
        If a name is unknown, a share is not above 0, or the shares do not add up to 1 within 0.01.
    """
    kinds = species() if kinds is None else kinds
    for name, share in stand.items():
        if name not in kinds:
            raise ValueError(f"stand: unknown species {name!r}; known are {', '.join(kinds)}")
        if not share > 0:
            raise ValueError(f"stand: the share of {name} is {share}; it must be above 0")
    if not abs(sum(stand.values()) - 1) <= 0.01:
        raise ValueError(f"stand: the shares add up to {sum(stand.values()):g}; they must add up to 1")
    members: dict[Species, float] = {}
    for name, share in stand.items():  # two names may mean one row
        members[kinds[name]] = members.get(kinds[name], 0.0) + share
    return members


def grass_share(stand: Mapping[str, float], kinds: Mapping[str, Species] | None = None) -> float:
    """Return the share of grass in a stand [1]; what is not a legume counts as grass; `kinds` as in `known_stand`."""
    return sum((share for kind, share in known_stand(stand, kinds).items() if not kind.legume), 0.0)


def drying_factor(stand: Mapping[str, float], kinds: Mapping[str, Species] | None = None) -> float:
    """Return how fast a stand dries, in terms of a mixed sward's rate [1]; `kinds` as in `known_stand`."""
    return sum((share * kind.drying_factor for kind, share in known_stand(stand, kinds).items()), 0.0)


def root_depth(stand: Mapping[str, float], kinds: Mapping[str, Species] | None = None) -> float:
    """Return how deep the roots of a stand reach for water, mixed by share [m]."""
    return sum((share * kind.root_depth for kind, share in known_stand(stand, kinds).items()), 0.0)


def ndf_target(
    share: float,
    purpose: Purpose = Purpose.MILK,
    *,
    grass: float = c.NDF_TARGET_GRASS,
    legume: float = c.NDF_TARGET_LEGUME,
    later: float = c.NDF_TARGET_LATER,
) -> float:
    """Return the fibre at which a stand should be cut [% of DM].

    Parameters
    ----------
    share : float
        Share of grass [1].
    purpose : Purpose
        What the forage is for.
    grass, legume : float
        For milking cows, where the stand is all of the one or of the other [% of DM].
    later : float
        What dry cows and working horses may have on top of that [% of DM].

    Notes
    -----
    The ends (38 and 50) and the middle (44) are extension advice of Cornell and Ohio; the line between is
    this project's, and so is `later`.

    Examples
    --------
    >>> ndf_target(0.5), ndf_target(1.0, Purpose.HORSES)
    (44.0, 58.0)
    """
    return legume + (grass - legume) * share + (0.0 if purpose is Purpose.MILK else later)


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


def cutting_height(share: float) -> float:
    """Return the height of the alfalfa in or beside a stand at which cutting for milking cows may begin [m].

    Parameters
    ----------
    share : float
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
    return 0.0254 * (28.0 - 10.0 * share - 4.0 * share**2)


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
    estimates. Drought slows the clock that it is given; the site is not in it, and a farm's own yield outranks it.

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


def stand_ndf(members: Mapping[Species, float], clocks: Mapping[bool, Array], *, regrowth: bool) -> Array:
    """Return the fibre of a stand by the clocks of its grasses (False) and legumes (True) [% of DM], mixed by share."""
    parts = [share * species_ndf(kind, clocks[kind.legume], regrowth=regrowth) for kind, share in members.items()]
    return np.asarray(sum(parts), dtype=float)


def stand_dry_matter(members: Mapping[Species, float], clocks: Mapping[bool, Array], *, regrowth: bool) -> Array:
    """Return the dry matter of a stand by the growth clocks of its grasses and legumes [t/ha], mixed by share."""
    parts = [
        share * species_dry_matter(kind, clocks[kind.legume], regrowth=regrowth) for kind, share in members.items()
    ]
    return np.asarray(sum(parts), dtype=float)


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

"""The species of a stand, from ``species.toml`` or the farm's own, and the figures of a stand by their shares."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from itertools import product
from math import inf
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
GRASS_STAGES: Final = ("leaf", "stem", "boot", "early heads", "full heads", "bloom")
LEGUME_STAGES: Final = ("vegetative", "buds", "first flower", "full flower")
FAR_NORTH_LATITUDE: Final = 58.0  # [deg] of latitude beyond which far_north_shift holds


@dataclass(frozen=True, eq=False)
class Species:
    """A row of ``species.toml`` or a `make_variety` of one; `stages` starts with the youngest stage at a clock of 0.

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
    def is_alfalfa(self) -> bool:
        """Whether this is alfalfa or a variety of it, whose height speaks of its fibre."""
        return "alfalfa" in (self.name, self.like)


@cache
def species_table() -> Mapping[str, Species]:
    """Return every species the program knows, by name.

    Returns
    -------
    Mapping[str, Species]
        Grasses first, then legumes.

    Examples
    --------
    >>> species_table()["orchardgrass"].stages["early heads"]
    470.0
    """
    table = tomllib.loads(files("models").joinpath("species.toml").read_text(encoding="utf-8"))
    species_by_name = {}
    for kind_name, legume in (("grasses", False), ("legumes", True)):
        kind = table[kind_name]
        for name, row in kind["species"].items():
            species_by_name[name] = _build_species(name, row, kind, legume=legume)
    return MappingProxyType(species_by_name)


def _build_species(name: str, row: Mapping[str, Any], kind: Mapping[str, Any], *, legume: bool) -> Species:
    youngest = (LEGUME_STAGES if legume else GRASS_STAGES)[0]
    wetter = row.get("moisture_shift", 0.0)
    onsets = {youngest: 0.0} | {stage: float(clock) for stage, clock in row["stages"].items()}
    moisture_by_stage = {stage: moisture + wetter for stage, moisture in kind["moisture_by_stage"].items()}
    return Species(
        name=name,
        legume=legume,
        base=kind["base"],
        stages=MappingProxyType(onsets),
        ndf_mark=float(row["ndf_mark"]),
        ndf_mark_regrowth=float(row["ndf_mark_regrowth"]),
        regrowth_days=(row["regrowth_days"][0], row["regrowth_days"][1]),
        drying_factor=row["drying_factor"],
        moisture_by_stage=MappingProxyType(moisture_by_stage),
        far_north_shift=float(row.get("far_north_shift", 0.0)),
        root_depth=float(row.get("root_depth", kind["root_depth"])),
    )


def make_variety(
    like: Species,
    name: str,
    *,
    ndf_mark: float | None = None,
    ndf_mark_regrowth: float | None = None,
    stages_later: float = 0.0,
    drying_factor: float | None = None,
) -> Species:
    """Make the row of a variety, or of a local species, from that of a similar one.

    Parameters
    ----------
    like : Species
        The row for everything that is not given.
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
    >>> late = make_variety(species_table()["timothy"], "late timothy", ndf_mark=550.0, stages_later=60.0)
    >>> late.ndf_mark, late.stages["boot"], late.ndf_mark_regrowth
    (550.0, 610.0, 550.0)
    """
    row = replace(
        like,
        name=name,
        like=like.like or like.name,
        ndf_mark=like.ndf_mark if ndf_mark is None else ndf_mark,
        ndf_mark_regrowth=like.ndf_mark_regrowth if ndf_mark_regrowth is None else ndf_mark_regrowth,
        stages=MappingProxyType(_moved_onsets(like.stages, stages_later)),
        drying_factor=like.drying_factor if drying_factor is None else drying_factor,
    )
    _check_variety(row)
    return row


def _moved_onsets(onsets: Mapping[str, float], shift: float) -> dict[str, float]:
    """Return onsets moved along the clock [degC d]; the youngest stage stays at 0."""
    return {stage: onset + shift if onset else 0.0 for stage, onset in onsets.items()}


def _check_variety(row: Species) -> None:
    """Refuse a variety with marks, a factor or onsets that are not above 0."""
    for name in ("ndf_mark", "ndf_mark_regrowth", "drying_factor"):
        value = getattr(row, name)
        if not 0 < value < inf:
            raise ValueError(f"variety {row.name!r}: {name} is {value:g}; it must be above 0")
    for regrowth, latitude in product((False, True), (0.0, 90.0)):
        onsets = stage_onsets(row, regrowth=regrowth, latitude=latitude)
        # The second stage is enough, because later ones move as far; the regrowth of a grass has no stages.
        for stage in list(onsets)[1:2]:
            if not 0 < onsets[stage] < inf:
                raise ValueError(
                    f"variety {row.name!r}: {stage} would begin at {onsets[stage]:g} degC d of "
                    f"{'a regrowth' if regrowth else 'the first growth'}; it must be above 0, "
                    "so change stages_later or the marks"
                )


def resolve_stand(
    stand: Mapping[str, float], species_by_name: Mapping[str, Species] | None = None
) -> dict[Species, float]:
    """Return the species of a stand with their shares of its dry matter.

    Parameters
    ----------
    stand : Mapping[str, float]
        Shares of the dry matter by the names of species [1].
    species_by_name : Mapping[str, Species], optional
        The species by name; by default those of `species_table`.

    Raises
    ------
    ValueError
        If a name is unknown, a share is not above 0, or the shares do not add up to 1 within 0.01.
    """
    species_by_name = species_table() if species_by_name is None else species_by_name
    for name, share in stand.items():
        if name not in species_by_name:
            raise ValueError(f"stand: unknown species {name!r}; known are {', '.join(species_by_name)}")
        if not share > 0:
            raise ValueError(f"stand: the share of {name} is {share}; it must be above 0")
    if not abs(sum(stand.values()) - 1) <= 0.01:
        raise ValueError(f"stand: the shares add up to {sum(stand.values()):g}; they must add up to 1")
    species_shares: dict[Species, float] = {}
    for name, share in stand.items():
        species = species_by_name[name]
        # Two names may mean one species.
        species_shares[species] = species_shares.get(species, 0.0) + share
    return species_shares


def stand_grass_share(stand: Mapping[str, float], species_by_name: Mapping[str, Species] | None = None) -> float:
    """Return the share of a stand that is not legumes [1]; `species_by_name` as in `resolve_stand`."""
    species_shares = resolve_stand(stand, species_by_name)
    return sum((share for species, share in species_shares.items() if not species.legume), 0.0)


def stand_drying_factor(stand: Mapping[str, float], species_by_name: Mapping[str, Species] | None = None) -> float:
    """Return the drying rate of a stand relative to a mixed sward [1]; `species_by_name` as in `resolve_stand`."""
    species_shares = resolve_stand(stand, species_by_name)
    return sum((share * species.drying_factor for species, share in species_shares.items()), 0.0)


def stand_root_depth(stand: Mapping[str, float], species_by_name: Mapping[str, Species] | None = None) -> float:
    """Return the effective rooting depth of a stand, mixed by share [m]."""
    species_shares = resolve_stand(stand, species_by_name)
    return sum((share * species.root_depth for species, share in species_shares.items()), 0.0)


def stage_onsets(species: Species, *, regrowth: bool, latitude: float) -> dict[str, float]:
    """Return the clock at the onset of each stage [degC d]; empty for the regrowth of a grass.

    Notes
    -----
    Most cool-season grasses do not head again after a cut, so the table has no stages for their regrowth. The stages of
    a legume's regrowth are those of its first growth, moved as far as its NDF mark is.
    """
    if regrowth and not species.legume:
        return {}
    shift = species.ndf_mark_regrowth - species.ndf_mark if regrowth else 0.0
    if abs(latitude) > FAR_NORTH_LATITUDE:
        shift += species.far_north_shift
    return _moved_onsets(species.stages, shift)

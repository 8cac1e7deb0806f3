"""The feed value of a stand, and what one more day of waiting changes.

Every figure has its 10, 50 and 90 % points and names its source. Digestibility is that of the dry matter; the
sources of grass print that of its organic matter, a unit or two away, which the spread covers.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import hypot
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from models import coefficients as c
from models.degree_days import Days, UnknownCause
from models.digestibility import (
    FIRST_HEADS,
    fibre_digestibility,
    grass_digestibility,
    grass_protein,
    legume_protein,
    ndf_digestibility,
)
from models.growth import DECILE_Z, Growth, GrowthUnknown
from models.species import Array, Species
from models.stage_clock import StageClock
from models.stages import Purpose, species_ndf, stand_dry_matter, stand_ndf

CLOCK_POINTS: Final = np.array([[-DECILE_Z], [0.0], [DECILE_Z]])  # of the clock, in its standard deviations

NDF_SOURCE: Final = "estimate: fibre by the stage clock, rising as Cornell reads it"
DIGESTIBILITY_SOURCE: Final = (
    f"estimate: falls from first heads ({c.CONSTANTS['DIGESTIBILITY_FALL'].source}, "
    f"{c.CONSTANTS['DIGESTIBILITY_FALL_WARMTH'].source}); legumes by their fibre"
)
NDF_DIGESTIBILITY_SOURCE: Final = (
    f"estimate: from the two above ({c.CONSTANTS['SOLUBLES_DIGESTIBILITY'].source}, "
    f"{c.CONSTANTS['SOLUBLES_DIGESTIBILITY'].mark})"
)
PROTEIN_SOURCE: Final = (
    f"estimate: grass by yield ({c.CONSTANTS['CRITICAL_NITROGEN'].source}, {c.CONSTANTS['CRITICAL_NITROGEN'].mark}), "
    f"legumes by fibre ({c.CONSTANTS['LEGUME_PROTEIN_AT_BUD'].source})"
)
DRY_MATTER_SOURCE: Final = "estimate: typical meadow by the growth clock, less where drought is known"
WORTH_SOURCE: Final = (
    f"estimate: tonnage, less what coarser feed is worth in milk ({c.CONSTANTS['MILK_PER_DIGESTIBILITY'].source})"
)
NEXT_CUT_SOURCE: Final = "estimate: the growth after it begins a day later, on warmer days"
MILK_SOURCE: Final = (
    f"{c.CONSTANTS['MILK_PER_DIGESTIBILITY'].mark}: {c.MILK_PER_DIGESTIBILITY} kg for each % of digestibility "
    f"({c.CONSTANTS['MILK_PER_DIGESTIBILITY'].source}), first growth"
)


@dataclass(frozen=True)
class BandSeries:
    """The 10, 50 and 90 % points of one quantity, with its unit and its source."""

    low: Array
    mid: Array
    high: Array
    unit: str
    source: str


@dataclass(frozen=True)
class Figure:
    """One value of a `BandSeries`."""

    low: float
    mid: float
    high: float
    unit: str
    source: str


@dataclass(frozen=True)
class QualitySeries:
    """A standing crop as feed, day by day; every array has the shape of `day`, NaN where its growth has none."""

    day: Days
    ndf: BandSeries  # [% of DM]
    digestibility: BandSeries  # [% of DM]
    ndf_digestibility: BandSeries  # [% of NDF]
    protein: BandSeries  # [% of DM]
    dry_matter: BandSeries  # [t/ha]
    worth: BandSeries  # [t/ha of dry matter as good as at the target]


@dataclass(frozen=True)
class WaitingCost:
    """The changes by one more day of waiting; a decrease is negative."""

    day: np.datetime64  # mown on the day after instead
    ndf: Figure  # [% of DM]
    digestibility: Figure  # [% of DM]
    protein: Figure  # [% of DM]
    dry_matter: Figure  # [t/ha]
    next_cut: Figure  # [d] that the next cut comes later
    milk: Figure | None  # [kg of energy-corrected milk per cow and day]; None but for milking cows in first growth
    worth: Figure  # of this cut and what the season loses after it [t/ha as good as at the target]


@dataclass(frozen=True)
class _Course:
    """A crop at three points of its clock, each of shape (3, days of the growth)."""

    ndf: Array
    digestibility: Array
    protein: Array
    dry_matter: Array

    @property
    def ndf_digestibility(self) -> Array:
        return ndf_digestibility(self.digestibility, self.ndf)


def field_quality(
    growth: Growth,
    purpose: Purpose = Purpose.MILK,
    *,
    yield_ratio: float = 1.0,
    nutrition: float = c.NITROGEN_NUTRITION_INDEX,
) -> QualitySeries:
    """Return a standing crop as feed, day by day.

    Parameters
    ----------
    growth : Growth
        From `models.growth.field_growth`; water stress given there is in its yield.
    purpose : Purpose
        What the forage is for: how fast its worth falls past `growth.ndf_target`.
    yield_ratio : float
        The field's own yield over the model's [1].
    nutrition : float
        Nitrogen of its grasses over the critical [1].

    Returns
    -------
    QualitySeries

    Notes
    -----
    The points come from the spread of the stage clock and what each figure is unsure of itself, in quadrature.
    """
    course = _course(
        growth, {kind: CLOCK_POINTS * run.spread for kind, run in growth.clocks.items()}, yield_ratio, nutrition
    )
    unsure = DECILE_Z * c.DIGESTIBILITY_SPREAD
    heavier, richer = DECILE_Z * c.YIELD_SPREAD * course.dry_matter[1], DECILE_Z * c.PROTEIN_SPREAD * course.protein[1]
    fibre = 100.0 * unsure / course.ndf[1]
    bands = {
        "ndf": _band(course.ndf, 0.0, 0.0, "% of DM", NDF_SOURCE),
        "digestibility": _band(course.digestibility, unsure, unsure, "% of DM", DIGESTIBILITY_SOURCE),
        "ndf_digestibility": _band(course.ndf_digestibility, fibre, fibre, "% of NDF", NDF_DIGESTIBILITY_SOURCE),
        "protein": _band(course.protein, richer, richer, "% of DM", PROTEIN_SOURCE),
        "dry_matter": _band(course.dry_matter, heavier, heavier, "t/ha", DRY_MATTER_SOURCE),
        "worth": _worth_band(lambda factor: _worth(course, growth.ndf_target, purpose, factor)),
    }
    return QualitySeries(day=growth.day, **{name: _pad_days(band, growth.day.size) for name, band in bands.items()})


def waiting_cost(
    growth: Growth,
    day: np.datetime64,
    purpose: Purpose = Purpose.MILK,
    *,
    yield_ratio: float = 1.0,
    nutrition: float = c.NITROGEN_NUTRITION_INDEX,
    cut_again: bool = True,
) -> WaitingCost:
    """Return what changes if a field is mown a day later.

    Parameters
    ----------
    growth, purpose, yield_ratio, nutrition
        As in `field_quality`.
    day : datetime64
        The day on which the field could be mown; the weather must hold the day after.
    cut_again : bool
        Whether another cut follows this season, which comes later then.

    Returns
    -------
    WaitingCost

    Raises
    ------
    GrowthUnknown
        If the crop of that day or of the day after is not known.

    Notes
    -----
    Weather that spoils a cut is not included. `worth` is the change in tonnage, each tonne discounted by its fibre past
    the target, less the growth that the season loses; all its prices are estimates.
    """
    at = int((day - growth.day[0]).astype(int))
    if not 0 <= at < growth.day.size - 1 or not np.isfinite(growth.clock[at]):
        raise GrowthUnknown(UnknownCause.NEXT_DAY_UNKNOWN, day)
    first = at - growth.day.size  # from the end, for a clock holds the days of its growth only
    # The same crop on both days: no spread may be gained by waiting.
    shifts = {kind: CLOCK_POINTS * run.spread[first] for kind, run in growth.clocks.items()}
    course = _course(growth, shifts, yield_ratio, nutrition)

    def change(points: Array) -> Array:
        return np.asarray(points[:, first + 1] - points[:, first])

    ndf, dry_matter = change(course.ndf), change(course.dry_matter)
    digestibility = _figure(change(course.digestibility), c.DIGESTIBILITY_FALL_RANGE, "% of DM", DIGESTIBILITY_SOURCE)
    unsure = (1.0 - DECILE_Z * c.YIELD_SPREAD, 1.0 + DECILE_Z * c.YIELD_SPREAD)
    diluted = (1.0 - DECILE_Z * c.PROTEIN_SPREAD, 1.0 + DECILE_Z * c.PROTEIN_SPREAD)
    has_milk = purpose is Purpose.MILK and not growth.regrowth
    milk = _scale_figure(digestibility, c.MILK_PER_DIGESTIBILITY, "kg ECM per cow and day", MILK_SOURCE)
    worth = _worth_band(lambda factor: change(_worth(course, growth.ndf_target, purpose, factor)))
    return WaitingCost(
        day=day,
        ndf=_figure(ndf, c.NDF_RATE_RANGE, "% of DM", NDF_SOURCE),
        digestibility=digestibility,
        protein=_figure(change(course.protein), diluted, "% of DM", PROTEIN_SOURCE),
        dry_matter=_figure(dry_matter, unsure, "t/ha", DRY_MATTER_SOURCE),
        next_cut=Figure(*(c.NEXT_CUT_DELAY if cut_again else (0.0, 0.0, 0.0)), "d", NEXT_CUT_SOURCE),
        milk=milk if has_milk else None,
        worth=_net_worth_change(worth, cut_again=cut_again),
    )


def _course(growth: Growth, shifts: Mapping[bool, Array], yield_ratio: float, nutrition: float) -> _Course:
    """Return the crop with each clock moved by `shifts` [degC d], of shape (3, 1) or (3, days)."""
    clocks = {kind: run.clock + shifts[kind] for kind, run in growth.clocks.items()}
    grown = {kind: np.maximum(run.growth_clock + shifts[kind], 0.0) for kind, run in growth.clocks.items()}
    dry_matter = yield_ratio * stand_dry_matter(growth.species_shares, grown, regrowth=growth.regrowth)
    digestibility, protein = [], []
    for species, share in growth.species_shares.items():
        clock = clocks[species.legume]
        digestibility.append(share * _digestibility(species, growth.clocks[species.legume], clock))
        if species.legume:
            protein.append(share * legume_protein(species_ndf(species, clock, regrowth=growth.regrowth)))
        else:
            protein.append(share * grass_protein(dry_matter, nutrition=nutrition))
    return _Course(
        ndf=stand_ndf(growth.species_shares, clocks, regrowth=growth.regrowth),
        digestibility=np.asarray(sum(digestibility), dtype=float),
        protein=np.asarray(sum(protein), dtype=float),
        dry_matter=dry_matter,
    )


def _digestibility(species: Species, run: StageClock, clock: Array) -> Array:
    """Return the digestibility of one species: by its heads in a first growth of grass, else by its fibre."""
    onsets = run.plant_kind.onsets_of(species)
    if FIRST_HEADS in onsets:
        return grass_digestibility(clock, onsets[FIRST_HEADS], run.step, run.mean_temperature)
    return fibre_digestibility(species_ndf(species, clock, regrowth=run.plant_kind.regrowth), legume=species.legume)


def _worth(course: _Course, target: float, purpose: Purpose, factor: float) -> Array:
    """Return the dry matter in tonnes as good as at the target [t/ha]; `factor` is on what coarser feed loses."""
    lost = factor * (c.WORTH_LOSS_MILK if purpose is Purpose.MILK else c.WORTH_LOSS_COARSE)
    return np.asarray(course.dry_matter * np.maximum(1.0 - lost * np.maximum(course.ndf - target, 0.0), c.MIN_WORTH))


def _worth_band(points_at: Callable[[float], Array]) -> BandSeries:
    """Return the band of a worth, or of a change in it, uncertain by the yield and by the loss of coarser feed."""
    points, (cheaper, dearer) = points_at(1.0), (points_at(factor)[1] for factor in c.WORTH_LOSS_RANGE)
    heavier = DECILE_Z * c.YIELD_SPREAD * points[1]
    below, above = np.hypot(points[1] - dearer, heavier), np.hypot(cheaper - points[1], heavier)
    return _band(points, below, above, "t/ha", WORTH_SOURCE)


def _net_worth_change(change: BandSeries, *, cut_again: bool) -> Figure:
    """Return the change in worth of this cut, less what a later next cut costs the season."""
    low, mid, high = float(change.low), float(change.mid), float(change.high)
    least, usual, most = (days * growth for days, growth in zip(c.NEXT_CUT_DELAY, c.SUMMER_GROWTH, strict=True))
    if not cut_again:
        return Figure(low, mid, high, change.unit, change.source)
    net = mid - usual
    return Figure(
        net - hypot(mid - low, most - usual), net, net + hypot(high - mid, usual - least), change.unit, change.source
    )


def _band(points: Array, below: ArrayLike, above: ArrayLike, unit: str, source: str) -> BandSeries:
    """Return the band of a figure by three points of the clock and its own uncertainty, in quadrature."""
    mid = points[1]
    low = mid - np.hypot(mid - points.min(axis=0), below)
    high = mid + np.hypot(points.max(axis=0) - mid, above)
    return BandSeries(low, mid, high, unit, source)


def _figure(points: Array, factors: tuple[float, float], unit: str, source: str) -> Figure:
    """Return the figure of a change at three points of the clock, with an uncertainty of two factors of its middle.

    A change with the same sign at all points keeps it over its whole range.
    """
    ends = sorted(factor * points[1] for factor in factors)
    band = _band(points, points[1] - ends[0], ends[1] - points[1], unit, source)
    low = max(float(band.low), 0.0) if points.min() >= 0.0 else float(band.low)
    high = min(float(band.high), 0.0) if points.max() <= 0.0 else float(band.high)
    return Figure(low, float(band.mid), high, unit, source)


def _scale_figure(figure: Figure, factor: float, unit: str, source: str) -> Figure:
    return Figure(factor * figure.low, factor * figure.mid, factor * figure.high, unit, source)


def _pad_days(band: BandSeries, days: int) -> BandSeries:
    """Pad a band to all requested days with NaN for those of another growth."""

    def pad(values: Array) -> Array:
        return np.concatenate([np.full(days - values.size, np.nan), values])

    return BandSeries(pad(band.low), pad(band.mid), pad(band.high), band.unit, band.source)

"""The growth of a field by stage clocks: temperature sums, corrected by what the farmer saw.

A stand has at most two clocks, one for its grasses (above 0 degC) and one for its legumes (above 5 degC); each species
has its own table by the clock of its kind. Drought and frost delay a growth or end it.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from models import coefficients as c
from models.degree_days import (
    WARM_HIGHS,
    DailyTemperature,
    Days,
    GrowthUnknown,
    UnknownCause,
    degree_days,
    green_up,
    legume_origin,
    legume_start,
    required_days,
    season_origin,
    season_start,
)
from models.looks import PlantKind, Prior, StageLook, check_looks, is_relevant, next_prior
from models.species import Array, Species, resolve_stand, species_table, stand_drying_factor, stand_grass_share
from models.stage_clock import NO_CONTEXT, GrowthContext, StageClock, run_clock
from models.stage_scales import kalu_fick_stage, mean_stage_count
from models.stages import cutting_height, ndf_target, stage_words, stand_dry_matter, stand_ndf, standing_moisture

__all__ = [
    "NO_CONTEXT",
    "DoubtKind",
    "Growth",
    "GrowthContext",
    "GrowthDoubt",
    "GrowthUnknown",
    "Prior",
    "Species",
    "StageClock",
    "StageLook",
    "degree_days",
    "field_growth",
    "legume_start",
    "season_start",
    "species_table",
]

DECILE_Z: Final = 1.2816  # standard deviations from the mean to the 10 and 90 % points of a normal distribution
DAYS_AHEAD: Final = np.arange(-60.0, 121.0)  # [d] range in which `days_left` is sought
WEEK: Final = 7  # [d]


class DoubtKind(StrEnum):
    """A reason to doubt the growth: an unused look, or something that temperature alone does not show."""

    LOOK_UNUSED = "look unused"  # a look that says nothing about this growth, of a day
    REGROWTH = "regrowth"  # of a legume, by temperature alone
    FROST = "frost"  # of a day, without a look since
    GROWTH_ENDED = "growth ended"  # by the frost of a day
    DROUGHT = "drought"  # for a number of days


@dataclass(frozen=True)
class GrowthDoubt:
    """A doubt with the leading species, the day or the number of days that it concerns."""

    kind: DoubtKind
    species: str = ""
    day: np.datetime64 | None = None
    days: int = 0


@dataclass(frozen=True)
class Growth:
    """The growth of one stand, day by day; all arrays have the shape of `day`.

    A clock includes the whole of its day. Days before the season's origin or before the last cut are NaN, and "" in
    `stage`: they belong to another growth.
    """

    day: Days
    start_day: np.datetime64 | None  # first day counted, None before the season starts
    end_day: np.datetime64 | None  # day of the frost that killed the leading species
    green_up: Mapping[str, np.datetime64 | None]  # day by each rule, first growth only
    clock: Array  # of the leading species [degC d]
    clock_spread: Array  # its standard deviation [degC d]
    ndf_low: Array  # 10 % point [% of DM]
    ndf_mid: Array
    ndf_high: Array  # 90 % point
    msc: Array  # mean stage of the leading grass in first growth, else NaN
    kalu_fick: Array  # mean stage of leading alfalfa, else NaN
    stage: list[str]  # of the leading species, in the trade's words
    dry_matter: Array  # [t/ha]
    start_moisture: Array  # of the standing crop without dew [wet basis]
    days_left: Array  # until NDF is past its target by more than RIPE_HALF_WIDTH, held at -60 and 120 [d]
    ndf_target: float  # [% of DM]
    grass_share: float
    drying_factor: float
    cut_height: float | None  # of its alfalfa at which cutting for milk may begin, first growth [m]; None without any
    species_shares: Mapping[Species, float]  # share of the dry matter
    clocks: Mapping[bool, StageClock]  # of the grasses (False) and the legumes (True)
    doubts: tuple[GrowthDoubt, ...]

    @property
    def regrowth(self) -> bool:
        """Whether the stand was cut this season."""
        return next(iter(self.clocks.values())).plant_kind.regrowth

    def next_season_priors(self, share: float = c.CARRIED_SHARE) -> Mapping[str, Prior]:
        """Return the prior of the next season's first growth by kind; none after a cut or without a look.

        Parameters
        ----------
        share : float
            Of a clock's offset that carries over to the next season [1], estimate.
        """
        if self.regrowth:
            return {}
        priors = {}
        for run in self.clocks.values():
            if run.is_corrected or run.offset:
                kind = run.plant_kind
                priors[kind.name] = next_prior(run.offset, kind.prior_spread, has_look=run.is_corrected, share=share)
        return priors


def field_growth(
    stand: Mapping[str, float],
    day: Days,
    daily_max: ArrayLike,
    daily_min: ArrayLike,
    *,
    last_cut: np.datetime64 | None,
    looks: Sequence[StageLook],
    southern: bool,
    latitude: float,
    context: GrowthContext = NO_CONTEXT,
    species_by_name: Mapping[str, Species] | None = None,
) -> Growth:
    """Return how far a field has grown on each day.

    Parameters
    ----------
    stand : Mapping[str, float]
        Shares of the dry matter by species, adding up to 1.
    day : NDArray[datetime64[D]]
        Past and coming local days, contiguous, shape (days,).
    daily_max, daily_min : array_like
        Highest and lowest temperature [degC], shape (days,); NaN where missing.
    last_cut : datetime64 or None
        The last cut; one before the season's origin (1 January, in the south 1 July) means first growth.
    looks : Sequence[StageLook]
        The looks at the field; those before the growth began are left out.
    southern : bool
        Whether the farm lies south of the equator.
    latitude : float
        [deg north]; beyond 58 degrees timothy heads sooner.
    context : GrowthContext
        The target, the water stress of each day and the priors from the season before.
    species_by_name : Mapping[str, Species], optional
        The species by name; by default those of `species_table`.

    Returns
    -------
    Growth

    Raises
    ------
    GrowthUnknown
        If a required day is missing or doubtful, or a look cannot be true.
    ValueError
        If the stand, the days or a stage word are malformed.

    Notes
    -----
    Each day adds its degree-days to the clock of each kind; a look corrects the clock of its kind. An uncorrected clock
    keeps its prior spread; after a look the spread grows by CLOCK_NOISE a day (in quadrature) until it reaches the
    prior again. Stage words say nothing about the regrowth of a grass. Regrowth of legumes by temperature alone is
    doubtful, hence its wider spread and its own doubt.

    The growth of a day is multiplied by Ks, and is zero below DROUGHT_KS; there the stage of a regrowth stands still
    too (Norwegian advice), while a first growth ripens on. A night below HARD_FROST on a tall crop widens the spread,
    once until the next look; one of KILLING_FROST in autumn ends the growth of legumes.

    The NDF of a mix is that of its species by share, with errors that are fully correlated. `days_left` follows the
    curve at the mean warmth of the past week, which is (target + 3 - NDF) / rate where the curve is straight.
    """
    species_shares = resolve_stand(stand, species_by_name)
    _check_days(day, daily_max, daily_min, context.stress)
    origin = season_origin(day[-1], southern)
    if last_cut is not None and last_cut > day[-1]:
        raise GrowthUnknown(UnknownCause.CUT_AHEAD, last_cut)
    if last_cut is not None and last_cut >= origin:
        regrowth, since = True, last_cut
    else:
        regrowth, since = False, _first_day_needed(species_shares, origin, day)
    high, low = np.asarray(daily_max, dtype=float), np.asarray(daily_min, dtype=float)
    temperature = required_days(day, high, low, since, context.stress)
    valid_looks = check_looks(looks, temperature.day)
    plant_kinds = _plant_kinds(species_shares, regrowth=regrowth, latitude=latitude)
    clocks = {
        legume: run_clock(plant_kind, temperature, valid_looks, southern, context)
        for legume, plant_kind in plant_kinds.items()
    }
    target = ndf_target(stand_grass_share(stand, species_by_name)) if context.target is None else context.target
    rules = {} if regrowth else _green_up(plant_kinds, temperature, southern)
    doubts = tuple(_doubts(clocks, valid_looks))
    return _assemble_growth(stand, species_by_name, day, clocks, target, rules, doubts)


def _check_days(day: Days, daily_max: ArrayLike, daily_min: ArrayLike, stress: Array | None) -> None:
    """Refuse days or temperatures that are malformed."""
    if stress is not None and stress.shape != day.shape:
        raise ValueError(f"stress of field_growth: shape {stress.shape} given, allowed that of day, {day.shape}")
    is_row = day.ndim == 1 and day.size > 0
    if not is_row or np.shape(daily_max) != day.shape or np.shape(daily_min) != day.shape:
        raise ValueError("day, daily_max and daily_min must be one-dimensional and of one length above 0")
    if day.dtype != np.dtype("datetime64[D]") or np.any(np.diff(day) != np.timedelta64(1, "D")):
        raise ValueError("day must be datetime64[D], each day once, in order and without a gap")


def _first_day_needed(species_shares: Mapping[Species, float], origin: np.datetime64, day: Days) -> np.datetime64:
    """Return the first day that a first growth needs: legumes alone do not need the winter."""
    if all(species.legume for species in species_shares) and day[-1] >= legume_origin(origin):
        return legume_origin(origin)
    return origin


def _plant_kinds(species_shares: Mapping[Species, float], *, regrowth: bool, latitude: float) -> dict[bool, PlantKind]:
    """Return the grasses (False) and the legumes (True) of a stand, each with its leading species."""
    plant_kinds = {}
    for legume in sorted({species.legume for species in species_shares}):
        of_kind = [species for species in species_shares if species.legume == legume]
        leader = max(of_kind, key=species_shares.__getitem__)
        plant_kinds[legume] = PlantKind(leader, len(species_shares) == 1, regrowth, latitude)
    return plant_kinds


def _green_up(
    plant_kinds: Mapping[bool, PlantKind], temperature: DailyTemperature, southern: bool
) -> dict[str, np.datetime64 | None]:
    """Return the day of green-up by each rule for the kinds of the stand."""
    index_by_rule: dict[str, int | None] = {}
    if False in plant_kinds:
        index_by_rule |= green_up(temperature.daily_mean, temperature.day, southern=southern)
    if True in plant_kinds:
        index_by_rule[WARM_HIGHS] = legume_start(temperature.high, temperature.day, southern=southern)
    return {rule: None if at is None else temperature.day[at] for rule, at in index_by_rule.items()}


def _doubts(clocks: Mapping[bool, StageClock], looks: Sequence[StageLook]) -> Iterator[GrowthDoubt]:
    """Yield the reasons to doubt a growth."""
    for look in looks:
        if not any(is_relevant(look, run.plant_kind) for run in clocks.values()):
            yield GrowthDoubt(DoubtKind.LOOK_UNUSED, day=look.on)
    legume = clocks.get(True)
    if legume is not None and legume.plant_kind.regrowth and not legume.is_corrected:
        yield GrowthDoubt(DoubtKind.REGROWTH, legume.plant_kind.leader.name)
    for run in clocks.values():
        yield from _clock_doubts(run)


def _clock_doubts(run: StageClock) -> Iterator[GrowthDoubt]:
    """Yield the frost and the drought that make one clock doubtful."""
    name = run.plant_kind.leader.name
    if run.end_day is not None:
        yield GrowthDoubt(DoubtKind.GROWTH_ENDED, name, run.end_day)
    elif run.unchecked_frost is not None:
        yield GrowthDoubt(DoubtKind.FROST, name, run.unchecked_frost)
    if run.drought_days:
        yield GrowthDoubt(DoubtKind.DROUGHT, name, days=run.drought_days)


def _days_left(
    species_shares: Mapping[Species, float], clocks: Mapping[bool, StageClock], limit: float, *, regrowth: bool
) -> Array:
    """Return the days until the stand's fibre passes `limit`, along its curve at the past week's warmth."""
    ahead = {}
    for legume, run in clocks.items():
        total = np.concatenate([np.zeros(WEEK), np.cumsum(run.step)])
        days = np.minimum(np.arange(1, run.step.size + 1), WEEK)
        # A cold week must not stop the clock for good: 1 degC d a day is the least.
        pace = np.maximum((total[WEEK:] - total[:-WEEK]) / days, 1.0)
        ahead[legume] = run.clock[:, None] + pace[:, None] * DAYS_AHEAD
    ndf = stand_ndf(species_shares, ahead, regrowth=regrowth)
    return np.array([np.interp(limit, row, DAYS_AHEAD) for row in ndf])


def _assemble_growth(
    stand: Mapping[str, float],
    species_by_name: Mapping[str, Species] | None,
    day: Days,
    clocks: Mapping[bool, StageClock],
    target: float,
    rules: Mapping[str, np.datetime64 | None],
    doubts: tuple[GrowthDoubt, ...],
) -> Growth:
    """Assemble the growth of a stand from the tables of its species at the clocks, padded to all requested days."""
    species_shares = resolve_stand(stand, species_by_name)
    leader = max(species_shares, key=species_shares.__getitem__)
    lead = clocks[leader.legume]
    plant_kind, regrowth = lead.plant_kind, lead.plant_kind.regrowth

    def pad(values: Array) -> Array:
        return np.concatenate([np.full(day.size - values.size, np.nan), values])

    def ndf(deviations: float) -> Array:
        at = {legume: run.clock + deviations * run.spread for legume, run in clocks.items()}
        return pad(stand_ndf(species_shares, at, regrowth=regrowth))

    unknown = np.full(day.shape, np.nan)
    grown = {legume: run.growth_clock for legume, run in clocks.items()}
    grass_share = stand_grass_share(stand, species_by_name)
    return Growth(
        day=day,
        start_day=lead.start_day,
        end_day=lead.end_day,
        green_up=rules,
        clock=pad(lead.clock),
        clock_spread=pad(lead.spread),
        ndf_low=ndf(-DECILE_Z),
        ndf_mid=ndf(0.0),
        ndf_high=ndf(DECILE_Z),
        msc=unknown if leader.legume or regrowth else pad(mean_stage_count(lead.clock, plant_kind.onsets)),
        kalu_fick=pad(kalu_fick_stage(lead.clock, plant_kind.onsets)) if leader.is_alfalfa else unknown,
        stage=[""] * (day.size - lead.clock.size) + stage_words(lead.clock, plant_kind.onsets),
        dry_matter=pad(stand_dry_matter(species_shares, grown, regrowth=regrowth)),
        start_moisture=pad(_stand_moisture(species_shares, clocks)),
        days_left=pad(_days_left(species_shares, clocks, target + c.RIPE_HALF_WIDTH, regrowth=regrowth)),
        ndf_target=target,
        grass_share=grass_share,
        drying_factor=stand_drying_factor(stand, species_by_name),
        cut_height=_cut_height(grass_share, species_shares),
        species_shares=species_shares,
        clocks=clocks,
        doubts=doubts,
    )


def _cut_height(grass_share: float, species_shares: Mapping[Species, float]) -> float | None:
    """Return the height of alfalfa at which cutting may begin, None in a stand without any."""
    return cutting_height(grass_share) if any(species.is_alfalfa for species in species_shares) else None


def _stand_moisture(species_shares: Mapping[Species, float], clocks: Mapping[bool, StageClock]) -> Array:
    """Return the standing crop's moisture [wet basis], mixed on the dry basis, each species at its own stage."""
    dry_basis = np.zeros(clocks[next(iter(clocks))].clock.shape)
    for species, share in species_shares.items():
        run = clocks[species.legume]
        onsets = run.plant_kind.onsets_of(species)
        dry_basis += share * standing_moisture(species, run.clock, onsets, regrowth=run.plant_kind.regrowth)
    return dry_basis / (1 + dry_basis)

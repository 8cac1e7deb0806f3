"""How far a field has grown: stage clocks on temperature sums, corrected by what the farmer saw.

A stand has at most two clocks, one for its grasses (above 0 degC) and one for its legumes (above 5 degC);
each species reads its own table by the clock of its kind. Drought and frost hold a growth back or end it.
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
DAYS_AHEAD: Final = np.arange(-60.0, 121.0)  # [d] how far back and ahead `days_left` is looked for
WEEK: Final = 7  # [d]


class DoubtKind(StrEnum):
    """What was not used of what is known of a growth, or what it may be wrong by."""

    LOOK_UNUSED = "look unused"  # a look of a day that says nothing of it
    REGROWTH = "regrowth"  # of a legume, by temperature alone
    FROST = "frost"  # of a day, that nobody has looked at since
    GROWTH_ENDED = "growth ended"  # by the frost of a day
    DROUGHT = "drought"  # for a number of days


@dataclass(frozen=True)
class GrowthDoubt:
    """A doubt with the leading species, the day or the number of days that it speaks of."""

    kind: DoubtKind
    species: str = ""
    day: np.datetime64 | None = None
    days: int = 0


@dataclass(frozen=True)
class Growth:
    """The growth of one stand, day by day; all arrays have the shape of `day`.

    A clock holds the whole of its day. Days before the season's origin or before the last cut are NaN,
    and "" in `stage`: another growth stood there then.
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
        """Return what a first growth says of the next season's, by kind; nothing after a cut or without a look.

        Parameters
        ----------
        share : float
            Of a clock's offset that is held for the next season [1], estimate.
        """
        told = [run for run in self.clocks.values() if not self.regrowth and (run.is_corrected or run.offset)]
        return {
            run.plant_kind.name: next_prior(
                run.offset, run.plant_kind.prior_spread, has_look=run.is_corrected, share=share
            )
            for run in told
        }


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
        What was seen; looks before the growth began are left out.
    southern : bool
        Whether the farm lies south of the equator.
    latitude : float
        [deg north]; beyond 58 degrees timothy heads sooner.
    context : GrowthContext
        What else is known: the target, the water stress of each day, what the season before says.
    species_by_name : Mapping[str, Species], optional
        The species that may be named; left out, those of `species_table`.

    Returns
    -------
    Growth

    Raises
    ------
    GrowthUnknown
        If a needed day is missing or doubtful, or a look cannot be true.
    ValueError
        If the stand, the days or a stage word are malformed.

    Notes
    -----
    Each day adds its degree-days to the clock of each kind; a look moves the clock of the kind it speaks of. A clock
    nobody has corrected keeps its prior spread; after a look the spread grows by CLOCK_NOISE a day (in quadrature) up
    to the prior again. Stage words say nothing of the regrowth of a grass. Regrowth of legumes by temperature alone is
    doubtful, hence its wider spread and a doubt that is told.

    The growth of a day is taken times Ks, and as none below DROUGHT_KS; there the stage of a regrowth stands still
    too (Norwegian advice), while a first growth ripens on. A night below HARD_FROST on a tall crop widens the spread,
    once until the next look; one of KILLING_FROST in autumn ends the growth of legumes.

    The NDF of a mix is that of its species by share, all species erring the same way. `days_left` follows the curve at
    the mean warmth of the past week, which is (target + 3 - NDF) / rate where the curve is straight.
    """
    members = resolve_stand(stand, species_by_name)
    _check_days(day, daily_max, daily_min, context.stress)
    origin = season_origin(day[-1], southern)
    regrowth = last_cut is not None and bool(last_cut >= origin)
    if last_cut is not None and last_cut > day[-1]:
        raise GrowthUnknown(UnknownCause.CUT_AHEAD, last_cut)
    since = last_cut if regrowth and last_cut is not None else _first_day_needed(members, origin, day)
    weather = required_days(
        day, np.asarray(daily_max, dtype=float), np.asarray(daily_min, dtype=float), since, context.stress
    )
    seen = check_looks(looks, weather.day)
    cases = _plant_kinds(members, regrowth=regrowth, latitude=latitude)
    clocks = {legume: run_clock(case, weather, seen, southern, context) for legume, case in cases.items()}
    target = ndf_target(stand_grass_share(stand, species_by_name)) if context.target is None else context.target
    rules = {} if regrowth else _green_up(cases, weather, southern)
    return _assemble_growth(stand, species_by_name, day, clocks, target, rules, tuple(_doubts(clocks, seen)))


def _check_days(day: Days, daily_max: ArrayLike, daily_min: ArrayLike, stress: Array | None) -> None:
    if stress is not None and stress.shape != day.shape:
        raise ValueError(f"stress of field_growth: shape {stress.shape} given, allowed that of day, {day.shape}")
    if day.ndim != 1 or day.size == 0 or np.shape(daily_max) != day.shape or np.shape(daily_min) != day.shape:
        raise ValueError("day, daily_max and daily_min must be one-dimensional and of one length above 0")
    if day.dtype != np.dtype("datetime64[D]") or np.any(np.diff(day) != np.timedelta64(1, "D")):
        raise ValueError("day must be datetime64[D], each day once, in order and without a gap")


def _first_day_needed(species_shares: Mapping[Species, float], origin: np.datetime64, day: Days) -> np.datetime64:
    """Return the first day a first growth needs: legumes alone do not look at the winter."""
    if all(kind.legume for kind in species_shares) and day[-1] >= legume_origin(origin):
        return legume_origin(origin)
    return origin


def _plant_kinds(species_shares: Mapping[Species, float], *, regrowth: bool, latitude: float) -> dict[bool, PlantKind]:
    """Return the case of the grasses (False) and of the legumes (True), as far as the stand has them."""
    cases = {}
    for legume in sorted({kind.legume for kind in species_shares}):
        kinds = [kind for kind in species_shares if kind.legume == legume]
        leader = max(kinds, key=species_shares.__getitem__)
        cases[legume] = PlantKind(leader, len(species_shares) == 1, regrowth, latitude)
    return cases


def _green_up(
    plant_kinds: Mapping[bool, PlantKind], temperature: DailyTemperature, southern: bool
) -> dict[str, np.datetime64 | None]:
    """Return the day that each rule of green-up names, of the kinds that stand in the field."""
    found: dict[str, int | None] = {}
    if False in plant_kinds:
        found |= green_up(temperature.daily_mean, temperature.day, southern=southern)
    if True in plant_kinds:
        found[WARM_HIGHS] = legume_start(temperature.high, temperature.day, southern=southern)
    return {rule: None if at is None else temperature.day[at] for rule, at in found.items()}


def _doubts(clocks: Mapping[bool, StageClock], looks: Sequence[StageLook]) -> Iterator[GrowthDoubt]:
    """Yield what was not used or should be doubted."""
    for look in looks:
        if not any(is_relevant(look, run.plant_kind) for run in clocks.values()):
            yield GrowthDoubt(DoubtKind.LOOK_UNUSED, day=look.on)
    legume = clocks.get(True)
    if legume is not None and legume.plant_kind.regrowth and not legume.is_corrected:
        yield GrowthDoubt(DoubtKind.REGROWTH, legume.plant_kind.leader.name)
    for run in clocks.values():
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
    """Read the tables of the species by the clocks and lay the result over all days asked for."""
    members = resolve_stand(stand, species_by_name)
    leader = max(members, key=members.__getitem__)
    lead = clocks[leader.legume]
    case, regrowth = lead.plant_kind, lead.plant_kind.regrowth

    def whole(values: Array) -> Array:
        return np.concatenate([np.full(day.size - values.size, np.nan), values])

    def ndf(deviations: float) -> Array:
        at = {legume: run.clock + deviations * run.spread for legume, run in clocks.items()}
        return whole(stand_ndf(members, at, regrowth=regrowth))

    unknown = np.full(day.shape, np.nan)
    grown = {legume: run.growth_clock for legume, run in clocks.items()}
    return Growth(
        day=day,
        start_day=lead.start_day,
        end_day=lead.end_day,
        green_up=rules,
        clock=whole(lead.clock),
        clock_spread=whole(lead.spread),
        ndf_low=ndf(-DECILE_Z),
        ndf_mid=ndf(0.0),
        ndf_high=ndf(DECILE_Z),
        msc=unknown if leader.legume or regrowth else whole(mean_stage_count(lead.clock, case.onsets)),
        kalu_fick=whole(kalu_fick_stage(lead.clock, case.onsets)) if leader.is_alfalfa else unknown,
        stage=[""] * (day.size - lead.clock.size) + stage_words(lead.clock, case.onsets),
        dry_matter=whole(stand_dry_matter(members, grown, regrowth=regrowth)),
        start_moisture=whole(_stand_moisture(members, clocks)),
        days_left=whole(_days_left(members, clocks, target + c.RIPE_HALF_WIDTH, regrowth=regrowth)),
        ndf_target=target,
        grass_share=stand_grass_share(stand, species_by_name),
        drying_factor=stand_drying_factor(stand, species_by_name),
        cut_height=_cut_height(stand_grass_share(stand, species_by_name), members),
        species_shares=members,
        clocks=clocks,
        doubts=doubts,
    )


def _cut_height(grass_share: float, species_shares: Mapping[Species, float]) -> float | None:
    return cutting_height(grass_share) if any(kind.is_alfalfa for kind in species_shares) else None


def _stand_moisture(species_shares: Mapping[Species, float], clocks: Mapping[bool, StageClock]) -> Array:
    """Return the standing crop's moisture [wet basis], mixed on the dry basis, each species at its own stage."""
    dry = np.zeros(clocks[next(iter(clocks))].clock.shape)
    for kind, share in species_shares.items():
        case = clocks[kind.legume].plant_kind
        onsets = case.onsets_of(kind)
        dry += share * standing_moisture(kind, clocks[kind.legume].clock, onsets, regrowth=case.regrowth)
    return dry / (1 + dry)

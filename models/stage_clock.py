"""The stage clock of one kind of plant: it runs on warmth, drought and frost delay it, and looks correct it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c
from models.degree_days import DailyTemperature, Days, degree_days, killing_frost, legume_start, season_start
from models.look_misfit import misfit_error
from models.looks import AppliedLook, PlantKind, Prior, StageLook, correct_clock, correction_share, fits, is_relevant
from models.species import Array


@dataclass(frozen=True)
class GrowthContext:
    """What is known about a field's growth besides its weather and the looks at it."""

    target: float | None = None  # fibre to cut at [% of DM]; None: for milking cows, by the grass share
    stress: Array | None = None  # water stress factor Ks of each day [1]; None: never dry
    priors: Mapping[str, Prior] = field(default_factory=dict)  # by kind, from the season before


NO_CONTEXT: Final = GrowthContext()


@dataclass(frozen=True)
class StageClock:
    """The stage clock of the grasses or of the legumes of a stand; arrays hold the days of this growth only."""

    plant_kind: PlantKind
    start_day: np.datetime64 | None
    end_day: np.datetime64 | None  # by a killing frost
    step: Array  # [degC d] of each day
    clock: Array  # [degC d]
    spread: Array  # [degC d]
    growth_clock: Array  # the clock without the warmth that adds no growth [degC d]
    mean_temperature: Array  # temperature [degC]
    offset: float  # of the clock from its temperature sum [degC d]
    applied_looks: tuple[AppliedLook, ...]  # the looks that corrected it, in order
    unchecked_frost: np.datetime64 | None  # a hard one on a tall crop, without a look since
    drought_days: int  # days on which drought stopped growth

    @property
    def is_corrected(self) -> bool:
        """Whether a look corrected it."""
        return bool(self.applied_looks)


def run_clock(
    plant_kind: PlantKind,
    temperature: DailyTemperature,
    looks: Sequence[StageLook],
    southern: bool,
    context: GrowthContext,
) -> StageClock:
    """Run one clock over all days of the weather, corrected by each relevant look.

    Parameters
    ----------
    plant_kind : PlantKind
        The kind of plant and its growth.
    temperature : DailyTemperature
        The days of this growth.
    looks : Sequence[StageLook]
        All looks at this growth, in order.
    southern : bool
        Whether the farm lies south of the equator.
    context : GrowthContext
        For its priors; its water stress is already in `temperature`.

    Raises
    ------
    GrowthUnknown
        If a look cannot be true; it says which days the look would fit.
    """
    start = _first_day(plant_kind, temperature, southern)
    end = killing_frost(temperature.low, temperature.day, southern=southern) if plant_kind.leader.legume else None
    step, dry = _daily_steps(plant_kind, temperature, start, end)
    temperature_sum = np.cumsum(step)
    prior = _prior(plant_kind, context)
    expected = np.maximum(temperature_sum + prior.offset * (temperature_sum > 0), 0.0)
    relevant_looks = [look for look in looks if is_relevant(look, plant_kind)]
    clock, spread, frost, applied_looks = _apply_looks(plant_kind, temperature, expected, prior.spread, relevant_looks)
    return StageClock(
        plant_kind=plant_kind,
        start_day=None if start is None else temperature.day[start],
        end_day=None if end is None else temperature.day[end],
        step=step,
        clock=clock,
        spread=spread,
        growth_clock=np.maximum(clock - np.cumsum(_idle_degree_days(plant_kind, temperature, step)), 0.0),
        mean_temperature=temperature.daily_mean,
        offset=float(clock[-1] - temperature_sum[-1]),
        applied_looks=applied_looks,
        unchecked_frost=None if frost is None else temperature.day[frost],
        drought_days=int(np.count_nonzero(dry)),
    )


def _daily_steps(
    plant_kind: PlantKind, temperature: DailyTemperature, start: int | None, end: int | None
) -> tuple[Array, NDArray[np.bool_]]:
    """Return the degree-days of each day between start and end, and on which of them drought stopped growth."""
    days = temperature.day.size
    step = degree_days(temperature.high, temperature.low, plant_kind.leader.base)
    step[: days if start is None else start] = 0.0
    step[days if end is None else end :] = 0.0
    dry = (temperature.stress < c.DROUGHT_KS) & (step > 0)
    step[dry & plant_kind.regrowth] = 0.0
    return step, dry


def _prior(plant_kind: PlantKind, context: GrowthContext) -> Prior:
    """Return the prior of a clock: that of the season before for a first growth, else none of its own."""
    default = Prior(0.0, plant_kind.prior_spread)
    if plant_kind.regrowth:
        return default
    return context.priors.get(plant_kind.name, default)


def _apply_looks(
    plant_kind: PlantKind, temperature: DailyTemperature, clock: Array, prior_spread: float, looks: Sequence[StageLook]
) -> tuple[Array, Array, int | None, tuple[AppliedLook, ...]]:
    """Apply looks and hard frosts in order; return clock, spread, the index of an unchecked frost and the looks.

    Each look comes with the share by which the clock was corrected.
    """
    clock, spread = clock.copy(), np.full(clock.shape, prior_spread)
    unchecked: int | None = None
    applied: list[AppliedLook] = []
    for at, look in _events(temperature, looks):
        if look is not None:
            share = correction_share(look, plant_kind, float(clock[at]), float(spread[at]))
            applied.append(AppliedLook(look, share))
            _apply_look(look, at, plant_kind, temperature.day, clock, spread, prior_spread)
            unchecked = None
        elif unchecked is None and clock[at] >= plant_kind.tall_clock:
            spread[at:] += c.FROST_SPREAD
            unchecked = at
    return clock, spread, unchecked, tuple(applied)


def _events(temperature: DailyTemperature, looks: Sequence[StageLook]) -> list[tuple[int, StageLook | None]]:
    """Return the days of hard frost (None) and of looks in order."""
    events: list[tuple[int, StageLook | None]] = []
    for at in np.flatnonzero(temperature.low < c.HARD_FROST):
        events.append((int(at), None))
    for look in looks:
        events.append((int(np.searchsorted(temperature.day, look.on)), look))
    # Frosts come first on the same day: a look on the day of a frost has seen its damage.
    return sorted(events, key=lambda event: event[0])


def _apply_look(
    look: StageLook, at: int, plant_kind: PlantKind, day: Days, clock: Array, spread: Array, prior_spread: float
) -> None:
    """Correct a clock and its spread in place from the day of a look on."""
    if not fits(look, plant_kind, float(clock[at]), float(spread[at])):
        raise misfit_error(look, plant_kind, day, clock, spread)
    mean, deviation = correct_clock(look, plant_kind, float(clock[at]), float(spread[at]))
    clock[at:] += mean - clock[at]
    noise = c.CLOCK_NOISE**2 * np.arange(clock.size - at)
    # The noise brings the spread back to the prior, not beyond it; a vague look does not undo the spread of a frost.
    spread[at:] = np.minimum(np.sqrt(deviation**2 + noise), max(deviation, prior_spread))


def _idle_degree_days(plant_kind: PlantKind, temperature: DailyTemperature, step: Array) -> Array:
    """Return the part of each day's degree-days that adds no growth, because of heat or drought [degC d]."""
    cap = c.LEGUME_HEAT_CAP if plant_kind.leader.legume else c.GRASS_HEAT_CAP
    useful = np.minimum(step, max(cap - plant_kind.leader.base, 0.0))
    return np.asarray(step - useful * np.where(temperature.stress < c.DROUGHT_KS, 0.0, temperature.stress))


def _first_day(plant_kind: PlantKind, temperature: DailyTemperature, southern: bool) -> int | None:
    """Return the index of the first day that counts, None while the season has not started."""
    if plant_kind.regrowth:
        return 0
    if plant_kind.leader.legume:
        return legume_start(temperature.high, temperature.day, southern=southern)
    return season_start(temperature.daily_mean, temperature.day, southern=southern)

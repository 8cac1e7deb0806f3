"""The stage clock of one kind of plant: it runs on warmth, drought and frost hold it, and looks correct it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from models import coefficients as c
from models.degree_days import Days, Weather, degree_days, killing_frost, legume_start, season_start
from models.look_misfit import misfit
from models.looks import Case, Prior, StageLook, Used, after_look, counts, fits, way_to
from models.species import Array


@dataclass(frozen=True)
class Known:
    """What is known of a field's growth beside its weather and the looks at it."""

    target: float | None = None  # fibre to cut at [% of DM]; None: for milking cows, by the grass share
    stress: Array | None = None  # water stress factor Ks of each day [1]; None: never dry
    priors: Mapping[str, Prior] = field(default_factory=dict)  # by kind, from the season before


NOTHING_MORE: Final = Known()


@dataclass(frozen=True)
class Clock:
    """The stage clock of the grasses or of the legumes of a stand; arrays hold the days of this growth only."""

    case: Case
    started: np.datetime64 | None
    ended: np.datetime64 | None  # by a killing frost
    step: Array  # [degC d] of each day
    clock: Array  # [degC d]
    spread: Array  # [degC d]
    growth: Array  # the clock without the warmth that adds no growth [degC d]
    mean: Array  # temperature [degC]
    offset: float  # of the clock from its temperature sum [degC d]
    used: tuple[Used, ...]  # the looks that corrected it, in order
    frost: np.datetime64 | None  # a hard one on a tall crop that nobody has looked at since
    held: int  # days on which drought held it

    @property
    def seen(self) -> bool:
        """Whether a look corrected it."""
        return bool(self.used)


def run_clock(case: Case, weather: Weather, looks: Sequence[StageLook], southern: bool, known: Known) -> Clock:
    """Return one clock after all days of the weather, corrected by each look that speaks of it.

    Parameters
    ----------
    case : Case
        The kind of plant and its growth.
    weather : Weather
        The days of this growth.
    looks : Sequence[StageLook]
        All looks at this growth, in order.
    southern : bool
        Whether the farm lies south of the equator.
    known : Known
        What else is known; its stress is in `weather` by now.

    Raises
    ------
    GrowthUnknown
        If a look cannot be true; it says which days the look would fit.
    """
    start = _start(case, weather, southern)
    killed = killing_frost(weather.low, weather.day, southern=southern) if case.leader.legume else None
    step = degree_days(weather.high, weather.low, case.leader.base)
    step[: weather.day.size if start is None else start] = 0.0
    step[weather.day.size if killed is None else killed :] = 0.0
    dry = (weather.stress < c.DROUGHT_HOLD) & (step > 0)
    step[dry & case.regrowth] = 0.0
    alone = np.cumsum(step)
    prior = Prior(0.0, case.spread) if case.regrowth else known.priors.get(case.kind, Prior(0.0, case.spread))
    speaking = [look for look in looks if counts(look, case)]
    believed = np.maximum(alone + prior.offset * (alone > 0), 0.0)
    clock, spread, frost, used = _corrected(case, weather, believed, prior.spread, speaking)
    return Clock(
        case=case,
        started=None if start is None else weather.day[start],
        ended=None if killed is None else weather.day[killed],
        step=step,
        clock=clock,
        spread=spread,
        growth=np.maximum(clock - np.cumsum(_idle(case, weather, step)), 0.0),
        mean=weather.mean,
        offset=float(clock[-1] - alone[-1]),
        used=used,
        frost=None if frost is None else weather.day[frost],
        held=int(np.count_nonzero(dry)),
    )


def _corrected(
    case: Case, weather: Weather, clock: Array, spread_before: float, looks: Sequence[StageLook]
) -> tuple[Array, Array, int | None, tuple[Used, ...]]:
    """Return a clock and its spread after looks and hard frosts, the frost that nobody has looked at since, the looks.

    Each look comes with how far the clock went to it.
    """
    clock, spread = clock.copy(), np.full(clock.shape, spread_before)
    doubted: int | None = None
    used: list[Used] = []
    for at, look in _events(weather, looks):
        if look is not None:
            used.append(Used(look, way_to(look, case, float(clock[at]), float(spread[at]))))
            _correct(look, at, case, weather.day, clock, spread, spread_before)
            doubted = None
        elif doubted is None and clock[at] >= case.tall:
            spread[at:] += c.FROST_SPREAD
            doubted = at
    return clock, spread, doubted, tuple(used)


def _events(weather: Weather, looks: Sequence[StageLook]) -> list[tuple[int, StageLook | None]]:
    """Return the days of hard frost (None) and of looks in order."""
    events: list[tuple[int, StageLook | None]] = [(int(at), None) for at in np.flatnonzero(weather.low < c.HARD_FROST)]
    events += [(int(np.searchsorted(weather.day, look.on)), look) for look in looks]
    return sorted(events, key=lambda event: event[0])  # a look on the day of a frost has seen what it did


def _correct(
    look: StageLook, at: int, case: Case, day: Days, clock: Array, spread: Array, spread_before: float
) -> None:
    """Correct a clock and its spread in place from the day of a look on."""
    if not fits(look, case, float(clock[at]), float(spread[at])):
        raise misfit(look, case, day, clock, spread)
    mean, deviation = after_look(look, case, float(clock[at]), float(spread[at]))
    clock[at:] += mean - clock[at]
    noise = c.CLOCK_NOISE**2 * np.arange(clock.size - at)
    # An old look leaves a clock no less sure than none; a vague one does not make good what a frost has done.
    spread[at:] = np.minimum(np.sqrt(deviation**2 + noise), max(deviation, spread_before))


def _idle(case: Case, weather: Weather, step: Array) -> Array:
    """Return the part of each day's degree-days that adds no growth, for heat or for want of water [degC d]."""
    cap = c.LEGUME_HEAT_CAP if case.leader.legume else c.GRASS_HEAT_CAP
    useful = np.minimum(step, max(cap - case.leader.base, 0.0))
    return np.asarray(step - useful * np.where(weather.stress < c.DROUGHT_HOLD, 0.0, weather.stress))


def _start(case: Case, weather: Weather, southern: bool) -> int | None:
    if case.regrowth:
        return 0
    if case.leader.legume:
        return legume_start(weather.high, weather.day, southern=southern)
    return season_start(weather.mean, weather.day, southern=southern)

"""How far a field has grown: stage clocks on temperature sums, corrected by what the farmer saw.

A stand has at most two clocks, one for its grasses (above 0 degC) and one for its legumes (above 5 degC);
each species reads its own table by the clock of its kind. Drought, frost and the site's own yield are not
in it yet.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from models import coefficients as c
from models.looks import Case, StageLook, after_look, checked_looks, counts
from models.season import (
    Days,
    GrowthUnknown,
    Weather,
    degree_days,
    legume_origin,
    legume_start,
    needed,
    season_origin,
    season_start,
)
from models.stages import (
    Array,
    Species,
    drying_factor,
    grass_share,
    known_stand,
    ndf_target,
    species,
    species_dry_matter,
    species_ndf,
    stage_number,
    stage_words,
    standing_moisture,
)

__all__ = [
    "Growth",
    "GrowthUnknown",
    "Species",
    "StageLook",
    "degree_days",
    "field_growth",
    "legume_start",
    "season_start",
    "species",
]

DECILE: Final = 1.2816  # standard deviations from the mean to the 10 and 90 % points of a normal distribution
AHEAD: Final = np.arange(-60.0, 121.0)  # [d] how far back and ahead `days_left` is looked for
WEEK: Final = 7  # [d]


@dataclass(frozen=True)
class Growth:
    """The growth of one stand, day by day; all arrays have the shape of `day`.

    A clock holds the whole of its day. Days before the season's origin or before the last cut are NaN,
    and "" in `stage`: another growth stood there then.
    """

    day: Days
    started: np.datetime64 | None  # first day counted, None before the season starts
    clock: Array  # of the leading species [degC d]
    clock_spread: Array  # its standard deviation [degC d]
    ndf_low: Array  # 10 % point [% of DM]
    ndf_mid: Array
    ndf_high: Array  # 90 % point
    msc: Array  # mean stage of the leading grass in first growth, else NaN
    stage: list[str]  # of the leading species, in the trade's words
    dry_matter: Array  # [t/ha]
    start_moisture: Array  # of the standing crop without dew [wet basis]
    days_left: Array  # until NDF is past its target by more than RIPE_HALF_WIDTH, held at -60 and 120 [d]
    ndf_target: float  # [% of DM]
    grass_share: float
    drying_factor: float
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class _Clock:
    """The stage clock of the grasses or of the legumes of a stand."""

    started: np.datetime64 | None
    step: Array  # [degC d] of each day
    clock: Array  # [degC d]
    spread: Array  # [degC d]
    growth: Array  # the clock without the warmth that adds no growth [degC d]


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
    Each day adds its degree-days to the clock of each kind; a look moves the clock of the kind it speaks
    of. A clock nobody has corrected keeps its prior spread; after a look the spread grows by CLOCK_NOISE
    a day (in quadrature) up to the prior again. Stage words say nothing of the regrowth of a grass.
    Regrowth of legumes by temperature alone is doubtful, hence its wider spread and a caution. The NDF of
    a mix is that of its species by share, all species erring the same way. `days_left` follows the curve
    at the mean warmth of the past week, which is (target + 3 - NDF) / rate where the curve is straight.
    """
    members = known_stand(stand)
    _check_days(day, daily_max, daily_min)
    origin = season_origin(day[-1], southern)
    regrowth = last_cut is not None and bool(last_cut >= origin)
    if last_cut is not None and last_cut > day[-1]:
        raise GrowthUnknown("the last cut lies after the last day of the weather", last_cut)
    since = last_cut if regrowth and last_cut is not None else _first_needed(members, origin, day)
    weather = needed(day, np.asarray(daily_max, dtype=float), np.asarray(daily_min, dtype=float), since)
    cases = _cases(members, regrowth=regrowth, latitude=latitude)
    clocks = {legume: _run(case, weather, looks, southern) for legume, case in cases.items()}
    return _read(stand, day, clocks, cases, _cautions(cases, weather, looks))


def _check_days(day: Days, daily_max: ArrayLike, daily_min: ArrayLike) -> None:
    if day.ndim != 1 or day.size == 0 or np.shape(daily_max) != day.shape or np.shape(daily_min) != day.shape:
        raise ValueError("day, daily_max and daily_min must be one-dimensional and of one length above 0")
    if day.dtype != np.dtype("datetime64[D]") or np.any(np.diff(day) != np.timedelta64(1, "D")):
        raise ValueError("day must be datetime64[D], each day once, in order and without a gap")


def _first_needed(members: Mapping[Species, float], origin: np.datetime64, day: Days) -> np.datetime64:
    """Return the first day a first growth needs: legumes alone do not look at the winter."""
    if all(kind.legume for kind in members) and day[-1] >= legume_origin(origin):
        return legume_origin(origin)
    return origin


def _cases(members: Mapping[Species, float], *, regrowth: bool, latitude: float) -> dict[bool, Case]:
    """Return the case of the grasses (False) and of the legumes (True), as far as the stand has them."""
    cases = {}
    for legume in sorted({kind.legume for kind in members}):
        kinds = [kind for kind in members if kind.legume == legume]
        leader = max(kinds, key=members.__getitem__)
        cases[legume] = Case(leader, len(kinds) == len(members), regrowth, latitude)
    return cases


def _run(case: Case, weather: Weather, looks: Sequence[StageLook], southern: bool) -> _Clock:
    """Let one clock run over the weather and correct it by each look that speaks of it."""
    start = _start(case, weather, southern)
    step = degree_days(weather.high, weather.low, case.leader.base)
    step[: weather.day.size if start is None else start] = 0.0
    clock, spread = np.cumsum(step), np.full(step.shape, case.spread)
    for look in (look for look in checked_looks(looks, weather.day) if counts(look, case)):
        at = int(np.searchsorted(weather.day, look.on))
        mean, deviation = after_look(look, case, float(clock[at]), float(spread[at]))
        clock[at:] += mean - clock[at]
        noise = c.CLOCK_NOISE**2 * np.arange(clock.size - at)
        spread[at:] = np.minimum(np.sqrt(deviation**2 + noise), case.spread)
    cap = c.LEGUME_HEAT_CAP if case.leader.legume else c.GRASS_HEAT_CAP
    idle = np.cumsum(np.where(step > 0, np.maximum(weather.mean - cap, 0.0), 0.0))
    started = None if start is None else weather.day[start]
    return _Clock(started, step, clock, spread, np.maximum(clock - idle, 0.0))


def _start(case: Case, weather: Weather, southern: bool) -> int | None:
    if case.regrowth:
        return 0
    if case.leader.legume:
        return legume_start(weather.high, weather.day, southern=southern)
    return season_start(weather.mean, weather.day, southern=southern)


def _cautions(cases: Mapping[bool, Case], weather: Weather, looks: Sequence[StageLook]) -> tuple[str, ...]:
    """Return in plain words what was not used or should be doubted."""
    seen = checked_looks(looks, weather.day)
    cautions = [
        f"the look of {look.on} says nothing of this growth and was not used"
        for look in seen
        if not any(counts(look, case) for case in cases.values())
    ]
    legume = cases.get(True)
    if legume is not None and legume.regrowth and not any(counts(look, legume) for look in seen):
        cautions.append(f"regrowth of {legume.leader.name} by temperature alone is doubtful: look at it")
    return tuple(cautions)


def _stand_ndf(members: Mapping[Species, float], clocks: Mapping[bool, Array], *, regrowth: bool) -> Array:
    parts = [share * species_ndf(k, clocks[k.legume], regrowth=regrowth) for k, share in members.items()]
    return np.asarray(sum(parts), dtype=float)


def _days_left(
    members: Mapping[Species, float], clocks: Mapping[bool, _Clock], limit: float, *, regrowth: bool
) -> Array:
    """Return the days until the stand's fibre passes `limit`, along its curve at the past week's warmth."""
    ahead = {}
    for legume, run in clocks.items():
        total = np.concatenate([np.zeros(WEEK), np.cumsum(run.step)])
        days = np.minimum(np.arange(1, run.step.size + 1), WEEK)
        # A cold week must not stop the clock for good: 1 degC d a day is the least.
        pace = np.maximum((total[WEEK:] - total[:-WEEK]) / days, 1.0)
        ahead[legume] = run.clock[:, None] + pace[:, None] * AHEAD
    ndf = _stand_ndf(members, ahead, regrowth=regrowth)
    return np.array([np.interp(limit, row, AHEAD) for row in ndf])


def _read(
    stand: Mapping[str, float],
    day: Days,
    clocks: Mapping[bool, _Clock],
    cases: Mapping[bool, Case],
    cautions: tuple[str, ...],
) -> Growth:
    """Read the tables of the species by the clocks and lay the result over all days asked for."""
    members = known_stand(stand)
    leader = max(members, key=members.__getitem__)
    lead, case = clocks[leader.legume], cases[leader.legume]
    regrowth = case.regrowth
    share = grass_share(stand)
    target = ndf_target(share)

    def whole(values: Array) -> Array:
        return np.concatenate([np.full(day.size - values.size, np.nan), values])

    def ndf(deviations: float) -> Array:
        at = {legume: run.clock + deviations * run.spread for legume, run in clocks.items()}
        return whole(_stand_ndf(members, at, regrowth=regrowth))

    numbered = not leader.legume and not regrowth
    return Growth(
        day=day,
        started=lead.started,
        clock=whole(lead.clock),
        clock_spread=whole(lead.spread),
        ndf_low=ndf(-DECILE),
        ndf_mid=ndf(0.0),
        ndf_high=ndf(DECILE),
        msc=whole(stage_number(lead.clock, case.onsets)) if numbered else np.full(day.shape, np.nan),
        stage=[""] * (day.size - lead.clock.size) + stage_words(lead.clock, case.onsets),
        dry_matter=whole(_stand_dry_matter(members, clocks, regrowth=regrowth)),
        start_moisture=whole(_stand_moisture(members, clocks, cases)),
        days_left=whole(_days_left(members, clocks, target + c.RIPE_HALF_WIDTH, regrowth=regrowth)),
        ndf_target=target,
        grass_share=share,
        drying_factor=drying_factor(stand),
        cautions=cautions,
    )


def _stand_dry_matter(members: Mapping[Species, float], clocks: Mapping[bool, _Clock], *, regrowth: bool) -> Array:
    parts = [share * species_dry_matter(k, clocks[k.legume].growth, regrowth=regrowth) for k, share in members.items()]
    return np.asarray(sum(parts), dtype=float)


def _stand_moisture(
    members: Mapping[Species, float], clocks: Mapping[bool, _Clock], cases: Mapping[bool, Case]
) -> Array:
    """Return the standing crop's moisture [wet basis], mixed on the dry basis, each species at its own stage."""
    dry = np.zeros(clocks[next(iter(clocks))].clock.shape)
    for kind, share in members.items():
        case = cases[kind.legume]
        onsets = case.onsets_of(kind)
        dry += share * standing_moisture(kind, clocks[kind.legume].clock, onsets, regrowth=case.regrowth)
    return dry / (1 + dry)

"""How far a field has grown: stage clocks on temperature sums, corrected by what the farmer saw.

A stand has at most two clocks, one for its grasses (above 0 degC) and one for its legumes (above 5 degC);
each species reads its own table by the clock of its kind. Drought, frost and the site's own yield are not
in it yet.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import erfc, exp, hypot, inf, isfinite, pi, sqrt
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models import coefficients as c
from models.stages import (
    GRASS_STAGES,
    LEGUME_STAGES,
    NO_HEADS,
    Array,
    Species,
    alfalfa_height_ndf,
    drying_factor,
    grass_share,
    known_stand,
    ndf_target,
    species,
    species_dry_matter,
    species_ndf,
    stage_number,
    stage_onsets,
    stage_words,
    standing_moisture,
)

__all__ = [
    "Growth",
    "GrowthUnknown",
    "Species",
    "StageLook",
    "corrected",
    "degree_days",
    "drying_factor",
    "field_growth",
    "grass_share",
    "legume_start",
    "limited",
    "ndf_target",
    "season_origin",
    "season_start",
    "species",
]

Days = NDArray[np.datetime64]

DECILE: Final = 1.2816  # standard deviations from the mean to the 10 and 90 % points of a normal distribution
PENTAD: Final = 5  # [d]
AHEAD: Final = np.arange(-60.0, 121.0)  # [d] how far back and ahead `days_left` is looked for
WIDE_STAGES: Final = (
    "leaf",
    "stem",
    "vegetative",
)  # last so long that seeing one only sets limits to the clock
DAY: Final = np.timedelta64(1, "D")


class GrowthUnknown(Exception):
    """The stage of a stand cannot be known; `day` is the date that stands in the way."""

    def __init__(self, reason: str, day: np.datetime64) -> None:
        super().__init__(f"{reason} ({day})")
        self.reason = reason
        self.day = day


@dataclass(frozen=True)
class StageLook:
    """What was seen in a field on a day: a stage word, the tallest alfalfa stem [m], or both."""

    on: np.datetime64
    stage: str | None = None
    height: float | None = None


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
class _Weather:
    """The days that one growth needs, without a gap."""

    day: Days
    high: Array
    low: Array

    @property
    def mean(self) -> Array:
        return (self.high + self.low) / 2


@dataclass(frozen=True)
class _Clock:
    """The stage clock of the grasses or of the legumes of a stand."""

    started: np.datetime64 | None
    step: Array  # [degC d] of each day
    clock: Array  # [degC d]
    spread: Array  # [degC d]
    growth: Array  # the clock without the warmth that adds no growth [degC d]


@dataclass(frozen=True)
class _Case:
    """What one clock is run for: the leading species of its kind and its surroundings."""

    leader: Species
    alone: bool  # no other kind in the stand
    regrowth: bool
    latitude: float  # [deg north]

    @property
    def onsets(self) -> dict[str, float]:
        return self.onsets_of(self.leader)

    def onsets_of(self, kind: Species) -> dict[str, float]:
        return stage_onsets(kind, regrowth=self.regrowth, latitude=self.latitude)

    @property
    def spread(self) -> float:
        if not self.leader.legume:
            return c.CLOCK_SPREAD
        return c.LEGUME_REGROWTH_SPREAD if self.regrowth else c.LEGUME_CLOCK_SPREAD


def degree_days(daily_max: ArrayLike, daily_min: ArrayLike, base: float, cap: float | None = None) -> Array:
    """Return the degree-days of each day by method 1: the mean of the extremes, then floored at the base.

    Parameters
    ----------
    daily_max, daily_min : array_like
        Highest and lowest temperature of the day [degC], same shape.
    base : float
        Temperature above which is counted [degC].
    cap : float, optional
        Temperature to which both extremes are cut before averaging [degC].

    Returns
    -------
    Array
        Degree-days [degC d], the shape of the input.

    Notes
    -----
    ``max(0, (Tmax + Tmin) / 2 - base)``. The thresholds in ``species.toml`` belong to this method;
    flooring each extreme, a sine or hourly sums count more on cool days and must not be used with them.

    References
    ----------
    McMaster & Wilhelm 1997, Agric. For. Meteorol. 87:291-300, doi 10.1016/S0168-1923(97)00027-0.

    Examples
    --------
    >>> degree_days([12.0, 33.0], [-2.0, 20.0], 5.0, cap=30.0)
    array([ 0., 20.])
    """
    ceiling = inf if cap is None else cap
    mean = (np.minimum(daily_max, ceiling) + np.minimum(daily_min, ceiling)) / 2
    return np.asarray(np.maximum(mean - base, 0.0), dtype=float)


def season_origin(day: np.datetime64, southern: bool) -> np.datetime64:
    """Return the 1 January, or in the south the 1 July, on or before a day.

    Examples
    --------
    >>> season_origin(np.datetime64("2026-05-20"), southern=True)
    np.datetime64('2025-07-01')
    """
    month = day.astype("datetime64[M]")
    late = (month - month.astype("datetime64[Y]").astype("datetime64[M]")).astype(int)
    back = (late - 6) % 12 if southern else late
    return (month - np.timedelta64(int(back), "M")).astype("datetime64[D]")


def season_start(
    daily_mean: ArrayLike,
    day: Days,
    *,
    southern: bool = False,
    warm: float = c.SEASON_START_MEAN,
    least_sum: float = c.SEASON_START_SUM,
) -> int | None:
    """Return the index of the first day that counts for grasses, or None while the season has not started.

    Parameters
    ----------
    daily_mean : array_like
        Mean of the highest and lowest temperature [degC], shape (days,).
    day : NDArray[datetime64[D]]
        The days, contiguous, reaching back to 1 January (in the south 1 July).
    southern : bool
        Whether the farm lies south of the equator.
    warm : float
        What each of three consecutive 5-day means must exceed [degC].
    least_sum : float
        Sum of the positive daily means since the origin that must be reached [degC d].

    Returns
    -------
    int or None
        The first of the 15 days, or the day that reaches the sum, whichever is later.

    Raises
    ------
    GrowthUnknown
        If the days do not reach back to the origin, or one of them since then is missing.

    Notes
    -----
    The Norwegian advisers' rule asks besides for 1 degC in the soil at 0.1 m; the temperature sum of 200
    stands in for it (departure). The start of spring is the weakest part of every temperature sum: look
    at the grass.
    """
    mean = np.asarray(daily_mean, dtype=float)
    weather = _needed(day, mean, mean, season_origin(day[-1], southern))
    if weather.day.size < 3 * PENTAD:
        return None
    pentads = np.lib.stride_tricks.sliding_window_view(weather.mean, PENTAD).mean(axis=-1) > warm
    warm_runs = pentads[: -2 * PENTAD] & pentads[PENTAD:-PENTAD] & pentads[2 * PENTAD :]
    summed = np.cumsum(np.maximum(weather.mean, 0)) >= least_sum
    if not (warm_runs.any() and summed.any()):
        return None
    return int(day.size - weather.day.size + max(warm_runs.argmax(), summed.argmax()))


def legume_start(
    daily_max: ArrayLike, day: Days, *, southern: bool = False, high: float = c.LEGUME_START_HIGH
) -> int | None:
    """Return the index of the first day that counts for legumes, or None while it has not come.

    Parameters
    ----------
    daily_max : array_like
        Highest temperature of the day [degC], shape (days,).
    day : NDArray[datetime64[D]]
        The days, contiguous, reaching back to 1 March (in the south 1 September) of the season.
    southern : bool
        Whether the farm lies south of the equator.
    high : float
        What the highs of five consecutive days must reach [degC].

    Raises
    ------
    GrowthUnknown
        If the days do not reach back far enough, or one of them since then is missing.

    Notes
    -----
    The first of five consecutive days from 1 March on: both published rules (from 1 March; five highs at
    41 degF) at once, whichever is later. The two hardly differ, for colder days add next to nothing.
    """
    spring = _legume_origin(season_origin(day[-1], southern))
    if day[-1] < spring:
        return None
    highs = np.asarray(daily_max, dtype=float)
    weather = _needed(day, highs, highs, spring)
    if weather.day.size < PENTAD:
        return None
    runs = np.lib.stride_tricks.sliding_window_view(weather.high, PENTAD).min(axis=-1) >= high
    return int(day.size - weather.day.size + runs.argmax()) if runs.any() else None


def corrected(
    clock: float, spread: float, seen: float, seen_spread: float = c.LOOK_SPREAD
) -> tuple[float, float]:
    """Return a clock and its spread after a look, by one Kalman step.

    Parameters
    ----------
    clock, spread : float
        What the weather says and its standard deviation [degC d].
    seen, seen_spread : float
        What the farmer saw, as a clock, and its standard deviation [degC d].

    Examples
    --------
    >>> [round(value, 1) for value in corrected(430.0, 60.0, 470.0)]
    [459.8, 30.2]
    """
    gain = spread**2 / (spread**2 + seen_spread**2)
    return clock + gain * (seen - clock), spread * sqrt(1 - gain)


def limited(clock: float, spread: float, lower: float, upper: float) -> tuple[float, float]:
    """Return a clock and its spread, knowing only that the clock lies between two limits.

    Parameters
    ----------
    clock, spread : float
        What the weather says and its standard deviation [degC d].
    lower, upper : float
        The limits [degC d]; ``-inf`` and ``inf`` stand for none.

    Notes
    -----
    Mean and standard deviation of a truncated normal distribution. With ``lower = -inf`` this is "no
    heads yet": ``clock - spread phi(a) / Phi(a)``, ``a = (upper - clock) / spread``.

    Examples
    --------
    >>> [round(value, 1) for value in limited(470.0, 60.0, -inf, 470.0)]
    [422.1, 36.2]
    """
    a, b = (lower - clock) / spread, (upper - clock) / spread
    # The share between the limits, taken in the tail that keeps its digits.
    share = _below(-a) - _below(-b) if a > 0 else _below(b) - _below(a)
    first = (_density(a) - _density(b)) / share
    second = ((a * _density(a) if isfinite(a) else 0.0) - (b * _density(b) if isfinite(b) else 0.0)) / share
    return clock + spread * first, spread * sqrt(max(1 + second - first**2, 0.0))


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
    a day (in quadrature) up to the prior again. A look at "leaf", "stem" or "no heads yet" only limits
    the clock, other words stand for their onset (departure for "stem", which lasts too long to be a
    point). Stage words say nothing of the regrowth of a grass. Regrowth of legumes by temperature alone
    is doubtful, hence its wider spread and a caution. The NDF of a mix is that of its species by share,
    all species erring the same way. `days_left` follows the curve at the mean warmth of the past week,
    which is (target + 3 - NDF) / rate where the curve is straight.
    """
    members = known_stand(stand)
    _check_days(day, daily_max, daily_min)
    origin = season_origin(day[-1], southern)
    regrowth = last_cut is not None and bool(last_cut >= origin)
    if last_cut is not None and last_cut > day[-1]:
        raise GrowthUnknown("the last cut lies after the last day of the weather", last_cut)
    since = last_cut if regrowth and last_cut is not None else _first_needed(members, origin, day)
    weather = _needed(day, np.asarray(daily_max, dtype=float), np.asarray(daily_min, dtype=float), since)
    cases = _cases(members, regrowth=regrowth, latitude=latitude)
    clocks = {legume: _run(case, weather, looks, southern) for legume, case in cases.items()}
    return _read(stand, day, clocks, cases, _cautions(cases, weather, looks))


def _check_days(day: Days, daily_max: ArrayLike, daily_min: ArrayLike) -> None:
    if day.ndim != 1 or day.size == 0 or np.shape(daily_max) != day.shape or np.shape(daily_min) != day.shape:
        raise ValueError("day, daily_max and daily_min must be one-dimensional and of one length above 0")
    if day.dtype != np.dtype("datetime64[D]") or np.any(np.diff(day) != DAY):
        raise ValueError("day must be datetime64[D], each day once, in order and without a gap")


def _needed(day: Days, high: Array, low: Array, since: np.datetime64) -> _Weather:
    """Return the days from `since` on, all of them known."""
    if day[0] > since:
        raise GrowthUnknown(f"the past weather must reach back to {since} but begins later", day[0])
    kept = day >= since
    weather = _Weather(day[kept], high[kept], low[kept])
    for bad, reason in (
        (~np.isfinite(weather.mean), "a day's temperature is missing"),
        (weather.high < weather.low, "a day's highest temperature is below its lowest"),
    ):
        if bad.any():
            raise GrowthUnknown(reason, weather.day[bad.argmax()])
    return weather


def _legume_origin(origin: np.datetime64) -> np.datetime64:
    return (origin.astype("datetime64[M]") + np.timedelta64(2, "M")).astype("datetime64[D]")


def _first_needed(members: Mapping[Species, float], origin: np.datetime64, day: Days) -> np.datetime64:
    """Return the first day a first growth needs: legumes alone do not look at the winter."""
    if all(kind.legume for kind in members) and day[-1] >= _legume_origin(origin):
        return _legume_origin(origin)
    return origin


def _cases(members: Mapping[Species, float], *, regrowth: bool, latitude: float) -> dict[bool, _Case]:
    """Return the case of the grasses (False) and of the legumes (True), as far as the stand has them."""
    cases = {}
    for legume in sorted({kind.legume for kind in members}):
        kinds = [kind for kind in members if kind.legume == legume]
        leader = max(kinds, key=members.__getitem__)
        cases[legume] = _Case(leader, len(kinds) == len(members), regrowth, latitude)
    return cases


def _run(case: _Case, weather: _Weather, looks: Sequence[StageLook], southern: bool) -> _Clock:
    """Let one clock run over the weather and correct it by each look that speaks of it."""
    start = _start(case, weather, southern)
    step = degree_days(weather.high, weather.low, case.leader.base)
    step[: weather.day.size if start is None else start] = 0.0
    clock, spread = np.cumsum(step), np.full(step.shape, case.spread)
    for look in _within(weather, looks):
        if not (_height_counts(look, case) or _stage_counts(look, case)):
            continue
        at = int(np.searchsorted(weather.day, look.on))
        mean, deviation = _after(look, case, float(clock[at]), float(spread[at]))
        clock[at:] += mean - clock[at]
        noise = c.CLOCK_NOISE**2 * np.arange(clock.size - at)
        spread[at:] = np.minimum(np.sqrt(deviation**2 + noise), case.spread)
    cap = c.LEGUME_HEAT_CAP if case.leader.legume else c.GRASS_HEAT_CAP
    idle = np.cumsum(np.where(step > 0, np.maximum(weather.mean - cap, 0.0), 0.0))
    started = None if start is None else weather.day[start]
    return _Clock(started, step, clock, spread, np.maximum(clock - idle, 0.0))


def _start(case: _Case, weather: _Weather, southern: bool) -> int | None:
    if case.regrowth:
        return 0
    if case.leader.legume:
        return legume_start(weather.high, weather.day, southern=southern)
    return season_start(weather.mean, weather.day, southern=southern)


def _within(weather: _Weather, looks: Sequence[StageLook]) -> list[StageLook]:
    """Return the looks at this growth in order; those at an earlier growth are left out."""
    for look in looks:
        if look.on > weather.day[-1]:
            raise GrowthUnknown("a look is dated after the last day of the weather", look.on)
        if look.stage not in (None, NO_HEADS, *GRASS_STAGES, *LEGUME_STAGES):
            allowed = ", ".join((*GRASS_STAGES, *LEGUME_STAGES, NO_HEADS))
            raise ValueError(f"look of {look.on}: unknown stage {look.stage!r}; known are {allowed}")
    return sorted((look for look in looks if look.on >= weather.day[0]), key=lambda look: look.on)


def _height_counts(look: StageLook, case: _Case) -> bool:
    tall_enough = look.height is not None and c.HEIGHT_LEAST <= look.height <= c.HEIGHT_MOST
    return tall_enough and case.leader.name == "alfalfa"


def _stage_counts(look: StageLook, case: _Case) -> bool:
    return look.stage in case.onsets or (look.stage == NO_HEADS and "early heads" in case.onsets)


def _after(look: StageLook, case: _Case, clock: float, spread: float) -> tuple[float, float]:
    """Return the clock and its spread after a look; a height, where it counts, wins over a stage."""
    if _height_counts(look, case):
        lower, seen_spread = _clock_at_height(look, case, clock)
        upper = lower
    else:
        (lower, upper), seen_spread = _limits(str(look.stage), case.onsets), c.LOOK_SPREAD
    if max(lower - clock, clock - upper) > c.FARTHEST_LOOK * hypot(spread, seen_spread):
        what = look.stage or f"{look.height} m"
        raise GrowthUnknown(f"a look ({what}) is too far from the temperature sum: check its date", look.on)
    return (
        corrected(clock, spread, lower, seen_spread)
        if lower == upper
        else limited(clock, spread, lower, upper)
    )


def _clock_at_height(look: StageLook, case: _Case, clock: float) -> tuple[float, float]:
    """Return the clock at which alfalfa has the fibre that its height speaks of, and that clock's spread."""
    seen = look.stage if look.stage in LEGUME_STAGES else stage_words(np.array([clock]), case.onsets)[0]
    ndf = alfalfa_height_ndf(float(look.height or 0.0), str(seen))
    mark = case.leader.ndf_mark_regrowth if case.regrowth else case.leader.ndf_mark
    error = c.HEIGHT_NDF_SPREAD if case.alone else c.HEIGHT_NDF_SPREAD_MIXED
    return mark + (ndf - 40) / c.LEGUME_NDF_RATE, error / c.LEGUME_NDF_RATE


def _limits(word: str, onsets: Mapping[str, float]) -> tuple[float, float]:
    """Return between which clocks a stage is seen; one and the same where the word stands for its onset."""
    if word == NO_HEADS:
        return -inf, onsets["early heads"]
    if word not in WIDE_STAGES:
        return onsets[word], onsets[word]
    words = list(onsets)
    at = words.index(word)
    return (onsets[word] if at else -inf), onsets[words[at + 1]]


def _cautions(cases: Mapping[bool, _Case], weather: _Weather, looks: Sequence[StageLook]) -> tuple[str, ...]:
    """Return in plain words what was not used or should be doubted."""
    seen = _within(weather, looks)
    legume = cases.get(True)
    used = {
        kind: [look for look in seen if _height_counts(look, case) or _stage_counts(look, case)]
        for kind, case in cases.items()
    }
    unused = [look.on for look in seen if not any(look in looks for looks in used.values())]
    cautions = [f"the look of {on} says nothing of this growth and was not used" for on in unused]
    if legume is not None and legume.regrowth and not used[True]:
        cautions.append(f"regrowth of {legume.leader.name} by temperature alone is doubtful: look at it")
    return tuple(cautions)


def _density(x: float) -> float:
    return exp(-x * x / 2) / sqrt(2 * pi)


def _below(x: float) -> float:
    return erfc(-x / sqrt(2)) / 2


def _stand_ndf(members: Mapping[Species, float], clocks: Mapping[bool, Array], *, regrowth: bool) -> Array:
    parts = [share * species_ndf(k, clocks[k.legume], regrowth=regrowth) for k, share in members.items()]
    return np.asarray(sum(parts), dtype=float)


def _days_left(
    members: Mapping[Species, float], clocks: Mapping[bool, _Clock], limit: float, *, regrowth: bool
) -> Array:
    """Return the days until the stand's fibre passes `limit`, along its curve at the past week's warmth."""
    ahead = {}
    for legume, run in clocks.items():
        total = np.concatenate([np.zeros(7), np.cumsum(run.step)])
        # A cold week must not stop the clock for good: 1 degC d a day is the least.
        pace = np.maximum((total[7:] - total[:-7]) / np.minimum(np.arange(1, run.step.size + 1), 7), 1.0)
        ahead[legume] = run.clock[:, None] + pace[:, None] * AHEAD
    ndf = _stand_ndf(members, ahead, regrowth=regrowth)
    return np.array([np.interp(limit, row, AHEAD) for row in ndf])


def _read(
    stand: Mapping[str, float],
    day: Days,
    clocks: Mapping[bool, _Clock],
    cases: Mapping[bool, _Case],
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


def _stand_dry_matter(
    members: Mapping[Species, float], clocks: Mapping[bool, _Clock], *, regrowth: bool
) -> Array:
    parts = [
        share * species_dry_matter(k, clocks[k.legume].growth, regrowth=regrowth)
        for k, share in members.items()
    ]
    return np.asarray(sum(parts), dtype=float)


def _stand_moisture(
    members: Mapping[Species, float], clocks: Mapping[bool, _Clock], cases: Mapping[bool, _Case]
) -> Array:
    """Return the standing crop's moisture [wet basis], mixed on the dry basis, each species at its own stage."""
    dry = np.zeros(clocks[next(iter(clocks))].clock.shape)
    for kind, share in members.items():
        case = cases[kind.legume]
        onsets = case.onsets_of(kind)
        dry += share * standing_moisture(kind, clocks[kind.legume].clock, onsets, regrowth=case.regrowth)
    return dry / (1 + dry)

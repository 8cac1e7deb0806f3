"""What the farmer saw in a field, and how it corrects a stage clock."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import erfc, exp, hypot, inf, isfinite, pi, sqrt
from typing import Final

import numpy as np

from models import coefficients as c
from models.season import Days, GrowthUnknown
from models.stages import (
    GRASS_STAGES,
    LEGUME_STAGES,
    NO_HEADS,
    Species,
    alfalfa_height_ndf,
    stage_onsets,
    stage_words,
)

WIDE_STAGES: Final = ("leaf", "stem", "vegetative")  # last so long that seeing one only limits the clock


@dataclass(frozen=True)
class StageLook:
    """What was seen in a field on a day: a stage word, the tallest alfalfa stem [m], or both."""

    on: np.datetime64
    stage: str | None = None
    height: float | None = None


@dataclass(frozen=True)
class Case:
    """One kind of plant in a stand, grasses or legumes: its leading species and what that one is in."""

    leader: Species
    alone: bool  # no other kind in the stand
    regrowth: bool
    latitude: float  # [deg north]

    @property
    def mark(self) -> float:
        """Return the clock at the leader's NDF mark [degC d]."""
        return self.leader.ndf_mark_regrowth if self.regrowth else self.leader.ndf_mark

    @property
    def onsets(self) -> dict[str, float]:
        """Return the clock at which the leader's stages are first seen [degC d]."""
        return self.onsets_of(self.leader)

    def onsets_of(self, kind: Species) -> dict[str, float]:
        """Return the same of any species of this kind."""
        return stage_onsets(kind, regrowth=self.regrowth, latitude=self.latitude)

    @property
    def spread(self) -> float:
        """Return the standard deviation of a clock that nobody has corrected [degC d]."""
        if not self.leader.legume:
            return c.CLOCK_SPREAD
        return c.LEGUME_REGROWTH_SPREAD if self.regrowth else c.LEGUME_CLOCK_SPREAD


def corrected(clock: float, spread: float, seen: float, seen_spread: float = c.LOOK_SPREAD) -> tuple[float, float]:
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


def checked_looks(looks: Sequence[StageLook], day: Days) -> list[StageLook]:
    """Return the looks at the growth that `day` spans, in order.

    A look on the first day or before is left out: it was at what stood there before the cut.

    Raises
    ------
    GrowthUnknown
        If a look is dated after the last day.
    ValueError
        If a stage word is unknown, or a look says neither a stage nor a height.
    """
    for look in looks:
        if look.on > day[-1]:
            raise GrowthUnknown("a look is dated after the last day of the weather", look.on)
        if look.stage is None and look.height is None:
            raise ValueError(f"look of {look.on}: say a stage or a height")
        if look.stage not in (None, NO_HEADS, *GRASS_STAGES, *LEGUME_STAGES):
            allowed = ", ".join((*GRASS_STAGES, *LEGUME_STAGES, NO_HEADS))
            raise ValueError(f"look of {look.on}: unknown stage {look.stage!r}; known are {allowed}")
    return sorted((look for look in looks if look.on > day[0]), key=lambda look: look.on)


def counts(look: StageLook, case: Case) -> bool:
    """Return whether a look says anything of one kind of plant in its present growth."""
    return _height_counts(look, case) or _stage_counts(look, case)


def _height_counts(look: StageLook, case: Case) -> bool:
    tall_enough = look.height is not None and c.HEIGHT_LEAST <= look.height <= c.HEIGHT_MOST
    return tall_enough and case.leader.name == "alfalfa"


def _stage_counts(look: StageLook, case: Case) -> bool:
    return look.stage in case.onsets or (look.stage == NO_HEADS and "early heads" in case.onsets)


def after_look(look: StageLook, case: Case, clock: float, spread: float) -> tuple[float, float]:
    """Return the clock and its spread after a look that counts; a height that counts wins over a stage.

    Parameters
    ----------
    look : StageLook
        What was seen.
    case : Case
        The kind of plant the clock belongs to.
    clock, spread : float
        The clock on the day of the look and its standard deviation [degC d].

    Raises
    ------
    GrowthUnknown
        If the look lies so far from the clock that its date must be wrong.

    Notes
    -----
    "leaf", "stem", "vegetative" and "no heads yet" only limit the clock; the other words stand for their
    onset. They are read by the table of the leading species of their kind.
    """
    if _height_counts(look, case):
        lower, seen_spread = _clock_at_height(look, case, clock)
        upper = lower
    else:
        (lower, upper), seen_spread = _limits(str(look.stage), case.onsets), c.LOOK_SPREAD
    if max(lower - clock, clock - upper) > c.FARTHEST_LOOK * hypot(spread, seen_spread):
        what = look.stage or f"{look.height} m"
        raise GrowthUnknown(f"a look ({what}) is too far from the temperature sum: check its date", look.on)
    if lower == upper:
        return corrected(clock, spread, lower, seen_spread)
    return limited(clock, spread, lower, upper)


def _clock_at_height(look: StageLook, case: Case, clock: float) -> tuple[float, float]:
    """Return the clock at which alfalfa has the fibre that its height speaks of, and that clock's spread."""
    seen = look.stage if look.stage in LEGUME_STAGES else stage_words(np.array([clock]), case.onsets)[0]
    ndf = alfalfa_height_ndf(float(look.height or 0.0), str(seen))
    error = c.HEIGHT_NDF_SPREAD if case.alone else c.HEIGHT_NDF_SPREAD_MIXED
    return case.mark + (ndf - 40) / c.LEGUME_NDF_RATE, error / c.LEGUME_NDF_RATE


def _limits(word: str, onsets: Mapping[str, float]) -> tuple[float, float]:
    """Return between which clocks a stage is seen; one and the same where the word stands for its onset."""
    if word == NO_HEADS:
        return -inf, onsets["early heads"]
    if word not in WIDE_STAGES:
        return onsets[word], onsets[word]
    words = list(onsets)
    at = words.index(word)
    return (onsets[word] if at else -inf), onsets[words[at + 1]]


def _density(x: float) -> float:
    return exp(-x * x / 2) / sqrt(2 * pi)


def _below(x: float) -> float:
    return erfc(-x / sqrt(2)) / 2

"""The looks of a farmer at the stage of a field, and how they correct a stage clock."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import erfc, exp, hypot, inf, isfinite, pi, sqrt
from typing import Final

import numpy as np

from models import coefficients as c
from models.degree_days import Days, GrowthUnknown, UnknownCause
from models.species import GRASS_STAGES, LEGUME_STAGES, Species, stage_onsets
from models.stage_scales import KALU_FICK, MOORE
from models.stages import NO_BUDS, NO_HEADS, alfalfa_height_ndf, stage_words

# The stages whose onsets limit the clock where a word is seen: a stage that lasts long, or is the last in the table,
# only limits the clock.
STAGE_BOUNDS: Final[Mapping[str, tuple[str | None, str | None]]] = {
    NO_HEADS: (None, "early heads"),
    "leaf": (None, "stem"),
    "stem": ("stem", "boot"),
    "bloom": ("bloom", None),
    NO_BUDS: (None, "buds"),
    "vegetative": (None, "buds"),
    "full flower": ("full flower", None),
}
# Other names of stages, by farmers and by scales.
STAGE_SYNONYMS: Final[Mapping[str, str]] = (
    {"heads here and there": "early heads", "V": "leaf", "E": "stem", "R0": "boot", "R1": "early heads"}
    | {"R3": "full heads", "R4": "bloom"}
    | {code: "bloom" for code in MOORE if MOORE[code] > MOORE["R4"]}
    | {"KF0": "vegetative", "KF1": "vegetative", "KF2": "vegetative", "KF3": "buds", "KF5": "first flower"}
    | {code: "full flower" for code in KALU_FICK if KALU_FICK[code] >= KALU_FICK["KF6"]}
)
# Codes that lie between two words: (stage before, stage after, share of the way).
INTERMEDIATE_STAGES: Final[Mapping[str, tuple[str, str, float]]] = {
    "R2": ("early heads", "full heads", 0.5),
    "KF4": ("buds", "first flower", 0.5),
}


def _look_words(negative: str, stages: Sequence[str]) -> tuple[str, ...]:
    """Return the words for the stages of one kind: their own, their synonyms and the codes between two of them."""
    synonyms = [word for word, stage in STAGE_SYNONYMS.items() if stage in stages]
    between = [word for word, (before, _, _) in INTERMEDIATE_STAGES.items() if before in stages]
    return (negative, *stages, *synonyms, *between)


# The words for the stages of grasses (False) and of legumes (True).
LOOK_STAGES: Final[Mapping[bool, tuple[str, ...]]] = {
    False: _look_words(NO_HEADS, GRASS_STAGES),
    True: _look_words(NO_BUDS, LEGUME_STAGES),
}


@dataclass(frozen=True)
class StageLook:
    """A look at a field on a day: one of `LOOK_STAGES`, the height of the tallest alfalfa stem [m], or both."""

    on: np.datetime64
    stage: str | None = None
    height: float | None = None


@dataclass(frozen=True)
class AppliedLook:
    """A look that corrected a clock, and the share of the difference that the correction closed [1].

    `share` is None where a look only limits the clock.
    """

    look: StageLook
    share: float | None


@dataclass(frozen=True)
class PlantKind:
    """One kind of plant in a stand, grasses or legumes: its leading species and the growth that it is in."""

    leader: Species
    is_pure: bool  # no other species in the stand
    regrowth: bool
    latitude: float  # [deg north]

    @property
    def name(self) -> str:
        """Return "grasses" or "legumes"."""
        return "legumes" if self.leader.legume else "grasses"

    @property
    def ndf_mark(self) -> float:
        """Return the clock at the leader's NDF mark [degC d]."""
        return self.leader.ndf_mark_regrowth if self.regrowth else self.leader.ndf_mark

    @property
    def onsets(self) -> dict[str, float]:
        """Return the clock at the onset of the leader's stages [degC d]."""
        return self.onsets_of(self.leader)

    def onsets_of(self, species: Species) -> dict[str, float]:
        """Return the clock at the onset of the stages of any species of this kind [degC d]."""
        return stage_onsets(species, regrowth=self.regrowth, latitude=self.latitude)

    @property
    def tall_clock(self) -> float:
        """Return the clock from which a hard frost makes the growth doubtful [degC d]."""
        return c.FROST_TALL_LEGUME if self.leader.legume else c.FROST_TALL_GRASS

    @property
    def prior_spread(self) -> float:
        """Return the standard deviation of an uncorrected clock [degC d]."""
        if not self.leader.legume:
            return c.CLOCK_SPREAD
        return c.LEGUME_REGROWTH_SPREAD if self.regrowth else c.LEGUME_CLOCK_SPREAD


def kalman_update(
    clock: float, spread: float, observed: float, observed_spread: float = c.LOOK_SPREAD
) -> tuple[float, float]:
    """Update a clock and its spread by a look, with one Kalman step.

    Parameters
    ----------
    clock, spread : float
        The clock by temperature and its standard deviation [degC d].
    observed, observed_spread : float
        The clock that the farmer saw and its standard deviation [degC d].

    Examples
    --------
    >>> [round(value, 1) for value in kalman_update(430.0, 60.0, 470.0)]
    [459.8, 30.2]
    """
    gain = spread**2 / (spread**2 + observed_spread**2)
    return clock + gain * (observed - clock), spread * sqrt(1 - gain)


def truncated_clock(clock: float, spread: float, lower: float, upper: float, blur: float = 0.0) -> tuple[float, float]:
    """Truncate a clock, given as mean and spread, to between two limits.

    Parameters
    ----------
    clock, spread : float
        The clock by temperature and its standard deviation [degC d].
    lower, upper : float
        The limits [degC d]; ``-inf`` and ``inf`` stand for none.
    blur : float
        Standard deviation of the limits themselves [degC d].

    Notes
    -----
    Mean and standard deviation of a truncated normal distribution. With ``lower = -inf`` this is "no
    heads yet": ``clock - spread phi(a) / Phi(a)``, ``a = (upper - clock) / spread``. Limits that are blurred truncate
    the clock together with their error, of which the clock has the share ``spread^2 / (spread^2 + blur^2)``.

    Examples
    --------
    >>> [round(value, 1) for value in truncated_clock(470.0, 60.0, -inf, 470.0)]
    [422.1, 36.2]
    """
    wide = hypot(spread, blur)
    a, b = (lower - clock) / wide, (upper - clock) / wide
    # The share between the limits, computed in the tail that does not lose digits.
    share = _normal_cdf(-a) - _normal_cdf(-b) if a > 0 else _normal_cdf(b) - _normal_cdf(a)
    first = (_normal_pdf(a) - _normal_pdf(b)) / share
    second = (_weighted_pdf(a) - _weighted_pdf(b)) / share
    gain = (spread / wide) ** 2
    return clock + gain * wide * first, spread * sqrt(max(1 + gain * (second - first**2), 0.0))


@dataclass(frozen=True)
class Prior:
    """The prior of a clock in first growth, from the season before: its offset and its spread [degC d]."""

    offset: float
    spread: float


def next_prior(
    offset: float,
    first_year_spread: float,
    *,
    has_look: bool = True,
    share: float = c.CARRIED_SHARE,
    spread_share: float = c.CARRIED_SPREAD,
) -> Prior:
    """Return the prior of the next season from the offset of a clock at the end of this one.

    Parameters
    ----------
    offset : float
        The corrected clock less the temperature sum alone [degC d].
    first_year_spread : float
        Spread of an uncorrected clock, `PlantKind.prior_spread` [degC d].
    has_look : bool
        Whether a look corrected the clock in this season; without one its spread is no smaller.
    share : float
        Of the offset that carries over to next year [1].
    spread_share : float
        Of the first year's spread that remains [1].

    Notes
    -----
    An estimate: part of an offset belongs to the field and its varieties, the rest to the year.

    Examples
    --------
    >>> next_prior(30.0, 60.0)
    Prior(offset=15.0, spread=45.0)
    """
    return Prior(share * offset, first_year_spread * (spread_share if has_look else 1.0))


def check_looks(looks: Sequence[StageLook], day: Days) -> list[StageLook]:
    """Check the looks, and return those at the growth that `day` spans, in order.

    A look on the first day or before is left out: it was at the growth before the cut.

    Raises
    ------
    GrowthUnknown
        If a look is dated after the last day.
    ValueError
        If a stage word is unknown, or a look has neither a stage nor a height.
    """
    for look in looks:
        if look.on > day[-1]:
            raise GrowthUnknown(UnknownCause.LOOK_AHEAD, look.on)
        if look.stage is None and look.height is None:
            raise ValueError(f"look of {look.on}: say a stage or a height")
        if look.stage is not None:
            _check_stage(look.stage, look.on)
    return sorted((look for look in looks if look.on > day[0]), key=lambda look: look.on)


def _check_stage(stage: str, on: np.datetime64) -> None:
    """Refuse a stage that no kind of plant has."""
    if stage not in (*LOOK_STAGES[False], *LOOK_STAGES[True]):
        words = (*GRASS_STAGES, *LEGUME_STAGES, NO_HEADS, NO_BUDS)
        allowed = ", ".join(words) + " and the codes of Moore et al. and of Kalu & Fick"
        raise ValueError(f"look of {on}: unknown stage {stage!r}; known are {allowed}")


def is_relevant(look: StageLook, plant_kind: PlantKind) -> bool:
    """Return whether a look says anything about one kind of plant in its present growth."""
    return _limits_of_stage(look, plant_kind) is not None or uses_height(look, plant_kind)


def uses_height(look: StageLook, plant_kind: PlantKind) -> bool:
    """Return whether the clock is read from the height of a look and not from its stage."""
    if look.height is None or look.height > c.MAX_ALFALFA_HEIGHT or not plant_kind.leader.is_alfalfa:
        return False
    return not _is_short(look) or not _has_onset(look, plant_kind)


def _is_short(look: StageLook) -> bool:
    """Return whether a height is below the range of the height line."""
    return look.height is not None and look.height < c.MIN_ALFALFA_HEIGHT


def _has_onset(look: StageLook, plant_kind: PlantKind) -> bool:
    """Return whether a look saw a stage that has an onset: short plants that bud or flower are not young."""
    limits = _limits_of_stage(look, plant_kind)
    return limits is not None and limits[0] > -inf


def _limits_of_stage(look: StageLook, plant_kind: PlantKind) -> tuple[float, float] | None:
    """Return the clocks between which the stage of a look is seen, None where it says nothing about this kind."""
    if look.stage is None:
        return None
    return _stage_limits(look.stage, plant_kind.onsets)


def fits(look: StageLook, plant_kind: PlantKind, clock: float, spread: float) -> bool:
    """Return whether a relevant look may be true on a day with this clock and spread [degC d].

    Notes
    -----
    It must lie within MAX_LOOK_MISFIT standard deviations of both together; beyond that its date must be wrong.
    """
    lower, upper, look_spread = _look_limits(look, plant_kind, clock)
    return max(lower - clock, clock - upper) <= c.MAX_LOOK_MISFIT * hypot(spread, look_spread)


def correct_clock(look: StageLook, plant_kind: PlantKind, clock: float, spread: float) -> tuple[float, float]:
    """Correct a clock and its spread by a relevant look that `fits`.

    A height on the line takes precedence over a stage, and one below it over a stage that has no onset.

    Parameters
    ----------
    look : StageLook
        A relevant look that fits.
    plant_kind : PlantKind
        The kind of plant the clock belongs to.
    clock, spread : float
        The clock on the day of the look and its standard deviation [degC d].

    Notes
    -----
    "leaf", "stem", "vegetative", "no heads yet" and "no buds yet" limit the clock to before an onset, "bloom" and "full
    flower" to after theirs; the other words stand for their onset, and two codes for the middle between two. They are
    read by the table of the leading species of their kind. Alfalfa that is shorter than the height line covers limits
    the clock to before the line's shortest, with the error of the line.
    """
    lower, upper, look_spread = _look_limits(look, plant_kind, clock)
    if lower == upper:
        return kalman_update(clock, spread, lower, look_spread)
    blur = look_spread if uses_height(look, plant_kind) else 0.0
    return truncated_clock(clock, spread, lower, upper, blur=blur)


def correction_share(look: StageLook, plant_kind: PlantKind, clock: float, spread: float) -> float | None:
    """Return the share of the difference to a relevant look that a clock is corrected by [1], None for a mere limit.

    Parameters
    ----------
    look, plant_kind, clock, spread
        As in `correct_clock`.
    """
    lower, upper, look_spread = _look_limits(look, plant_kind, clock)
    return spread**2 / (spread**2 + look_spread**2) if lower == upper else None


def _look_limits(look: StageLook, plant_kind: PlantKind, clock: float) -> tuple[float, float, float]:
    """Return the clocks between which a look lies, equal if it stands for a single one, and the look's spread."""
    if not uses_height(look, plant_kind):
        lower, upper = _stage_limits(str(look.stage), plant_kind.onsets) or (clock, clock)
        return lower, upper, c.LOOK_SPREAD
    at, spread = _clock_at_height(max(look.height or 0.0, c.MIN_ALFALFA_HEIGHT), look.stage, plant_kind, clock)
    return (-inf if _is_short(look) else at), at, spread


def _clock_at_height(height: float, stage: str | None, plant_kind: PlantKind, clock: float) -> tuple[float, float]:
    """Return the clock at which alfalfa has the fibre that its height implies, and the spread of that clock."""
    stage_at_height = stage if stage in LEGUME_STAGES else stage_words(np.array([clock]), plant_kind.onsets)[0]
    ndf = alfalfa_height_ndf(height, str(stage_at_height))
    error = c.HEIGHT_NDF_SPREAD if plant_kind.is_pure else c.HEIGHT_NDF_SPREAD_MIXED
    return plant_kind.ndf_mark + (ndf - 40) / c.LEGUME_NDF_RATE, error / c.LEGUME_NDF_RATE


def _stage_limits(word: str, onsets: Mapping[str, float]) -> tuple[float, float] | None:
    """Return the clocks between which a stage is seen, None where the table does not have it.

    Two equal clocks mean that the word stands for that clock.
    """
    if word in INTERMEDIATE_STAGES:
        before, after, share = INTERMEDIATE_STAGES[word]
        if before not in onsets:
            return None
        at = onsets[before] + share * (onsets[after] - onsets[before])
        return at, at
    word = STAGE_SYNONYMS.get(word, word)
    first, last = STAGE_BOUNDS.get(word, (word, word))
    for stage in (first, last):
        if stage is not None and stage not in onsets:
            return None
    return (-inf if first is None else onsets[first]), (inf if last is None else onsets[last])


def _weighted_pdf(x: float) -> float:
    """Return x times the standard normal density, and its limit 0 at infinity."""
    return x * _normal_pdf(x) if isfinite(x) else 0.0


def _normal_pdf(x: float) -> float:
    return exp(-x * x / 2) / sqrt(2 * pi)


def _normal_cdf(x: float) -> float:
    return erfc(-x / sqrt(2)) / 2


def ordered_stages(*, legume: bool) -> Sequence[str]:
    """Return the words for the stages of grasses or of legumes in order of age, without the codes of the scales.

    Examples
    --------
    >>> ordered_stages(legume=False)[3:6]
    ['boot', 'early heads', 'heads here and there']
    """
    words = [word for word in LOOK_STAGES[legume] if word.islower()]
    place = {word: number for number, word in enumerate(words) if word not in STAGE_SYNONYMS}
    return sorted(words, key=lambda word: (place[STAGE_SYNONYMS.get(word, word)], word in STAGE_SYNONYMS))

"""What the farmer saw in a field, and how it corrects a stage clock."""

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

# Limits of the clock that a word speaks of, by the onsets of the stages it lies between; a stage that lasts long, or is
# the last in the table, only limits the clock.
STAGE_BOUNDS: Final[Mapping[str, tuple[str | None, str | None]]] = {
    NO_HEADS: (None, "early heads"),
    "leaf": (None, "stem"),
    "stem": ("stem", "boot"),
    "bloom": ("bloom", None),
    NO_BUDS: (None, "buds"),
    "vegetative": (None, "buds"),
    "full flower": ("full flower", None),
}
# What else a farmer or a scale calls a stage.
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
# What may be said of a stand's grasses (False) and of its legumes (True).
LOOK_STAGES: Final[Mapping[bool, tuple[str, ...]]] = {
    legume: (
        negative,
        *words,
        *(
            said
            for said in (*STAGE_SYNONYMS, *INTERMEDIATE_STAGES)
            if STAGE_SYNONYMS.get(said, INTERMEDIATE_STAGES.get(said, words)[0]) in words
        ),
    )
    for legume, negative, words in ((False, NO_HEADS, GRASS_STAGES), (True, NO_BUDS, LEGUME_STAGES))
}


@dataclass(frozen=True)
class StageLook:
    """What was seen in a field on a day: one of `LOOK_STAGES`, the tallest alfalfa stem [m], or both."""

    on: np.datetime64
    stage: str | None = None
    height: float | None = None


@dataclass(frozen=True)
class AppliedLook:
    """A look that corrected a clock, and the share of the way to what was seen that the clock went [1].

    `share` is None where a look only limits the clock.
    """

    look: StageLook
    share: float | None


@dataclass(frozen=True)
class PlantKind:
    """One kind of plant in a stand, grasses or legumes: its leading species and what that one is in."""

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
        """Return the clock at which the leader's stages are first seen [degC d]."""
        return self.onsets_of(self.leader)

    def onsets_of(self, species: Species) -> dict[str, float]:
        """Return the same of any species of this kind."""
        return stage_onsets(species, regrowth=self.regrowth, latitude=self.latitude)

    @property
    def tall_clock(self) -> float:
        """Return the clock from which a hard frost makes the growth doubtful [degC d]."""
        return c.FROST_TALL_LEGUME if self.leader.legume else c.FROST_TALL_GRASS

    @property
    def prior_spread(self) -> float:
        """Return the standard deviation of a clock that nobody has corrected [degC d]."""
        if not self.leader.legume:
            return c.CLOCK_SPREAD
        return c.LEGUME_REGROWTH_SPREAD if self.regrowth else c.LEGUME_CLOCK_SPREAD


def kalman_update(
    clock: float, spread: float, observed: float, observed_spread: float = c.LOOK_SPREAD
) -> tuple[float, float]:
    """Return a clock and its spread after a look, by one Kalman step.

    Parameters
    ----------
    clock, spread : float
        What the weather says and its standard deviation [degC d].
    observed, observed_spread : float
        What the farmer saw, as a clock, and its standard deviation [degC d].

    Examples
    --------
    >>> [round(value, 1) for value in kalman_update(430.0, 60.0, 470.0)]
    [459.8, 30.2]
    """
    gain = spread**2 / (spread**2 + observed_spread**2)
    return clock + gain * (observed - clock), spread * sqrt(1 - gain)


def truncated_clock(clock: float, spread: float, lower: float, upper: float, blur: float = 0.0) -> tuple[float, float]:
    """Return a clock and its spread, knowing only that the clock lies between two limits.

    Parameters
    ----------
    clock, spread : float
        What the weather says and its standard deviation [degC d].
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
    # The share between the limits, taken in the tail that keeps its digits.
    share = _normal_cdf(-a) - _normal_cdf(-b) if a > 0 else _normal_cdf(b) - _normal_cdf(a)
    first = (_normal_pdf(a) - _normal_pdf(b)) / share
    second = ((a * _normal_pdf(a) if isfinite(a) else 0.0) - (b * _normal_pdf(b) if isfinite(b) else 0.0)) / share
    gain = (spread / wide) ** 2
    return clock + gain * wide * first, spread * sqrt(max(1 + gain * (second - first**2), 0.0))


@dataclass(frozen=True)
class Prior:
    """What the season before says of a clock in its first growth: what to add to it, and its spread [degC d]."""

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
    """Return what the offset of a clock at the end of a season says of the next one.

    Parameters
    ----------
    offset : float
        The corrected clock less the temperature sum alone [degC d].
    first_year_spread : float
        Spread of a clock that nobody has corrected, `PlantKind.prior_spread` [degC d].
    has_look : bool
        Whether a look corrected the clock in this season; without, nothing new is known of its spread.
    share : float
        Of the offset that holds next year [1].
    spread_share : float
        Of the first year's spread [1].

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
            raise GrowthUnknown(UnknownCause.LOOK_AHEAD, look.on)
        if look.stage is None and look.height is None:
            raise ValueError(f"look of {look.on}: say a stage or a height")
        if look.stage is not None and look.stage not in (*LOOK_STAGES[False], *LOOK_STAGES[True]):
            words = (*GRASS_STAGES, *LEGUME_STAGES, NO_HEADS, NO_BUDS)
            allowed = ", ".join(words) + " and the codes of Moore et al. and of Kalu & Fick"
            raise ValueError(f"look of {look.on}: unknown stage {look.stage!r}; known are {allowed}")
    return sorted((look for look in looks if look.on > day[0]), key=lambda look: look.on)


def is_relevant(look: StageLook, plant_kind: PlantKind) -> bool:
    """Return whether a look says anything of one kind of plant in its present growth."""
    return _is_stage_relevant(look, plant_kind) or uses_height(look, plant_kind)


def uses_height(look: StageLook, plant_kind: PlantKind) -> bool:
    """Return whether it is the height of a look that tells the clock."""
    if look.height is None or look.height > c.MAX_ALFALFA_HEIGHT or not plant_kind.leader.is_alfalfa:
        return False
    return not _is_short(look) or not _has_onset(look, plant_kind)


def _is_short(look: StageLook) -> bool:
    """Return whether a height is below what the height line holds for."""
    return look.height is not None and look.height < c.MIN_ALFALFA_HEIGHT


def _has_onset(look: StageLook, plant_kind: PlantKind) -> bool:
    """Return whether a look saw a stage that has a beginning: short plants that bud or flower are not young."""
    limits = None if look.stage is None else _stage_limits(look.stage, plant_kind.onsets)
    return limits is not None and limits[0] > -inf


def _is_stage_relevant(look: StageLook, plant_kind: PlantKind) -> bool:
    return look.stage is not None and _stage_limits(look.stage, plant_kind.onsets) is not None


def fits(look: StageLook, plant_kind: PlantKind, clock: float, spread: float) -> bool:
    """Return whether a look that counts may be true of a day with this clock and spread [degC d].

    Notes
    -----
    It must lie within MAX_LOOK_MISFIT standard deviations of both together; farther, its date must be wrong.
    """
    lower, upper, seen_spread = _look_limits(look, plant_kind, clock)
    return max(lower - clock, clock - upper) <= c.MAX_LOOK_MISFIT * hypot(spread, seen_spread)


def correct_clock(look: StageLook, plant_kind: PlantKind, clock: float, spread: float) -> tuple[float, float]:
    """Return the clock and its spread after a look that counts and `fits`.

    A height on the line wins over a stage, and one below it over a stage that has no beginning.

    Parameters
    ----------
    look : StageLook
        What was seen.
    plant_kind : PlantKind
        The kind of plant the clock belongs to.
    clock, spread : float
        The clock on the day of the look and its standard deviation [degC d].

    Notes
    -----
    "leaf", "stem", "vegetative", "no heads yet" and "no buds yet" limit the clock to before something, "bloom" and
    "full flower" to after their onset; the other words stand for theirs, and two codes for the middle between two.
    They are read by the table of the leading species of their kind. Alfalfa that is shorter than the height line holds
    for limits the clock to before the line's shortest, as well as the line knows that.
    """
    lower, upper, seen_spread = _look_limits(look, plant_kind, clock)
    if lower == upper:
        return kalman_update(clock, spread, lower, seen_spread)
    return truncated_clock(clock, spread, lower, upper, blur=seen_spread if uses_height(look, plant_kind) else 0.0)


def correction_share(look: StageLook, plant_kind: PlantKind, clock: float, spread: float) -> float | None:
    """Return the share of the way that a clock goes to what a look that counts saw [1], None where it only limits.

    Parameters
    ----------
    look, plant_kind, clock, spread
        As in `correct_clock`.
    """
    lower, upper, seen_spread = _look_limits(look, plant_kind, clock)
    return spread**2 / (spread**2 + seen_spread**2) if lower == upper else None


def _look_limits(look: StageLook, plant_kind: PlantKind, clock: float) -> tuple[float, float, float]:
    """Return the clocks between which a look lies, one and the same if it stands for one, and its own spread."""
    if not uses_height(look, plant_kind):
        lower, upper = _stage_limits(str(look.stage), plant_kind.onsets) or (clock, clock)
        return lower, upper, c.LOOK_SPREAD
    at, spread = _clock_at_height(max(look.height or 0.0, c.MIN_ALFALFA_HEIGHT), look.stage, plant_kind, clock)
    return (-inf if _is_short(look) else at), at, spread


def _clock_at_height(height: float, stage: str | None, plant_kind: PlantKind, clock: float) -> tuple[float, float]:
    """Return the clock at which alfalfa has the fibre that its height speaks of, and that clock's spread."""
    seen = stage if stage in LEGUME_STAGES else stage_words(np.array([clock]), plant_kind.onsets)[0]
    ndf = alfalfa_height_ndf(height, str(seen))
    error = c.HEIGHT_NDF_SPREAD if plant_kind.is_pure else c.HEIGHT_NDF_SPREAD_MIXED
    return plant_kind.ndf_mark + (ndf - 40) / c.LEGUME_NDF_RATE, error / c.LEGUME_NDF_RATE


def _stage_limits(word: str, onsets: Mapping[str, float]) -> tuple[float, float] | None:
    """Return between which clocks a stage is seen, or None where the table knows nothing of it.

    One and the same clock twice means that the word stands for it.
    """
    if word in INTERMEDIATE_STAGES:
        before, after, share = INTERMEDIATE_STAGES[word]
        if before not in onsets:
            return None
        at = onsets[before] + share * (onsets[after] - onsets[before])
        return at, at
    word = STAGE_SYNONYMS.get(word, word)
    first, last = STAGE_BOUNDS.get(word, (word, word))
    if any(stage not in onsets for stage in (first, last) if stage is not None):
        return None
    return (-inf if first is None else onsets[first]), (inf if last is None else onsets[last])


def _normal_pdf(x: float) -> float:
    return exp(-x * x / 2) / sqrt(2 * pi)


def _normal_cdf(x: float) -> float:
    return erfc(-x / sqrt(2)) / 2


def ordered_stages(*, legume: bool) -> Sequence[str]:
    """Return the words for the stages of grasses or of legumes; nobody wants to read all codes.

    Examples
    --------
    >>> ordered_stages(legume=False)[3:6]
    ['boot', 'early heads', 'heads here and there']
    """
    words = [said for said in LOOK_STAGES[legume] if said.islower()]
    place = {said: number for number, said in enumerate(words) if said not in STAGE_SYNONYMS}
    return sorted(words, key=lambda said: (place[STAGE_SYNONYMS.get(said, said)], said in STAGE_SYNONYMS))

"""The soil water balance: a root-zone bucket after FAO-56, and a topsoil that holds a surplus.

The topsoil is part of the root zone, and each has a balance of its own, as in FAO-56. Days are the last axis.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models import coefficients as c
from models.firmness import LOAD_LIMITS, Firmness, Load, Words, ground_firmness

Array = NDArray[np.float64]


class FirmnessRange(NamedTuple):
    """The meaning of a look: topsoil wetness above one limit and up to another [1], and a least deficit [mm].

    A modelled wetness outside the limits is set to `wetness`.
    """

    above: float
    up_to: float
    wetness: float
    deficit: float


FIRMNESS_RANGES: Final[Mapping[Firmness, FirmnessRange]] = {
    Firmness.FIRM: FirmnessRange(-math.inf, c.WETNESS_BALER, c.WETNESS_SEEN_FIRM, c.DEFICIT_FIRM),
    Firmness.SOFT: FirmnessRange(c.WETNESS_MOWER, c.WETNESS_RUTS, c.WETNESS_SEEN_SOFT, c.DEFICIT_RUTS),
    Firmness.RUTS: FirmnessRange(c.WETNESS_RUTS, math.inf, c.WETNESS_SEEN_RUTS, 0.0),
}


@dataclass(frozen=True)
class SoilProfile:
    """How much water the soil of a field can hold and how fast it drains.

    `topsoil` and `root_zone` [mm] lie between wilting point and field capacity (the latter is TAW), `drainage` [mm d-1]
    is what leaves the topsoil above field capacity, `depletion_fraction` is p of FAO-56 table 22 [1],
    `topsoil_share` [1] is what the topsoil gives of the evapotranspiration where all of the root zone is as wet, and
    `load_limits` says of each load up to which wetness of the topsoil [1] and from which deficit [mm] on it is carried.
    """

    topsoil: float
    root_zone: float
    drainage: float
    depletion_fraction: float
    topsoil_share: float
    load_limits: Mapping[Load, tuple[float, float]]


@dataclass(frozen=True)
class GroundState:
    """The ground at one moment, shape (member,).

    `topsoil_water` [mm] stands above the wilting point, `deficit` [mm] is what the root zone lacks of field capacity
    (Dr of FAO-56).
    """

    topsoil_water: Array
    deficit: Array


@dataclass(frozen=True)
class GroundDays:
    """The ground from day to day.

    Of shape (member, day + 1), in the morning of each day and after the last: `topsoil_water`, `deficit` [mm].
    Of shape (member, day): `stress` (Ks [1]), `evapotranspiration` and `percolation` of the root zone, `uptake` and
    `drainage` out of the topsoil [mm]. `profile` is the soil.
    """

    profile: SoilProfile
    topsoil_water: Array
    deficit: Array
    stress: Array
    evapotranspiration: Array
    percolation: Array
    uptake: Array
    drainage: Array

    @property
    def wetness(self) -> Array:
        """Water in the topsoil in terms of what it holds at field capacity [1], shape (member, day + 1)."""
        return self.topsoil_water / self.profile.topsoil

    @property
    def end(self) -> GroundState:
        """The ground after the last day, from which another stretch can go on."""
        return GroundState(self.topsoil_water[:, -1], self.deficit[:, -1])

    def firmness(self, load: Load) -> Words:
        """Return the word for each morning and the evening of the last day, shape (member, day + 1)."""
        return ground_firmness(self.wetness, self.deficit, load, self.profile.load_limits)


def soil_profile(
    texture: str,
    drainage: str,
    *,
    root_depth: float = c.ROOT_DEPTH,
    topsoil_depth: float = c.TOPSOIL_DEPTH,
    depletion_fraction: float = c.DEPLETION_FRACTION,
    baler_limits: tuple[float, float] = LOAD_LIMITS[Load.BALER],
) -> SoilProfile:
    """Return the profile of a soil.

    Parameters
    ----------
    texture : str
        A key of `coefficients.SOIL_WATER`, such as "silt loam".
    drainage : str
        A key of `coefficients.SURPLUS_DRAINAGE`: "well", "moderate" or "poor".
    root_depth, topsoil_depth : float
        Zr and Ze [m].
    depletion_fraction : float
        p of FAO-56 table 22, for an evapotranspiration of 5 mm a day [1].
    baler_limits : tuple of float
        Up to which wetness of the topsoil [1] and from which deficit [mm] on the ground carries one, estimates.

    Raises
    ------
    ValueError
        If a word is not known.

    Notes
    -----
    FAO-56 eq. 82. The topsoil's share is that of the roots of temperate grassland, 1 - 0.943^d down to d cm (Jackson
    et al. 1996), used for all stands though lucerne draws from deeper.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.
    Jackson et al. 1996, Oecologia 108:389-411, doi:10.1007/BF00333714.

    Examples
    --------
    >>> round(soil_profile("loam", "moderate", root_depth=0.6).root_zone, 1)
    90.0
    """
    _check_word("texture", texture, c.SOIL_WATER)
    _check_word("drainage", drainage, c.SURPLUS_DRAINAGE)
    field_capacity, wilting_point = c.SOIL_WATER[texture]
    available_water = 1000.0 * (field_capacity - wilting_point)  # [mm m-1]
    return SoilProfile(
        topsoil=available_water * topsoil_depth,
        root_zone=available_water * root_depth,
        drainage=c.SURPLUS_DRAINAGE[drainage],
        depletion_fraction=depletion_fraction,
        topsoil_share=_roots_above(topsoil_depth) / _roots_above(root_depth),
        load_limits={**LOAD_LIMITS, Load.BALER: baler_limits},
    )


def at_field_capacity(profile: SoilProfile) -> GroundState:
    """Return the ground at field capacity, as after a winter; where nothing is known, wet is the cautious guess."""
    return GroundState(np.array([profile.topsoil]), np.zeros(1))


def crop_coefficient(days_since_cut: ArrayLike) -> Array:
    """Return the evapotranspiration of a meadow relative to short grass.

    Parameters
    ----------
    days_since_cut : array_like
        Days since the last cut [d]; `inf` for a first growth and for what stood before that cut.

    Returns
    -------
    array
        Single crop coefficient Kc [1].

    Notes
    -----
    FAO-56 table 12 prints 0.40 just after a cut of hay and 1.05 for ryegrass hay at full cover. Three weeks between
    the two, in a straight line, are remembered.

    Examples
    --------
    >>> crop_coefficient([0.0, 21.0, np.inf])
    array([0.4 , 1.05, 1.05])
    """
    return np.interp(
        np.asarray(days_since_cut, dtype=np.float64),
        [0.0, c.DAYS_TO_FULL_COVER],
        [c.CROP_COEFFICIENT_CUT, c.CROP_COEFFICIENT_FULL],
    )


def follow_ground(
    profile: SoilProfile,
    rain: Array,
    reference_evapotranspiration: Array,
    crop_coefficient: Array | float,
    *,
    start: GroundState | None = None,
    looks: Mapping[int, Firmness] | None = None,
) -> GroundDays:
    """Follow the water in the ground from day to day.

    Parameters
    ----------
    profile : SoilProfile
    rain : array, shape (member, day)
        Sum of each day [mm].
    reference_evapotranspiration : array, shape (member, day)
        Of short grass, sum of each day [mm]. A day below zero, which is dew, counts as none.
    crop_coefficient : array or float, shape (day,)
        Single crop coefficient Kc [1].
    start : GroundState, optional
        The first morning; field capacity where left out.
    looks : mapping of int to Firmness, optional
        What was seen in the field, by the day's index: it holds in the morning, before that day's rain and sun.

    Returns
    -------
    GroundDays

    Raises
    ------
    ValueError
        If a day is not known, or its rain is negative.

    Notes
    -----
    Root zone: FAO-56 eqs 84 to 86 and 88 with a single crop coefficient and p adjusted to the day's evapotranspiration;
    no run-off and no capillary rise. Evapotranspiration ends at the wilting point, so that the balance closes.

    Topsoil: it gives its share of the evapotranspiration where it is as wet as the root zone, more where it is wetter,
    and at most all, after the way of Allen et al. (2005). Departures: the share is that of the roots and not
    (Ze / Zr)^0.6, it is taken of evaporation and transpiration together, and wetness is counted between wilting point
    and field capacity. Above field capacity the topsoil holds up to 10 mm at the end of a day (Schulte et al. 2005),
    of which the drainage class lets some go each day.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56.
    Allen et al. 2005, J. Irrig. Drain. Eng. 131(1):2-13, doi:10.1061/(ASCE)0733-9437(2005)131:1(2).
    Schulte et al. 2005, Irish J. Agric. Food Res. 44:95-110.
    """
    _check_days(rain, reference_evapotranspiration)
    demand = np.maximum(reference_evapotranspiration, 0.0) * crop_coefficient
    reserve = _reserve(profile, demand)
    members, days = rain.shape
    state, looks_by_day = start or at_field_capacity(profile), looks or {}
    stocks, flows = np.empty((2, members, days + 1)), np.empty((5, members, days))
    for day in range(days):
        if day in looks_by_day:
            state = correct_ground(profile, state, looks_by_day[day])
        stocks[0, :, day], stocks[1, :, day] = state.topsoil_water, state.deficit
        state, flows[:, :, day] = _step_day(profile, state, rain[:, day], demand[:, day], reserve[:, day])
    stocks[0, :, days], stocks[1, :, days] = state.topsoil_water, state.deficit
    return GroundDays(profile, *stocks, *flows)


def correct_ground(profile: SoilProfile, state: GroundState, look: Firmness) -> GroundState:
    """Correct the modelled ground by a look at it.

    Parameters
    ----------
    profile : SoilProfile
    state : GroundState
        Of the model.
    look : Firmness
        By the mark of a heel: firm is none, soft about 1 cm, ruts over 2 cm.

    Notes
    -----
    Firm is firm for a baler, soft is soft for a tractor's mower. Topsoil for which the model agrees stays as it is. The
    deficit is raised until it no longer contradicts the look, and lowered only to leave the root zone the water of its
    topsoil: a wet topsoil says nothing about what lies below.

    Examples
    --------
    >>> loam = soil_profile("loam", "well")
    >>> after = correct_ground(loam, at_field_capacity(loam), Firmness.FIRM)
    >>> ground_firmness(after.topsoil_water / loam.topsoil, after.deficit, Load.BALER).tolist()
    ['firm']
    """
    limits, wetness = _firmness_range(profile, look), state.topsoil_water / profile.topsoil
    agrees = (limits.above < wetness) & (wetness <= limits.up_to)
    topsoil_water = np.where(agrees, state.topsoil_water, limits.wetness * profile.topsoil)
    deficit = np.minimum(np.maximum(state.deficit, limits.deficit), profile.root_zone - topsoil_water)
    return GroundState(topsoil_water, deficit)


def _firmness_range(profile: SoilProfile, look: Firmness) -> FirmnessRange:
    """Return the meaning of a look; firm means firm by this ground's own limits for a baler."""
    limits = FIRMNESS_RANGES[look]
    if look is not Firmness.FIRM:
        return limits
    most_wetness, least_deficit = profile.load_limits[Load.BALER]
    return FirmnessRange(limits.above, most_wetness, min(limits.wetness, most_wetness), least_deficit)


def soil_drying_factor(wetness: ArrayLike) -> Array:
    """Return how fast a swath dries over ground of this wetness relative to moist ground.

    Parameters
    ----------
    wetness : array_like
        Water in the topsoil in terms of what it holds at field capacity [1].

    Returns
    -------
    array
        Factor on the drying constant [1], 0.88 (wet) to 1.05 (dry), straight lines between.

    Notes
    -----
    What soil moisture does in the drying rate of Rotz & Chen (1985), remembered, at 500 g/m2 of swath on the day of
    mowing. Their moisture is of the dry weight; it was turned into wetness for loam of 1.4 t/m3 and is used for all
    soils.

    References
    ----------
    Rotz & Chen 1985, Trans. ASAE 28(5):1686-1691, doi:10.13031/2013.32500.

    Examples
    --------
    >>> soil_drying_factor([0.0, 0.53, 1.0]).round(2)
    array([1.05, 1.  , 0.94])
    """
    wetness_points = [c.WETNESS_DRY, c.WETNESS_MOIST, c.WETNESS_WET]
    factors = [c.SOIL_FACTOR_DRY, 1.0, c.SOIL_FACTOR_WET]
    return np.interp(np.asarray(wetness, dtype=np.float64), wetness_points, factors)


def _step_day(
    profile: SoilProfile, state: GroundState, rain: Array, demand: Array, reserve: Array
) -> tuple[GroundState, tuple[Array, ...]]:
    """Return the ground after a day, and its stress, evapotranspiration, percolation, uptake and drainage."""
    left = profile.root_zone - state.deficit
    stress = np.minimum(left / reserve, 1.0)
    evapotranspiration = np.minimum(stress * demand, left + rain)
    balance = state.deficit - rain + evapotranspiration
    percolation = np.maximum(-balance, 0.0)

    water = state.topsoil_water + rain
    uptake = np.minimum(_topsoil_share(profile, state) * evapotranspiration, water)
    water = water - uptake
    surplus = np.maximum(water - profile.topsoil, 0.0)
    retained = np.maximum(np.minimum(surplus, c.MAX_SURPLUS) - profile.drainage, 0.0)
    after = GroundState(np.minimum(water, profile.topsoil) + retained, np.maximum(balance, 0.0))
    return after, (stress, evapotranspiration, percolation, uptake, surplus - retained)


def _reserve(profile: SoilProfile, demand: Array) -> Array:
    """Return TAW - RAW [mm], the water in the root zone below which plants transpire less. FAO-56 eq. 83.

    The fraction p is adjusted to the day's demand, as the footnote of table 22 says.
    """
    fraction = np.clip(profile.depletion_fraction + 0.04 * (5.0 - demand), 0.1, 0.8)
    return (1.0 - fraction) * profile.root_zone


def _topsoil_share(profile: SoilProfile, state: GroundState) -> Array:
    """Return the share of the evapotranspiration that comes from the topsoil [1]: roots draw where it is wet."""
    topsoil = np.minimum(state.topsoil_water / profile.topsoil, 1.0)
    root_zone = np.maximum(1.0 - state.deficit / profile.root_zone, c.MIN_RELATIVE_WATER)
    return np.minimum(profile.topsoil_share * topsoil / root_zone, 1.0)


def _roots_above(depth: float) -> float:
    """Return the share of all roots that lie above a depth [m], Jackson et al. 1996."""
    return float(1.0 - c.ROOT_DECLINE ** (100.0 * depth))


def _check_word(label: str, word: str, allowed: Mapping[str, object]) -> None:
    if word not in allowed:
        raise ValueError(f"{label} of soil_profile: {word!r} given, allowed {', '.join(allowed)}")


def _check_days(rain: Array, evapotranspiration: Array) -> None:
    if rain.ndim != 2 or rain.shape != evapotranspiration.shape or rain.shape[1] == 0:
        raise ValueError(
            f"days of follow_ground: shapes {rain.shape} and {evapotranspiration.shape} given, allowed the same "
            "(member, day) with a day or more"
        )
    for name, values in (("rain", rain), ("reference evapotranspiration", evapotranspiration)):
        bad = ~np.isfinite(values) | (name == "rain") & (values < 0.0)
        if bad.any():
            member, day = np.argwhere(bad)[0]
            raise ValueError(f"{name} of follow_ground: {values[member, day]:g} mm given for day {day}")

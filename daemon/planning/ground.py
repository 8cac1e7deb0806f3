"""The water in the ground under each field, day by day: how a swath dries on it, and whether it carries the baler."""

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from daemon.domain.farm import Farm, Field, FieldState
from daemon.planning.daily_weather import SPIN_UP_DAYS, DailyWater
from models.degree_days import latest_drought
from models.firmness import Firmness, Load, Words, first_firm_day, ground_firmness
from models.soil_water import (
    GroundDays,
    GroundState,
    SoilProfile,
    crop_coefficient,
    follow_ground,
    soil_drying_factor,
    soil_profile,
)
from models.species import stand_root_depth

Array = NDArray[np.float64]

FIRM_SHARE_NEEDED = 0.5  # least share of the members in which the ground is firm, for it to be taken for firm


@dataclass(frozen=True)
class Ground:
    """The ground under a field as work begins on each day from today on, shape (member, day).

    `soil_factor` [1] is how fast a swath dries on it, and `firmness` how it takes the baler: what goes over it last is
    the heaviest, and where that is carried everything is. `water_stress` is how far plants find water (Ks [1]) on each
    `day` that was followed, past and coming, the mean of the members.
    """

    soil_factor: Array
    firmness: Words
    day: NDArray[np.datetime64]
    water_stress: Array

    def firm_share(self, day: int) -> float:
        """Return the share of the members in which it is firm on a day, counted from today."""
        return float((self.firmness[:, day] == Firmness.FIRM).mean())

    @property
    def firmness_today(self) -> Firmness:
        """How it is as work begins today, in the middle of the members."""
        words = list(Firmness)
        ranks = [words.index(Firmness(word)) for word in self.firmness[:, 0]]
        return words[int(np.quantile(ranks, FIRM_SHARE_NEEDED, method="lower"))]

    def water_stress_on(self, days: NDArray[np.datetime64]) -> Array:
        """Return how far plants find water on some days: all of it, 1, before those that were followed."""
        known = dict(zip(self.day.tolist(), self.water_stress.tolist(), strict=True))
        return np.array([known.get(day, 1.0) for day in days.tolist()])

    def drought_on(self, day: date) -> tuple[int, int]:
        """Return how long nothing grew in the newest drought before a day, and how long ago it ended [d]."""
        return latest_drought(self.water_stress[self.day < np.datetime64(day, "D")])

    def days_until_firm(self, days: int) -> int | None:
        """Return the days from today until it is firm, None if it is not in so many days."""
        return first_firm_day(self.firmness[:, :days], FIRM_SHARE_NEEDED)


def field_profile(farm: Farm, field: Field) -> SoilProfile:
    """Return what the soil of a field holds within reach of its stand, and what carries the baler on it."""
    baler = farm.estimates.firm_below, farm.estimates.firm_deficit
    depth = stand_root_depth(field.stand, farm.species)
    return soil_profile(field.soil, field.drainage, root_depth=depth, baler_limits=baler)


def ground_ahead(state: FieldState, past: DailyWater, ahead: DailyWater, profile: SoilProfile) -> Ground:
    """Return the ground of a field as work begins on each day of `ahead` and the next.

    Parameters
    ----------
    state : FieldState
        Its last cut and the looks at its ground.
    past, ahead : DailyWater
        Of the past, one member, the last 90 days before `ahead` are followed.
    profile : Profile
        See `field_profile`.

    Notes
    -----
    The ground is taken to be full 90 days ago, or when the past begins. Nothing dries between midnight and work, but
    what falls by then is in the ground. A look was taken after it, and holds from then on.
    """
    lately = past.before(ahead.day[0], SPIN_UP_DAYS)
    before = _follow_water(state, profile, lately)
    coming = _follow_water(state, profile, ahead, before.end)
    known = np.concatenate([lately.day, ahead.day]), np.concatenate([before.stress[0], coming.stress.mean(axis=0)])
    return _ground_at_work(profile, coming.topsoil_water, coming.deficit, _early_rain(state, ahead), *known)


def ground_on(state: FieldState, past: DailyWater, day: date, profile: SoilProfile) -> Ground:
    """Return the ground of a field as work began on a day that has come; the day itself need not be over."""
    lately = past.before(np.datetime64(day, "D"), SPIN_UP_DAYS)
    before, early = _follow_water(state, profile, lately), _early_rain(state, past.since(day))
    return _ground_at_work(
        profile, before.topsoil_water[:, -1:], before.deficit[:, -1:], early[:, :1], lately.day, before.stress[0]
    )


def _follow_water(
    state: FieldState, profile: SoilProfile, water: DailyWater, start: GroundState | None = None
) -> GroundDays:
    """Return the water in the ground of a field from day to day.

    Raises
    ------
    ValueError
        If there is no day to follow.
    """
    if water.day.size == 0:
        raise ValueError("the weather holds no whole day before today, so that nobody can tell how wet the ground is")
    cover, looks = _crop_coefficients(state, water.day), _looks_by_index(state, water.day)
    return follow_ground(profile, water.rain, water.evapotranspiration, cover, start=start, looks=looks)


def _early_rain(state: FieldState, water: DailyWater) -> Array:
    """Return what falls before work on each day and the next [mm]; a look at the ground was taken after it."""
    seen = list(_looks_by_index(state, water.day))
    early = np.pad(water.early_rain, ((0, 0), (0, 1)))
    early[:, seen] = water.early_rain_to_come[:, seen]
    return early


def _ground_at_work(
    profile: SoilProfile,
    topsoil_water: Array,
    deficit: Array,
    early_rain: Array,
    day: NDArray[np.datetime64],
    water_stress: Array,
) -> Ground:
    """Return the ground of some mornings with the rain of their early hours in it."""
    wetness = (topsoil_water + early_rain) / profile.topsoil
    carries = ground_firmness(wetness, np.maximum(deficit - early_rain, 0.0), Load.BALER, profile.load_limits)
    return Ground(soil_drying_factor(wetness), carries, day, water_stress)


def _looks_by_index(state: FieldState, day: NDArray[np.datetime64]) -> dict[int, Firmness]:
    """Return what was seen of the ground, by where its day stands among some."""
    seen = {np.datetime64(on, "D"): Firmness(word) for on, word in state.ground_looks}
    return {at: seen[one] for at, one in enumerate(day) if one in seen}


def _crop_coefficients(state: FieldState, day: NDArray[np.datetime64]) -> Array:
    """Return the crop coefficient of each day."""
    if state.last_cut is None:
        return crop_coefficient(np.full(day.size, np.inf))
    since = (day - np.datetime64(state.last_cut, "D")).astype(np.float64)
    return crop_coefficient(np.where(since < 0.0, np.inf, since))

"""The crop of a field in the hours ahead: what stands there, and how it dries when it is cut on one day or another."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import ceil

import numpy as np
from numpy.typing import NDArray

from daemon.domain.farm import Farm, Field, FieldState
from daemon.planning.forecast_hours import ForecastHours, Window
from daemon.planning.ground import Ground, field_profile, ground_ahead, ground_on
from models import coefficients as c
from models.day_limits import baling_hours, baling_window, mowing_slots
from models.day_plan import CropDay
from models.growth import Growth
from models.swath import (
    DryingHours,
    Swath,
    dry_basis,
    lay_swath,
    standing_wetness,
    start_moisture_shift,
    wet_basis,
    wilt,
)
from models.workday import SLOTS_PER_HOUR, TOLERANCE, Slots

Array = NDArray[np.float64]

MOWING_AFTER_LATEST_START = 8  # [strips] that may still be mown from the last start on


@dataclass(frozen=True)
class Crop:
    """What stands in a field: its growth, the dew and rain [mm] on it (member, hour), and the ground under it."""

    state: FieldState
    growth: Growth
    wetness: Array
    ground: Ground

    @property
    def field(self) -> Field:
        """The settings of the field."""
        return self.state.field

    def dry_matter(self, day: date) -> float:
        """Return the yield on a day [t/ha]: what the settings expect, else the growth model's."""
        return _yield_on(self.field, self.growth, day)


def day_index(growth: Growth, day: date) -> int:
    """Return where a day stands in the arrays of a growth; outside of them where it is not covered."""
    return int((np.datetime64(day, "D") - growth.day[0]).astype(int))


def _yield_on(field: Field, growth: Growth, day: date) -> float:
    return field.expected_yield or max(float(growth.dry_matter[day_index(growth, day)]), c.MIN_DRY_MATTER)


def ground_lookup(farm: Farm, hours: ForecastHours) -> Callable[[FieldState], Ground]:
    """Return what tells the ground under a field in the hours ahead; fields that are alike in it are followed once.

    What it returns raises ValueError if soil or stand are malformed.
    """
    grounds: dict[object, Ground] = {}

    def ground_under(state: FieldState) -> Ground:
        soil = state.field.soil, state.field.drainage, tuple(sorted(state.field.stand.items()))
        alike = soil, state.last_cut, state.ground_looks
        if alike not in grounds:
            grounds[alike] = _ground_from_today(farm, state, hours)
        return grounds[alike]

    return ground_under


def standing_crops(grown: Sequence[tuple[FieldState, Growth, Ground]], hours: ForecastHours) -> list[Crop]:
    """Return the crops of fields with the water that is on them in the hours ahead."""
    yields = [_yield_on(state.field, growth, hours.today) for state, growth, _ in grown]
    wetness = standing_wetness(hours.drying, np.array(yields))
    return [Crop(state, growth, on_it, ground) for (state, growth, ground), on_it in zip(grown, wetness, strict=True)]


def _ground_from_today(farm: Farm, state: FieldState, hours: ForecastHours) -> Ground:
    """Return the ground from today on, or of today alone where the hours ahead hold no whole day."""
    profile = field_profile(farm, state.field)
    if hours.water.day.size == 0:
        return ground_on(state, hours.past_water, hours.today, profile)
    return ground_ahead(state, hours.past_water, hours.water, profile)


def crop_days(farm: Farm, crop: Crop, windows: Sequence[Window], hours: ForecastHours) -> list[CropDay]:
    """Dry a crop on days that begin and end in the same slots, for every start that is tried on them.

    Notes
    -----
    The days lie side by side as so many members: many small arrays would take twice the time of one large one.
    """
    swaths = [swath_of(farm, crop, window.date, hours) for window in windows]
    return _dry_swaths(farm, swaths, crop.wetness, windows, hours, windows[0].starts)


def crop_day(
    farm: Farm, swath: Swath, wetness: Array, window: Window, hours: ForecastHours, starts: Sequence[int]
) -> CropDay:
    """Dry every strip that may be mown on the day when mowing begins in one of these slots, in every case.

    Parameters
    ----------
    farm, window, hours
    swath : Swath
        How the crop lies when mown, shape (member, draw).
    wetness : array [mm], shape (member, hour)
        Dew and rain on the standing crop at the end of each forecast hour.
    starts : sequence of int
        Slots in which mowing may begin, in order.
    """
    return _dry_swaths(farm, [swath], wetness, [window], hours, starts)[0]


def _dry_swaths(
    farm: Farm,
    swaths: Sequence[Swath],
    wetness: Array,
    windows: Sequence[Window],
    hours: ForecastHours,
    starts: Sequence[int],
) -> list[CropDay]:
    """Dry a swath for each of some days side by side."""
    first = starts[0]
    goes_on = mowing_slots(windows[0].pace, np.array(starts[-1:]), MOWING_AFTER_LATEST_START)[-1, 0]
    rows = np.arange(first, min(int(goes_on) + 1, windows[0].finish))
    spans = [slice(window.first_hour, window.first_hour + window.hour_count) for window in windows]
    water = wilt(
        DryingHours.stack([hours.drying.between(span.start, span.stop) for span in spans]),
        Swath.stack([with_start_moisture_by_hour(*pair, farm, rows) for pair in zip(swaths, windows, strict=True)]),
        rows / SLOTS_PER_HOUR,
        np.concatenate([wetness_at_mowing(wetness, window, rows) for window in windows], axis=1),
    )
    water = water.reshape(*water.shape[:2], len(windows), -1)
    ready, closes = baling_window(water, float(dry_basis(np.array(farm.baleage.wettest))))
    return [
        _build_crop_day(farm, swath, window, first, ready[:, day], closes[:, day], water[:, :, day], hours.wet[:, span])
        for day, (swath, window, span) in enumerate(zip(swaths, windows, spans, strict=True))
    ]


def _build_crop_day(
    farm: Farm,
    swath: Swath,
    window: Window,
    first: int,
    ready: Slots,
    closes: Slots,
    water: Array,
    wet: NDArray[np.bool_],
) -> CropDay:
    dry_matter = swath.dry_matter.ravel()
    return CropDay(
        first_slot=first,
        ready=ready,
        closes=closes,
        bales=strip_area(farm) * dry_matter / farm.work.bale_dry_matter,
        baling_time=_baling_slots(farm, dry_matter),
        water=water,
        wet=wet,
        draws_per_member=swath.dry_matter.shape[1],
        pace=window.pace,
    )


def swath_of(farm: Farm, crop: Crop, day: date, hours: ForecastHours) -> Swath:
    """Return the swath that a field makes when mown on a day, in every case."""
    draws, drying = hours.draws, crop.state.drying
    start_moisture = crop.growth.start_moisture[day_index(crop.growth, day)]
    return lay_swath(
        crop.dry_matter(day) * draws.yield_factor,
        np.clip(start_moisture + draws.start_moisture_shift, 0.5, 0.9),
        farm.baleage.swath_share,
        drying_factor=drying.factor * draws.drying_factor ** (drying.spread / c.K400_SPREAD),
        crop_factor=crop.growth.drying_factor,
        conditioned=farm.baleage.conditioned,
        soil_factor=crop.ground.soil_factor[:, [(day - hours.today).days]],
    )


def with_start_moisture_by_hour(swath: Swath, window: Window, farm: Farm, rows: NDArray[np.int64]) -> Swath:
    """Return a swath whose strips, cut in these slots, start as wet as the crop is at that hour of the day."""
    began = window.begins.hour + window.begins.minute / 60.0 + rows / SLOTS_PER_HOUR
    shift = start_moisture_shift(began + farm.place.longitude / 15.0)[:, None, None]
    return replace(swath, start_moisture=dry_basis(wet_basis(swath.start_moisture) + shift))


def wetness_at_mowing(wetness: Array, window: Window, rows: NDArray[np.int64]) -> Array:
    """Return the water [mm] on the standing crop when each strip is mown, shape (strip, member)."""
    hour = window.first_hour + rows / SLOTS_PER_HOUR - 1.0  # values stand at the ends of the hours
    whole = np.clip(hour.astype(np.int64), 0, wetness.shape[1] - 2)
    share = np.clip(hour - whole, 0.0, 1.0)
    return np.asarray((wetness[:, whole] * (1.0 - share) + wetness[:, whole + 1] * share).T)


def _baling_slots(farm: Farm, dry_matter: Array) -> Array:
    """Return what baling a strip takes [slots] in each case."""
    work, area = farm.work, strip_area(farm)
    if work.bales_per_hour is not None:
        return np.asarray(area * dry_matter / work.bale_dry_matter / work.bales_per_hour * SLOTS_PER_HOUR)
    hours = baling_hours(
        dry_matter,
        area,
        bale_mass=work.bale_dry_matter,
        intake=work.baler_intake,
        bale_cycle=work.bale_cycle / 60.0,
        area_per_hour=work.baled_per_hour,
    )
    return hours * SLOTS_PER_HOUR


def strips_for(farm: Farm, area: float) -> int:
    """Return the strips that an area [ha] takes; what is no more than rounding takes none of its own."""
    return ceil(area / strip_area(farm) - TOLERANCE)


def strip_area(farm: Farm) -> float:
    """Return what is mown in a slot at full pace [ha]."""
    return farm.work.mown_per_hour / SLOTS_PER_HOUR

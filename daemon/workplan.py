"""From hours of weather and a growing field to what can be mown, baled and wrapped on each day."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from daemon.farm import Farm, Field
from daemon.hours import ForecastHours, Window
from daemon.outlook import Band, Chance, FieldDay, Reason, Ripeness
from daemon.soil import soil_factors
from models import coefficients as c
from models.growth import Growth
from models.plan import CropDay, Hindrance, Plan, best_plan, evening, hindrance, hour_later, next_plan
from models.swath import Swath, dry_basis, lay_swath, standing_wetness, start_moisture_shift, wet_basis, wilt
from models.workday import SLOTS_PER_HOUR, Crew, baling_hours, baling_window

Array = NDArray[np.float64]

MOWING_AFTER_LATEST_START = 8  # [slots] mowing may go on for
REASONS: Mapping[Hindrance, Reason] = {
    Hindrance.RAIN: Reason.RAIN,
    Hindrance.DRYING: Reason.WILL_NOT_DRY,
    Hindrance.TIME: Reason.TOO_LITTLE_TIME,
}


@dataclass(frozen=True)
class Crop:
    """What stands in a field: its growth, the dew and rain [mm] on it (member, hour), and the ground under it.

    `soil_factor` [1] is what the ground does to drying on each day from today on, shape (member, day).
    """

    field: Field
    growth: Growth
    wetness: Array
    soil_factor: Array

    def dry_matter(self, day: date) -> float:
        """Return the yield on a day [t/ha]: what the settings expect, else the growth model's."""
        at = day_index(self.growth, day)
        return self.field.expected_yield or max(float(self.growth.dry_matter[at]), c.LEAST_DRY_MATTER)

    @property
    def standing(self) -> float:
        """The area [ha] that is not yet cut."""
        return self.field.area if self.field.standing is None else self.field.standing


@dataclass(frozen=True)
class WorkedDay:
    """A field on a day with the plan behind its numbers, so that the next field can be fitted in after it."""

    crop: Crop
    window: Window
    day: CropDay
    crew: Crew
    plan: Plan
    shown: FieldDay


def standing_crops(grown: Sequence[tuple[Field, Growth]], hours: ForecastHours) -> list[Crop]:
    """Return the crops of fields with the water that is on and under them in the hours ahead."""
    today = [max(float(growth.dry_matter[day_index(growth, hours.today)]), c.LEAST_DRY_MATTER) for _, growth in grown]
    wetness = standing_wetness(hours.drying, np.array(today))
    soil: dict[object, Array] = {}
    for field, _ in grown:
        ground = (field.soil, field.drainage, field.last_cut)
        soil[ground] = soil[ground] if ground in soil else soil_factors(field, hours.past_water, hours.water)
    return [
        Crop(field, growth, on_it, soil[field.soil, field.drainage, field.last_cut])
        for (field, growth), on_it in zip(grown, wetness, strict=True)
    ]


def field_on(farm: Farm, crop: Crop, window: Window, hours: ForecastHours) -> WorkedDay | FieldDay:
    """Return what can be done with a field on a day, alone: areas, odds and the reason where there is no plan."""
    bare = grown_by(crop.growth, window.date)
    if not window.starts:
        return bare.without_plan(Reason.TOO_LATE_TODAY)
    if 100.0 * crop.dry_matter(window.date) / farm.baleage.swath_share > c.DENSITY_MOST:
        return bare.without_plan(Reason.TOO_THICK)
    swath = swath_of(farm, crop, window.date, hours)
    day = crop_day(farm, swath, crop.wetness, window, hours.until_rain, window.starts)
    crew = crew_on(farm, window)
    most = min(-int(-crop.standing // strip_area(farm)), day.ready.shape[0])
    least = _least_strips(farm, most)
    needed, to_odds = farm.alerts.odds_needed, hours.odds_on(window)
    plan = best_plan(day, crew, window.starts, most=most, least=least, needed=needed, to_odds=to_odds)
    return _with_odds(farm, WorkedDay(crop, window, day, crew, plan, bare), hours, least)


def field_after(farm: Farm, before: WorkedDay, worked: WorkedDay, hours: ForecastHours) -> WorkedDay:
    """Return the same day for a field that is mown after another one by the same people."""
    if worked.plan.strips == 0:
        return worked
    window, name = worked.window, before.crop.field.name
    full = replace(worked, shown=replace(worked.shown.without_plan(Reason.DAY_IS_FULL), after=name))
    travel = _slots(farm.work.travel)
    if before.plan.end + travel > window.latest:
        return replace(full, plan=replace(worked.plan, strips=0))
    most = worked.plan.odds.size
    least = _least_strips(farm, most)
    needed, to_odds = farm.alerts.odds_needed, hours.odds_on(window)
    plan = next_plan(
        before.plan, worked.day, worked.crew, travel, most=most, least=least, needed=needed, to_odds=to_odds
    )
    if plan.strips == 0:
        return replace(full, plan=plan)
    placed = replace(worked, plan=plan, shown=replace(worked.shown, after=name))
    return _with_odds(farm, placed, hours, least)


def with_hours(farm: Farm, worked: WorkedDay, hours: ForecastHours) -> FieldDay:
    """Return a day with its hours of work, bales and moisture, if anything is to be mown on it."""
    plan, window, day = worked.plan, worked.window, worked.day
    if plan.strips == 0:
        return worked.shown
    close = evening(plan, day, worked.crew, float(dry_basis(np.array(farm.baleage.driest))))
    bales = -int(-close.bales * worked.shown.area / (plan.strips * strip_area(farm)) // 1)
    return replace(
        worked.shown,
        start=window.at(plan.start, farm),
        mow_until=window.at(plan.end, farm),
        rake_from=window.at(close.raking_from, farm),
        bale_from=window.at(close.baling_from, farm),
        wrapped_by=window.at(close.wrapped_by, farm),
        moisture_at_baling=Band(*(float(wet_basis(np.array(water))) for water in close.moisture)),
        bales=bales,
        film_rolls=-int(-bales // farm.work.bales_per_roll),
        too_dry=close.too_dry,
        hour_later=_hour_later(farm, worked, hours) if worked.shown.after is None else None,
    )


def _hour_later(farm: Farm, worked: WorkedDay, hours: ForecastHours) -> Chance:
    """Return what is left of the first field of a day when mowing begins an hour later."""
    plan, to_odds = worked.plan, hours.odds_on(worked.window)
    later = hour_later(plan, worked.day, worked.crew, needed=farm.alerts.odds_needed, to_odds=to_odds)
    return Chance(min(later.strips * strip_area(farm), worked.shown.area), float(later.odds[plan.strips - 1]))


def day_index(growth: Growth, day: date) -> int:
    """Return where a day stands in the arrays of a growth; outside of them where it is not covered."""
    return int((np.datetime64(day, "D") - growth.day[0]).astype(int))


def ripeness(ndf: float, target: float) -> Ripeness:
    """Return where a stand is against its target [% of DM]: ripe within 3 units of it.

    Raises
    ------
    ValueError
        If the fibre is not known.
    """
    if not np.isfinite(ndf):
        raise ValueError("the fibre of the stand is not a number")
    if ndf < target - c.RIPE_HALF_WIDTH:
        return Ripeness.GROWING
    return Ripeness.RIPE if ndf <= target + c.RIPE_HALF_WIDTH else Ripeness.PAST


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
    first = starts[0]
    rows = np.arange(first, min(starts[-1] + MOWING_AFTER_LATEST_START, window.finish))
    span = (window.first_hour, window.first_hour + window.hours)
    cut = cut_through_the_day(swath, farm, window, rows)
    water = wilt(hours.drying.between(*span), cut, rows / SLOTS_PER_HOUR, at_mowing(wetness, window, rows))
    water = water.reshape(*water.shape[:2], -1)
    ready, closes = baling_window(water, float(dry_basis(np.array(farm.baleage.wettest))))
    dry_matter = swath.dry_matter.ravel()
    return CropDay(
        first=first,
        ready=ready,
        closes=closes,
        bales=strip_area(farm) * dry_matter / farm.work.bale_dry_matter,
        baling=_baling_slots(farm, dry_matter),
        water=water,
        wet=hours.wet[:, slice(*span)],
        draws=swath.dry_matter.shape[1],
        pace=window.pace,
    )


def swath_of(farm: Farm, crop: Crop, day: date, hours: ForecastHours) -> Swath:
    """Return the swath that a field makes when mown on a day, in every case."""
    draws, drying = hours.draws, crop.field.drying
    start_moisture = crop.growth.start_moisture[day_index(crop.growth, day)]
    return lay_swath(
        crop.dry_matter(day) * draws.yield_factor,
        np.clip(start_moisture + draws.start_moisture, 0.5, 0.9),
        farm.baleage.swath_share,
        drying_factor=drying.factor * draws.drying_factor ** (drying.spread / c.K400_SPREAD),
        crop_factor=crop.growth.drying_factor,
        conditioned=farm.baleage.conditioned,
        soil_factor=crop.soil_factor[:, [(day - hours.today).days]],
    )


def cut_through_the_day(swath: Swath, farm: Farm, window: Window, rows: NDArray[np.int64]) -> Swath:
    """Return a swath whose strips, cut in these slots, start as wet as the crop is at that hour of the day."""
    began = window.begins.hour + window.begins.minute / 60.0 + rows / SLOTS_PER_HOUR
    shift = start_moisture_shift(began + farm.place.longitude / 15.0)[:, None, None]
    return replace(swath, start_moisture=dry_basis(wet_basis(swath.start_moisture) + shift))


def at_mowing(standing: Array, window: Window, rows: NDArray[np.int64]) -> Array:
    """Return the water [mm] on the standing crop when each strip is mown, shape (strip, member)."""
    hour = window.first_hour + rows / SLOTS_PER_HOUR - 1.0  # values stand at the ends of the hours
    whole = np.clip(hour.astype(np.int64), 0, standing.shape[1] - 2)
    share = np.clip(hour - whole, 0.0, 1.0)
    return np.asarray((standing[:, whole] * (1.0 - share) + standing[:, whole + 1] * share).T)


def _baling_slots(farm: Farm, dry_matter: Array) -> Array:
    """Return what baling a strip takes [slots] in each case."""
    work, area = farm.work, strip_area(farm)
    if work.bales_per_hour is not None:
        return np.asarray(area * dry_matter / work.bale_dry_matter / work.bales_per_hour * SLOTS_PER_HOUR)
    hours = baling_hours(
        dry_matter,
        area,
        bale=work.bale_dry_matter,
        intake=work.baler_intake,
        cycle=work.bale_cycle / 60.0,
        area_per_hour=work.baled_per_hour,
    )
    return hours * SLOTS_PER_HOUR


def strip_area(farm: Farm) -> float:
    """Return what is mown in a slot at full pace [ha]."""
    return farm.work.mown_per_hour / SLOTS_PER_HOUR


def _least_strips(farm: Farm, most: int) -> int:
    """Return the strips that are worth hitching up for; a smaller field is mown whole."""
    return min(max(-int(-farm.work.least_area // strip_area(farm)), 1), most)


def crew_on(farm: Farm, window: Window) -> Crew:
    """Return the people and machines of the farm on a day."""
    work = farm.work
    return Crew(
        hands=work.hands,
        raked=work.raked_per_hour / work.mown_per_hour,
        wrapped=work.wraps_per_hour / SLOTS_PER_HOUR,
        rake_lead=_slots(work.rake_lead),
        wrap_within=int(work.wrap_within * SLOTS_PER_HOUR),
        finish=window.finish,
        rest=window.rest,
    )


def _slots(hours: float) -> int:
    """Return the whole slots that hours [h] need."""
    return -int(-hours * SLOTS_PER_HOUR // 1)


def grown_by(growth: Growth, day: date) -> FieldDay:
    """Return a field on a day as far as its growth alone tells."""
    at = day_index(growth, day)
    ndf = Band(float(growth.ndf_low[at]), float(growth.ndf_mid[at]), float(growth.ndf_high[at]))
    return FieldDay(day, ripeness(ndf.mid, growth.ndf_target), ndf, float(growth.days_left[at]))


def _with_odds(farm: Farm, worked: WorkedDay, hours: ForecastHours, least: int) -> WorkedDay:
    """Return a day with the areas and odds of its plan, or the reason why there is none."""
    plan = worked.plan
    areas = np.minimum(np.arange(1, plan.odds.size + 1) * strip_area(farm), worked.crop.standing)
    curve = tuple(Chance(float(area), float(odds)) for area, odds in zip(areas, plan.odds, strict=True))
    chosen = curve[(plan.strips or least) - 1]
    raw = float(hours.raw_odds(np.array(np.mean(plan.wrapped >= (plan.strips or least)))))
    shown = replace(worked.shown, odds=chosen.odds, raw_odds=raw, curve=curve)
    if plan.strips:
        return replace(worked, shown=replace(shown, area=chosen.area))
    kind, spoiled = hindrance(plan, worked.crew, least)
    reason = REASONS[kind] if spoiled > 0.0 else Reason.ODDS_TOO_LOW
    return replace(worked, shown=shown.without_plan(reason, spoiled))

"""From hours of weather and a growing field to what can be mown, baled and wrapped on each day."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from daemon.domain.farm import Farm
from daemon.domain.prospect import AreaOdds, Band, FieldDay, PlaceInDay, Reason, Ripeness, WorkHours
from daemon.planning.drying import Crop, crop_days, day_index, strip_area, strips_for
from daemon.planning.forecast_hours import ForecastHours, Window
from models import coefficients as c
from models.day_plan import CropDay, Hindrance, Plan, best_plan, main_hindrance, next_plan, plan_hour_later, workday_end
from models.growth import Growth
from models.swath import dry_basis, wet_basis
from models.workday import SLOTS_PER_HOUR, Crew

Array = NDArray[np.float64]

HINDRANCE_REASONS: Mapping[Hindrance, Reason] = {
    Hindrance.RAIN: Reason.RAIN,
    Hindrance.DRYING: Reason.WILL_NOT_DRY,
    Hindrance.TIME: Reason.TOO_LITTLE_TIME,
}


@dataclass(frozen=True)
class PlannedDay:
    """A field on a day with the plan behind its numbers, so that the next field can be fitted in after it."""

    crop: Crop
    window: Window
    crop_day: CropDay
    crew: Crew
    plan: Plan
    field_day: FieldDay


def plan_days(
    farm: Farm, crop: Crop, windows: Sequence[Window], hours: ForecastHours
) -> dict[date, PlannedDay | FieldDay]:
    """Return what can be done with a field on each day, alone: areas, odds and the reason where there is no plan."""
    open_: dict[object, list[Window]] = {}
    found: dict[date, PlannedDay | FieldDay] = {}
    for window in windows:
        reason = _unworkable_reason(farm, crop, window)
        found[window.date] = _growth_and_ground_only(crop, window, hours).without_plan(reason or Reason.ODDS_TOO_LOW)
        if reason is None:
            open_.setdefault((window.starts, window.hour_count, window.finish), []).append(window)
    for alike in open_.values():
        for window, day in zip(alike, crop_days(farm, crop, alike, hours.without_wet_hour_rain), strict=True):
            found[window.date] = _plan_day(farm, crop, window, day, hours)
    return found


def _unworkable_reason(farm: Farm, crop: Crop, window: Window) -> Reason | None:
    """Return what forbids a day before any drying is reckoned."""
    if not window.starts:
        return Reason.TOO_LATE_TODAY
    thick = 100.0 * crop.dry_matter(window.date) / farm.baleage.swath_share > c.MAX_DENSITY
    return Reason.TOO_THICK if thick else None


def _plan_day(farm: Farm, crop: Crop, window: Window, day: CropDay, hours: ForecastHours) -> PlannedDay:
    """Return the best that can be done with a field on a day."""
    bare = _growth_and_ground_only(crop, window, hours)
    crew = crew_on(farm, window)
    most = min(strips_for(farm, crop.state.standing_area), day.ready.shape[0])
    least = _least_strips(farm, most)
    needed, to_odds = farm.alerts.odds_needed, _odds_converter(crop, window, hours)
    plan = best_plan(day, crew, window.starts, max_strips=most, min_strips=least, odds_needed=needed, to_odds=to_odds)
    return _with_odds(farm, PlannedDay(crop, window, day, crew, plan, bare), hours, least)


def place_after(farm: Farm, before: PlannedDay, planned_day: PlannedDay, hours: ForecastHours) -> PlannedDay:
    """Return the same day for a field that is mown after another one by the same people."""
    if planned_day.plan.strip_count == 0:
        return planned_day
    window, place = planned_day.window, PlaceInDay(after=before.crop.field.name)
    full = replace(planned_day, field_day=replace(planned_day.field_day.without_plan(Reason.DAY_IS_FULL), place=place))
    travel = slots_for(farm.work.travel)
    if before.plan.mowing_end + travel > window.latest_start:
        return replace(full, plan=replace(planned_day.plan, strip_count=0))
    most = planned_day.plan.odds.size
    least = _least_strips(farm, most)
    needed, to_odds = farm.alerts.odds_needed, _odds_converter(planned_day.crop, window, hours)
    plan = next_plan(
        before.plan,
        planned_day.crop_day,
        planned_day.crew,
        travel,
        max_strips=most,
        min_strips=least,
        odds_needed=needed,
        to_odds=to_odds,
    )
    if plan.strip_count == 0:
        return replace(full, plan=plan)
    placed = replace(planned_day, plan=plan, field_day=replace(planned_day.field_day, place=place))
    return _with_odds(farm, placed, hours, least)


def with_work_hours(farm: Farm, planned_day: PlannedDay, hours: ForecastHours) -> FieldDay:
    """Return a day with its hours of work, bales and moisture, if anything is to be mown on it."""
    plan, window, day = planned_day.plan, planned_day.window, planned_day.crop_day
    if plan.strip_count == 0:
        return planned_day.field_day
    close = workday_end(plan, day, planned_day.crew, float(dry_basis(np.array(farm.baleage.driest))))
    field_day = planned_day.field_day
    bales = -int(-close.bales * field_day.area / (plan.strip_count * strip_area(farm)) // 1)
    work_hours = WorkHours(
        start=window.time_at(plan.start, farm),
        mow_until=window.time_at(plan.mowing_end, farm),
        rake_from=window.time_at(close.raking_from, farm),
        bale_from=window.time_at(close.baling_from, farm),
        wrapped_by=window.time_at(close.wrapped_by, farm),
        moisture_at_baling=Band(*(float(wet_basis(np.array(water))) for water in close.moisture)),
        bales=bales,
        film_rolls=-int(-bales // farm.work.bales_per_roll),
        too_dry_share=close.too_dry_share,
        hour_later=_hour_later_odds(farm, planned_day, hours) if field_day.place.after is None else None,
    )
    return replace(field_day, plan=work_hours)


def _ground_firm_share(crop: Crop, window: Window, hours: ForecastHours) -> float:
    """Return the share of the members in which the ground carries the baler on a day."""
    return crop.ground.firm_share((window.date - hours.today).days)


def _odds_converter(crop: Crop, window: Window, hours: ForecastHours) -> Callable[[Array], Array]:
    """Return what turns shares of cases into odds: no surer than that the ground carries the baler."""
    to_odds, carried = hours.odds_converter(window), _ground_firm_share(crop, window, hours)
    return lambda share: to_odds(np.minimum(share, carried))


def _is_ground_limiting(farm: Farm, planned_day: PlannedDay, hours: ForecastHours) -> bool:
    """Return whether it is the ground alone that keeps the odds under those needed."""
    needed, to_odds = farm.alerts.odds_needed, hours.odds_converter(planned_day.window)
    carried = _ground_firm_share(planned_day.crop, planned_day.window, hours)
    return float(to_odds(np.array(carried))) < needed <= float(to_odds(np.array(1.0)))


def _hour_later_odds(farm: Farm, planned_day: PlannedDay, hours: ForecastHours) -> AreaOdds:
    """Return what is left of the first field of a day when mowing begins an hour later."""
    plan, to_odds = planned_day.plan, _odds_converter(planned_day.crop, planned_day.window, hours)
    later = plan_hour_later(
        plan, planned_day.crop_day, planned_day.crew, odds_needed=farm.alerts.odds_needed, to_odds=to_odds
    )
    return AreaOdds(
        min(later.strip_count * strip_area(farm), planned_day.field_day.area), float(later.odds[plan.strip_count - 1])
    )


def classify_ripeness(ndf: float, target: float) -> Ripeness:
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


def _least_strips(farm: Farm, most: int) -> int:
    """Return the strips that are worth hitching up for; a smaller field is mown whole."""
    return min(max(strips_for(farm, farm.work.least_area), 1), most)


def crew_on(farm: Farm, window: Window) -> Crew:
    """Return the people and machines of the farm on a day."""
    work = farm.work
    return Crew(
        hands=work.hands,
        raking_rate=work.raked_per_hour / work.mown_per_hour,
        wrapping_rate=work.wraps_per_hour / SLOTS_PER_HOUR,
        rake_lead=slots_for(work.rake_lead),
        wrap_within=int(work.wrap_within * SLOTS_PER_HOUR),
        finish_slot=window.finish,
        rest_slots=window.rest,
    )


def slots_for(hours: float) -> int:
    """Return the whole slots that hours [h] need."""
    return -int(-hours * SLOTS_PER_HOUR // 1)


def growth_only(growth: Growth, day: date) -> FieldDay:
    """Return a field on a day as far as its growth alone tells."""
    at = day_index(growth, day)
    ndf = Band(float(growth.ndf_low[at]), float(growth.ndf_mid[at]), float(growth.ndf_high[at]))
    return FieldDay(day, classify_ripeness(ndf.mid, growth.ndf_target), ndf, float(growth.days_left[at]))


def _growth_and_ground_only(crop: Crop, window: Window, hours: ForecastHours) -> FieldDay:
    """Return a field on a day as far as its growth and its ground tell."""
    return replace(growth_only(crop.growth, window.date), ground_firm_share=_ground_firm_share(crop, window, hours))


def _with_odds(farm: Farm, planned_day: PlannedDay, hours: ForecastHours, least: int) -> PlannedDay:
    """Return a day with the areas and odds of its plan, or the reason why there is none."""
    plan = planned_day.plan
    areas = np.minimum(np.arange(1, plan.odds.size + 1) * strip_area(farm), planned_day.crop.state.standing_area)
    curve = tuple(AreaOdds(float(area), float(odds)) for area, odds in zip(areas, plan.odds, strict=True))
    chosen = curve[(plan.strip_count or least) - 1]
    raw = float(hours.raw_odds(np.array(np.mean(plan.wrappable >= (plan.strip_count or least)))))
    shown = replace(planned_day.field_day, odds=chosen.odds, raw_odds=raw, curve=curve)
    if plan.strip_count:
        return replace(planned_day, field_day=replace(shown, area=chosen.area))
    if _is_ground_limiting(farm, planned_day, hours):
        return replace(planned_day, field_day=shown.without_plan(Reason.GROUND_SOFT))
    kind, spoiled = main_hindrance(plan, planned_day.crew, least)
    reason = HINDRANCE_REASONS[kind] if spoiled > 0.0 else Reason.ODDS_TOO_LOW
    return replace(planned_day, field_day=shown.without_plan(reason, spoiled))

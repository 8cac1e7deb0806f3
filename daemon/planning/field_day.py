"""From hours of weather and a growing field to what can be mown, baled and wrapped on each day."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from daemon.domain.farm import Farm
from daemon.domain.prospect import AreaOdds, Band, FieldDay, Reason, Ripeness
from daemon.planning.drying import Crop, crop_days, day_index, strip_area, strips_for
from daemon.planning.forecast_hours import ForecastHours, Window
from models import coefficients as c
from models.day_plan import CropDay, Hindrance, Plan, best_plan, main_hindrance, next_plan, plan_hour_later, workday_end
from models.growth import Growth
from models.swath import dry_basis, wet_basis
from models.workday import SLOTS_PER_HOUR, Crew

Array = NDArray[np.float64]

REASONS: Mapping[Hindrance, Reason] = {
    Hindrance.RAIN: Reason.RAIN,
    Hindrance.DRYING: Reason.WILL_NOT_DRY,
    Hindrance.TIME: Reason.TOO_LITTLE_TIME,
}


@dataclass(frozen=True)
class WorkedDay:
    """A field on a day with the plan behind its numbers, so that the next field can be fitted in after it."""

    crop: Crop
    window: Window
    day: CropDay
    crew: Crew
    plan: Plan
    shown: FieldDay


def days_of(
    farm: Farm, crop: Crop, windows: Sequence[Window], hours: ForecastHours
) -> dict[date, WorkedDay | FieldDay]:
    """Return what can be done with a field on each day, alone: areas, odds and the reason where there is no plan."""
    open_: dict[object, list[Window]] = {}
    found: dict[date, WorkedDay | FieldDay] = {}
    for window in windows:
        reason = _no_work(farm, crop, window)
        found[window.date] = _bare(crop, window, hours).without_plan(reason or Reason.ODDS_TOO_LOW)
        if reason is None:
            open_.setdefault((window.starts, window.hours, window.finish), []).append(window)
    for alike in open_.values():
        for window, day in zip(alike, crop_days(farm, crop, alike, hours.until_rain), strict=True):
            found[window.date] = _planned(farm, crop, window, day, hours)
    return found


def _no_work(farm: Farm, crop: Crop, window: Window) -> Reason | None:
    """Return what forbids a day before any drying is reckoned."""
    if not window.starts:
        return Reason.TOO_LATE_TODAY
    thick = 100.0 * crop.dry_matter(window.date) / farm.baleage.swath_share > c.MAX_DENSITY
    return Reason.TOO_THICK if thick else None


def _planned(farm: Farm, crop: Crop, window: Window, day: CropDay, hours: ForecastHours) -> WorkedDay:
    """Return the best that can be done with a field on a day."""
    bare = _bare(crop, window, hours)
    crew = crew_on(farm, window)
    most = min(strips_for(farm, crop.standing), day.ready.shape[0])
    least = _least_strips(farm, most)
    needed, to_odds = farm.alerts.odds_needed, _odds_on(crop, window, hours)
    plan = best_plan(day, crew, window.starts, max_strips=most, min_strips=least, odds_needed=needed, to_odds=to_odds)
    return _with_odds(farm, WorkedDay(crop, window, day, crew, plan, bare), hours, least)


def field_after(farm: Farm, before: WorkedDay, worked: WorkedDay, hours: ForecastHours) -> WorkedDay:
    """Return the same day for a field that is mown after another one by the same people."""
    if worked.plan.strip_count == 0:
        return worked
    window, name = worked.window, before.crop.field.name
    full = replace(worked, shown=replace(worked.shown.without_plan(Reason.DAY_IS_FULL), after=name))
    travel = slots_for(farm.work.travel)
    if before.plan.mowing_end + travel > window.latest:
        return replace(full, plan=replace(worked.plan, strip_count=0))
    most = worked.plan.odds.size
    least = _least_strips(farm, most)
    needed, to_odds = farm.alerts.odds_needed, _odds_on(worked.crop, window, hours)
    plan = next_plan(
        before.plan,
        worked.day,
        worked.crew,
        travel,
        max_strips=most,
        min_strips=least,
        odds_needed=needed,
        to_odds=to_odds,
    )
    if plan.strip_count == 0:
        return replace(full, plan=plan)
    placed = replace(worked, plan=plan, shown=replace(worked.shown, after=name))
    return _with_odds(farm, placed, hours, least)


def with_hours(farm: Farm, worked: WorkedDay, hours: ForecastHours) -> FieldDay:
    """Return a day with its hours of work, bales and moisture, if anything is to be mown on it."""
    plan, window, day = worked.plan, worked.window, worked.day
    if plan.strip_count == 0:
        return worked.shown
    close = workday_end(plan, day, worked.crew, float(dry_basis(np.array(farm.baleage.driest))))
    bales = -int(-close.bales * worked.shown.area / (plan.strip_count * strip_area(farm)) // 1)
    return replace(
        worked.shown,
        start=window.at(plan.start, farm),
        mow_until=window.at(plan.mowing_end, farm),
        rake_from=window.at(close.raking_from, farm),
        bale_from=window.at(close.baling_from, farm),
        wrapped_by=window.at(close.wrapped_by, farm),
        moisture_at_baling=Band(*(float(wet_basis(np.array(water))) for water in close.moisture)),
        bales=bales,
        film_rolls=-int(-bales // farm.work.bales_per_roll),
        too_dry_share=close.too_dry_share,
        hour_later=_hour_later(farm, worked, hours) if worked.shown.after is None else None,
    )


def _carried(crop: Crop, window: Window, hours: ForecastHours) -> float:
    """Return the share of the members in which the ground carries the baler on a day."""
    return crop.ground.carried((window.date - hours.today).days)


def _odds_on(crop: Crop, window: Window, hours: ForecastHours) -> Callable[[Array], Array]:
    """Return what turns shares of cases into odds: no surer than that the ground carries the baler."""
    to_odds, carried = hours.odds_on(window), _carried(crop, window, hours)
    return lambda share: to_odds(np.minimum(share, carried))


def _ground_forbids(farm: Farm, worked: WorkedDay, hours: ForecastHours) -> bool:
    """Return whether it is the ground alone that keeps the odds under those needed."""
    needed, to_odds = farm.alerts.odds_needed, hours.odds_on(worked.window)
    carried = _carried(worked.crop, worked.window, hours)
    return float(to_odds(np.array(carried))) < needed <= float(to_odds(np.array(1.0)))


def _hour_later(farm: Farm, worked: WorkedDay, hours: ForecastHours) -> AreaOdds:
    """Return what is left of the first field of a day when mowing begins an hour later."""
    plan, to_odds = worked.plan, _odds_on(worked.crop, worked.window, hours)
    later = plan_hour_later(plan, worked.day, worked.crew, odds_needed=farm.alerts.odds_needed, to_odds=to_odds)
    return AreaOdds(
        min(later.strip_count * strip_area(farm), worked.shown.area), float(later.odds[plan.strip_count - 1])
    )


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


def grown_by(growth: Growth, day: date) -> FieldDay:
    """Return a field on a day as far as its growth alone tells."""
    at = day_index(growth, day)
    ndf = Band(float(growth.ndf_low[at]), float(growth.ndf_mid[at]), float(growth.ndf_high[at]))
    return FieldDay(day, ripeness(ndf.mid, growth.ndf_target), ndf, float(growth.days_left[at]))


def _bare(crop: Crop, window: Window, hours: ForecastHours) -> FieldDay:
    """Return a field on a day as far as its growth and its ground tell."""
    return replace(grown_by(crop.growth, window.date), ground_firm_share=_carried(crop, window, hours))


def _with_odds(farm: Farm, worked: WorkedDay, hours: ForecastHours, least: int) -> WorkedDay:
    """Return a day with the areas and odds of its plan, or the reason why there is none."""
    plan = worked.plan
    areas = np.minimum(np.arange(1, plan.odds.size + 1) * strip_area(farm), worked.crop.standing)
    curve = tuple(AreaOdds(float(area), float(odds)) for area, odds in zip(areas, plan.odds, strict=True))
    chosen = curve[(plan.strip_count or least) - 1]
    raw = float(hours.raw_odds(np.array(np.mean(plan.wrappable >= (plan.strip_count or least)))))
    shown = replace(worked.shown, odds=chosen.odds, raw_odds=raw, curve=curve)
    if plan.strip_count:
        return replace(worked, shown=replace(shown, area=chosen.area))
    if _ground_forbids(farm, worked, hours):
        return replace(worked, shown=shown.without_plan(Reason.GROUND_SOFT))
    kind, spoiled = main_hindrance(plan, worked.crew, least)
    reason = REASONS[kind] if spoiled > 0.0 else Reason.ODDS_TOO_LOW
    return replace(worked, shown=shown.without_plan(reason, spoiled))

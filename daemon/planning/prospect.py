"""One pass over the farm: from weather to what can be done with each field on each of the coming days."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import takewhile

import numpy as np
import pandas as pd

from daemon.domain.causes import DayNotCovered, GrowthGap, SeasonNotBegun, StatedCause, TooFewMembers, WeatherTooOld
from daemon.domain.farm import Farm, FarmToday, Field, FieldState
from daemon.domain.prospect import (
    FieldDay,
    FieldProspect,
    ForecastCase,
    Prospect,
    Reason,
    Ripeness,
    StandToday,
    Unknown,
    WeatherFacts,
    WorkHours,
)
from daemon.planning.cautions import cautions_of
from daemon.planning.daily_weather import daily_extremes
from daemon.planning.drying import Crop, day_index, ground_lookup, standing_crops
from daemon.planning.drying_curve import drying_picture
from daemon.planning.feed_value import quality_on, waiting_cost_on, yield_on
from daemon.planning.field_day import PlannedDay, classify_ripeness, growth_only, plan_days
from daemon.planning.field_order import order_fields
from daemon.planning.forecast_hours import SLOT, ForecastHours, Window, forecast_hours, work_window
from daemon.planning.ground import FIRM_SHARE_NEEDED, Ground
from daemon.planning.growth import as_date, field_growth_on, growth_cause, kinds_on, stand_doubts
from daemon.planning.losses import respiration_until_baling
from daemon.planning.overnight import left_overnight
from daemon.weather.contract import Weather
from models.degree_days import UnknownCause
from models.growth import Growth, GrowthUnknown
from models.odds import UNCORRECTED, Correction

HORIZON_DAYS = 10  # days looked at from today on: forecasts reach no further with any skill


def plan_fields(
    farm_today: FarmToday, weather: Weather, now: datetime, correction: Correction = UNCORRECTED
) -> Prospect:
    """Return the prospect of every field from today to the end of the forecast.

    Parameters
    ----------
    farm_today : FarmToday
    weather : Weather
        In the contract's form.
    now : datetime
        The moment of the pass.
    correction : Correction
        What the farm's own record of forecast against outcome does to the odds.

    Returns
    -------
    Prospect
        A field that cannot be reckoned is named with the reason; the others go on. Weather that is too old or has too
        few members leaves every field without an answer, but with what is known of its growth.
    """
    farm = farm_today.farm
    facts = _weather_facts(weather, now)
    trouble = _weather_trouble(farm, facts)
    if trouble is not None:
        return _with_growth_only(farm_today, weather, unknown_prospect(farm, now, trouble, facts))
    hours = forecast_hours(farm, weather, now.astimezone(farm.place.timezone).date(), correction)
    windows = _work_windows(farm, hours, now)
    try:
        grown, crops = _growth_and_crops(farm_today, weather, now, hours)
    except ValueError as wrong:
        return unknown_prospect(farm, now, Unknown(Reason.OUT_OF_RANGE, StatedCause(str(wrong))), facts)
    pairs = [_plan_field(farm, next(crops), hours, windows) if isinstance(one, tuple) else (one, {}) for one in grown]
    placed = _fit_fields(farm, [worked for _, worked in pairs], hours)
    return Prospect(
        farm.name,
        now,
        facts,
        tuple(
            replace(
                found,
                days=tuple(_final_day(farm, day, placed.get((found.name, day.date))) for day in found.days),
                drying_picture=drying_picture(farm, worked, _days_of_field(placed, found.name), hours),
            )
            for found, worked in pairs
        ),
        next_season_priors={
            field.name: one[0].next_season_priors(farm.estimates.carried_share)
            for field, one in zip(farm.fields, grown, strict=True)
            if isinstance(one, tuple) and not one[0].regrowth
        },
        warnings=weather.warnings,
        forecast_cases=()
        if facts.is_recorded
        else tuple(_forecast_case(farm, one, hours) for _, days_ in pairs for one in days_.values()),
    )


def unknown_prospect(farm: Farm, now: datetime, trouble: Unknown, facts: WeatherFacts | None = None) -> Prospect:
    """Return a prospect in which nothing is known of any field, and why."""
    return Prospect(farm.name, now, facts, tuple(_unknown_field(field, trouble) for field in farm.fields), trouble)


def _growth_and_crops(
    farm_today: FarmToday, weather: Weather, now: datetime, hours: ForecastHours
) -> tuple[list[tuple[Growth, Ground] | FieldProspect], Iterator[Crop]]:
    """Return what is known of each field's growth, and the crops of those of which it is.

    Raises
    ------
    ValueError
        A stand or a soil cannot be reckoned with this weather.
    """
    farm, states = farm_today.farm, farm_today.fields
    days, ground_under = _days_to_horizon(daily_extremes(weather, farm), farm, now), ground_lookup(farm, hours)
    grown = [_field_growth(farm, state, ground_under, days, hours.today) for state in states]
    stands = zip(states, grown, strict=True)
    return grown, iter(standing_crops([(state, *one) for state, one in stands if isinstance(one, tuple)], hours))


def _with_growth_only(farm_today: FarmToday, weather: Weather, unknown: Prospect) -> Prospect:
    """Return a prospect without an answer, with the growth of the fields as far as it can be reckoned.

    Notes
    -----
    Warmth comes from hours that are over, but for the last ones, which stand as they were forecast: a day more or less
    of a forecast is nothing to a stage clock. The ground goes by rain, of which that is not so.
    """
    farm = farm_today.farm
    try:
        hours = forecast_hours(farm, weather, unknown.at.astimezone(farm.place.timezone).date())
        grown, crops = _growth_and_crops(farm_today, weather, unknown.at, hours)
    except ValueError:
        return unknown
    known = (next(crops) if isinstance(one, tuple) else None for one in grown)
    fields = (
        bare if crop is None else _growth_only_prospect(farm, crop, hours.today, bare)
        for crop, bare in zip(known, unknown.fields, strict=True)
    )
    return replace(unknown, fields=tuple(fields))


def _growth_only_prospect(farm: Farm, crop: Crop, today: date, unknown: FieldProspect) -> FieldProspect:
    """Return a field of which nothing is known but its growth, with the reason."""
    told = _field_prospect(farm, crop, day_index(crop.growth, today), ())
    bare = replace(told, soil_factor=None, ground=None, firm_from=None)
    return replace(bare, unknown=unknown.unknown)


def _days_to_horizon(days: pd.DataFrame, farm: Farm, now: datetime) -> pd.DataFrame:
    """Return the days up to the horizon: a record may reach into another season."""
    last = now.astimezone(farm.place.timezone).date() + timedelta(days=HORIZON_DAYS - 1)
    return days[days.index <= last]


def _weather_facts(weather: Weather, now: datetime) -> WeatherFacts:
    attributes = weather.ahead.attrs
    issued, fetched = (datetime.fromisoformat(attributes[name]) for name in ("issued_at", "fetched_at"))
    return WeatherFacts(
        source=attributes["source"],
        model=attributes["model"],
        issued_at=issued,
        fetched_at=fetched,
        age_hours=(now - issued) / timedelta(hours=1),
        members=weather.ahead.sizes["member"],
        credit=attributes["credit"],
        note=attributes.get("note", ""),
        is_recorded=attributes["kind"] == "record",
        synthetic=bool(attributes.get("synthetic")),
    )


def _weather_trouble(farm: Farm, facts: WeatherFacts) -> Unknown | None:
    """Return why the weather must not lead to advice, if so."""
    oldest, needed = farm.weather.oldest, farm.weather.least_members
    if facts.age_hours > oldest:
        return Unknown(Reason.DATA_STALE, WeatherTooOld(facts.age_hours, oldest))
    if not facts.is_recorded and facts.members < needed:
        return Unknown(Reason.FEW_MEMBERS, TooFewMembers(facts.members, needed))
    return None


def _work_windows(farm: Farm, hours: ForecastHours, now: datetime) -> list[Window]:
    """Return the working days from today on that the forecast covers."""
    days = (hours.today + timedelta(days=ahead) for ahead in range(HORIZON_DAYS))
    found = (work_window(farm, day, now, hours) for day in days)
    return list(takewhile(lambda window: window is not None, found))  # type: ignore[arg-type]


def _field_growth(
    farm: Farm, state: FieldState, ground_under: Callable[[FieldState], Ground], days: pd.DataFrame, today: date
) -> tuple[Growth, Ground] | FieldProspect:
    """Return the growth of a field and its ground, or a prospect that says why they cannot be known."""
    field, last_cut = state.field, state.last_cut
    if last_cut is not None and last_cut > today:
        return _unknown_field(field, Unknown(Reason.OUT_OF_RANGE, GrowthGap(UnknownCause.CUT_AHEAD, last_cut)))
    try:
        ground = ground_under(state)
        growth = field_growth_on(farm, state, days, ground)
    except GrowthUnknown as unknown:
        return _unknown_field(field, Unknown(Reason.GROWTH_UNKNOWN, growth_cause(unknown)))
    except ValueError as wrong:
        return _unknown_field(field, Unknown(Reason.OUT_OF_RANGE, StatedCause(str(wrong))))
    at = day_index(growth, today)
    if not 0 <= at < growth.day.size:
        return _unknown_field(field, Unknown(Reason.DATA_MISSING, DayNotCovered(today)))
    if not growth.stage[at]:
        return _unknown_field(field, Unknown(Reason.OUT_OF_SEASON, SeasonNotBegun()))
    return growth, ground


def _plan_field(
    farm: Farm, crop: Crop, hours: ForecastHours, windows: Sequence[Window]
) -> tuple[FieldProspect, dict[date, PlannedDay]]:
    """Return a field's prospect alone, and the plans behind it."""
    at = day_index(crop.growth, hours.today)
    try:
        covered = min(crop.growth.day.size - at, hours.water.day.size)
        results = plan_days(farm, crop, windows[:covered], hours)
    except ValueError as wrong:
        return _unknown_field(crop.field, Unknown(Reason.OUT_OF_RANGE, StatedCause(str(wrong)))), {}
    worked = {day: result for day, result in results.items() if isinstance(result, PlannedDay)}
    shown = (result.field_day if isinstance(result, PlannedDay) else result for result in results.values())
    return _field_prospect(farm, crop, at, tuple(shown)), worked


def _field_prospect(farm: Farm, crop: Crop, at: int, days: tuple[FieldDay, ...]) -> FieldProspect:
    state, carries_in = crop.state, crop.ground.days_until_firm(HORIZON_DAYS)
    today: date = crop.growth.day[at].astype(date)
    return FieldProspect(
        name=state.name,
        area=state.field.area,
        days=days,
        stand=_stand_today(farm, crop, at, days),
        expected_yield=state.field.expected_yield,
        standing=state.standing_area,
        last_cut=state.last_cut if crop.growth.regrowth else None,
        lodged=state.lodged,
        drying=state.drying,
        soil_factor=float(crop.ground.soil_factor[:, 0].mean()),
        ground=crop.ground.firmness_today,
        firm_from=None if carries_in is None else today + timedelta(days=carries_in),
    )


def _stand_today(farm: Farm, crop: Crop, at: int, days: tuple[FieldDay, ...]) -> StandToday:
    growth = crop.growth
    today: date = growth.day[at].astype(date)
    return StandToday(
        ripeness=classify_ripeness(float(growth.ndf_mid[at]), growth.ndf_target),
        stage=growth.stage[at],
        ndf=days[0].ndf if days else growth_only(growth, today).ndf,
        ndf_target=growth.ndf_target,
        days_left=float(growth.days_left[at]),
        dry_matter=yield_on(crop, today),
        clock=float(growth.clock[at]),
        clock_spread=float(growth.clock_spread[at]),
        clock_from=None if growth.start_day is None else as_date(growth.start_day),
        kinds=kinds_on(growth, at),
        quality=quality_on(crop, today),
        waiting=waiting_cost_on(farm, crop, today),
        doubts=stand_doubts(growth),
    )


def _unknown_field(field: Field, unknown: Unknown) -> FieldProspect:
    return FieldProspect(
        field.name, field.area, days=(), stand=None, expected_yield=field.expected_yield, unknown=unknown
    )


def _fit_fields(
    farm: Farm, plans: list[dict[date, PlannedDay]], hours: ForecastHours
) -> dict[tuple[str, date], PlannedDay]:
    """Fit the ripe fields of each day in one after another, the one first that loses most by waiting."""
    shared: dict[tuple[str, date], PlannedDay] = {}
    for day in sorted({day for days in plans for day in days}):
        for placed in order_fields(farm, day, plans, hours, lambda shown: _closed_day_reason(farm, shown) is None):
            plan = placed.field_day.plan
            shown = None if plan is None else _with_losses_and_cautions(farm, placed, plan, hours)
            shared[placed.crop.field.name, day] = replace(placed, field_day=replace(placed.field_day, plan=shown))
    return shared


def _with_losses_and_cautions(farm: Farm, planned_day: PlannedDay, plan: WorkHours, hours: ForecastHours) -> WorkHours:
    """Return the work of a field in its place, with what it loses and what to beware of, which is known of today."""
    return replace(
        plan,
        if_left=left_overnight(farm, planned_day, hours),
        respiration_loss=respiration_until_baling(planned_day, plan, hours),
        cautions=cautions_of(farm, planned_day, plan, hours) if planned_day.window.date == hours.today else (),
    )


def _days_of_field(placed: dict[tuple[str, date], PlannedDay], name: str) -> dict[date, PlannedDay]:
    """Return the days of one field."""
    return {day: worked for (field, day), worked in placed.items() if field == name}


def _forecast_case(farm: Farm, planned_day: PlannedDay, hours: ForecastHours) -> ForecastCase:
    """Return what a field's plan alone says of a day, for the largest area at the odds needed or else the least."""
    crop, window, shown = planned_day.crop, planned_day.window, planned_day.field_day
    least = shown.odds_for_area(farm.work.least_area)
    if shown.raw_odds is None or least is None:
        raise AssertionError(f"{crop.field.name}, {window.date}: a plan has odds")
    return ForecastCase(
        field=crop.field.name,
        day=window.date,
        lead=(window.date - hours.today).days,
        odds=shown.raw_odds,
        rain=hours.root_rain_on(window),
        area=shown.area or least.area,
        start=window.begins + planned_day.plan.start * SLOT,
        dry_matter=crop.dry_matter(window.date),
        start_moisture=float(crop.growth.start_moisture[day_index(crop.growth, window.date)]),
        crop_factor=crop.growth.drying_factor,
        soil_factor=float(np.median(crop.ground.soil_factor[:, (window.date - hours.today).days])),
        drying_factor=crop.state.drying.factor,
        drying_spread=crop.state.drying.spread,
    )


def _closed_day_reason(farm: Farm, field_day: FieldDay) -> Reason | None:
    """Return what forbids a day before any drying is reckoned."""
    if field_day.date.month not in farm.season:
        return Reason.OUT_OF_SEASON
    if field_day.date.weekday() in farm.work.days_off:
        return Reason.DAY_OFF
    if field_day.ripeness is Ripeness.GROWING:
        return Reason.NOT_RIPE
    if field_day.ground_firm_share is not None and field_day.ground_firm_share < FIRM_SHARE_NEEDED:
        return Reason.GROUND_SOFT
    return None


def _final_day(farm: Farm, alone: FieldDay, shared: PlannedDay | None) -> FieldDay:
    """Return the day as it is shown: shared with the other fields, or held back with the reason."""
    reason = _closed_day_reason(farm, alone)
    if reason is None:
        return shared.field_day if shared else alone
    return alone.without_plan(reason)

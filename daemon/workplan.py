"""From hours of weather and a growing field to what can be mown, baled and wrapped on each day."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import partial

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.farm import Farm, Field
from daemon.outlook import Band, Chance, FieldDay, Reason, Ripeness
from models import coefficients as c
from models.draws import Draws, draw_crop
from models.growth import Growth
from models.odds import independent_members, odds_from_share
from models.plan import CropDay, Hindrance, Plan, best_plan, evening, hindrance, next_plan
from models.swath import DryingHours, dry_basis, drying_hours, lay_swath, standing_wetness, wet_basis, wilt
from models.workday import SLOTS_PER_HOUR, Crew, baling_window, wet_hours

Array = NDArray[np.float64]

HOUR = timedelta(hours=1)
SLOT = HOUR / SLOTS_PER_HOUR
START_EVERY = SLOTS_PER_HOUR  # slots between the starts that are tried
MOWING_AFTER_LATEST_START = 8  # [slots] mowing may go on for
REASONS: Mapping[Hindrance, Reason] = {
    Hindrance.RAIN: Reason.RAIN,
    Hindrance.DRYING: Reason.WILL_NOT_DRY,
    Hindrance.TIME: Reason.TOO_LITTLE_TIME,
}


@dataclass(frozen=True)
class ForecastHours:
    """The hours ahead as the models want them; `ends` (hour,) are UTC labels at the end of each hour."""

    ends: NDArray[np.datetime64]
    drying: DryingHours
    wet: NDArray[np.bool_]  # (member, hour)
    draws: Draws
    to_odds: Callable[[Array], Array]


@dataclass(frozen=True)
class Window:
    """A working day on the grid of slots: slot 0 begins with the hour in which work may start."""

    date: date
    begins: datetime  # UTC
    first_hour: int  # index into the forecast hours
    hours: int
    starts: Sequence[int]  # slots that are tried for the beginning of mowing
    latest: int  # last slot in which mowing of a field may begin
    finish: int  # slot

    def at(self, slot: int, farm: Farm) -> datetime:
        """Return the farm's clock at the beginning of a slot."""
        return (self.begins + slot * SLOT).astimezone(farm.place.timezone)


@dataclass(frozen=True)
class WorkedDay:
    """A field on a day with the plan behind its numbers, so that the next field can be fitted in after it."""

    field: Field
    window: Window
    crop: CropDay
    crew: Crew
    plan: Plan
    shown: FieldDay


def forecast_hours(farm: Farm, ahead: xr.Dataset) -> ForecastHours:
    """Return the hours of a contract Dataset with their drying; temperature, humidity and wind become hourly means."""
    values = {str(name): ahead[name].transpose("member", "time").to_numpy() for name in ahead.data_vars}
    ends = ahead["time"].to_numpy()[1:]
    rain = values["precipitation_amount"][:, 1:]
    step = round(float(ahead.attrs["native_step_hours"]))
    members = rain.shape[0]
    known = ahead.attrs["kind"] == "record"
    drying = drying_hours(
        _hour_means(values["air_temperature"]),
        _hour_means(values["dew_point_temperature"]),
        _hour_means(values["wind_speed"]),
        values["surface_downwelling_shortwave_flux_in_air"][:, 1:],
        rain,
        ends,
        latitude=farm.place.latitude,
        longitude=farm.place.longitude,
        elevation=farm.place.elevation,
    )
    began = int((ends[0] - ends[0].astype("datetime64[D]")) / np.timedelta64(1, "h")) - 1
    wet = wet_hours(rain, step, wet_hour=farm.weather.wet_hour, wet_step=farm.weather.wet_step, offset=began % step)
    independent = np.inf if known else independent_members(members)
    return ForecastHours(ends, drying, wet, draw_crop(members), partial(odds_from_share, independent=independent))


def work_window(farm: Farm, day: date, now: datetime, hours: ForecastHours) -> Window | None:
    """Return the working day on its grid, or None where the forecast does not cover it."""
    work = farm.work
    earliest, latest, finish = (_utc(farm, day, at) for at in (work.earliest_start, work.latest_start, work.finish_by))
    begins = earliest.replace(minute=0, second=0, microsecond=0)
    first = round((begins + HOUR - _moment(hours.ends[0])) / HOUR)
    count = -(-(finish - begins) // HOUR)
    if first < 0 or first + count > hours.ends.size:
        return None
    opens = -(-(max(earliest, now) - begins) // SLOT)
    last = (latest - begins) // SLOT
    starts = range(opens, last + 1, START_EVERY)
    return Window(day, begins, first, count, starts, last, (finish - begins) // SLOT)


def field_on(
    farm: Farm, field: Field, growth: Growth, window: Window, hours: ForecastHours, standing: Array
) -> WorkedDay | FieldDay:
    """Return what can be done with a field on a day, alone.

    Parameters
    ----------
    farm, field, growth, window, hours
    standing : array [mm], shape (member, hour)
        Dew and rain on the standing crop at the end of each forecast hour.
    """
    at = day_index(growth, window.date)
    bare = _without_plan(growth, at, window.date)
    if not window.starts:
        return bare.without_plan(Reason.TOO_LATE_TODAY)
    yield_ = field.expected_yield or max(float(growth.dry_matter[at]), c.LEAST_DRY_MATTER)
    if 100.0 * yield_ / farm.baleage.swath_share > c.DENSITY_MOST:
        return bare.without_plan(Reason.TOO_THICK)
    crop = _crop_day(farm, growth, at, yield_, window, hours, standing)
    crew = _crew(farm, window)
    most = min(-int(-field.area // _strip_area(farm)), crop.ready.shape[0])
    least = _least_strips(farm, most)
    needed = farm.alerts.odds_needed
    plan = best_plan(crop, crew, window.starts, most=most, least=least, needed=needed, to_odds=hours.to_odds)
    shown = _shown(farm, field, bare, window, plan, crop, crew, least)
    return WorkedDay(field, window, crop, crew, plan, shown)


def field_after(farm: Farm, before: WorkedDay, day: WorkedDay, to_odds: Callable[[Array], Array]) -> WorkedDay:
    """Return the same day for a field that is mown after another one by the same people."""
    if day.plan.strips == 0:
        return day
    full = replace(day, shown=replace(day.shown.without_plan(Reason.DAY_IS_FULL), after=before.field.name))
    if before.plan.end > day.window.latest:
        return replace(full, plan=replace(day.plan, strips=0))
    most = day.plan.odds.size
    least = _least_strips(farm, most)
    needed = farm.alerts.odds_needed
    plan = next_plan(before.plan, day.crop, day.crew, most=most, least=least, needed=needed, to_odds=to_odds)
    if plan.strips == 0:
        return replace(full, plan=plan)
    shown = _shown(farm, day.field, day.shown, day.window, plan, day.crop, day.crew, least)
    return replace(day, plan=plan, shown=replace(shown, after=before.field.name))


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


def standing_water(growth: Growth, today: date, hours: ForecastHours) -> Array:
    """Return the dew and rain [mm] on the standing crop at the end of each hour, shape (member, hour)."""
    at = day_index(growth, today)
    return standing_wetness(hours.drying, max(float(growth.dry_matter[at]), c.LEAST_DRY_MATTER))


def _crop_day(
    farm: Farm, growth: Growth, at: int, yield_: float, window: Window, hours: ForecastHours, standing: Array
) -> CropDay:
    """Dry every strip that may be mown on the day, in every case."""
    draws, baleage = hours.draws, farm.baleage
    dry_matter = yield_ * draws.yield_factor
    swath = lay_swath(
        dry_matter,
        np.clip(growth.start_moisture[at] + draws.start_moisture, 0.5, 0.9),
        baleage.swath_share,
        drying_factor=draws.drying_factor,
        crop_factor=growth.drying_factor,
        conditioned=baleage.conditioned,
    )
    first = window.starts[0]
    rows = np.arange(first, min(window.starts[-1] + MOWING_AFTER_LATEST_START, window.finish))
    lying = np.clip(np.arange(1, window.hours + 1)[:, None] - rows / SLOTS_PER_HOUR, 0.0, 1.0)
    span = (window.first_hour, window.first_hour + window.hours)
    water = wilt(hours.drying.between(*span), swath, lying, _at_mowing(standing, window, rows))
    water = water.reshape(*water.shape[:2], -1)
    ready, closes = baling_window(water, float(dry_basis(np.array(baleage.wettest))))
    bales = (_strip_area(farm) * dry_matter / farm.work.bale_dry_matter).ravel()
    return CropDay(first, ready, closes, bales, water, hours.wet[:, slice(*span)], dry_matter.shape[1])


def _at_mowing(standing: Array, window: Window, rows: NDArray[np.int64]) -> Array:
    """Return the water [mm] on the standing crop when each strip is mown, shape (strip, member)."""
    hour = window.first_hour + rows / SLOTS_PER_HOUR - 1.0  # values stand at the ends of the hours
    whole = np.clip(hour.astype(np.int64), 0, standing.shape[1] - 2)
    share = np.clip(hour - whole, 0.0, 1.0)
    return np.asarray((standing[:, whole] * (1.0 - share) + standing[:, whole + 1] * share).T)


def _strip_area(farm: Farm) -> float:
    """Return what is mown in a slot [ha]."""
    return farm.work.mown_per_hour / SLOTS_PER_HOUR


def _least_strips(farm: Farm, most: int) -> int:
    """Return the strips that are worth hitching up for; a smaller field is mown whole."""
    return min(max(-int(-farm.work.least_area // _strip_area(farm)), 1), most)


def _crew(farm: Farm, window: Window) -> Crew:
    work = farm.work
    return Crew(
        hands=work.hands,
        raked=work.raked_per_hour / work.mown_per_hour,
        baled=work.bales_per_hour / SLOTS_PER_HOUR,
        wrapped=work.wraps_per_hour / SLOTS_PER_HOUR,
        rake_lead=-int(-work.rake_lead * SLOTS_PER_HOUR // 1),
        finish=window.finish,
    )


def _without_plan(growth: Growth, at: int, day: date) -> FieldDay:
    """Return a field on a day as far as its growth alone tells."""
    ndf = Band(float(growth.ndf_low[at]), float(growth.ndf_mid[at]), float(growth.ndf_high[at]))
    state = ripeness(ndf.mid, growth.ndf_target)
    return FieldDay(day, state, ndf, float(growth.days_left[at]))


def _shown(
    farm: Farm, field: Field, bare: FieldDay, window: Window, plan: Plan, crop: CropDay, crew: Crew, least: int
) -> FieldDay:
    """Return a plan as it is shown: areas, clock times, or the reason why there is none."""
    strip = _strip_area(farm)
    curve = tuple(Chance(min(field.area, n * strip), float(odds)) for n, odds in enumerate(plan.odds, 1))
    if plan.strips == 0:
        kind, spoiled = hindrance(plan, crew, least)
        reason = REASONS[kind] if spoiled > 0.0 else Reason.ODDS_TOO_LOW
        return replace(bare, odds=curve[least - 1].odds, curve=curve).without_plan(reason, spoiled)
    close = evening(plan, crop, crew, float(dry_basis(np.array(farm.baleage.driest))))
    chosen = curve[plan.strips - 1]
    return replace(
        bare,
        area=chosen.area,
        odds=chosen.odds,
        curve=curve,
        start=window.at(plan.start, farm),
        mow_until=window.at(plan.end, farm),
        rake_from=window.at(close.raking_from, farm),
        bale_from=window.at(close.baling_from, farm),
        wrapped_by=window.at(close.wrapped_by, farm),
        moisture_at_baling=Band(*(float(wet_basis(np.array(water))) for water in close.moisture)),
        bales=-int(-close.bales * chosen.area / (plan.strips * strip) // 1),
        too_dry=close.too_dry,
    )


def _hour_means(instants: Array) -> Array:
    """Return the means of neighbouring instants, so that they match the sums of the hour between them."""
    return (instants[:, :-1] + instants[:, 1:]) / 2.0


def _utc(farm: Farm, day: date, at: time) -> datetime:
    return datetime.combine(day, at, tzinfo=farm.place.timezone).astimezone(UTC)


def _moment(label: np.datetime64) -> datetime:
    return datetime.fromisoformat(str(label.astype("datetime64[s]"))).replace(tzinfo=UTC)

"""The day after the advice: a field advised is watched as if it had been mown, with the newest weather."""

import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Final

import numpy as np
import pandas as pd

from daemon.diary.cuts import cuts, uncut_days
from daemon.diary.overlay import with_diary
from daemon.diary.store import Line, LineKind, local_day, of_field
from daemon.domain.advice import Morning, WatchedField, WatchState
from daemon.domain.farm import Farm, Field
from daemon.domain.field_watch import is_called_off, is_failing, wettest_when_urgent
from daemon.domain.prospect import AreaOdds, Band, LeftOvernight, Reason
from daemon.domain.units import HOUR
from daemon.planning.daily_weather import daily_extremes
from daemon.planning.drying import (
    Crop,
    crop_day,
    day_index,
    ground_under,
    standing_crops,
    strip_area,
    strips_for,
    swath_of,
)
from daemon.planning.field_day import REASONS, WorkedDay, crew_on, grown_by, slots_for
from daemon.planning.forecast_hours import SLOT, ForecastHours, Window, forecast_hours, work_window
from daemon.planning.growth import field_growth_on
from daemon.planning.overnight import if_left
from daemon.weather.contract import Weather, at_utc
from models import coefficients as c
from models.day_limits import baling_window, mowing_slots
from models.day_plan import CropDay, Plan, main_hindrance, workday_end
from models.growth import GrowthUnknown
from models.odds import UNCORRECTED, Correction
from models.swath import dry_basis, wet_basis
from models.workday import Crew, Strips, max_wrapped

log = logging.getLogger(__name__)

SOONER: Final = timedelta(minutes=45)  # less than this is within what the reckoning moves by from look to look
RAIN_SHARE: Final = 0.3  # of the cases with rain before the end of the work, from which it is said
ODDS_FALL: Final = 0.1  # that this rain has cost since it was said: a plan may have carried some from the first


def watch(
    farm: Farm,
    weather: Weather,
    said: Morning | None,
    lines: Sequence[Line],
    now: datetime,
    correction: Correction = UNCORRECTED,
) -> tuple[WatchedField, ...]:
    """Return how the fields stand that were advised to be mown today or noted as cut, in the order of mowing.

    Parameters
    ----------
    farm : Farm
        With what its samples taught, before `with_diary`: a field that is lying belongs to the growth it was cut in.
    weather : Weather
        The newest, which is trusted.
    said : Morning or None
        The advice that was sent today, with what was said since in `watched`; see `as_said`.
    lines : sequence of Line
        The diary. A cut of today gives the hour and the area, and is watched whether advised or not; the line `wrapped`
        that is of it ends the watch, and not one that is of what was cut before; so does the line `uncut`.
    now : datetime
    correction : Correction
        What the farm's own record does to the odds.

    Returns
    -------
    tuple of Watched
        A field that cannot be reckoned is logged and stands as it was said, at the moment at which that was known.

    Notes
    -----
    Hours that are over are those that came, in every case. Until now the work is held to have gone as it was said last:
    nothing is raked before the hour that was said, or before now where the new hours are sooner.
    """
    day = now.astimezone(farm.place.timezone).date()
    before = [line for line in lines if local_day(line, farm.place) < day]
    lying = with_diary(farm, before, now)
    told = _told(farm, lying, said, before, now) if said is not None and said.date == day else {}
    held = [one for field in lying.fields for one in _held(lying, field, told.get(field.name), lines, now)]
    if not held:
        return ()
    hours = _hours(lying, weather, now, correction)
    window = _window(lying, held, now, hours)
    if window is None:
        log.warning("nothing can be watched: the forecast does not cover the working day")
        return tuple(told.values())
    over = [one for one in held if one.done or now >= window.begins + window.finish * SLOT]
    days = daily_extremes(weather, lying)
    known = _Now(lying, window, crew_on(lying, window), hours, days[days.index <= day], now)
    found = [*map(known.done, over), *known.fields([one for one in held if one not in over])]
    return tuple(sorted(found, key=lambda one: one.start))


@dataclass(frozen=True)
class _Held:
    """A field held for mown: from when on and until when, how much of it [ha], and what was said of it last.

    `noted` and `timed` are whether the diary tells of it and of the hour, `done` whether it is wrapped or left uncut.
    """

    field: Field
    start: datetime
    until: datetime  # now, or when mowing was called off
    area: float
    told: WatchedField | None
    done: bool = False
    noted: bool = False
    timed: bool = False


@dataclass(frozen=True)
class _Laid:
    """A field that lies: its strips as they are usually taken up, and as they are where it will not make it.

    `count` strips are mown from the slot `start` on, of which `cut` are cut by now.
    """

    held: _Held
    crop: Crop
    usual: CropDay
    pinched: CropDay
    start: int
    count: int
    cut: int


def _told(farm: Farm, lying: Farm, said: Morning, before: Sequence[Line], now: datetime) -> dict[str, WatchedField]:
    """Return what was said of each field, by its name, unless it was said of a growth that was cut before today."""
    then = with_diary(farm, [line for line in before if line.written_at <= said.prospect.at], now)
    known = {field.name: field.last_cut for field in then.fields}
    same = {field.name for field in lying.fields if field.last_cut == known[field.name]}
    return {one.field: one for one in said.watched if one.field in same}


def _held(farm: Farm, field: Field, told: WatchedField | None, lines: Sequence[Line], now: datetime) -> Iterator[_Held]:
    """Yield the field if it is held for mown: by a cut noted today, else by what was said, unless it was left uncut."""
    day = now.astimezone(farm.place.timezone).date()
    own = of_field(lines, field, now)
    noted = cuts(own, farm.place)
    today = [cut for cut in noted if cut.day == day and not cut.wrapped]
    whole = field.area if field.standing is None else field.standing
    if today:
        start = told.start if told else _earliest(farm, now)
        areas = [cut.area for cut in today]
        area = whole if None in areas else min(sum(one or 0.0 for one in areas), whole)
        timed = [cut.line.at for cut in today if cut.line.timed]
        yield _Held(field, min(timed, default=start), now, area, told, noted=True, timed=bool(timed))
    elif told is not None:
        until, left = told.at if is_called_off(told) else now, day in uncut_days(own, farm.place)
        earlier = {cut.wrapped.id for cut in noted if cut.wrapped and cut.day < day}
        ends = {line.id for line in own if line.kind is LineKind.WRAPPED and local_day(line, farm.place) == day}
        yield _Held(field, told.start, until, min(told.area, whole), told, done=left or not ends <= earlier)


def _earliest(farm: Farm, now: datetime) -> datetime:
    here = now.astimezone(farm.place.timezone)
    return datetime.combine(here.date(), farm.work.earliest_start, tzinfo=farm.place.timezone)


def _hours(farm: Farm, weather: Weather, now: datetime, correction: Correction) -> ForecastHours:
    """Return the hours up to the end of tomorrow."""
    day = now.astimezone(farm.place.timezone).date()
    end = datetime.combine(day + timedelta(days=2), time(0), tzinfo=farm.place.timezone)
    near = weather.ahead.sel(time=slice(None, at_utc(end)))
    return forecast_hours(farm, Weather(weather.past, near), day, correction)


def _window(farm: Farm, held: Sequence[_Held], now: datetime, hours: ForecastHours) -> Window | None:
    """Return the working day, from the first cut on where that was before the usual hour."""
    begun = (one.start.astimezone(farm.place.timezone).time() for one in held)
    work = replace(farm.work, earliest_start=min(farm.work.earliest_start, *begun))
    return work_window(replace(farm, work=work), hours.today, now, hours)


@dataclass(frozen=True)
class _Now:
    """What all fields share at one look."""

    farm: Farm
    window: Window
    crew: Crew
    hours: ForecastHours
    days: pd.DataFrame
    now: datetime

    @property
    def slot(self) -> int:
        """The first slot in which anything can still be begun."""
        return -((self.window.begins - self.now) // SLOT)

    def done(self, held: _Held) -> WatchedField:
        """Return a field of which the watch has ended."""
        return WatchedField(
            held.field.name, WatchState.DONE, self.now, self._local(held.start), held.area, None, None, None, None,
            noted=held.noted, timed=held.timed,
        )  # fmt: skip

    def fields(self, held: Sequence[_Held]) -> Iterator[WatchedField]:
        """Yield the fields that lie, in the order of mowing, each after those before it."""
        laid: list[_Laid] = []
        for one in sorted(held, key=lambda one: one.start):
            try:
                laid.append(self._lay(one))
            except (GrowthUnknown, ValueError) as why:
                log.warning("%s cannot be watched: %s", one.field.name, why)
                yield from [one.told] if one.told else []
            else:
                yield self._reckoned(laid)

    def _lay(self, held: _Held) -> _Laid:
        farm, window = self.farm, self.window
        ground = ground_under(farm, self.hours)(held.field)
        growth = field_growth_on(farm, held.field, self.days, ground)
        (crop,) = standing_crops([(held.field, growth, ground)], self.hours)
        start, count = window.slot_of(held.start), max(strips_for(farm, held.area), 1)
        self._refuse(crop, start)
        mown = mowing_slots(window.pace, np.array([start]), count)[:, 0]
        in_time = mown[mown < window.finish]
        swath = swath_of(farm, crop, window.date, self.hours)
        ends = (start, int(in_time[-1]) if in_time.size else start)
        day = crop_day(farm, swath, crop.wetness, window, self.hours, ends)
        usual = replace(day, ready=np.maximum(day.ready, self._not_before(held.told)))
        ready, closes = baling_window(day.water, float(dry_basis(np.array(wettest_when_urgent(farm)))))
        # What was too wet for the usual was left lying until it was called off.
        begun = self._not_before(held.told) if is_called_off(held.told) else self.slot
        pinched = replace(usual, ready=np.minimum(usual.ready, np.maximum(ready, begun)), closes=closes)
        cut = int((mown < window.slot_of(held.until)).sum())
        return _Laid(held, crop, usual, pinched, start, count, cut)

    def _refuse(self, crop: Crop, start: int) -> None:
        """Refuse what the models do not cover."""
        if day_index(crop.growth, self.window.date) >= crop.growth.day.size:
            raise ValueError(f"the weather does not cover the whole of {self.window.date}")
        if start >= self.window.finish:
            raise ValueError("it was cut after the end of the working day")
        if 100.0 * crop.dry_matter(self.window.date) / self.farm.baleage.swath_share > c.MAX_DENSITY:
            raise ValueError("its swath lies too thick")

    def _not_before(self, told: WatchedField | None) -> int:
        """Return the first slot of raking: what was said, or now where the crop is dry sooner than that."""
        if told is None:
            return 0
        return self.slot if told.rake_from is None else min(self.slot, self.window.slot_of(told.rake_from))

    def _reckoned(self, laid: Sequence[_Laid]) -> WatchedField:
        """Return how the last of these fields stands."""
        one = laid[-1]
        plan = self._plan(laid, [each.usual for each in laid], [each.count for each in laid])
        odds = float(plan.odds[-1])
        stands = WatchedField(
            one.held.field.name, WatchState.ON_TRACK, self.now, self._local(one.held.start), one.held.area, odds,
            rake_from=None, bale_from=None, wrapped_by=None, moisture=self._moisture(one),
            last_told_bale_from=one.held.told.bale_from if one.held.told else None,
            last_told_odds=one.held.told.odds if one.held.told else None, noted=one.held.noted, timed=one.held.timed,
        )  # fmt: skip
        # What was called off stays so: half a field may have been left by then.
        if is_called_off(one.held.told) or is_failing(stands) or plan.wrappable.max() < one.count:
            return self._failing(stands, laid, plan)
        return self._sooner(self._with_hours(stands, plan, one.usual), one.held.told, plan)

    def _plan(self, laid: Sequence[_Laid], days: Sequence[CropDay], counts: Sequence[int]) -> Plan:
        """Return the plan of so many strips of the last of these fields, mown after those before it."""
        travel = slots_for(self.farm.work.travel)
        each = [
            day.strips([one.start], count, travel if number else 0)
            for number, (one, day, count) in enumerate(zip(laid, days, counts, strict=True))
        ]
        joined = Strips.concatenate(each)
        wall, most = days[0].rain_slots([laid[0].start])[0], counts[-1]
        wrapped = max_wrapped(joined, self.crew, wall) - (joined.mown.shape[0] - most)
        shares = (wrapped >= np.arange(1, most + 1)[:, None]).mean(axis=1)
        odds = self.hours.odds_on(self.window)(np.asarray(shares))
        return Plan(laid[-1].start, most, odds, joined, wall, wrapped)

    def _with_hours(self, stands: WatchedField, plan: Plan, day: CropDay) -> WatchedField:
        close = workday_end(plan, day, self.crew, float(dry_basis(np.array(self.farm.baleage.driest))))
        rake, bale, wrapped = (
            self.window.at(slot, self.farm) for slot in (close.raking_from, close.baling_from, close.wrapped_by)
        )
        return replace(stands, rake_from=rake, bale_from=bale, wrapped_by=wrapped)

    def _sooner(self, stands: WatchedField, told: WatchedField | None, plan: Plan) -> WatchedField:
        """Return the field with BALE_SOONER where rain or drying has moved forward since it was said."""
        if told is None or told.bale_from is None or told.wrapped_by is None or stands.bale_from is None:
            return stands
        rain = float((plan.rain_slot < self.window.slot_of(told.wrapped_by)).mean())
        fallen = (told.odds or 0.0) - (stands.odds or 0.0)
        if rain >= RAIN_SHARE and fallen >= ODDS_FALL:
            said = replace(stands, state=WatchState.BALE_SOONER, reason=Reason.RAIN)
            return replace(said, rain_at=self._rain_at(plan))
        if told.bale_from - stands.bale_from >= SOONER:
            return replace(stands, state=WatchState.BALE_SOONER)
        return stands

    def _failing(self, stands: WatchedField, laid: Sequence[_Laid], plan: Plan) -> WatchedField:
        """Return the field with WILL_NOT_MAKE_IT, why, what can still be wrapped and what becomes of the rest."""
        one = laid[-1]
        kind, _ = main_hindrance(plan, self.crew, one.count)
        reason = REASONS[kind] if is_failing(stands) or one.held.told is None else one.held.told.reason
        rain_at = self._rain_at(plan) if reason is Reason.RAIN and is_failing(stands) else None
        stands = replace(stands, state=WatchState.WILL_NOT_MAKE_IT, reason=reason, rain_at=rain_at)
        if one.cut == 0:
            return stands
        stands = replace(stands, left=self._left(one, plan))
        some = self._plan(laid, [each.pinched for each in laid], [each.cut for each in laid])
        enough = int((some.odds >= self.farm.alerts.odds_needed).sum())
        if enough == 0:
            return stands
        area = min(enough * strip_area(self.farm), one.held.area)
        still = replace(stands, still_wrappable=AreaOdds(area, float(some.odds[enough - 1])))
        return self._with_hours(still, replace(some, strip_count=enough), one.pinched)

    def _left(self, one: _Laid, plan: Plan) -> LeftOvernight | None:
        """Return what becomes of the last strip cut; for what is left the working day ends now, so its rain counts."""
        ended = replace(self.window, finish=self.slot)
        day = grown_by(one.crop.growth, self.window.date)
        worked = WorkedDay(one.crop, ended, one.usual, self.crew, replace(plan, strip_count=one.cut), day)
        return if_left(self.farm, worked, self.hours)

    def _moisture(self, one: _Laid) -> Band | None:
        """Return the moisture of what is cut by now."""
        if one.cut == 0:
            return None
        water, day = one.usual.water, one.usual
        hour = (self.now - self.window.begins) / HOUR
        whole = min(int(hour), water.shape[0] - 2)
        rows = mowing_slots(day.pace, np.array([one.start]), one.cut)[:, 0] - day.first_slot
        lying = water[whole, rows] + (hour - whole) * (water[whole + 1, rows] - water[whole, rows])
        return Band(*(float(q) for q in np.quantile(wet_basis(lying), [0.1, 0.5, 0.9])))

    def _rain_at(self, plan: Plan) -> datetime | None:
        """Return when rain comes in the middle of the cases in which it comes before the end of the day."""
        wet = plan.rain_slot[plan.rain_slot < self.crew.finish_slot]
        return self.window.at(int(np.quantile(wet, 0.5, method="lower")), self.farm) if wet.size else None

    def _local(self, moment: datetime) -> datetime:
        return moment.astimezone(self.farm.place.timezone)

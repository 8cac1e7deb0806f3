"""The day after the advice: a field advised is watched as if it had been mown, with the newest weather."""

import logging
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Final

import numpy as np
import pandas as pd

from daemon.diary.cuts import cuts_from_notes, uncut_days
from daemon.diary.overlay import apply_diary
from daemon.diary.store import Note, NoteKind, local_day, notes_of
from daemon.domain.advice import Morning, WatchedField, WatchState
from daemon.domain.farm import UNCALIBRATED, Calibration, Farm, FarmToday, FieldState
from daemon.domain.field_watch import is_called_off, is_failing, wettest_when_urgent
from daemon.domain.prospect import AreaOdds, Band, LeftOvernight, Reason
from daemon.domain.units import HOUR
from daemon.planning.daily_weather import daily_extremes
from daemon.planning.drying import (
    Crop,
    crop_day,
    day_index,
    ground_lookup,
    standing_crops,
    strip_area,
    strips_for,
    swath_of,
)
from daemon.planning.field_day import HINDRANCE_REASONS, PlannedDay, crew_on, growth_only, slots_for
from daemon.planning.forecast_hours import SLOT, ForecastHours, Window, forecast_hours, work_window
from daemon.planning.growth import field_growth_on
from daemon.planning.overnight import left_overnight
from daemon.weather.contract import Weather, to_datetime64
from models import coefficients as c
from models.day_limits import baling_window, mowing_slots
from models.day_plan import CropDay, Plan, main_hindrance, workday_end
from models.growth import GrowthUnknown
from models.odds import UNCORRECTED, Correction
from models.swath import dry_basis, wet_basis
from models.workday import Crew, Strips, max_wrapped

log = logging.getLogger(__name__)

MIN_TIME_SOONER: Final = timedelta(minutes=45)  # less than this is within what the reckoning moves by from look to look
MIN_RAIN_SHARE: Final = 0.3  # of the cases with rain before the end of the work, from which it is said
MIN_ODDS_FALL: Final = 0.1  # that this rain has cost since it was said: a plan may have carried some from the first


def watch_fields(
    farm: Farm,
    weather: Weather,
    morning: Morning | None,
    notes: Sequence[Note],
    now: datetime,
    calibration: Calibration = UNCALIBRATED,
    correction: Correction = UNCORRECTED,
) -> tuple[WatchedField, ...]:
    """Return how the fields stand that were advised to be mown today or noted as cut, in the order of mowing.

    Parameters
    ----------
    farm : Farm
    weather : Weather
        The newest, which is trusted.
    morning : Morning or None
        The advice that was sent today, with what was said since in `watched`; see `as_said`.
    notes : sequence of Line
        The diary. A cut of today gives the hour and the area, and is watched whether advised or not; the line `wrapped`
        that is of it ends the watch, and not one that is of what was cut before; so does the line `uncut`.
    now : datetime
    calibration : Calibration
    correction : Correction
        What the farm's own record does to the odds.

    Returns
    -------
    tuple of Watched
        A field that cannot be reckoned is logged and stands as it was said, at the moment at which that was known.

    Notes
    -----
    A field that is lying belongs to the growth it was cut in: it stands as the diary of the days before today tells.
    Hours that are over are those that came, in every case. Until now the work is held to have gone as it was said last:
    nothing is raked before the hour that was said, or before now where the new hours are sooner.
    """
    day = now.astimezone(farm.place.timezone).date()
    before = [line for line in notes if local_day(line, farm.place) < day]
    this_morning = apply_diary(farm, before, now, calibration)
    told = _previous_watches(this_morning, morning, before, now) if morning is not None and morning.date == day else {}
    held = [
        one for state in this_morning.fields for one in _fields_under_way(farm, state, told.get(state.name), notes, now)
    ]
    if not held:
        return ()
    hours = _hours_to_tomorrow(farm, weather, now, correction)
    window = _watch_window(farm, held, now, hours)
    if window is None:
        log.warning("nothing can be watched: the forecast does not cover the working day")
        return tuple(told.values())
    over = [one for one in held if one.done or now >= window.begins + window.finish * SLOT]
    days = daily_extremes(weather, farm)
    known = _DayWatch(farm, window, crew_on(farm, window), hours, days[days.index <= day], now)
    found = [*map(known.done_field, over), *known.watched_fields([one for one in held if one not in over])]
    return tuple(sorted(found, key=lambda one: one.start))


@dataclass(frozen=True)
class _UnderWay:
    """A field held for mown: from when on and until when, how much of it [ha], and what was said of it last.

    `noted` and `timed` are whether the diary tells of it and of the hour, `done` whether it is wrapped or left uncut.
    """

    state: FieldState
    start: datetime
    mown_until: datetime  # now, or when mowing was called off
    area: float
    previous: WatchedField | None
    done: bool = False
    noted: bool = False
    timed: bool = False


@dataclass(frozen=True)
class _CutField:
    """A field that lies: its strips as they are usually taken up, and as they are where it will not make it.

    `count` strips are mown from the slot `start` on, of which `cut_count` are cut by now.
    """

    under_way: _UnderWay
    crop: Crop
    usual: CropDay
    urgent: CropDay
    start: int
    count: int
    cut_count: int


def _previous_watches(
    this_morning: FarmToday, morning: Morning, earlier_notes: Sequence[Note], now: datetime
) -> dict[str, WatchedField]:
    """Return what was said of each field, by its name, unless it was said of a growth that was cut before today."""
    noted_then = [note for note in earlier_notes if note.written_at <= morning.prospect.at]
    then = apply_diary(this_morning.farm, noted_then, now)
    last_cuts = {state.name: state.last_cut for state in then.fields}
    same = {state.name for state in this_morning.fields if state.last_cut == last_cuts[state.name]}
    return {one.field: one for one in morning.watched if one.field in same}


def _fields_under_way(
    farm: Farm, state: FieldState, previous: WatchedField | None, notes: Sequence[Note], now: datetime
) -> Iterator[_UnderWay]:
    """Yield the field if it is held for mown: by a cut noted today, else by what was said, unless it was left uncut."""
    day = now.astimezone(farm.place.timezone).date()
    own = notes_of(notes, state.field, now)
    noted = cuts_from_notes(own, farm.place)
    today = [cut for cut in noted if cut.day == day and not cut.wrapped_note]
    whole = state.standing_area
    if today:
        start = previous.start if previous else _earliest_start(farm, now)
        areas = [cut.area for cut in today]
        area = whole if None in areas else min(sum(one or 0.0 for one in areas), whole)
        timed = [cut.note.at for cut in today if cut.note.timed]
        yield _UnderWay(state, min(timed, default=start), now, area, previous, noted=True, timed=bool(timed))
    elif previous is not None:
        until, left = previous.at if is_called_off(previous) else now, day in uncut_days(own, farm.place)
        earlier = {cut.wrapped_note.id for cut in noted if cut.wrapped_note and cut.day < day}
        ends = {line.id for line in own if line.kind is NoteKind.WRAPPED and local_day(line, farm.place) == day}
        yield _UnderWay(
            state, previous.start, until, min(previous.area, whole), previous, done=left or not ends <= earlier
        )


def _earliest_start(farm: Farm, now: datetime) -> datetime:
    here = now.astimezone(farm.place.timezone)
    return datetime.combine(here.date(), farm.work.earliest_start, tzinfo=farm.place.timezone)


def _hours_to_tomorrow(farm: Farm, weather: Weather, now: datetime, correction: Correction) -> ForecastHours:
    """Return the hours up to the end of tomorrow."""
    day = now.astimezone(farm.place.timezone).date()
    end = datetime.combine(day + timedelta(days=2), time(0), tzinfo=farm.place.timezone)
    near = weather.ahead.sel(time=slice(None, to_datetime64(end)))
    return forecast_hours(farm, Weather(weather.past, near), day, correction)


def _watch_window(farm: Farm, under_way: Sequence[_UnderWay], now: datetime, hours: ForecastHours) -> Window | None:
    """Return the working day, from the first cut on where that was before the usual hour."""
    begun = (one.start.astimezone(farm.place.timezone).time() for one in under_way)
    work = replace(farm.work, earliest_start=min(farm.work.earliest_start, *begun))
    return work_window(replace(farm, work=work), hours.today, now, hours)


@dataclass(frozen=True)
class _DayWatch:
    """What all fields share at one look."""

    farm: Farm
    window: Window
    crew: Crew
    hours: ForecastHours
    days: pd.DataFrame
    now: datetime

    @property
    def current_slot(self) -> int:
        """The first slot in which anything can still be begun."""
        return -((self.window.begins - self.now) // SLOT)

    def done_field(self, under_way: _UnderWay) -> WatchedField:
        """Return a field of which the watch has ended."""
        return WatchedField(
            under_way.state.name, WatchState.DONE, self.now, self._local_time(under_way.start), under_way.area,
            odds=None, rake_from=None, bale_from=None, wrapped_by=None,
            noted=under_way.noted, timed=under_way.timed,
        )  # fmt: skip

    def watched_fields(self, under_way: Sequence[_UnderWay]) -> Iterator[WatchedField]:
        """Yield the fields that lie, in the order of mowing, each after those before it."""
        laid: list[_CutField] = []
        for one in sorted(under_way, key=lambda one: one.start):
            try:
                laid.append(self._lay_field(one))
            except (GrowthUnknown, ValueError) as why:
                log.warning("%s cannot be watched: %s", one.state.name, why)
                yield from [one.previous] if one.previous else []
            else:
                yield self._watched_field(laid)

    def _lay_field(self, under_way: _UnderWay) -> _CutField:
        farm, window = self.farm, self.window
        ground = ground_lookup(farm, self.hours)(under_way.state)
        growth = field_growth_on(farm, under_way.state, self.days, ground)
        (crop,) = standing_crops([(under_way.state, growth, ground)], self.hours)
        start, count = window.slot_of(under_way.start), max(strips_for(farm, under_way.area), 1)
        self._check_covered(crop, start)
        mown = mowing_slots(window.pace, np.array([start]), count)[:, 0]
        in_time = mown[mown < window.finish]
        swath = swath_of(farm, crop, window.date, self.hours)
        ends = (start, int(in_time[-1]) if in_time.size else start)
        day = crop_day(farm, swath, crop.wetness, window, self.hours, ends)
        usual = replace(day, ready=np.maximum(day.ready, self._first_raking_slot(under_way.previous)))
        ready, closes = baling_window(day.water, float(dry_basis(np.array(wettest_when_urgent(farm)))))
        # What was too wet for the usual was left lying until it was called off.
        begun = self._first_raking_slot(under_way.previous) if is_called_off(under_way.previous) else self.current_slot
        pinched = replace(usual, ready=np.minimum(usual.ready, np.maximum(ready, begun)), closes=closes)
        cut = int((mown < window.slot_of(under_way.mown_until)).sum())
        return _CutField(under_way, crop, usual, pinched, start, count, cut)

    def _check_covered(self, crop: Crop, start: int) -> None:
        """Refuse what the models do not cover."""
        if day_index(crop.growth, self.window.date) >= crop.growth.day.size:
            raise ValueError(f"the weather does not cover the whole of {self.window.date}")
        if start >= self.window.finish:
            raise ValueError("it was cut after the end of the working day")
        if 100.0 * crop.dry_matter(self.window.date) / self.farm.baleage.swath_share > c.MAX_DENSITY:
            raise ValueError("its swath lies too thick")

    def _first_raking_slot(self, previous: WatchedField | None) -> int:
        """Return the first slot of raking: what was said, or now where the crop is dry sooner than that."""
        if previous is None:
            return 0
        return (
            self.current_slot
            if previous.rake_from is None
            else min(self.current_slot, self.window.slot_of(previous.rake_from))
        )

    def _watched_field(self, cut_fields: Sequence[_CutField]) -> WatchedField:
        """Return how the last of these fields stands."""
        last = cut_fields[-1]
        under_way, previous = last.under_way, last.under_way.previous
        days, counts = [field.usual for field in cut_fields], [field.count for field in cut_fields]
        plan = self._plan_last_field(cut_fields, days, counts)
        watched = WatchedField(
            under_way.state.name,
            WatchState.ON_TRACK,
            self.now,
            self._local_time(under_way.start),
            under_way.area,
            odds=float(plan.odds[-1]),
            rake_from=None,
            bale_from=None,
            wrapped_by=None,
            moisture=self._cut_moisture(last),
            last_told_bale_from=previous.bale_from if previous else None,
            last_told_odds=previous.odds if previous else None,
            noted=under_way.noted,
            timed=under_way.timed,
        )
        # What was called off stays so: half a field may have been left by then.
        if is_called_off(previous) or is_failing(watched) or plan.wrappable.max() < last.count:
            return self._will_not_make_it(watched, cut_fields, plan)
        return self._bale_sooner(self._with_work_hours(watched, plan, last.usual), previous, plan)

    def _plan_last_field(self, cut_fields: Sequence[_CutField], days: Sequence[CropDay], counts: Sequence[int]) -> Plan:
        """Return the plan of so many strips of the last of these fields, mown after those before it."""
        travel = slots_for(self.farm.work.travel)
        each = [
            day.strips([one.start], count, travel if number else 0)
            for number, (one, day, count) in enumerate(zip(cut_fields, days, counts, strict=True))
        ]
        joined = Strips.concatenate(each)
        wall, most = days[0].rain_slots([cut_fields[0].start])[0], counts[-1]
        wrapped = max_wrapped(joined, self.crew, wall) - (joined.mown.shape[0] - most)
        shares = (wrapped >= np.arange(1, most + 1)[:, None]).mean(axis=1)
        odds = self.hours.odds_converter(self.window)(np.asarray(shares))
        return Plan(cut_fields[-1].start, most, odds, joined, wall, wrapped)

    def _with_work_hours(self, watched: WatchedField, plan: Plan, day: CropDay) -> WatchedField:
        close = workday_end(plan, day, self.crew, float(dry_basis(np.array(self.farm.baleage.driest))))
        rake, bale, wrapped = (
            self.window.time_at(slot, self.farm) for slot in (close.raking_from, close.baling_from, close.wrapped_by)
        )
        return replace(watched, rake_from=rake, bale_from=bale, wrapped_by=wrapped)

    def _bale_sooner(self, watched: WatchedField, previous: WatchedField | None, plan: Plan) -> WatchedField:
        """Return the field with BALE_SOONER where rain or drying has moved forward since it was said."""
        if previous is None or previous.bale_from is None or previous.wrapped_by is None or watched.bale_from is None:
            return watched
        rain = float((plan.rain_slot < self.window.slot_of(previous.wrapped_by)).mean())
        fallen = (previous.odds or 0.0) - (watched.odds or 0.0)
        if rain >= MIN_RAIN_SHARE and fallen >= MIN_ODDS_FALL:
            said = replace(watched, state=WatchState.BALE_SOONER, reason=Reason.RAIN)
            return replace(said, rain_at=self._rain_time(plan))
        if previous.bale_from - watched.bale_from >= MIN_TIME_SOONER:
            return replace(watched, state=WatchState.BALE_SOONER)
        return watched

    def _will_not_make_it(self, watched: WatchedField, cut_fields: Sequence[_CutField], plan: Plan) -> WatchedField:
        """Return the field with WILL_NOT_MAKE_IT, why, what can still be wrapped and what becomes of the rest."""
        one = cut_fields[-1]
        kind, _ = main_hindrance(plan, self.crew, one.count)
        reason = (
            HINDRANCE_REASONS[kind]
            if is_failing(watched) or one.under_way.previous is None
            else one.under_way.previous.reason
        )
        rain_at = self._rain_time(plan) if reason is Reason.RAIN and is_failing(watched) else None
        watched = replace(watched, state=WatchState.WILL_NOT_MAKE_IT, reason=reason, rain_at=rain_at)
        if one.cut_count == 0:
            return watched
        watched = replace(watched, left=self._left_overnight(one, plan))
        some = self._plan_last_field(
            cut_fields, [each.urgent for each in cut_fields], [each.cut_count for each in cut_fields]
        )
        enough = int((some.odds >= self.farm.alerts.odds_needed).sum())
        if enough == 0:
            return watched
        area = min(enough * strip_area(self.farm), one.under_way.area)
        still = replace(watched, still_wrappable=AreaOdds(area, float(some.odds[enough - 1])))
        return self._with_work_hours(still, replace(some, strip_count=enough), one.urgent)

    def _left_overnight(self, cut_field: _CutField, plan: Plan) -> LeftOvernight | None:
        """Return what becomes of the last strip cut; for what is left the working day ends now, so its rain counts."""
        ended = replace(self.window, finish=self.current_slot)
        day = growth_only(cut_field.crop.growth, self.window.date)
        worked = PlannedDay(
            cut_field.crop, ended, cut_field.usual, self.crew, replace(plan, strip_count=cut_field.cut_count), day
        )
        return left_overnight(self.farm, worked, self.hours)

    def _cut_moisture(self, cut_field: _CutField) -> Band | None:
        """Return the moisture of what is cut by now."""
        if cut_field.cut_count == 0:
            return None
        water, day = cut_field.usual.water, cut_field.usual
        hour = (self.now - self.window.begins) / HOUR
        whole = min(int(hour), water.shape[0] - 2)
        rows = mowing_slots(day.pace, np.array([cut_field.start]), cut_field.cut_count)[:, 0] - day.first_slot
        lying = water[whole, rows] + (hour - whole) * (water[whole + 1, rows] - water[whole, rows])
        return Band(*(float(q) for q in np.quantile(wet_basis(lying), [0.1, 0.5, 0.9])))

    def _rain_time(self, plan: Plan) -> datetime | None:
        """Return when rain comes in the middle of the cases in which it comes before the end of the day."""
        wet = plan.rain_slot[plan.rain_slot < self.crew.finish_slot]
        return self.window.time_at(int(np.quantile(wet, 0.5, method="lower")), self.farm) if wet.size else None

    def _local_time(self, moment: datetime) -> datetime:
        return moment.astimezone(self.farm.place.timezone)

"""From measured samples in the diary to the drying factor of every field."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import Final

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from daemon.diary.cuts import Cut, cuts_from_notes, mown_from_cuts
from daemon.diary.samples import SampleUnused, WeatherGone, cut_sampled, has_mowing_time, local_time, mowing_start
from daemon.diary.store import Note, local_day, notes_of
from daemon.domain.causes import StatedCause
from daemon.domain.farm import Drying, Farm, FieldState, PriorsByField
from daemon.domain.field_history import (
    DryingSummary,
    KeptFactor,
    ModelWater,
    SampleBasis,
    SampleFlaw,
    SampleFlawKind,
    SampleReport,
    SamplesOfField,
)
from daemon.domain.units import DAY, HOUR
from daemon.planning.daily_weather import SPIN_UP_DAYS, daily_extremes, daily_water
from daemon.planning.drying import day_index
from daemon.planning.forecast_hours import hourly_weather, observed_hours
from daemon.planning.ground import Ground, field_profile, ground_on
from daemon.planning.growth import field_growth_on, growth_cause
from daemon.weather.contract import REQUIRED, Weather, to_datetime64
from models import coefficients as c
from models.drying_samples import Samples, drying_posterior, fit_drying_factor, is_plausible, plausible_factor_range
from models.growth import Growth, GrowthUnknown
from models.swath import lay_swath, standing_wetness, start_moisture_shift, wet_basis, wilt

Array = NDArray[np.float64]
SwathModel = Callable[[Array], Array]  # drying factors to moistures [wet basis] at the hour of the sample

OLD_AFTER: Final = timedelta(days=730)  # a sample older than this is named as old


@dataclass(frozen=True)
class DryingLearnt:
    """What the samples in the diary taught.

    `drying` and `reports` go by the name of the field; without a sample that could be used there is no `drying`.
    `factors` holds what each note told, as far as the weather of its day was at hand.
    """

    drying: Mapping[str, Drying]
    reports: Mapping[str, SamplesOfField]
    factors: Mapping[int, float]


@dataclass(frozen=True)
class _Sample:
    """A reading and the drying factor that it tells, None where it tells none; `basis` says by what or why not.

    One whose factor is far off what was expected has the `expected` range and is set aside.
    """

    note: Note
    field_index: int
    mowing: object
    factor: float | None
    basis: SampleBasis
    fresh: bool = False  # reckoned now, not kept from a time when its weather was at hand
    expected: tuple[float, float] | None = None

    @property
    def is_used(self) -> bool:
        """Whether it moves the field's factor."""
        return self.factor is not None and self.expected is None


def learn_drying(
    farm: Farm, priors: PriorsByField, notes: Sequence[Note], weather: Weather, now: datetime
) -> DryingLearnt:
    """Return the drying of every field as the samples in the diary tell it.

    Parameters
    ----------
    farm : Farm
    priors : PriorsByField
    notes : sequence of Line
    weather : Weather
        Of its past, the hours in which a sample was lying are dried again.
    now : datetime

    Notes
    -----
    A sample whose weather is no longer at hand counts by what it told while it was. Today's settings of the swath, the
    stand and the yield are taken for all samples. Samples of whatever age weigh the same. One that is far off what was
    expected waits for a second one of another mowing; what it told is kept all the same.
    """
    days = daily_extremes(weather, farm)
    found: list[_Sample] = []
    for number, field in enumerate(farm.fields):
        state = FieldState(field, field.last_cut, field.looks, priors=priors.get(field.name, {}))
        own = notes_of(notes, field, now)
        sampled = (note for note in own if note.moisture is not None)
        found += [_evaluate_sample(farm, number, state, own, note, weather, days) for note in sampled]
    found.sort(key=lambda one: (one.note.at, one.note.id))
    fresh = {one.note.id: one.factor for one in found if one.fresh and one.factor is not None}
    found = _mark_outliers(found)
    used = [one for one in found if one.is_used]
    steps = [_posterior(used[:count], len(farm.fields)) for count in range(len(used) + 1)]
    reports = {
        field.name: _samples_of_field(farm, number, found, used, steps, now) for number, field in enumerate(farm.fields)
    }
    drying = {field.name: _field_drying(number, used, steps[-1]) for number, field in enumerate(farm.fields)}
    return DryingLearnt(drying if used else {}, reports, fresh)


def _evaluate_sample(
    farm: Farm,
    number: int,
    state: FieldState,
    own_notes: Sequence[Note],
    note: Note,
    weather: Weather,
    days: pd.DataFrame,
) -> _Sample:
    """Reckon one sample, or set it aside."""
    told = cuts_from_notes(own_notes, farm.place)
    try:
        cut = cut_sampled(farm, told, note)
    except SampleUnused as why:
        return _Sample(note, number, None, None, why.flaw)
    mowing = (number, cut.day)
    try:
        factor, model_water = _factor_from_sample(farm, state, told, cut, note, weather, days)
        return _Sample(note, number, mowing, factor, model_water, fresh=True)
    except (WeatherGone, GrowthUnknown) as why:
        if note.factor is not None and c.MIN_DRYING_FACTOR <= note.factor <= c.MAX_DRYING_FACTOR:
            return _Sample(note, number, mowing, note.factor, KeptFactor())
        return _Sample(note, number, mowing, None, _basis_of_error(why))
    except (SampleUnused, ValueError) as why:
        return _Sample(note, number, mowing, None, _basis_of_error(why))


def _basis_of_error(error: SampleUnused | GrowthUnknown | ValueError) -> SampleBasis:
    """Return why a sample could not be reckoned."""
    if isinstance(error, SampleUnused):
        return error.flaw
    return growth_cause(error) if isinstance(error, GrowthUnknown) else StatedCause(str(error))


def _factor_from_sample(
    farm: Farm, state: FieldState, field_cuts: Sequence[Cut], cut: Cut, note: Note, weather: Weather, days: pd.DataFrame
) -> tuple[float, ModelWater]:
    """Return the factor that a sample tells, and what the model had."""
    then = _days_until(cut, days)
    ground = _ground_at(farm, state, cut, weather)
    growth = _growth_at(farm, state, field_cuts, cut, then, ground)
    model = _swath_model(farm, state, growth, ground, cut, note, weather)
    reading = note.moisture or np.nan
    slowest, _ = plausible_factor_range()
    plain, at_slowest = (float(water) for water in model(np.array([1.0, slowest])))
    # What is wetter than can be believed is bad news all the same: it counts as the slowest that is believed.
    factor = slowest if reading > at_slowest else fit_drying_factor(model, reading)
    if factor is None:
        raise SampleUnused(SampleFlaw(SampleFlawKind.TOO_DRY))
    # Where a crop dries slower than the model had it, a reading is asked for what it would tell of the model's own.
    around = max(factor, 1.0)
    slower, faster = model(np.array([around * np.exp(-c.K400_SPREAD), around * np.exp(c.K400_SPREAD)]))
    # Two points of error in the moisture at mowing would then move the factor by more than is not known of it anyway.
    if slower - faster < 2.0 * c.START_MOISTURE_SPREAD:
        raise SampleUnused(SampleFlaw(SampleFlawKind.TOO_LITTLE_DRIED))
    return factor, _model_water(farm, cut, note, plain)


def _days_until(cut: Cut, days: pd.DataFrame) -> pd.DataFrame:
    """Return the days up to that of a mowing."""
    then = days[days.index <= cut.day]
    if then.empty or then.index[-1] < cut.day:
        raise WeatherGone(SampleFlaw(SampleFlawKind.DAY_GONE, day=cut.day))
    return then


def _growth_at(
    farm: Farm, state: FieldState, field_cuts: Sequence[Cut], cut: Cut, days: pd.DataFrame, ground: Ground
) -> Growth:
    """Return the growth that a mowing ended, up to its day."""
    field = state.field
    known = field.last_cut if field.last_cut is not None and field.last_cut < cut.day else None
    before = mown_from_cuts(
        replace(field, last_cut=known),
        [one for one in field_cuts if one.day < cut.day],
        cut.day,
        farm.place,
    )
    looks = tuple(look for look in field.looks if look.on <= cut.day)
    return field_growth_on(farm, replace(state, last_cut=before.last_cut, looks=looks), days, ground)


def _swath_model(
    farm: Farm, state: FieldState, growth: Growth, ground: Ground, cut: Cut, note: Note, weather: Weather
) -> SwathModel:
    """Return the swath that a sample was taken of, as a function of the drying factor."""
    at = day_index(growth, cut.day)
    if not growth.stage[at]:
        raise SampleUnused(SampleFlaw(SampleFlawKind.NOT_BEGUN, day=cut.day))
    dry_matter = state.field.expected_yield or max(float(growth.dry_matter[at]), c.MIN_DRY_MATTER)
    if 100.0 * dry_matter / farm.baleage.swath_share > c.MAX_DENSITY:
        raise SampleUnused(SampleFlaw(SampleFlawKind.TOO_THICK))
    opens = _noon_before(farm, cut)
    drying = hourly_weather(farm, _observed_span(farm, weather, opens, note.at))[1]
    ends = np.arange(1.0, drying.rain.shape[1] + 1.0)
    begun, taken, midnight = (
        (moment - opens) / HOUR for moment in (mowing_start(farm, cut), note.at, _midnight_after(farm, cut))
    )
    whole = min(int(taken), ends.size - 1)  # the full hours before the sample: within an hour water falls evenly
    standing = float(np.interp(begun, ends, standing_wetness(drying, dry_matter)[0]))
    solar = mowing_start(farm, cut).hour + mowing_start(farm, cut).minute / 60.0 + farm.place.longitude / 15.0
    moisture = float(np.clip(growth.start_moisture[at] + start_moisture_shift(np.array(solar)), 0.5, 0.9))

    def model(factors: Array) -> Array:
        one_member = np.ones((1, factors.size))
        swath = lay_swath(
            dry_matter * one_member,
            moisture * one_member,
            farm.baleage.swath_share,
            drying_factor=factors * one_member,
            crop_factor=growth.drying_factor,
            conditioned=farm.baleage.conditioned,
            soil_factor=ground.soil_factor,
        )
        carried = np.full((1, 1), standing)
        water = wilt(drying, swath, np.array([begun]), carried, later_day=ends - 0.5 > midnight)[:, 0, 0]
        return np.asarray(wet_basis(water[whole] + (taken - whole) * (water[whole + 1] - water[whole])))

    return model


def _ground_at(farm: Farm, state: FieldState, cut: Cut, weather: Weather) -> Ground:
    """Return the ground on the day of a mowing."""
    until = to_datetime64(_midnight_after(farm, cut))
    lately = weather.past.sel(time=slice(until - np.timedelta64(SPIN_UP_DAYS + 2, "D"), until))
    ends, drying, *_ = hourly_weather(farm, lately)
    return ground_on(state, daily_water(farm, ends, drying), cut.day, field_profile(farm, state.field))


def _observed_span(farm: Farm, weather: Weather, opens: datetime, taken: datetime) -> xr.Dataset:
    """Return the past hours from `opens` to the end of the hour in which a sample was taken.

    The hour that is not over yet is the middle of the forecast's: the farmer who has just taken a sample waits for it.
    """
    whole = taken.replace(minute=0, second=0, microsecond=0)
    end = whole if whole == taken else whole + HOUR
    first, last = to_datetime64(opens), to_datetime64(end)
    came = observed_hours(weather)[list(REQUIRED)].sel(time=slice(first, last))
    if came["time"].size and came["time"].to_numpy()[-1] == last - np.timedelta64(1, "h"):
        this_hour = weather.ahead[list(REQUIRED)].sel(time=slice(last, last)).mean("member")
        came = xr.concat([came, this_hour.expand_dims(member=came["member"])], "time")
    if came["time"].size != round((end - opens) / HOUR) + 1:
        noon = local_time(farm, opens)
        raise WeatherGone(SampleFlaw(SampleFlawKind.HOURS_GONE, noon, local_time(farm, taken), noon.date()))
    return came


def _midnight_after(farm: Farm, cut: Cut) -> datetime:
    """Return the end of the day of mowing."""
    return datetime.combine(cut.day + DAY, time(0), tzinfo=farm.place.timezone).astimezone(UTC)


def _noon_before(farm: Farm, cut: Cut) -> datetime:
    """Return the full hour about noon of the day before a mowing: by then the crop has lost the last dew."""
    noon = datetime.combine(cut.day - DAY, time(12), tzinfo=farm.place.timezone).astimezone(UTC)
    return noon.replace(minute=0)


def _posterior(used: Sequence[_Sample], fields: int) -> tuple[Array, Array]:
    """Return the drying factor of every field and how uncertain it is, after some samples."""
    mean, deviation = drying_posterior(_sample_arrays(used), fields)
    return np.exp(mean), deviation


def _sample_arrays(used: Sequence[_Sample]) -> Samples:
    mowings = list(dict.fromkeys(one.mowing for one in used))
    return Samples(
        np.log(np.array([one.factor for one in used], dtype=float)),
        np.array([one.field_index for one in used], dtype=np.int64),
        np.array([mowings.index(one.mowing) for one in used], dtype=np.int64),
    )


def _mark_outliers(samples: Sequence[_Sample]) -> list[_Sample]:
    """Return the samples, those marked that are far off what was expected and that no other confirms."""
    telling = [one for one in samples if one.factor is not None]
    far_off = {
        one.note.id for one, is_good in zip(telling, is_plausible(_sample_arrays(telling)), strict=True) if not is_good
    }
    expected = plausible_factor_range()
    return [replace(one, expected=expected) if one.note.id in far_off else one for one in samples]


def _field_drying(number: int, used: Sequence[_Sample], posterior: tuple[Array, Array]) -> Drying:
    """Return the drying of a field; its mowings differ from each other however well their middle is known."""
    own = sum(one.field_index == number for one in used)
    spread = max(float(posterior[1][number]), c.MIN_DRYING_SPREAD)
    return Drying(float(posterior[0][number]), spread, own)


def _samples_of_field(
    farm: Farm,
    number: int,
    samples: Sequence[_Sample],
    used: Sequence[_Sample],
    steps: Sequence[tuple[Array, Array]],
    now: datetime,
) -> SamplesOfField:
    """Return what each sample of a field told and did, and what all of them come to."""
    own = [one for one in samples if one.field_index == number]
    reports = tuple(_sample_report(farm, one, used, steps, now) for one in own)
    if not used:
        return SamplesOfField(reports)
    count = sum(one.field_index == number for one in used)
    factor, spread = (float(values[number]) for values in steps[-1])
    return SamplesOfField(reports, DryingSummary(factor, spread, count, len(used) - count))


def _sample_report(
    farm: Farm, sample: _Sample, used: Sequence[_Sample], steps: Sequence[tuple[Array, Array]], now: datetime
) -> SampleReport:
    """Return what a sample told, and how it moved the factor of its field."""
    report = SampleReport(
        note=sample.note.id,
        water=sample.note.moisture or 0.0,
        at=local_time(farm, sample.note.at),
        basis=sample.basis,
        factor=sample.factor,
        expected=sample.expected,
        is_old=now - sample.note.at > OLD_AFTER,
    )
    if not sample.is_used:
        return report
    count = used.index(sample)
    before, after = (float(steps[step][0][sample.field_index]) for step in (count, count + 1))
    return replace(report, moved=(before, after))


def _model_water(farm: Farm, cut: Cut, note: Note, water: float) -> ModelWater:
    """Return the water that the model had, with the mowing that it goes by."""
    return ModelWater(
        water=water,
        mown=local_time(farm, mowing_start(farm, cut)),
        is_mown_day_before=cut.day != local_day(note, farm.place),
        is_hour_noted=has_mowing_time(cut),
    )

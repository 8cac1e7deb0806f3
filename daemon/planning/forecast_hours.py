"""Hours of weather as the models want them, and the working day laid over them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time
from functools import cached_property

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Farm, Traction
from daemon.domain.units import HOUR
from daemon.planning.daily_weather import SPIN_UP_DAYS, DailyWater, daily_water
from daemon.weather.contract import NATIVE_STEP, REQUIRED, Weather, is_filled
from models import coefficients as c
from models.day_limits import wet_hours
from models.draws import CropDraws, draw_crop
from models.heat import team_pace
from models.humidity import relative_humidity
from models.odds import UNCORRECTED, Correction, corrected_odds, independent_members, odds_from_share, root_rain
from models.storm import first_storm
from models.sun import sunrise_sunset
from models.swath import DryingHours, drying_hours
from models.workday import SLOTS_PER_HOUR

Array = NDArray[np.float64]

SLOT = HOUR / SLOTS_PER_HOUR
SLOTS_BETWEEN_STARTS = SLOTS_PER_HOUR  # slots between the starts that are tried


@dataclass(frozen=True)
class ForecastHours:
    """The hours ahead as the models want them; `ends` (hour,) are UTC labels at the end of each hour."""

    ends: NDArray[np.datetime64]
    drying: DryingHours
    wet: NDArray[np.bool_]  # (member, hour)
    air_temperature: Array  # (member, hour) [degC]
    humidity: Array  # relative, (member, hour) [1]
    thunder_probability: (
        Array | None
    )  # probability in each hour, (member, hour) [1]; None: the forecast tells nothing of it
    solar_radiation: Array  # (member, hour) [W/m2]
    gust: Array | None  # the strongest of each hour, (member, hour) [m/s]; None: the forecast tells nothing of it
    pace: Array  # (hour,) of the mower as share of its usual pace
    draws: CropDraws
    past_water: DailyWater
    water: DailyWater  # of whole days from today on
    today: date
    effective_members: float  # forecasts that the members are worth, infinite for hours that are known
    correction: Correction = UNCORRECTED

    @cached_property
    def without_wet_hour_rain(self) -> "ForecastHours":
        """The same without the rain of wet hours: it ends the day for what lies, so nobody asks how wet it makes it."""
        return replace(self, drying=replace(self.drying, rain=np.where(self.wet, 0.0, self.drying.rain)))

    def raw_odds(self, share: Array) -> Array:
        """Return the odds of a share of cases before the farm's own record has its say."""
        return odds_from_share(share, self.effective_members)

    def root_rain_on(self, window: "Window") -> float:
        """Return how wet the forecast holds the hours of work for, see models.odds.root_rain [mm1/2]."""
        return root_rain(self.drying.rain[:, window.first_hour : window.first_hour + window.hour_count])

    def odds_converter(self, window: "Window") -> Callable[[Array], Array]:
        """Return what turns shares of cases into odds for work on a day; what is known needs no correction."""
        if np.isinf(self.effective_members):
            return self.raw_odds
        lead, rain = float((window.date - self.today).days), self.root_rain_on(window)
        return lambda share: corrected_odds(self.raw_odds(share), lead, self.correction, rain=rain)


@dataclass(frozen=True)
class Window:
    """A working day on the grid of slots: slot 0 begins with the hour in which work may start."""

    date: date
    begins: datetime  # UTC
    first_hour: int  # index into the forecast hours
    hour_count: int
    starts: Sequence[int]  # slots that are tried for the beginning of mowing
    latest_start: int  # last slot in which mowing of a field may begin
    finish: int  # slot
    rest: frozenset[int]  # slots in which nobody works
    pace: Array  # (slot,) strips mown in each

    def time_at(self, slot: int, farm: Farm) -> datetime:
        """Return the farm's clock at the beginning of a slot."""
        return (self.begins + slot * SLOT).astimezone(farm.place.timezone)

    def storm_start(self, hours: ForecastHours, least_gust: float, least_rain: float) -> datetime | None:
        """Return when a storm may begin (UTC) in the two days from the beginning of work on, None if none is told."""
        if hours.gust is None:
            return None
        ahead = slice(self.first_hour, self.first_hour + c.STORM_HORIZON)
        rain, gust = hours.drying.rain[:, ahead], hours.gust[:, ahead]
        hour = first_storm(rain, gust, min_gust=least_gust, min_rain=least_rain)
        return None if hour is None else self.begins + hour * HOUR

    def slot_of(self, moment: datetime) -> int:
        """Return the slot that a moment lies in."""
        return (moment - self.begins) // SLOT


def forecast_hours(farm: Farm, weather: Weather, today: date, correction: Correction = UNCORRECTED) -> ForecastHours:
    """Return the hours of a contract's weather with their drying.

    Parameters
    ----------
    farm : Farm
    weather : Weather
        The drying of its hours ahead; its past only fills the ground with water.
    today : date
        The local day from which leads are counted.
    correction : Correction
        What the farm's own record of forecast against outcome does to the odds.
    """
    attributes = weather.ahead.attrs
    ends, drying, air, dew = hourly_weather(farm, _with_observed_hours(weather))
    lately = weather.past.isel(time=slice(-24 * (SPIN_UP_DAYS + 2), None))
    past_water = daily_water(farm, *hourly_weather(farm, lately)[:2])
    members, source = drying.rain.shape[0], farm.weather
    step, began = weather.ahead[NATIVE_STEP].to_numpy()[1:], ends.astype("datetime64[h]").astype(np.int64) - 1
    wet = wet_hours(drying.rain, step, began, wet_hour=source.wet_hour, wet_step=source.wet_step)
    is_synthetic = bool(attributes.get("synthetic"))
    if is_synthetic:  # the spells of rain that were drawn lie in hours of their own
        wet |= drying.rain >= source.wet_hour
    # The hours that came are true hours, however coarse the steps of the forecast are.
    over = np.isin(ends, observed_hours(weather)["time"])
    wet = np.where(over, drying.rain >= source.wet_hour, wet)
    humidity = relative_humidity(air, dew)
    return ForecastHours(
        ends=ends,
        drying=drying,
        wet=wet,
        air_temperature=air,
        humidity=humidity,
        thunder_probability=_optional_series(weather.ahead, "thunderstorm_probability"),
        solar_radiation=weather.ahead["surface_downwelling_shortwave_flux_in_air"]
        .transpose("member", "time")
        .to_numpy()[:, 1:],
        gust=_optional_series(weather.ahead, "wind_speed_of_gust"),
        pace=_mower_pace(farm, air, humidity),
        draws=draw_crop(members),
        past_water=past_water,
        water=daily_water(farm, ends, drying, weather.past["time"].to_numpy()[-1]).since(today),
        today=today,
        effective_members=_effective_members(
            members, is_record=attributes["kind"] == "record", is_synthetic=is_synthetic
        ),
        correction=correction,
    )


def _with_observed_hours(weather: Weather) -> xr.Dataset:
    """Return the hours ahead, in which those that are over are, in every member, the hours that came."""
    ahead = weather.ahead[list(REQUIRED)]
    came = (
        observed_hours(weather)[list(REQUIRED)]
        .isel(member=0, drop=True)
        .reset_coords(drop=True)
        .reindex(time=ahead["time"])
    )
    return ahead.assign({name: came[name].fillna(ahead[name]) for name in REQUIRED})


def _effective_members(members: int, *, is_record: bool, is_synthetic: bool) -> float:
    """Return how many forecasts the members are worth: those drawn from the chances of one are worth little more."""
    if is_record:
        return np.inf
    worth = independent_members(members)
    return min(worth, c.SYNTHETIC_INDEPENDENT_MEMBERS) if is_synthetic else worth


def observed_hours(weather: Weather) -> xr.Dataset:
    """Return the past hours that came, without those that stand as they were forecast."""
    return weather.past.isel(time=~is_filled(weather.past))


def hourly_weather(farm: Farm, hours: xr.Dataset) -> tuple[NDArray[np.datetime64], DryingHours, Array, Array]:
    """Return the ends of a Dataset's hours, their drying, and their mean temperature and dew point [degC].

    Notes
    -----
    Temperature, humidity and wind become means of the hour, which takes the first of its labels.
    """
    if hours.sizes["time"] < 2:
        raise ValueError("the weather holds no whole hour of the past")
    values = {str(name): hours[name].transpose("member", "time").to_numpy() for name in hours.data_vars}
    ends = hours["time"].to_numpy()[1:]
    air, dew = (_hour_means(values[name]) for name in ("air_temperature", "dew_point_temperature"))
    drying = drying_hours(
        air,
        dew,
        _hour_means(values["wind_speed"]),
        values["surface_downwelling_shortwave_flux_in_air"][:, 1:],
        values["precipitation_amount"][:, 1:],
        ends,
        latitude=farm.place.latitude,
        longitude=farm.place.longitude,
        elevation=farm.place.elevation,
    )
    return ends, drying, air, dew


def _optional_series(ahead: xr.Dataset, name: str) -> Array | None:
    """Return what a forecast may tell or not of each hour: it stands at the hour's end."""
    told = ahead.get(name)
    return None if told is None else told.transpose("member", "time").to_numpy()[:, 1:]


def _mower_pace(farm: Farm, air: Array, humidity: Array) -> Array:
    """Return the mower's pace in each hour, by the middle of the members."""
    if farm.work.traction is Traction.TRACTOR:
        return np.ones(air.shape[1])
    rest_at, stop_at = farm.estimates.horses_rest_at, farm.estimates.horses_stop_at
    return team_pace(np.median(air, axis=0), np.median(humidity, axis=0), rest_at=rest_at, stop_at=stop_at)


def work_window(farm: Farm, day: date, now: datetime, hours: ForecastHours) -> Window | None:
    """Return the working day on its grid, or None where the forecast does not cover it."""
    work = farm.work
    earliest, latest = (_utc(farm, day, at) for at in (work.earliest_start, work.latest_start))
    finish = _finish_time(farm, day)
    begins = earliest.replace(minute=0, second=0, microsecond=0)
    first = round((begins + HOUR - _utc_from_label(hours.ends[0])) / HOUR)
    count = max(-(-(finish - begins) // HOUR), 0)
    if first < 0 or first + count > hours.ends.size:
        return None
    last = (finish - begins) // SLOT
    opens = -(-(max(earliest, now) - begins) // SLOT)
    closes = min((latest - begins) // SLOT, last - 1)
    rest = _break_slots(farm, day, begins)
    pace = np.repeat(hours.pace[first : first + count], SLOTS_PER_HOUR)
    pace[[slot for slot in rest if slot < pace.size]] = 0.0
    tried = sorted({*range(opens, closes + 1, SLOTS_BETWEEN_STARTS), *((closes,) if opens <= closes else ())})
    starts = tuple(slot for slot in tried if pace[slot] > 0.0)
    return Window(day, begins, first, count, starts, closes, last, rest, pace)


def _finish_time(farm: Farm, day: date) -> datetime:
    """Return when work ends: nobody bales or wraps in the dark unless the farm says so."""
    finish = _utc(farm, day, farm.work.finish_by)
    # The sun's own date at noon on the farm's clock: near the date line the two are not the same.
    solar = _utc(farm, day, time(12)) + HOUR * (farm.place.longitude / 15.0)
    _, sunset = sunrise_sunset(farm.place.latitude, farm.place.longitude, np.datetime64(solar.date(), "D"))
    if farm.work.after_dark or np.isnat(sunset):
        return finish
    return min(finish, _utc_from_label(sunset))


def _break_slots(farm: Farm, day: date, begins: datetime) -> frozenset[int]:
    """Return the slots of the break; one that is begun is lost."""
    if farm.work.break_at is None:
        return frozenset()
    start = _utc(farm, day, farm.work.break_at) - begins
    end = start + farm.work.break_hours * HOUR
    return frozenset(range(max(start // SLOT, 0), -(-end // SLOT)))


def _hour_means(instants: Array) -> Array:
    """Return the means of neighbouring instants, so that they match the sums of the hour between them."""
    return (instants[:, :-1] + instants[:, 1:]) / 2.0


def _utc(farm: Farm, day: date, at: time) -> datetime:
    return datetime.combine(day, at, tzinfo=farm.place.timezone).astimezone(UTC)


def _utc_from_label(label: np.datetime64 | NDArray[np.datetime64]) -> datetime:
    return datetime.fromisoformat(str(label.astype("datetime64[s]"))).replace(tzinfo=UTC)

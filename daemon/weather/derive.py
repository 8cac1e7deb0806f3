"""Derive what a weather source lacks: radiation from cloud, hours from coarse steps, members from chances of rain.

Nothing here is as good as the source's own figure; callers mark it ``derived`` or ``interpolated``. Labels are those of
the contract: instants at the label, sums and means over the hour that ends there.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.weather.contract import NP_HOUR, Hours, Mask, Refused
from models import coefficients as c
from models.humidity import dew_point_temperature
from models.sun import solar_elevation

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]

AIR: Final = "air_temperature"
DEW: Final = "dew_point_temperature"
CLOUD: Final = "cloud_area_fraction"
RAIN: Final = "precipitation_amount"
SUN: Final = "surface_downwelling_shortwave_flux_in_air"
WITHIN_HOUR: Final = np.arange(5, 60, 10) * np.timedelta64(1, "m")  # back from the label: the middles of six parts
TINY: Final = 1e-9
MIN_SUN_SINE: Final = 1e-6  # least sine of the sun's elevation, so that nothing is divided by zero
GOLDEN_FRACTION: Final = 0.5 * (
    np.sqrt(5.0) - 1.0
)  # its multiples fill the unit interval evenly, however many there are


@dataclass(frozen=True)
class RainPeriods:
    """The chances and amounts of rain that a source gives for periods, in order of time; shape of each (period,).

    Attributes
    ----------
    first, end : array of int
        Index of the first hour's label, and of the one after the last hour's.
    chance : array
        Probability [1] that the period is wet by the source's threshold.
    amount : array
        Expected rain [mm] of the whole period, dry cases included; NaN where the source gives none.
    """

    first: IntArray
    end: IntArray
    chance: Array
    amount: Array


def sun_from_cloud(cloud: Array, place: Place, time: Hours, *, opaque: bool = False) -> Array:
    """Return the shortwave radiation under a partly clouded sky.

    Parameters
    ----------
    cloud : array, shape (..., time)
        Share of the sky that is covered [1], at each label.
    place : Place
        Where.
    time : array of datetime64, shape (time,)
        Labels, UTC, hour after hour.
    opaque : bool
        Whether only opaque cloud is counted, as in the sky cover of United States forecasts.

    Returns
    -------
    array, shape (..., time)
        Mean of global radiation over the hour that ends at each label [W m-2]; NaN where cloud is.

    Raises
    ------
    Refused
        When cloud is not between 0 and 1.

    Notes
    -----
    The cloud factor of Kasten and Czeplak times a clear sky: that of Haurwitz for all cloud, the hazier one of Kasten
    and Czeplak for opaque cloud. Each was chosen by stations that measured sun and cloud:
    `tests.outside.cloud_radiation` prints both. The cloud of an hour is the mean of its two ends, of the first hour
    that at its end. The typical error of an hour is a quarter to a third of the usual radiation, of a day half of
    that. High ground has a little more sun than this.

    References
    ----------
    Haurwitz, B. (1945), Journal of Meteorology 2, 154-166.
    Kasten, F. and Czeplak, G. (1980), Solar Energy 24, 177-189 (coefficients as remembered).
    """
    wrong = cloud[(cloud < 0.0) | (cloud > 1.0)]
    if wrong.size:
        raise Refused(f"cloud: given {wrong[0]:g}, allowed 0 to 1 as share of the sky")
    sky = _hazy_sky_radiation if opaque else _clear_sky_radiation
    return _mean_over_hours(sky, place, time) * _cloud_factor(_hour_means(cloud))


def interpolate_hourly(label: Hours, values: Array, time: Hours, *, allow_overshoot: bool = False) -> Array:
    """Interpolate values at coarse instants to every hour between them.

    Parameters
    ----------
    label : array of datetime64, shape (step,)
        The coarse instants, in order.
    values : array, shape (step,)
        Their values, of any unit; NaN where one is unknown.
    time : array of datetime64, shape (time,)
        The hours wanted.
    allow_overshoot : bool
        Whether the curve may swing beyond the given values, as an afternoon's temperature does between two of them.
        Never for a bounded quantity: cloud, wind, humidity.

    Returns
    -------
    array, shape (time,)
        Exactly the value at each given instant; NaN before the first, after the last and beside an unknown one.

    Raises
    ------
    Refused
        When the instants are not in order.

    Notes
    -----
    A cubic, monotone unless `allow_overshoot`; then its slopes are those of the parabola through three values. For a
    typical year's temperature, known every six hours, its error is 1.06 K instead of 1.19 (monotone) or 1.24 (straight
    lines), and the day's maximum is 0.75 K too low instead of 0.95. All of them keep the mean within 0.2 K.

    References
    ----------
    Fritsch, F. N. and Butland, J. (1984), SIAM J. Sci. Stat. Comput. 5, 300-304.
    """
    if not (label.size and (np.diff(label) > np.timedelta64(0)).all()):
        raise Refused(f"hours between instants: given {label.size} instants, allowed one or more in order of time")
    if label.size == 1:
        return np.where(time == label, values, np.nan)
    at, wanted = (np.asarray((times - label[0]) / NP_HOUR, dtype=np.float64) for times in (label, time))
    step = np.diff(at)
    slope = _slopes(step, np.diff(values) / step, allow_overshoot=allow_overshoot)
    part = np.clip(np.searchsorted(at, wanted, side="right") - 1, 0, step.size - 1)
    share = (wanted - at[part]) / step[part]
    curve = _cubic(share, step[part], (values[part], values[part + 1]), (slope[part], slope[part + 1]))
    # At the instants themselves the cubic would be NaN beside an unknown value.
    at_instants = np.where(share == 0.0, values[part], np.where(share == 1.0, values[part + 1], curve))
    return np.where((share >= 0.0) & (share <= 1.0), at_instants, np.nan)


def draw_scenarios(
    single: xr.Dataset,
    periods: RainPeriods,
    *,
    wet_threshold: float,
    seed: int = c.SCENARIO_SEED,
    members: int = c.SCENARIO_MEMBERS,
) -> xr.Dataset:
    """Draw many forecasts in which it rains as often and as much as a single forecast's chances and amounts say.

    Parameters
    ----------
    single : xr.Dataset
        One member in the contract's form, with cloud.
    periods : RainPeriods
        Chances and amounts; an hour outside all of them keeps the rain of `single`.
    wet_threshold : float
        Rain from which the source calls a period wet [mm].
    seed : int
        The same seed gives the same draws: advice must not change because the dice did.
    members : int
        How many to draw.

    Returns
    -------
    xr.Dataset
        With ``attrs["synthetic"] = 1``; rain, cloud, sun and dew point are marked derived.

    Raises
    ------
    Refused
        When a period or its figures are impossible, or `single` does not have exactly one member, or lacks cloud.

    Notes
    -----
    Each period is drawn wet or dry once, not each of its hours: a plateau of 40 % over twelve hours is one event. The
    draws of a period are evenly spread, so that as many members are wet as the chance says, give or take one, and
    nearby periods are correlated. The amount of a wet period is `wet_threshold` plus an exponential, with a mean of
    about ``amount / chance``. It falls in one spell, the longer the more it is, placed at random within the period. The
    hours of a spell are overcast, with the radiation of an overcast sky and air of at least 90 % humidity. All else is
    as in `single`, so the members differ in their rain only: less than those of a true ensemble.

    A period with a chance but no amount gets a usual amount. A period with an amount but no chance gets one of 5 %.
    """
    _check_scenario_input(single, periods, wet_threshold)
    dice = np.random.default_rng(seed)
    amount = _rain_amounts(_wetness_levels(periods, members, dice), periods, wet_threshold)
    expected = single[RAIN].values[0]
    rain, falls = np.tile(expected, (members, 1)), np.zeros((members, expected.size), dtype=bool)
    for number, (first, end) in enumerate(zip(periods.first, periods.end, strict=True)):
        rain[:, first:end] = _place_rain(amount[:, number], expected[first:end], wet_threshold, dice)
        falls[:, first:end] = rain[:, first:end] > 0.0
    many = single.isel(member=np.zeros(members, dtype=int))
    labels = [f"{number:02d}" for number in range(members)]
    return _with_rain(many.assign_coords(member=labels), rain, falls).assign_attrs(synthetic=1)


def _check_scenario_input(single: xr.Dataset, periods: RainPeriods, wet_threshold: float) -> None:
    """Refuse a forecast, periods or a threshold that no scenario can be drawn from."""
    if single.sizes["member"] != 1 or "place" in single.dims:
        raise Refused(f"scenarios of rain: given {dict(single.sizes)}, allowed one member at one place")
    if CLOUD not in single:
        raise Refused(f"scenarios of rain need {CLOUD}, which the source did not give")
    hours, edges = single.sizes["time"], np.stack([periods.first, periods.end], axis=-1).ravel()
    if (np.diff(edges, prepend=0, append=hours) < 0).any() or (periods.first == periods.end).any():
        raise Refused(f"periods of rain: given {edges.tolist()}, allowed one after the other in {hours} hours")
    _refuse_where("chance of rain", periods.chance, ~((periods.chance >= 0.0) & (periods.chance <= 1.0)), "0 to 1")
    _refuse_where("rain of a period", periods.amount, (periods.amount < 0.0) | np.isinf(periods.amount), "0 mm or more")
    _refuse_where(
        "rain that is called wet",
        np.array([wet_threshold]),
        np.array([not 0.0 < wet_threshold < np.inf]),
        "more than 0 mm",
    )


def _refuse_where(label: str, values: Array, wrong: Mask, allowed: str) -> None:
    """Refuse values if one of them is wrong."""
    if wrong.any():
        raise Refused(f"{label}: given {values[wrong][0]:g}, allowed {allowed}")


def _wetness_levels(periods: RainPeriods, members: int, dice: np.random.Generator) -> Array:
    """Draw the wetness rank of each member in each period [1], shape (member, period), evenly spread in each period.

    Neighbouring periods are correlated, the more so the nearer their middles are.
    """
    middle = 0.5 * (periods.first + periods.end)
    correlation = c.RAIN_PERSISTENCE ** np.diff(middle, prepend=middle[:1])
    drawn = dice.standard_normal((members, middle.size))
    for number in range(1, middle.size):
        past, new = correlation[number], np.sqrt(1.0 - correlation[number] ** 2)
        drawn[:, number] = past * drawn[:, number - 1] + new * drawn[:, number]
    rank = drawn.argsort(axis=0).argsort(axis=0)
    # The shift differs from period to period, so that a small chance is not rounded to no member in all of them.
    shift = (dice.random() + GOLDEN_FRACTION * np.arange(middle.size)) % 1.0
    return np.asarray((rank + shift) / members)


def _rain_amounts(level: Array, periods: RainPeriods, wet_threshold: float) -> Array:
    """Return the rain of each member in each period [mm]: none, or at least the wet threshold."""
    chance, mean = _wet_odds_and_mean(periods, wet_threshold)
    rains = level > 1.0 - chance
    share = np.where(rains, (level - (1.0 - chance)) / np.maximum(chance, TINY), 0.0)
    excess = -np.log1p(-np.minimum(share, 1.0 - TINY))
    # The mean of a few draws from a long tail misses that of the tail, so it is scaled to it.
    drawn_mean = excess.sum(axis=0) / np.maximum(rains.sum(axis=0), 1)
    return np.where(rains, wet_threshold + (mean - wet_threshold) * excess / np.maximum(drawn_mean, TINY), 0.0)


def _wet_odds_and_mean(periods: RainPeriods, wet_threshold: float) -> tuple[Array, Array]:
    """Return the chance that each period is wet [1], and its mean rain if it is [mm]; shape of both (period,).

    Chance and amount may come from different hours of a forecaster's work and contradict each other: rain without a
    chance, a chance without rain. The wetter reading is taken.
    """
    amount = periods.amount
    least = np.where(amount > wet_threshold, np.maximum(c.MIN_CHANCE_WITH_AMOUNT, amount / c.MAX_WET_PERIOD_RAIN), 0.0)
    chance = np.minimum(np.maximum(periods.chance, least), 1.0)
    mean = np.where(amount > 0.0, amount / np.maximum(chance, TINY), c.UNFORECAST_RAIN_FACTOR * wet_threshold)
    return chance, np.maximum(np.where(np.isnan(amount), c.DEFAULT_WET_PERIOD_RAIN, mean), wet_threshold)


def _place_rain(amount: Array, expected: Array, wet_threshold: float, dice: np.random.Generator) -> Array:
    """Spread each member's rain over one spell within a period [mm], shape (member, hour), and preserve its sum.

    Half of the weight is even over the period, half lies where the source itself expects its rain.
    """
    rain = np.zeros((amount.size, expected.size))
    likely = np.nan_to_num(expected)
    likely = 1.0 / expected.size + likely / max(float(likely.sum()), TINY)
    members = np.flatnonzero(amount)
    places = (dice.permutation(members.size) + dice.random()) / max(members.size, 1)
    for member, place in zip(members, places, strict=True):
        hours = _spell_hours(amount[member], wet_threshold, expected.size)
        weight = np.convolve(likely, np.ones(hours), mode="valid").cumsum()
        start = int(np.searchsorted(weight, place * weight[-1]))
        rain[member, start : start + hours] = amount[member] / hours
    return rain


def _spell_hours(amount: float, wet_threshold: float, limit: int) -> int:
    """Return how long it rains [h], but not so long that an hour's rain falls below the wet threshold."""
    usual = round(c.SPELL_HOURS * float(amount**c.SPELL_EXPONENT))
    return max(1, min(usual, limit, int(amount / wet_threshold + TINY)))


def _with_rain(many: xr.Dataset, rain: Array, falls: Mask) -> xr.Dataset:
    """Give the members their rain, and the cloud, radiation and dew point that go with it."""
    cloud, air, dew = (many[name].values for name in (CLOUD, AIR, DEW))
    covered = falls.copy()
    covered[:, :-1] |= falls[:, 1:]  # an hour has two ends, and it rains at both
    overcast = np.where(covered, 1.0, cloud)
    dimmed = many[SUN].values * _cloud_factor(_hour_means(overcast)) / _cloud_factor(_hour_means(cloud))
    humid = dew_point_temperature(air, np.full(air.shape, c.MIN_RAIN_HUMIDITY))
    moist = np.where(covered, np.maximum(dew, humid), dew)
    changed = {RAIN: rain, CLOUD: overcast, SUN: dimmed, DEW: moist}
    return many.assign(
        {name: many[name].copy(data=data).assign_attrs(origin="derived") for name, data in changed.items()}
    )


def _mean_over_hours(sky: Callable[[Array], Array], place: Place, time: Hours) -> Array:
    """Return the mean radiation over the hour that ends at each label; `sky` gives it by the sine of the elevation."""
    within = time[:, None] - WITHIN_HOUR
    height = np.sin(np.radians(solar_elevation(place.latitude, place.longitude, within)))
    return np.asarray(np.where(height > 0.0, sky(np.maximum(height, MIN_SUN_SINE)), 0.0).mean(axis=-1))


def _clear_sky_radiation(height: Array) -> Array:
    """Return the radiation of a clear sky [W m-2] (Haurwitz)."""
    return np.asarray(c.HAURWITZ * height * np.exp(-c.HAURWITZ_AIR / height))


def _hazy_sky_radiation(height: Array) -> Array:
    """Return the radiation of a clear sky [W m-2] (Kasten and Czeplak)."""
    return np.maximum(c.KASTEN_SKY * height - c.KASTEN_AIR, 0.0)


def _cloud_factor(cloud: Array) -> Array:
    """Return the share of a clear sky's radiation that passes the cloud [1]."""
    return np.asarray(1.0 - c.CLOUD_DIMMING * cloud**c.CLOUD_EXPONENT)


def _hour_means(instants: Array) -> Array:
    """Return the means over the hours that end at the labels, from values at the labels."""
    before = np.concatenate([instants[..., :1], instants[..., :-1]], axis=-1)
    return np.asarray(0.5 * (before + instants))


def _slopes(step: Array, secant: Array, *, allow_overshoot: bool) -> Array:
    """Return the slope at each instant; at an end or beside a gap, that of the line to its only neighbour."""
    before, after = np.append(np.nan, secant), np.append(secant, np.nan)
    early, late = np.append(1.0, step), np.append(step, 1.0)
    if allow_overshoot:
        inner = (late * before + early * after) / (early + late)
    else:
        near, far = early + 2.0 * late, late + 2.0 * early
        same = before * after > 0.0
        level = near / np.where(same, before, 1.0) + far / np.where(same, after, 1.0)
        inner = np.where(same, (near + far) / level, 0.0)
    lone = np.where(np.isnan(before), after, before)
    return np.where(np.isnan(before + after), lone, inner)


def _cubic(share: Array, step: Array, value: tuple[Array, Array], slope: tuple[Array, Array]) -> Array:
    """Evaluate the cubic between two values, with given slopes at both, at a share of the step."""
    line = value[0] + (value[1] - value[0]) * share * share * (3.0 - 2.0 * share)
    bend = step * share * (1.0 - share)
    return np.asarray(line + bend * ((1.0 - share) * slope[0] - share * slope[1]))

"""What a weather source does not tell, derived from what it does: sun from cloud, hours from steps, members from odds.

Nothing here is as good as the source's own figure; callers mark it ``derived`` or ``interpolated``. Labels are those of
the contract: instants at the label, sums and means over the hour that ends there.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.farm import Place
from daemon.weather.contract import HOUR, Hours, Mask, Refused
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
GOLDEN: Final = 0.5 * (np.sqrt(5.0) - 1.0)  # steps of it part the unit interval evenly, however many are taken


@dataclass(frozen=True)
class Periods:
    """What a source tells of the rain of whole periods, in order of time; shape of each (period,).

    Attributes
    ----------
    first, end : array of int
        Index of the first hour's label, and of the one after the last hour's.
    chance : array
        Odds [1] that so much rain falls in the period as the source calls wet.
    amount : array
        Rain [mm] expected of the whole period, dry cases counted in; NaN where the source does not tell.
    """

    first: IntArray
    end: IntArray
    chance: Array
    amount: Array


def sun_from_cloud(cloud: Array, place: Place, time: Hours) -> Array:
    """Return the sun's radiation under a sky that is covered so far.

    Parameters
    ----------
    cloud : array, shape (..., time)
        Share of the sky that is covered [1], at each label.
    place : Place
        Where.
    time : array of datetime64, shape (time,)
        Labels, UTC, hour after hour.

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
    Clear sky by Haurwitz, dimmed by the factor of Kasten and Czeplak. The cloud of an hour is the mean of that at its
    two ends, of the first hour that at its end.

    References
    ----------
    Haurwitz, B. (1945), J. Meteorology 2, 154-166. Kasten, F. and Czeplak, G. (1980), Solar Energy 24, 177-189.
    """
    wrong = cloud[(cloud < 0.0) | (cloud > 1.0)]
    if wrong.size:
        raise Refused(f"cloud: given {wrong[0]:g}, allowed 0 to 1 as share of the sky")
    return _clear_sky(place, time) * _cloud_factor(_hour_means(cloud))


def hourly_instants(label: Hours, values: Array, time: Hours) -> Array:
    """Return values of coarse instants at every hour between them.

    Parameters
    ----------
    label : array of datetime64, shape (step,)
        The coarse instants, in order.
    values : array, shape (step,)
        Their values, of any unit; NaN where one is not known.
    time : array of datetime64, shape (time,)
        The hours wanted.

    Returns
    -------
    array, shape (time,)
        Exactly the value at each given instant; NaN before the first, after the last and beside an unknown one.

    Notes
    -----
    A monotone cubic, so no hour is above or below both of its neighbours in the source.

    References
    ----------
    Fritsch, F. N. and Butland, J. (1984), SIAM J. Sci. Stat. Comput. 5, 300-304.
    """
    at, wanted = (np.asarray((one - label[0]) / HOUR, dtype=np.float64) for one in (label, time))
    if label.size == 1:
        return np.where(wanted == 0.0, values[0], np.nan)
    step = np.diff(at)
    slope = _slopes(step, np.diff(values) / step)
    part = np.clip(np.searchsorted(at, wanted, side="right") - 1, 0, step.size - 1)
    share = (wanted - at[part]) / step[part]
    found = _hermite(share, step[part], values[part], values[part + 1], slope[part], slope[part + 1])
    found = np.where(share == 0.0, values[part], np.where(share == 1.0, values[part + 1], found))
    return np.where((share >= 0.0) & (share <= 1.0), found, np.nan)


def scenarios(
    single: xr.Dataset,
    periods: Periods,
    *,
    wet: float,
    seed: int = c.SCENARIO_SEED,
    members: int = c.SCENARIO_MEMBERS,
) -> xr.Dataset:
    """Return many forecasts in which it rains as often and as much as a single one says it may.

    Parameters
    ----------
    single : xr.Dataset
        One member in the contract's form, with cloud.
    periods : Periods
        Odds and amounts; an hour in none of them keeps the rain of `single`.
    wet : float
        What the source calls wet [mm in a period].
    seed : int
        The same seed gives the same draws: advice must not change because the dice did.
    members : int
        How many to make.

    Returns
    -------
    xr.Dataset
        With ``attrs["synthetic"] = 1``; rain, cloud, sun and dew point are marked derived.

    Raises
    ------
    Refused
        When a period or what it says is impossible, or `single` has not one member, or lacks cloud.
    """
    _check(single, periods, wet)
    dice = np.random.default_rng(seed)
    amount = _amounts(_levels(periods, members, dice), periods, wet)
    expected = single[RAIN].values[0]
    rain = np.tile(expected, (members, 1))
    falls = np.zeros(rain.shape, dtype=bool)
    for number, (first, end) in enumerate(zip(periods.first, periods.end, strict=True)):
        order = (dice.permutation(members) + 0.5) / members
        rain[:, first:end] = _placed(amount[:, number], order, expected[first:end], wet)
        falls[:, first:end] = rain[:, first:end] > 0.0
    many = single.isel(member=np.zeros(members, dtype=int))
    many = many.assign_coords(member=[f"{number:02d}" for number in range(members)])
    return _rained_on(many, rain, falls).assign_attrs(synthetic=1)


def _check(single: xr.Dataset, periods: Periods, wet: float) -> None:
    """Refuse what no scenario can be made of."""
    hours, last = single.sizes["time"], np.append(0, periods.end[:-1])
    if single.sizes["member"] != 1 or "place" in single.dims:
        raise Refused(f"scenarios of rain: given {dict(single.sizes)}, allowed one member at one place")
    if CLOUD not in single:
        raise Refused(f"scenarios of rain need {CLOUD}, which the source did not give")
    if ((periods.first < last) | (periods.end <= periods.first) | (periods.end > hours)).any():
        raise Refused(f"periods of rain: allowed one after the other within the {hours} hours given")
    if not ((periods.chance >= 0.0) & (periods.chance <= 1.0)).all():
        raise Refused(f"chance of rain: given {periods.chance}, allowed 0 to 1")
    if (periods.amount < 0.0).any() or wet <= 0.0:
        raise Refused(
            f"rain of a period: given {np.nanmin(periods.amount):g} mm, wet from {wet:g} mm, allowed 0 or more"
        )


def _levels(periods: Periods, members: int, dice: np.random.Generator) -> Array:
    """Return how wet each period is among the members [1], shape (member, period), evenly spread in each period.

    Neighbouring periods are alike, the more so the nearer their middles are.
    """
    middle = 0.5 * (periods.first + periods.end)
    alike = c.RAIN_PERSISTENCE ** np.diff(middle, prepend=middle[:1])
    drawn = dice.standard_normal((members, middle.size))
    for number in range(1, middle.size):
        past, new = alike[number], np.sqrt(1.0 - alike[number] ** 2)
        drawn[:, number] = past * drawn[:, number - 1] + new * drawn[:, number]
    rank = drawn.argsort(axis=0).argsort(axis=0)
    # A shift that differs from period to period: rounding a small chance to no member evens out over the days.
    shift = (dice.random() + GOLDEN * np.arange(middle.size)) % 1.0
    return np.asarray((rank + shift) / members)


def _amounts(level: Array, periods: Periods, wet: float) -> Array:
    """Return the rain of each member in each period [mm]: none, or at least what is called wet."""
    unsaid = (periods.amount > wet) & (periods.chance < c.CHANCE_OF_AMOUNT)
    chance = np.where(unsaid, c.CHANCE_OF_AMOUNT, periods.chance)
    told = np.where(periods.amount > 0.0, periods.amount / np.maximum(chance, 1e-9), c.RAIN_UNSAID * wet)
    mean = np.maximum(np.where(np.isnan(periods.amount), c.RAIN_UNKNOWN, told), wet)
    rains = level > 1.0 - chance
    share = np.where(rains, (level - (1.0 - chance)) / np.maximum(chance, 1e-9), 0.0)
    excess = -np.log1p(-np.minimum(share, 1.0 - 1e-9))
    # A handful of draws misses the mean of the distribution: it is set right.
    found = excess.sum(axis=0) / np.maximum(rains.sum(axis=0), 1)
    return np.where(rains, wet + (mean - wet) * excess / np.where(found > 0.0, found, 1.0), 0.0)


def _placed(amount: Array, order: Array, expected: Array, wet: float) -> Array:
    """Return the rain of a period's hours [mm], shape (member, hour): one spell for each member, its sum kept."""
    rain = np.zeros((amount.size, expected.size))
    known = np.nan_to_num(expected)
    pattern = 0.5 / expected.size + 0.5 * known / max(known.sum(), 1e-9)
    for member in np.flatnonzero(amount):
        # No spell is so long that the rain of its hours would pass for none.
        most = min(expected.size, int(amount[member] / wet + 1e-9))
        hours = int(np.clip(round(amount[member] / c.RAIN_RATE), 1, most))
        weight = np.convolve(pattern, np.ones(hours), mode="valid").cumsum()
        start = int(np.searchsorted(weight, order[member] * weight[-1]))
        rain[member, start : start + hours] = amount[member] / hours
    return rain


def _rained_on(many: xr.Dataset, rain: Array, falls: Mask) -> xr.Dataset:
    """Return members with their rain, and with the sky and the air that go with it."""
    cloud, air, dew = (many[name].values for name in (CLOUD, AIR, DEW))
    covered = falls.copy()
    covered[:, :-1] |= falls[:, 1:]  # an hour has two ends, and it rains at both
    overcast = np.where(covered, 1.0, cloud)
    dimmed = many[SUN].values * _cloud_factor(_hour_means(overcast)) / _cloud_factor(_hour_means(cloud))
    moist = np.where(covered, np.maximum(dew, dew_point_temperature(air, np.full(air.shape, c.WET_HUMIDITY))), dew)
    found = {RAIN: rain, CLOUD: overcast, SUN: dimmed, DEW: moist}
    return many.assign(
        {name: many[name].copy(data=data).assign_attrs(origin="derived") for name, data in found.items()}
    )


def _clear_sky(place: Place, time: Hours) -> Array:
    """Return the mean radiation of a clear sky over the hour that ends at each label [W m-2]."""
    within = time[:, None] - WITHIN_HOUR
    height = np.sin(np.radians(solar_elevation(place.latitude, place.longitude, within)))
    up = np.maximum(height, 1e-6)
    return np.asarray(np.where(height > 0.0, c.HAURWITZ * up * np.exp(-c.HAURWITZ_AIR / up), 0.0).mean(axis=-1))


def _cloud_factor(cloud: Array) -> Array:
    """Return what is left of a clear sky's radiation [1]."""
    return np.asarray(1.0 - c.CLOUD_DIMMING * cloud**c.CLOUD_EXPONENT)


def _hour_means(instants: Array) -> Array:
    """Return means over the hours that end at the labels, of values at the labels."""
    before = np.concatenate([instants[..., :1], instants[..., :-1]], axis=-1)
    return np.asarray(0.5 * (before + instants))


def _slopes(step: Array, secant: Array) -> Array:
    """Return the slope of a monotone cubic at each instant, at an end or beside a gap that of its only neighbour."""
    before, after = np.append(np.nan, secant), np.append(secant, np.nan)
    early, late = np.append(1.0, step), np.append(step, 1.0)
    same = before * after > 0.0
    near, far = 2.0 * late + early, late + 2.0 * early
    mean = (near + far) / (near / np.where(same, before, 1.0) + far / np.where(same, after, 1.0))
    lone = np.where(np.isnan(before), after, before)
    return np.where(np.isnan(before) | np.isnan(after), lone, np.where(same, mean, 0.0))


def _hermite(share: Array, step: Array, start: Array, end: Array, rise: Array, fall: Array) -> Array:
    """Return a cubic between two values with given slopes at both, at a share of the step."""
    bend = share * (1.0 - share)
    line = start + (end - start) * share * share * (3.0 - 2.0 * share)
    return np.asarray(line + step * bend * ((1.0 - share) * rise - share * fall))

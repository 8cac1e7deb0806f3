"""Checks of whole members for errors that no single value shows: stuck, duplicated, or at odds with the sun.

Each rule finds an error that was seen or is easily made, and is so wide that no weather of the growing season breaks
it. No rule detects wind in km/h labelled m/s, rain in inches labelled mm, or weather that is merely wrong.
"""

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import xarray as xr
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from daemon.weather.contract import REQUIRED, Mask, Refused, extraterrestrial_flux, iso_text, to_datetime64

Array = NDArray[np.float64]

MIN_HORIZON: Final = timedelta(hours=24)  # that a forecast must reach beyond now, estimate
MAX_CONSTANT_HOURS: Final = (
    36  # [h] the air never stays at one temperature, to the digits reported, for longer; estimate
)
# [degC] Highest mean of three days or more: the hottest months of deserts have 40, remembered.
MAX_MEAN_TEMPERATURE: Final = 42.0
# [1] Least share of the extraterrestrial radiation over three days: hours of the thickest cloud have 0.05, remembered.
MIN_SUN_SHARE: Final = 0.02
MAX_SUN_SHARE: Final = 0.95  # [1] the largest such share: dry mountains have 0.85, remembered
HIGH_SUN_SHARE: Final = 0.5  # [1] of the highest sun: from there on an hour counts as day
MIN_DAY_NIGHT_HOURS: Final = 36  # [h] from which on days and nights can be compared
# [K] That nights of 36 h or more may be warmer than high sun, measured: 3.7 in a year in Carolina.
MAX_NIGHT_EXCESS: Final = 4.0
MIN_MEAN_HOURS: Final = 72  # [h] that a mean must cover
LATE_FROM_HOUR: Final = 120  # [h] in one service's forecasts, rain after this was a third of what it should be
MIN_LATE_RAIN_SHARE: Final = 1 / 3  # [1] of the next driest member's late rain that the driest must have, estimate
MUCH_LATE_RAIN: Final = 10.0  # [mm] late rain in all other members from which the driest is judged by them, estimate

AIR: Final = "air_temperature"
WIND: Final = "wind_speed"
SUN: Final = "surface_downwelling_shortwave_flux_in_air"
RAIN: Final = "precipitation_amount"


def refuse_too_short(ahead: xr.Dataset, now: datetime, horizon: timedelta = MIN_HORIZON) -> None:
    """Refuse a forecast that does not reach far enough beyond now, so that another is asked for.

    Raises
    ------
    Refused
        With its end.
    """
    end, wanted = ahead["time"].to_numpy()[-1], to_datetime64(now + horizon).astype("datetime64[h]")
    if end < wanted:
        raise Refused(f"the forecast ends at {iso_text(end)}, allowed {iso_text(wanted)} or later")


def drop_implausible(ahead: xr.Dataset, now: datetime, *, single: bool = False) -> xr.Dataset:
    """Drop the members of a forecast that are not plausible.

    Parameters
    ----------
    ahead : xr.Dataset
        In the contract's form, without nulls where a value is required. Members with ``attrs["synthetic"]`` may be
        alike.
    now : datetime
        The moment of the pass: only later hours are checked.
    single : bool
        Whether each member is checked by itself only.

    Returns
    -------
    xr.Dataset
        The plausible members; the others are added to ``attrs["members_dropped"]``.

    Raises
    ------
    Refused
        When no member is left, with what is wrong with the first.
    """
    rules = dict(SINGLE_MEMBER_RULES)
    if not single and not ahead.attrs.get("synthetic"):
        rules |= ENSEMBLE_RULES
    plausible = ahead
    for why, is_bad in rules.items():
        bad = is_bad(plausible.sel(time=slice(to_datetime64(now), None)))
        if bad.all():
            raise Refused(f"no usable member; {why} in member {plausible['member'].to_numpy()[0]}")
        plausible = plausible.isel(member=~bad)
    dropped = ahead.sizes["member"] - plausible.sizes["member"] + ahead.attrs.get("members_dropped", 0)
    return plausible.assign_attrs(members_dropped=dropped)


def is_stuck(coming: xr.Dataset) -> Mask:
    """Return which members keep one temperature for too long, shape (member,): a stuck cache, or a filled gap."""
    same = np.diff(_values_of(coming, AIR)) == 0.0
    if same.shape[-1] < MAX_CONSTANT_HOURS:
        return np.zeros(coming.sizes["member"], dtype=bool)
    return _is_bad_anywhere(sliding_window_view(same, MAX_CONSTANT_HOURS, axis=-1).all(axis=-1).any(axis=-1))


def is_too_hot(coming: xr.Dataset) -> Mask:
    """Return which members are hotter on average than any place on earth, shape (member,): degrees Fahrenheit."""
    if coming.sizes["time"] < MIN_MEAN_HOURS:
        return np.zeros(coming.sizes["member"], dtype=bool)
    return _is_bad_anywhere(_values_of(coming, AIR).mean(axis=-1) > MAX_MEAN_TEMPERATURE)


def has_impossible_sun(coming: xr.Dataset) -> Mask:
    """Return which members have too small or too large a share of the extraterrestrial radiation, shape (member,).

    Their radiation is in kW m-2, or in MJ m-2 per hour or day. Where the place is unknown, no member is bad.
    """
    if coming.sizes["time"] < MIN_MEAN_HOURS or "latitude" not in coming.coords:
        return np.zeros(coming.sizes["member"], dtype=bool)
    sun = _values_of(coming, SUN).sum(axis=-1)
    limit = extraterrestrial_flux(coming).sum(axis=-1)[..., np.newaxis]
    return _is_bad_anywhere((sun < MIN_SUN_SHARE * limit) | (sun > MAX_SUN_SHARE * limit))


def is_warmer_at_night(coming: xr.Dataset) -> Mask:
    """Return which members are colder on average under high sun than in the dark, shape (member,).

    Their times are half a day off. This is for sources without radiation, which would show the error sooner.
    """
    if coming.sizes["time"] < MIN_DAY_NIGHT_HOURS or "latitude" not in coming.coords:
        return np.zeros(coming.sizes["member"], dtype=bool)
    sky = extraterrestrial_flux(coming)[..., np.newaxis, :]
    air = _values_of(coming, AIR)
    is_dark = sky == 0.0
    by_day = _mean_where(sky > HIGH_SUN_SHARE * sky.max(axis=-1, keepdims=True), air)
    by_night = _mean_where(is_dark, air)
    return _is_bad_anywhere((by_day < by_night - MAX_NIGHT_EXCESS) & is_dark.any(axis=-1))


def _mean_where(mask: Mask, values: Array) -> Array:
    """Return the mean over the hours of a mask, 0 where it has none."""
    hours = np.maximum(mask.sum(axis=-1), 1)
    return np.asarray(np.where(mask, values, 0.0).sum(axis=-1) / hours)


def has_no_wind(coming: xr.Dataset) -> Mask:
    """Return which members have no wind at any hour, shape (member,): a gap filled with zeros."""
    if coming.sizes["time"] < MIN_MEAN_HOURS:
        return np.zeros(coming.sizes["member"], dtype=bool)
    return _is_bad_anywhere((_values_of(coming, WIND) == 0.0).all(axis=-1))


def is_duplicate(coming: xr.Dataset) -> Mask:
    """Return which members equal an earlier member in every hour, shape (member,).

    One forecast repeated as many members would look certain.
    """
    rows = np.concatenate([_values_of(coming, name) for name in REQUIRED], axis=-1)
    by_member = np.moveaxis(rows, -2, 0).reshape(coming.sizes["member"], -1)
    bad = np.ones(by_member.shape[0], dtype=bool)
    bad[np.unique(by_member, axis=0, return_index=True)[1]] = False
    return bad


def has_lost_late_rain(coming: xr.Dataset) -> Mask:
    """Return which member has lost the rain of its later days, where all others have much of it, shape (member,).

    Only the driest can be the one: to drop a wet member would raise the odds.
    """
    late = _values_of(coming, RAIN)[..., LATE_FROM_HOUR:].sum(axis=-1)
    if late.shape[-1] < 2:
        return np.zeros(coming.sizes["member"], dtype=bool)
    next_driest = np.sort(late, axis=-1)[..., 1:2]
    return _is_bad_anywhere((late < MIN_LATE_RAIN_SHARE * next_driest) & (next_driest >= MUCH_LATE_RAIN))


SINGLE_MEMBER_RULES: Final[Mapping[str, Callable[[xr.Dataset], Mask]]] = {
    f"the air keeps one temperature for {MAX_CONSTANT_HOURS} hours": is_stuck,
    f"the air has more than {MAX_MEAN_TEMPERATURE:g} degC in the mean (is it in degF?)": is_too_hot,
    f"the sun is not {MIN_SUN_SHARE:g} to {MAX_SUN_SHARE:g} of the sky's (is it in W m-2?)": has_impossible_sun,
    "there is no wind at all": has_no_wind,
    "the air is colder by day than by night (are the times UTC?)": is_warmer_at_night,
}
ENSEMBLE_RULES: Final[Mapping[str, Callable[[xr.Dataset], Mask]]] = {
    "all tell the same": is_duplicate,
    "the rain ends where it goes on in all others": has_lost_late_rain,
}


def _values_of(coming: xr.Dataset, name: str) -> Array:
    """Return the values of a variable, shape (..., member, time)."""
    return coming[name].to_numpy()


def _is_bad_anywhere(bad: Mask | np.bool_) -> Mask:
    """Return which members are bad at any place, shape (member,)."""
    bad_members: Mask = np.logical_or.reduce(bad.reshape(-1, bad.shape[-1]))
    return bad_members

"""What a forecast cannot be though each of its values could: members that stand still, repeat others or fit no sky.

Each rule finds an error that was seen or is easily made, and is so wide that no weather of the growing season breaks
it. What none can see: wind in km/h told as m/s, rain in inches told as mm, and weather that is merely wrong.
"""

from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Final

import numpy as np
import xarray as xr
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from daemon.weather.contract import REQUIRED, Mask, Refused, above_the_air, at_utc, iso

Array = NDArray[np.float64]

LEAST_AHEAD: Final = timedelta(hours=24)  # that a forecast must reach beyond now, estimate
STILL: Final = 36  # [h] that air never keeps one temperature for, to the digits told, estimate
HOTTEST: Final = 42.0  # [degC] mean of three days or more: the hottest months of deserts have 40, remembered
DARKEST: Final = 0.02  # [1] of the sky's sun under the thickest cloud of three days; such hours have 0.05, remembered
BRIGHTEST: Final = 0.95  # [1] the same of the clearest: dry mountains have 0.85, remembered
HIGH: Final = 0.5  # [1] of the highest sun, from which it is day
NIGHTS: Final = 36  # [h] in which days and nights can be compared
COLDER: Final = 4.0  # [K] that the dark of 36 h is warmer than high sun at most, measured: 3.7 in a year in Carolina
ENOUGH: Final = 72  # [h] that means are of
LATER: Final = 120  # [h] from when on rain was a third of what it should be in a service's forecasts
SHARE: Final = 1 / 3  # [1] of the next driest member's rain that a dry one must have by then, estimate
MUCH: Final = 10.0  # [mm] of rain later in all other members, from which the driest is judged by them, estimate

AIR: Final = "air_temperature"
WIND: Final = "wind_speed"
SUN: Final = "surface_downwelling_shortwave_flux_in_air"
RAIN: Final = "precipitation_amount"


def long_enough(ahead: xr.Dataset, now: datetime, least: timedelta = LEAST_AHEAD) -> None:
    """Refuse a forecast that does not reach far enough beyond now, so that another is asked for.

    Raises
    ------
    Refused
        With its end.
    """
    end, wanted = ahead["time"].to_numpy()[-1], at_utc(now + least).astype("datetime64[h]")
    if end < wanted:
        raise Refused(f"the forecast ends at {iso(end)}, allowed {iso(wanted)} or later")


def sensible(ahead: xr.Dataset, now: datetime, *, single: bool = False) -> xr.Dataset:
    """Return a forecast without the members that make no sense.

    Parameters
    ----------
    ahead : xr.Dataset
        In the contract's form, without nulls where a value is required. Members with ``attrs["synthetic"]`` may be
        alike.
    now : datetime
        The moment of the pass: only what comes after it is looked at.
    single : bool
        Whether each member is looked at by itself only.

    Returns
    -------
    xr.Dataset
        The same, those that were dropped added to ``attrs["members_dropped"]``.

    Raises
    ------
    Refused
        When no member is left, with what is wrong with the first.
    """
    found, rules = ahead, {**OF_ONE, **({} if single or ahead.attrs.get("synthetic") else OF_MANY)}
    for why, is_bad in rules.items():
        bad = is_bad(found.sel(time=slice(at_utc(now), None)))
        if bad.all():
            raise Refused(f"no usable member; {why} in member {found['member'].to_numpy()[0]}")
        found = found.isel(member=~bad)
    dropped = ahead.sizes["member"] - found.sizes["member"] + ahead.attrs.get("members_dropped", 0)
    return found.assign_attrs(members_dropped=dropped)


def stands_still(coming: xr.Dataset) -> Mask:
    """Return which members keep one temperature for too long, shape (member,): a store that stuck, or a gap filled."""
    same = np.diff(_of_members(coming, AIR)) == 0.0
    if same.shape[-1] < STILL:
        return np.zeros(coming.sizes["member"], dtype=bool)
    return _somewhere(sliding_window_view(same, STILL, axis=-1).all(axis=-1).any(axis=-1))


def is_too_hot(coming: xr.Dataset) -> Mask:
    """Return which members are hotter in the mean than any place, shape (member,): degrees Fahrenheit."""
    if coming.sizes["time"] < ENOUGH:
        return np.zeros(coming.sizes["member"], dtype=bool)
    return _somewhere(_of_members(coming, AIR).mean(axis=-1) > HOTTEST)


def fits_no_sky(coming: xr.Dataset) -> Mask:
    """Return which members have too small or too large a share of the sky's sun, shape (member,).

    That is sun in kW m-2, or in MJ m-2 of an hour or a day; where the place is not known, no member.
    """
    if coming.sizes["time"] < ENOUGH or "latitude" not in coming.coords:
        return np.zeros(coming.sizes["member"], dtype=bool)
    sun, most = _of_members(coming, SUN).sum(axis=-1), above_the_air(coming).sum(axis=-1)[..., np.newaxis]
    return _somewhere((sun < DARKEST * most) | (sun > BRIGHTEST * most))


def is_warm_by_night(coming: xr.Dataset) -> Mask:
    """Return which members are colder in the mean by high sun than in the dark, shape (member,): times half a day off.

    For sources that tell no sun, from whose own hours more would be seen.
    """
    if coming.sizes["time"] < NIGHTS or "latitude" not in coming.coords:
        return np.zeros(coming.sizes["member"], dtype=bool)
    sky = above_the_air(coming)[..., np.newaxis, :]
    parts = (sky > HIGH * sky.max(axis=-1, keepdims=True), sky == 0.0)
    high, dark = (
        np.where(part, _of_members(coming, AIR), 0.0).sum(axis=-1) / np.maximum(part.sum(axis=-1), 1) for part in parts
    )
    return _somewhere((high < dark - COLDER) & parts[1].any(axis=-1))


def never_blows(coming: xr.Dataset) -> Mask:
    """Return which members have no wind at all, shape (member,): a gap filled with zeros."""
    if coming.sizes["time"] < ENOUGH:
        return np.zeros(coming.sizes["member"], dtype=bool)
    return _somewhere((_of_members(coming, WIND) == 0.0).all(axis=-1))


def repeats(coming: xr.Dataset) -> Mask:
    """Return which members tell in every hour what one before them tells, shape (member,).

    Members that are one forecast told many times would make it certain.
    """
    rows = np.concatenate([_of_members(coming, name) for name in REQUIRED], axis=-1)
    by_member = np.moveaxis(rows, -2, 0).reshape(coming.sizes["member"], -1)
    bad = np.ones(by_member.shape[0], dtype=bool)
    bad[np.unique(by_member, axis=0, return_index=True)[1]] = False
    return bad


def dries_up(coming: xr.Dataset) -> Mask:
    """Return the member that has lost the rain of its later days, where all others have much of it, shape (member,).

    Only the driest can be one: to drop a wet member would raise the odds.
    """
    late = _of_members(coming, RAIN)[..., LATER:].sum(axis=-1)
    if late.shape[-1] < 2:
        return np.zeros(coming.sizes["member"], dtype=bool)
    next_driest = np.sort(late, axis=-1)[..., 1:2]
    return _somewhere((late < SHARE * next_driest) & (next_driest >= MUCH))


OF_ONE: Final[Mapping[str, Callable[[xr.Dataset], Mask]]] = {
    f"the air keeps one temperature for {STILL} hours": stands_still,
    f"the air has more than {HOTTEST:g} degC in the mean (is it in degF?)": is_too_hot,
    f"the sun is not {DARKEST:g} to {BRIGHTEST:g} of the sky's (is it in W m-2?)": fits_no_sky,
    "there is no wind at all": never_blows,
    "the air is colder by day than by night (are the times UTC?)": is_warm_by_night,
}
OF_MANY: Final[Mapping[str, Callable[[xr.Dataset], Mask]]] = {
    "all tell the same": repeats,
    "the rain ends where it goes on in all others": dries_up,
}


def _of_members(coming: xr.Dataset, name: str) -> Array:
    """Return a variable, shape (..., member, time)."""
    return coming[name].to_numpy()


def _somewhere(bad: Mask | np.bool_) -> Mask:
    """Return which members are bad at any place, shape (member,)."""
    found: Mask = np.logical_or.reduce(bad.reshape(-1, bad.shape[-1]))
    return found

"""The past hours, merged from what several sources report."""

from datetime import datetime, timedelta

import numpy as np
import xarray as xr

from daemon.weather.clean import start_of_ahead
from daemon.weather.contract import FILLED, NP_HOUR, REQUIRED, is_filled, to_datetime64


def merge_past(older: xr.Dataset | None, newer: xr.Dataset | None) -> xr.Dataset | None:
    """Merge past hours; where both have an hour, the newer counts."""
    if older is None:
        return None if newer is None else _common_form(newer)
    if newer is None:
        return _common_form(older)
    old, new = _common_form(older), _common_form(newer)
    only_old = old.sel(time=~np.isin(old["time"], new["time"]))
    return xr.concat([only_old, new], "time", join="exact", combine_attrs="override").sortby("time")


def _common_form(past: xr.Dataset) -> xr.Dataset:
    """Return past hours with the variables and coordinates that all sources share."""
    return past[list(REQUIRED)].assign_coords({"member": ["past"], FILLED: ("time", is_filled(past))})


def is_incomplete(past: xr.Dataset | None, first: datetime, last: datetime) -> bool:
    """Return whether an hour of the span is missing or was only forecast."""
    wanted = round((last - first) / timedelta(hours=1)) + 1
    return past is None or int((~past[FILLED]).sum()) < wanted


def complete_until(past: xr.Dataset | None, first: datetime) -> datetime:
    """Return the last hour of the unbroken run of reported hours from `first` on; without one, the hour before it."""
    if past is None:
        return first - timedelta(hours=1)
    recorded = past["time"].to_numpy()[~past[FILLED].to_numpy()]
    unbroken = int(np.sum(recorded == to_datetime64(first) + np.arange(recorded.size) * NP_HOUR))
    return first + timedelta(hours=unbroken - 1)


def prepend_past(ahead: xr.Dataset, past: xr.Dataset, now: datetime) -> xr.Dataset:
    """Put the hours of yesterday and last night before the hours ahead, where the source begins later."""
    begins, wanted = ahead["time"].to_numpy()[0], to_datetime64(start_of_ahead(now))
    if begins <= wanted:
        return ahead
    names, members = list(ahead.data_vars), ahead["member"].to_numpy()
    recent = past[list(REQUIRED)].sel(time=slice(wanted, begins - NP_HOUR)).drop_vars(FILLED)
    # The past has one member, which all members ahead begin with.
    before = recent.isel(member=np.zeros(members.size, dtype=np.int64)).assign_coords(member=members)
    unknown = {name: xr.full_like(before["air_temperature"], np.nan) for name in names if name not in before}
    joined = xr.concat([before.assign(unknown)[names], ahead], "time", join="exact", combine_attrs="override")
    for name in names:
        joined[name].attrs.update(ahead[name].attrs)
    return joined.assign_attrs(ahead.attrs)

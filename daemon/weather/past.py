"""The hours that lie behind, put together from what several sources told of them."""

from datetime import datetime, timedelta

import numpy as np
import xarray as xr

from daemon.weather.clean import start_of_ahead
from daemon.weather.contract import FILLED, NP_HOUR, REQUIRED, is_filled, to_datetime64


def merge_past(older: xr.Dataset | None, newer: xr.Dataset | None) -> xr.Dataset | None:
    """Return past hours, those of the newer where both tell them."""
    parts = [_common_form(each) for each in (older, newer) if each is not None]
    if len(parts) < 2:
        return parts[0] if parts else None
    before = parts[0].sel(time=~np.isin(parts[0]["time"], parts[1]["time"]))
    return xr.concat([before, parts[1]], "time", join="exact", combine_attrs="override").sortby("time")


def _common_form(past: xr.Dataset) -> xr.Dataset:
    """Return past hours as all sources have them."""
    return past[list(REQUIRED)].assign_coords({"member": ["past"], FILLED: ("time", is_filled(past))})


def is_incomplete(past: xr.Dataset | None, first: datetime, last: datetime) -> bool:
    """Return whether an hour was not told."""
    wanted = round((last - first) / timedelta(hours=1)) + 1
    return past is None or int((~past[FILLED]).sum()) < wanted


def complete_until(past: xr.Dataset | None, first: datetime) -> datetime:
    """Return the last hour up to which every hour from the first on was told, the one before the first if none was."""
    if past is None:
        return first - timedelta(hours=1)
    told = past["time"].to_numpy()[~past[FILLED].to_numpy()]
    unbroken = int(np.sum(told == to_datetime64(first) + np.arange(told.size) * NP_HOUR))
    return first + timedelta(hours=unbroken - 1)


def prepend_past(ahead: xr.Dataset, past: xr.Dataset, now: datetime) -> xr.Dataset:
    """Return the hours ahead with those of last night and yesterday before them, where the source begins later."""
    begins, wanted = ahead["time"].to_numpy()[0], to_datetime64(start_of_ahead(now))
    if begins <= wanted:
        return ahead
    came = past[list(REQUIRED)].sel(time=slice(wanted, begins - NP_HOUR)).drop_vars(FILLED)
    names, members = list(ahead.data_vars), ahead["member"].to_numpy()
    before = came.isel(member=np.zeros(members.size, dtype=np.int64)).assign_coords(member=members)
    unknown = {name: xr.full_like(before["air_temperature"], np.nan) for name in names if name not in before}
    joined = xr.concat([before.assign(unknown)[names], ahead], "time", join="exact", combine_attrs="override")
    for name in names:
        joined[name].attrs.update(ahead[name].attrs)
    return joined.assign_attrs(ahead.attrs)

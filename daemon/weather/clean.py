"""Cleaning of what a source delivers: broken members are dropped, the horizon is trimmed, gaps are refused."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import xarray as xr

from daemon.weather.contract import (
    NATIVE_STEP,
    REQUIRED,
    Refused,
    Weather,
    broken_rule_text,
    broken_rules,
    check_layout,
    hours_text,
    iso_text,
    to_datetime64,
    validate,
)


def drop_bad_members(dataset: xr.Dataset) -> tuple[xr.Dataset, int]:
    """Drop the unusable members of a Dataset and count them.

    A member is unusable if it lacks a required value or holds an impossible one at any hour and place.

    Raises
    ------
    Refused
        When no member is left, with what is wrong with the first.
    """
    bad = np.zeros(dataset.sizes["member"], dtype=bool)
    reasons = []
    for name, allowed, broken in broken_rules(dataset):
        bad |= broken.any(axis=-1).reshape(-1, bad.size).any(axis=0)
        if broken.any():
            reasons.append(broken_rule_text(dataset, name, allowed, broken))
    if bad.all():
        raise Refused(f"no usable member; {reasons[0]}")
    return dataset.isel(member=~bad), int(bad.sum())


def trim_to_horizon(dataset: xr.Dataset) -> xr.Dataset:
    """Trim a Dataset to the hours before the first at which a required variable is missing in all members.

    A service fills what lies beyond its horizon with nulls, not at the same hour for each variable. What comes after
    such an hour is not used: rain is never filled forward.

    Raises
    ------
    Refused
        When nothing is left.
    """
    empty = np.zeros(dataset.sizes["time"], dtype=bool)
    for name in REQUIRED:
        nulls = dataset[name].isnull().all("member")
        if "place" in nulls.dims:
            nulls = nulls.any("place")
        empty |= nulls.values
    length = int(empty.argmax()) if empty.any() else empty.size
    if length == 0:
        raise Refused("the weather has no hour with a value for every variable needed")
    return dataset.isel(time=slice(length))


def select_complete(dataset: xr.Dataset, first: datetime, last: datetime) -> xr.Dataset:
    """Return the hours from `first` to `last`, none of which may be missing or incomplete.

    Raises
    ------
    Refused
        With the hours that are missing.
    """
    wanted = pd.date_range(to_datetime64(first), to_datetime64(last), freq="h", unit="ns")
    if wanted.empty:
        raise Refused(f"no past hours: asked from {iso_text(to_datetime64(first))} to {iso_text(to_datetime64(last))}")
    if not dataset.indexes["time"].is_unique:
        raise Refused("an hour of the past weather is given twice")
    hours = dataset.reindex(time=wanted, fill_value={NATIVE_STEP: 1})
    missing = np.zeros(len(wanted), dtype=bool)
    for name in REQUIRED:
        nulls = hours[name].isnull()
        missing |= nulls.any([dim for dim in nulls.dims if dim != "time"]).values
    if missing.any():
        raise Refused(f"the past weather lacks {hours_text(wanted.values[missing])}")
    return hours


def clean(past: xr.Dataset, ahead: xr.Dataset, first: datetime, now: datetime) -> Weather:
    """Check the past and the hours ahead, and cut both to what the models read.

    Parameters
    ----------
    past : xr.Dataset
        One member; may reach further than needed on both sides.
    ahead : xr.Dataset
        All members; may start early and may hold nulls beyond the horizon.
    first : datetime
        First hour wanted in `past`.
    now : datetime
        The moment of the pass.

    Raises
    ------
    Refused
        When the contract is broken, an hour of the past is missing or nothing lies ahead of now.
    """
    for half in (past, ahead):
        check_layout(half)
    last = now.replace(minute=0, second=0, microsecond=0)
    checked_past = validate(select_complete(past, first, last))
    usable, dropped = drop_bad_members(trim_to_horizon(ahead))
    usable.attrs["members_dropped"] = dropped + ahead.attrs.get("members_dropped", 0)
    end, now64 = usable["time"].values[-1], to_datetime64(now)
    if end <= now64:
        raise Refused(f"the weather ends at {iso_text(end)}, which is not ahead of {iso_text(now64)}")
    return Weather(checked_past, validate(usable))


def start_of_ahead(now: datetime) -> datetime:
    """Return the first hour of `Weather.ahead`: a day before the start of today's UTC day."""
    midnight = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    return midnight - timedelta(days=1)

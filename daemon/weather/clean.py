"""What came from a source, made whole or refused: gaps, broken members, past and ahead put together."""

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
    """Return the Dataset without its unusable members, and how many those were.

    Unusable is a member that lacks a required value or holds an impossible one at any hour and place.

    Raises
    ------
    Refused
        When no member is left, with what is wrong with the first.
    """
    rules = list(broken_rules(dataset))
    bad = np.zeros(dataset.sizes["member"], dtype=bool)
    for _, _, broken in rules:
        bad |= broken.any(axis=-1).reshape(-1, bad.size).any(axis=0)
    if bad.all():
        raise Refused(f"no usable member; {broken_rule_text(dataset, *next(rule for rule in rules if rule[2].any()))}")
    return dataset.isel(member=~bad), int(bad.sum())


def trim_to_horizon(dataset: xr.Dataset) -> xr.Dataset:
    """Return the Dataset up to the first hour at which a required variable has no value in any member.

    A service fills what lies beyond its horizon with nulls, not at the same hour for each variable. What
    comes after such an hour is not used: rain is never filled forward.

    Raises
    ------
    Refused
        When nothing is left.
    """
    empty = np.zeros(dataset.sizes["time"], dtype=bool)
    for name in REQUIRED:
        nulls = dataset[name].isnull().all("member")
        empty |= (nulls.any("place") if "place" in nulls.dims else nulls).values
    kept = int(empty.argmax()) if empty.any() else empty.size
    if kept == 0:
        raise Refused("the weather has no hour with a value for every variable needed")
    return dataset.isel(time=slice(kept))


def select_complete(dataset: xr.Dataset, first: datetime, last: datetime) -> xr.Dataset:
    """Return the hours from `first` to `last`, each of which must be there and whole.

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
    found = dataset.reindex(time=wanted, fill_value={NATIVE_STEP: 1})
    lost = np.zeros(len(wanted), dtype=bool)
    for name in REQUIRED:
        nulls = found[name].isnull()
        lost |= nulls.any([dim for dim in nulls.dims if dim != "time"]).values
    if lost.any():
        raise Refused(f"the past weather lacks {hours_text(wanted.values[lost])}")
    return found


def clean(past: xr.Dataset, ahead: xr.Dataset, first: datetime, now: datetime) -> Weather:
    """Return both halves checked and cut to what the models read.

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
    come = validate(select_complete(past, first, last))
    coming, dropped = drop_bad_members(trim_to_horizon(ahead))
    coming.attrs["members_dropped"] = dropped + ahead.attrs.get("members_dropped", 0)
    end, now64 = coming["time"].values[-1], to_datetime64(now)
    if end <= now64:
        raise Refused(f"the weather ends at {iso_text(end)}, which is not ahead of {iso_text(now64)}")
    return Weather(come, validate(coming))


def start_of_ahead(now: datetime) -> datetime:
    """Return the first hour of `Weather.ahead`: a day before the start of today's UTC day."""
    midnight = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    return midnight - timedelta(days=1)

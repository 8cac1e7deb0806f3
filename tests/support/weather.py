"""A whole pass over an invented farm: known or forecast hours in the contract's form, for tests."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from typing import Any, Final

import numpy as np
import pandas as pd

from daemon.domain.farm import Farm, FarmToday, Field, FieldState, Place
from daemon.planning.ground import Ground
from daemon.weather.clean import clean
from daemon.weather.contract import Weather, build_dataset
from tests.loopback.hours import invented
from tests.support.farms import ACRE, farm

NOW: Final = datetime(2026, 6, 10, 9, 30, tzinfo=UTC)  # half past five on the farm's clock
TODAY: Final = date(2026, 6, 10)
COLUMNS = (
    "air_temperature",
    "dew_point_temperature",
    "wind_speed",
    "surface_downwelling_shortwave_flux_in_air",
    "precipitation_amount",
)
WET_EVERY, WET_NIGHT, DRY_SINCE = 5, 30.0, timedelta(days=9)  # [d, mm]


def field(name: str, acres: float, **changes: Any) -> Field:
    """Return a light crop that is past its best by its age."""
    given = {"stand": {"orchardgrass": 1.0}, "expected_yield": 2.2, "last_cut": None, "looks": (), **changes}
    return Field(name=name, area=acres * ACRE, soil="loam", drainage="well", notes="", **given)


def working_farm(
    *fields: Field, place: Place | None = None, work: dict[str, Any] | None = None, **changes: Any
) -> Farm:
    """Return the sample farm with a crew of three, every month in season and no day off."""
    bare = farm()
    hours = {"earliest_start": time(7), "latest_start": time(12), "finish_by": time(20), "days_off": frozenset[int]()}
    return replace(
        bare,
        place=place or bare.place,
        season=changes.pop("season", frozenset(range(1, 13))),
        work=replace(bare.work, **{"hands": 3, "mown_per_hour": 2.8, "raked_per_hour": 3.2, **hours, **(work or {})}),
        fields=fields or (field("Long Meadow", 20),),
        **changes,
    )


def field_state(field: Field, **changes: Any) -> FieldState:
    """Return a field as its settings alone tell, but for some changes."""
    return FieldState(**{"field": field, "last_cut": field.last_cut, "looks": field.looks, **changes})


def farm_today(farm: Farm, **changes: Any) -> FarmToday:
    """Return a farm as its settings alone tell, but for some changes of its first field."""
    first, *others = farm.fields
    return FarmToday(farm, (field_state(first, **changes), *map(field_state, others)))


def moist_ground() -> Ground:
    """Return ground that is firm today and never lacked water."""
    never = np.array([], dtype="datetime64[D]")
    return Ground(np.ones((1, 1)), np.array([["firm"]]), never, np.array([]))


@cache
def drying(first: str, last: str, place: Place) -> pd.DataFrame:
    """Return clear, dry, breezy hours."""
    table = invented(first, last, place)
    table["surface_downwelling_shortwave_flux_in_air"] *= 1.25
    table["dew_point_temperature"] = table["air_temperature"] - 10.0
    return table


def weather(
    place: Place,
    now: datetime,
    until: datetime,
    *,
    members: int = 1,
    kind: str = "record",
    since: datetime | None = None,
    issued: datetime | None = None,
    step: int = 1,
    rain: np.ndarray[Any, Any] | None = None,
    rained: bool = True,
) -> Weather:
    """Return drying hours from the last 1 July or from `since` to `until`.

    It rained at night, well before `now`, so that nothing wants for water, unless `rained` is false. `rain` [mm], shape
    (member, hour), falls in the first hours after `now`.
    """
    first = since or datetime(now.year - 1, 7, 1, tzinfo=UTC)
    table = drying(f"{first:%Y-%m-%dT%H:%M}", f"{until.astimezone(UTC):%Y-%m-%dT%H:00}", place)
    past = table[: now.replace(minute=0)].copy()
    hour = pd.DatetimeIndex(past.index)
    wet = rained & (hour.day % WET_EVERY == 0) & (hour.hour == 4) & (hour < pd.Timestamp(now - DRY_SINCE))
    past.loc[wet, "precipitation_amount"] = WET_NIGHT
    ahead = table[now.replace(hour=0, minute=0) - timedelta(days=1) :]
    coming = {name: np.repeat(ahead[name].to_numpy()[None, None], members, axis=1) for name in COLUMNS}
    if rain is not None:
        at = int((ahead.index <= now).sum())
        coming["precipitation_amount"][0, :, at : at + rain.shape[1]] = rain
    attributes = {
        "source": "invented",
        "model": "invented",
        "credit": "Invented hours",
        "issued_at": (issued or now - timedelta(hours=3)).isoformat(),
        "fetched_at": now.isoformat(),
    }
    come = {name: past[name].to_numpy()[None, None] for name in COLUMNS}
    return clean(
        build_dataset(come, _labels(past), ["record"], [place], attributes | {"kind": "record"}),
        build_dataset(
            coming,
            _labels(ahead),
            [f"{number:02}" for number in range(members)],
            [place],
            attributes | {"kind": kind},
            step=step,
        ),
        first,
        now,
    )


def _labels(table: pd.DataFrame) -> np.ndarray[Any, np.dtype[np.datetime64]]:
    return np.asarray(pd.DatetimeIndex(table.index).tz_convert(None).to_numpy(), dtype="datetime64[ns]")

"""The contract that every weather Dataset follows; a Dataset that breaks it is refused with the reason.

Dimensions are ``(member, time)``, or ``(place, member, time)`` where several grid cells are read. ``time`` is
UTC, hourly, labelled at the end of the hour. Units are converted in the sources and nowhere else.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from daemon.domain.farm import Place
from daemon.domain.prospect import OfficialWarning
from daemon.domain.refusal import Refusal, RefusalKind
from daemon.domain.units import tenths_rounded_up
from models.sun import extraterrestrial_radiation

Hours = NDArray[np.datetime64]
Mask = NDArray[np.bool_]

NP_HOUR: Final = np.timedelta64(1, "h")
NATIVE_STEP: Final = "native_step"  # coordinate of the hours: length of the source's own step around each [h]
FILLED: Final = "filled"  # coordinate of past hours: whether an hour was only forecast; without it, none was
LONGEST_STEP: Final = 24  # [h]
DEW_POINT_SLACK: Final = 0.5  # [K] rounding can lift the dew point this much above the air temperature
# [W m-2] Radiation above the extraterrestrial by more than this means wrong labels. Three years of measured hours
# exceed it by 8 at most; labelled an hour off they exceed it by 60 on half of the days, by 20 on nine of ten.
SUN_SLACK: Final = 60.0
MJ_PER_WATT_HOUR: Final = 0.0036  # [MJ m-2] of an hour with 1 W m-2
TIMES_HINT: Final = "are the times UTC, at the end of the hour?"
ORIGINS: Final = ("native", "derived", "interpolated")
KINDS: Final = ("forecast", "record")
TEXT_ATTRIBUTES: Final = ("source", "model", "credit")
TIME_ATTRIBUTES: Final = ("issued_at", "fetched_at")


class Variable(NamedTuple):
    """One variable of the contract: its unit, its plausible range and whether it is required."""

    unit: str
    low: float
    high: float
    required: bool

    @property
    def range_text(self) -> str:
        """The range in words; a dimensionless one has no unit."""
        return f"{self.low:g} to {self.high:g} {self.unit}".removesuffix(" 1")


VARIABLES: Final[Mapping[str, Variable]] = {
    "air_temperature": Variable("degC", -60, 60, True),
    "dew_point_temperature": Variable("degC", -90, 40, True),
    "wind_speed": Variable("m s-1", 0, 60, True),
    "surface_downwelling_shortwave_flux_in_air": Variable("W m-2", 0, 1500, True),
    "precipitation_amount": Variable("mm", 0, 200, True),
    "cloud_area_fraction": Variable("1", 0, 1, False),
    "wind_speed_of_gust": Variable("m s-1", 0, 120, False),
    "thunderstorm_probability": Variable("1", 0, 1, False),
    "probability_of_precipitation": Variable("1", 0, 1, False),
}
REQUIRED: Final = tuple(name for name, variable in VARIABLES.items() if variable.required)


class Refused(Exception):
    """Weather that cannot be used; the text is a plain sentence that says why.

    Attributes
    ----------
    refusals : tuple of Refusal
        One for each source or request that gave none, with its kind; plain words are of weather that is unusable.
    status : int or None
        The HTTP status that a server answered with instead.
    """

    def __init__(self, *refusals: Refusal | str, status: int | None = None) -> None:
        self.refusals = tuple(
            Refusal(RefusalKind.UNUSABLE, refusal) if isinstance(refusal, str) else refusal for refusal in refusals
        )
        self.status = status
        super().__init__("; ".join(refusal.text for refusal in self.refusals))

    def with_prefix(self, prefix: str) -> "Refused":
        """Return the same refusal with words before its text, such as whose it is."""
        first, *others = self.refusals
        return Refused(replace(first, text=prefix + first.text), *others, status=self.status)


@dataclass(frozen=True)
class Weather:
    """The past hours and the hours ahead, both in the contract's form.

    Attributes
    ----------
    past : xr.Dataset
        One member, without a gap from the first hour requested to the last full hour before now.
    ahead : xr.Dataset
        All usable members, from before the start of today's UTC day, so that it holds last night's dew and rain, to
        the horizon. ``attrs["members_dropped"]`` counts the members that could not be used, and
        ``attrs["synthetic"]`` is 1 where the members were drawn from probabilities.
    warnings : tuple of OfficialWarning
        In force at the place now or later.
    """

    past: xr.Dataset
    ahead: xr.Dataset
    warnings: tuple[OfficialWarning, ...] = ()


def build_dataset(
    values: Mapping[str, NDArray[np.float64]],
    time: Hours,
    members: Sequence[str],
    places: Sequence[Place],
    attributes: Mapping[str, object],
    *,
    origin: str = "native",
    step: int | NDArray[np.int64] = 1,
) -> xr.Dataset:
    """Build a Dataset in the contract's form, with its units, from arrays.

    Parameters
    ----------
    values : mapping of str to array, shape (place, member, time)
        In the contract's names and units.
    time : array of datetime64, shape (time,)
        UTC, end of the hour.
    members : sequence of str
        Labels of the members.
    places : sequence of Place
        Empty where the place is unknown: then sun in the dark cannot be detected. With more than one, `place` becomes
        a dimension.
    attributes : mapping
        The Dataset's attributes, see `validate`.
    origin : {"native", "derived", "interpolated"}
        Where the hourly values come from.
    step : int or array, shape (time,)
        Length of the source's own step that each hour lies in [h]; the steps of a day begin at 00 UTC.

    Raises
    ------
    Refused
        When the labels are not consecutive whole hours.
    """
    time = time.astype("datetime64[ns]")
    _check_time(time)
    has_place_axis = len(places) > 1
    dims = ("place", "member", "time") if has_place_axis else ("member", "time")
    data = {}
    for name, array in values.items():
        attrs = {"units": VARIABLES[name].unit, "origin": origin}
        data[name] = (dims, array if has_place_axis else array[0], attrs)
    steps = np.broadcast_to(np.asarray(step, dtype=np.int64), time.shape)
    coords = {"member": list(members), "time": time, NATIVE_STEP: ("time", steps), **_place_coords(places)}
    return xr.Dataset(data, coords, dict(attributes))


def _place_coords(places: Sequence[Place]) -> dict[str, object]:
    """Return the coordinates of the places: scalars for a single one, along `place` for several."""
    if not places:
        return {}
    if len(places) == 1:
        return {"latitude": places[0].latitude, "longitude": places[0].longitude}
    return {
        "latitude": ("place", [place.latitude for place in places]),
        "longitude": ("place", [place.longitude for place in places]),
    }


def to_datetime64(hour: datetime) -> np.datetime64:
    """Convert an aware datetime to a UTC label of the contract.

    >>> from zoneinfo import ZoneInfo
    >>> str(to_datetime64(datetime(2026, 6, 1, 8, tzinfo=ZoneInfo("America/Chicago"))))[:16]
    '2026-06-01T13:00'
    """
    if hour.tzinfo is None:
        raise ValueError(f"given the time {hour} without a zone, allowed one with its zone")
    return np.datetime64(hour.astimezone(UTC).replace(tzinfo=None), "ns")


def is_filled(past: xr.Dataset) -> Mask:
    """Return which past hours hold only a forecast, shape (time,)."""
    return past[FILLED].to_numpy() if FILLED in past.coords else np.zeros(past.sizes["time"], dtype=bool)


def iso_text(hour: np.datetime64) -> str:
    """Return a UTC label as text, to the minute.

    >>> iso_text(np.datetime64("2026-06-01T13:00:00"))
    '2026-06-01T13:00Z'
    """
    return f"{np.datetime_as_string(hour, unit='m')}Z"


def validate(dataset: xr.Dataset) -> xr.Dataset:
    """Check a Dataset against every rule of the contract and return it.

    Parameters
    ----------
    dataset : xr.Dataset
        With attributes source, model, credit (text), issued_at, fetched_at (ISO 8601, UTC) and kind ("forecast" or
        "record"). Where it has the coordinates latitude and longitude [deg], the sun is compared with that at the top
        of the atmosphere, which reveals labels an hour off on most days.

    Returns
    -------
    xr.Dataset
        The same, with a dew point that rounding has put above the air temperature lowered to it.

    Raises
    ------
    Refused
        At the first broken rule: what, where, what was given, what is allowed.

    Notes
    -----
    A wrong unit is invisible as such. The ranges catch most of them: Fahrenheit in summer, pascal and percent, but not
    km/h for m/s.
    """
    check_layout(dataset)
    _check_time(dataset["time"].values)
    _check_attributes(dataset)
    for name, allowed, broken in broken_rules(dataset):
        if broken.any():
            raise Refused(broken_rule_text(dataset, name, allowed, broken))
    dew = dataset["dew_point_temperature"]
    clipped = dew.where(dew <= dataset["air_temperature"], dataset["air_temperature"])
    return dataset.assign(dew_point_temperature=clipped.assign_attrs(dew.attrs))


def extraterrestrial_flux(dataset: xr.Dataset) -> NDArray[np.float64]:
    """Return the sun at the top of the atmosphere [W m-2] over the Dataset's places, shape (place, time) or (time,)."""
    time = dataset["time"].values
    cells = zip(np.atleast_1d(dataset["latitude"]), np.atleast_1d(dataset["longitude"]), strict=True)
    energy = np.stack([extraterrestrial_radiation(float(lat), float(lon), time) for lat, lon in cells])
    flux = energy / MJ_PER_WATT_HOUR
    return flux if "place" in dataset.dims else flux[0]


def check_layout(dataset: xr.Dataset) -> None:
    """Refuse missing or unknown variables, other dimensions, units or origins, and empty axes."""
    _check_variables(dataset)
    _check_axes(dataset)


def _check_variables(dataset: xr.Dataset) -> None:
    """Refuse missing or unknown variables, and variables of another shape, type, unit or origin."""
    missing = [name for name in REQUIRED if name not in dataset.data_vars]
    if missing:
        raise Refused(f"the weather lacks {', '.join(missing)}")
    dims = ("place", "member", "time") if "place" in dataset.dims else ("member", "time")
    for name, array in dataset.data_vars.items():
        variable = VARIABLES.get(str(name))
        if variable is None:
            raise Refused(f"unknown weather variable {name}; allowed: {', '.join(VARIABLES)}")
        _expect(f"dimensions of {name}", array.dims, (dims,))
        _expect(f"number type of {name}", array.dtype.name, ("float64",))
        _expect(f"unit of {name}", array.attrs.get("units"), (variable.unit,))
        _expect(f"origin of {name}", array.attrs.get("origin"), ORIGINS)


def _check_axes(dataset: xr.Dataset) -> None:
    """Refuse axes that are empty or without the coordinates that the contract needs."""
    if "time" not in dataset.coords:
        raise Refused("the weather has no time labels")
    if not _has_whole_steps(dataset):
        raise Refused(f"the hours of the weather need their {NATIVE_STEP} in whole hours")
    if "member" not in dataset.coords or not dataset.indexes["member"].is_unique:
        raise Refused("the members need labels, each of them once")
    if 0 in dataset.sizes.values():
        raise Refused(f"the weather is empty: {dict(dataset.sizes)}")
    steps = dataset[NATIVE_STEP]
    if not 1 <= steps.min() <= steps.max() <= LONGEST_STEP:
        raise Refused(f"{NATIVE_STEP} of the weather: given {int(steps.min())}, allowed 1 to {LONGEST_STEP}")


def _has_whole_steps(dataset: xr.Dataset) -> bool:
    """Return whether the hours carry the source's own step as an integer."""
    if NATIVE_STEP not in dataset.coords:
        return False
    steps = dataset[NATIVE_STEP]
    return steps.dims == ("time",) and steps.dtype.kind == "i"


def _check_time(time: Hours) -> None:
    """Refuse labels that are not consecutive whole hours."""
    _expect("type of the time labels", str(time.dtype), ("datetime64[ns]",))
    if time.size == 0:
        raise Refused("the weather has no hours")
    broken = time != time.astype("datetime64[h]")
    if broken.any():
        raise Refused(f"given the time {iso_text(time[broken][0])}, allowed whole hours")
    steps = np.diff(time)
    backward = steps <= np.timedelta64(0)
    if backward.any():
        raise Refused(f"the hours are out of order or given twice after {iso_text(time[int(backward.argmax())])}")
    if (steps > NP_HOUR).any():
        every_hour = np.arange(time[0], time[-1], NP_HOUR)
        raise Refused(f"the weather lacks {hours_text(np.setdiff1d(every_hour, time))}")


def _check_attributes(dataset: xr.Dataset) -> None:
    """Refuse a Dataset that does not say where it comes from and how old it is."""
    attrs = dataset.attrs
    for name in TEXT_ATTRIBUTES:
        text = attrs.get(name)
        if not isinstance(text, str) or not text.strip():
            raise Refused(f"attribute {name} of the weather: given {text!r}, allowed some text")
    issued, fetched = (_parse_utc_attribute(name, attrs.get(name)) for name in TIME_ATTRIBUTES)
    if issued > fetched + timedelta(hours=1):
        # A clock that jumped back would make an old forecast look young.
        raise Refused(f"the weather was issued at {issued}, after it was fetched at {fetched}: check the clock")
    _expect("kind of the weather", attrs.get("kind"), KINDS)


def _parse_utc_attribute(name: str, text: object) -> datetime:
    """Parse an ISO 8601 attribute, which must be in UTC."""
    try:
        instant = datetime.fromisoformat(str(text))
    except ValueError:
        instant = None
    if instant is None or instant.utcoffset() != timedelta(0):
        raise Refused(f"attribute {name} of the weather: given {text!r}, allowed an ISO 8601 time in UTC")
    return instant


def _expect(label: str, value: object, allowed: Sequence[object]) -> None:
    """Refuse a value that is not one of those allowed."""
    if value not in allowed:
        raise Refused(f"{label}: given {value!r}, allowed {' or '.join(repr(choice) for choice in allowed)}")


def broken_rules(dataset: xr.Dataset) -> Iterator[tuple[str, str, Mask]]:
    """Yield each rule on values: the variable, what is allowed, and where it is broken."""
    arrays = {name: dataset[name].values for name in VARIABLES if name in dataset}
    for name, values in arrays.items():
        variable = VARIABLES[name]
        if variable.required:
            yield name, "a value for every hour", np.isnan(values)
        yield name, variable.range_text, (values < variable.low) | (values > variable.high)
    above = arrays["dew_point_temperature"] - arrays["air_temperature"]
    yield "dew_point_temperature", "no more than the air temperature", above > DEW_POINT_SLACK
    if {"latitude", "longitude"} <= set(dataset.coords):
        sun = "surface_downwelling_shortwave_flux_in_air"
        allowed = f"up to {SUN_SLACK:g} W m-2 in the dark, as much above the sky's by day ({TIMES_HINT})"
        limit = extraterrestrial_flux(dataset) + SUN_SLACK
        if "place" in dataset.dims:
            limit = limit[:, np.newaxis]  # the same for all members of a place
        yield sun, allowed, arrays[sun] > limit


def broken_rule_text(dataset: xr.Dataset, name: str, allowed: str, broken: Mask) -> str:
    """Return a sentence on the first value that breaks a rule."""
    index = np.unravel_index(int(broken.argmax()), broken.shape)
    value = float(dataset[name].values[index])
    value_text = "nothing" if np.isnan(value) else f"{value:g}"
    hour, member = iso_text(dataset["time"].values[index[-1]]), dataset["member"].values[index[-2]]
    return f"{name} at {hour}, member {member}: given {value_text}, allowed {allowed}"


def age_text(hours: float) -> str:
    """Return an age in hours, rounded up to a tenth: a forecast that is too old must not read as if it were not.

    >>> age_text(18.02), age_text(30.0)
    ('18.1 hours old', '30 hours old')
    """
    return f"{tenths_rounded_up(hours):g} hours old"


def hours_text(hours: Hours, limit: int = 6) -> str:
    """Return how many hours there are, and the first few of them by name."""
    count = "1 hour" if len(hours) == 1 else f"{len(hours)} hours"
    names = ", ".join(iso_text(hour) for hour in hours[:limit])
    more = " and more" if len(hours) > limit else ""
    return f"{count}: {names}{more}"

"""Layers of values that each hold for a span of time, as the US National Weather Service gives them."""

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon.weather.contract import NP_HOUR, Hours, Refused, to_datetime64

Array = NDArray[np.float64]

PARSE_ERRORS: Final = (KeyError, TypeError, ValueError, AttributeError, OverflowError)  # raised by junk in JSON
DURATION_PATTERN: Final = re.compile(r"P(?=.)(?:(\d{1,3})D)?(?:T(?=.)(?:(\d{1,4})H)?(?:(\d{1,5})M)?(?:(\d{1,6})S)?)?")


class LayerUnit(NamedTuple):
    """The conversion of a unit of the service to the contract's: ours = factor * theirs + offset."""

    contract_unit: str
    factor: float = 1.0
    offset: float = 0.0


UNITS: Final[Mapping[str, LayerUnit]] = {
    "degC": LayerUnit("degC"),
    "degF": LayerUnit("degC", 5 / 9, -160 / 9),
    "K": LayerUnit("degC", 1.0, -273.15),
    "percent": LayerUnit("1", 0.01),
    "km_h-1": LayerUnit("m s-1", 1 / 3.6),
    "m_s-1": LayerUnit("m s-1"),
    "kt": LayerUnit("m s-1", 1852 / 3600),
    "mm": LayerUnit("mm"),
    "m": LayerUnit("mm", 1000.0),
}


class Layer(NamedTuple):
    """The values of a layer, each from `start` to before `end` (UTC), in order and in the contract's unit."""

    start: Hours
    end: Hours
    value: Array

    def values_at(self, moments: Hours) -> Array:
        """Return the value that holds at each moment, NaN where none does."""
        at = np.searchsorted(self.start, moments, side="right") - 1
        values: Array = np.where((at >= 0) & (moments < self.end[at]), self.value[at], np.nan)
        return values

    @property
    def duration_hours(self) -> Array:
        """How long each value holds [h]."""
        return (self.end - self.start) / NP_HOUR


def read_layer(content: Mapping[str, Any], contract_unit: str, default_unit: str | None = None) -> Layer:
    """Read a layer and convert it to a unit of the contract.

    Parameters
    ----------
    content : mapping
        The layer as decoded: its unit `uom` and its `values`, each with its `validTime`.
    contract_unit : str
        The unit wanted.
    default_unit : str, optional
        The unit of a layer that comes without one.

    Raises
    ------
    Refused
        With what is wrong, as the end of a sentence that begins with the layer's name.
    """
    try:
        layer, uom = _parse_values(content["values"]), str(content.get("uom", default_unit))
    except PARSE_ERRORS as error:
        raise Refused(f"cannot be read ({error})") from None
    unit = UNITS.get(uom.rpartition(":")[2])
    if unit is None or unit.contract_unit != contract_unit:
        raise Refused(f"is in {uom}, allowed a unit that can be made {contract_unit}")
    return _check_order(layer._replace(value=layer.value * unit.factor + unit.offset))


def _parse_values(values: Sequence[Mapping[str, Any]]) -> Layer:
    """Parse the values in the service's unit, a null as NaN; an empty layer is an error."""
    if not values:
        raise ValueError("it is empty")
    spans = [parse_span(entry["validTime"]) for entry in values]
    start = np.array([to_datetime64(begins) for begins, _ in spans])
    end = np.array([to_datetime64(ends) for _, ends in spans])
    numbers = np.array([entry["value"] for entry in values], dtype=np.float64)
    if numbers.shape != start.shape:
        raise ValueError("its values are no numbers")
    return Layer(start, end, numbers)


def _check_order(layer: Layer) -> Layer:
    """Refuse spans that are not of whole hours or overlap: a total given twice would be counted twice."""
    edges = np.column_stack([layer.start, layer.end]).ravel()
    if (edges != edges.astype("datetime64[h]")).any():
        raise Refused("has times that are not of whole hours")
    if (layer.end <= layer.start).any() or (layer.start[1:] < layer.end[:-1]).any():
        raise Refused("has times that are out of order or lie on each other")
    return layer


def parse_span(text: str) -> tuple[datetime, datetime]:
    """Parse a time span and return its beginning and end in UTC.

    Parameters
    ----------
    text : str
        Beginning and duration, as the service writes it, or beginning and end, or duration and end.

    Raises
    ------
    ValueError
        For anything else, a duration without a number and the word NOW among it.

    Examples
    --------
    >>> [f"{edge:%d %H:%M}" for edge in parse_span("2026-06-01T03:00:00+00:00/P1DT4H")]
    ['01 03:00', '02 07:00']
    """
    first, _, last = text.partition("/")
    if first.startswith("P"):
        return parse_time(last) - _parse_duration(first), parse_time(last)
    start = parse_time(first)
    return start, start + _parse_duration(last) if last.startswith("P") else parse_time(last)


def _parse_duration(text: str) -> timedelta:
    """Parse a duration in days or shorter units: months and years have no fixed length."""
    match = DURATION_PATTERN.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r} is no duration such as P1DT4H")
    days, hours, minutes, seconds = (int(part or 0) for part in match.groups())
    return timedelta(days=days, hours=hours, minutes=minutes, seconds=seconds)


def parse_time(text: str) -> datetime:
    """Parse a time, which must say its zone, and return it in UTC."""
    time = datetime.fromisoformat(text)
    if time.tzinfo is None:
        raise ValueError(f"{text!r} has no zone")
    return time.astimezone(UTC)

"""The section [work]: the machines, the people and the hours of work, and the dry matter of a bale."""

import math
from collections.abc import Iterator, Sequence
from datetime import time
from typing import Annotated, Final

from pydantic import Field

from daemon.domain.farm import Traction, Units
from daemon.domain.units import HECTARES_PER_ACRE, POUNDS_PER_SHORT_TON, POUNDS_PER_TONNE
from daemon.settings.sections.base import Conflict, Section
from daemon.settings.values.kinds import Choice, Flag, Number, OptionUnit, TimeOfDay, WholeNumber
from daemon.settings.values.lists import SetOf

FOOT: Final = 0.3048  # [m], exact by definition
MILE: Final = 1.609344  # [km], exact by definition
SHORT_TON: Final = POUNDS_PER_SHORT_TON / POUNDS_PER_TONNE  # [t]
BALE_DENSITY: Final = 10.0 / POUNDS_PER_TONNE * 1000.0 / FOOT**3  # [kg DM/m3] 10 lb/ft3, a usual aim (remembered)
EP496_DIVISOR: Final = 10.0  # EP496: width [m] x speed [km/h] x efficiency / 10 = [ha/h]
FIELD_EFFICIENCY: Final = 0.8  # of a mower [1], typical in ASABE D497 (remembered)
BALER_INTAKE: Final = 9.0  # [t DM/h] of a round baler, middle of 8 to 12 (remembered)
BALE_CYCLE: Final = 0.9  # [min] to tie and drop a bale, between 0.75 and 1 (remembered)
BALED_PER_HOUR: Final = 4.0  # [ha/h] by EP496 with a windrow of 20 ft, 5 mph and an efficiency of 0.8 (remembered)
BREAK_HOURS: Final = 1.0
WEEKDAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


def bale_dry_matter(width: float, diameter: float) -> float:
    """Return the dry matter of a round bale [t] from its width and diameter [m].

    Notes
    -----
    A cylinder of 10 lb of dry matter per cubic foot (160 kg/m3), the usual aim for baleage; the density varies by a
    tenth with baler and crop.

    Examples
    --------
    >>> round(bale_dry_matter(4 * FOOT, 4 * FOOT), 3), round(bale_dry_matter(4 * FOOT, 5 * FOOT), 3)
    (0.228, 0.356)
    """
    return math.pi / 4.0 * diameter**2 * width * BALE_DENSITY / 1000.0


def mowing_rate(width: float, speed: float, efficiency: float) -> float:
    """Return the area mown per hour [ha/h].

    Parameters
    ----------
    width : float
        Cut width [m].
    speed : float
        Speed while cutting [km/h].
    efficiency : float
        Share of the time and width that cuts [1].

    References
    ----------
    ASABE EP496, Agricultural machinery management; in feet, miles per hour and acres the divisor is 8.25.

    Examples
    --------
    >>> round(mowing_rate(9 * FOOT, 7 * MILE, 0.8) / HECTARES_PER_ACRE, 2)
    6.11
    """
    return width * speed * efficiency / EP496_DIVISOR


_SIZES_IN_FEET: Final = ((4, 4), (4, 5), (4, 6), (5, 5), (5, 6))  # width and diameter
_SIZES_IN_CM: Final = ((120, 120), (120, 130), (120, 150), (120, 180))
BALE_SIZES: Final = {f"{w}x{d}": bale_dry_matter(w * FOOT, d * FOOT) for w, d in _SIZES_IN_FEET} | {
    f"{w}x{d}": bale_dry_matter(w / 100.0, d / 100.0) for w, d in _SIZES_IN_CM
}

_LENGTH: Final = (OptionUnit("ft", FOOT), OptionUnit("m"))
_AREA: Final = (OptionUnit("acres", HECTARES_PER_ACRE), OptionUnit("ha"))
_AREA_RATE: Final = (OptionUnit("acres/h", HECTARES_PER_ACRE), OptionUnit("ha/h"))
_HOURS: Final = OptionUnit("h")
_RATE: Final = Number(0.1, 20.0, *_AREA_RATE)
_RATE_KEYS: Final = ("mown_per_hour", "cut_width", "speed", "field_efficiency")


class WorkSection(Section):
    """The options of [work]."""

    mown_per_hour: Annotated[float | None, _RATE] = Field(
        None, description="area mown in an hour of work; give this, or cut_width and speed", examples=["4"]
    )
    cut_width: Annotated[float | None, Number(0.6, 15.0, *_LENGTH)] = Field(
        None, description="cut width of the mower, with speed", examples=["9"]
    )
    speed: Annotated[float | None, Number(1.0, 30.0, OptionUnit("mph", MILE), OptionUnit("km/h"))] = Field(
        None, description="speed while mowing, with cut_width", examples=["5"]
    )
    field_efficiency: Annotated[float | None, Number(0.3, 1.0, OptionUnit(""))] = Field(
        None, description="share of time and width that cuts, with cut_width; left out: 0.8"
    )
    raked_per_hour: Annotated[float | None, _RATE] = Field(
        None, description="area raked in an hour; left out: as much as is mown"
    )
    bales_per_hour: Annotated[float | None, Number(1.0, 100.0, OptionUnit("bales/h"))] = Field(
        None, description="bales made in an hour; left out: from the crop, the bale and the three options below"
    )
    baler_intake: Annotated[float | None, Number(1.0, 40.0, OptionUnit("tons/h", SHORT_TON), OptionUnit("t/h"))] = (
        Field(
            None,
            description="most dry matter the baler takes in; left out: 9 t/h, 9.921 tons/h (middle of a usual range)",
        )
    )
    bale_cycle: Annotated[float | None, Number(0.1, 5.0, OptionUnit("min"))] = Field(
        None, description="to tie and drop a bale; left out: 0.9"
    )
    baled_per_hour: Annotated[float | None, _RATE] = Field(
        None, description="most area the baler drives over in an hour; left out: 4 ha, 9.884 acres (estimate)"
    )
    wraps_per_hour: Annotated[float, Number(1.0, 150.0, OptionUnit("bales/h"))] = Field(
        25.0, description="bales wrapped"
    )
    bale_size: Annotated[float, Choice(BALE_SIZES)] = Field(
        BALE_SIZES["4x4"], description="width x diameter of the bales, in feet or in cm"
    )
    bales_per_roll: Annotated[float, Number(1.0, 200.0, OptionUnit("bales"))] = Field(
        22.0, description="bales that a roll of film wraps (common practice, no source): count yours"
    )
    wrap_within: Annotated[float, Number(0.5, 24.0, _HOURS)] = Field(
        2.0, description="longest from baling to wrapping; a warning over 8"
    )
    travel: Annotated[float, Number(0.0, 3.0, _HOURS)] = Field(
        0.25, description="from one field to the next, for each machine (common practice, no source)"
    )
    rake_lead: Annotated[float, Number(0.0, 6.0, _HOURS)] = Field(
        0.5, description="from raking a strip to baling it (common practice, no source)"
    )
    hands: Annotated[int, WholeNumber(1, 12)] = Field(2, description="people able to work at once")
    earliest_start: Annotated[time, TimeOfDay()] = Field(time(7, 0), description="no mowing before")
    latest_start: Annotated[time, TimeOfDay()] = Field(time(13, 0), description="no mowing begins after")
    finish_by: Annotated[time, TimeOfDay()] = Field(time(20, 0), description="the last bale is wrapped by then")
    after_dark: Annotated[bool, Flag()] = Field(False, description="whether work goes on after sunset, up to finish_by")
    break_at: Annotated[time | None, TimeOfDay()] = Field(None, description="when everybody rests; left out: no break")
    break_hours: Annotated[float | None, Number(0.25, 3.0, _HOURS)] = Field(
        None, description="how long, with break_at; left out: 1"
    )
    days_off: Annotated[frozenset[int], SetOf(Choice({day: number for number, day in enumerate(WEEKDAYS)}))] = Field(
        frozenset(), description="days of the week on which no work is done"
    )
    worth_hitching_for: Annotated[float, Number(0.04, 40.0, *_AREA)] = Field(
        2.0 * HECTARES_PER_ACRE, description="less is not worth mowing, unless it is the whole of a field"
    )
    traction: Annotated[Traction, Choice({traction.value: traction for traction in Traction})] = Field(
        Traction.TRACTOR, description="what pulls the mower: horses breathe more often in heat, and stop in great heat"
    )

    def effective_mowing_rate(self) -> float | None:
        """Return the area mown per hour [ha/h], None if it is not given in exactly one way."""
        mower = (self.cut_width, self.speed, self.field_efficiency)
        if self.mown_per_hour is not None:
            return self.mown_per_hour if mower == (None, None, None) else None
        if self.cut_width is None or self.speed is None:
            return None
        return mowing_rate(self.cut_width, self.speed, self.field_efficiency or FIELD_EFFICIENCY)

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield conflicts about the mowing rate, the order of the hours, the baling rate and the break."""
        yield from self._rate_conflicts(units)
        if self.latest_start < self.earliest_start:
            yield _order_conflict("latest_start", self.latest_start, "earliest_start", self.earliest_start)
        if self.finish_by <= self.latest_start:
            yield _order_conflict("finish_by", self.finish_by, "latest_start", self.latest_start)
        yield from self._baler_conflicts()
        if self.break_hours is not None and self.break_at is None:
            yield Conflict(("break_hours",), "without break_at", "break_at with it", "add break_at = 12:00:00")

    def _rate_conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield a conflict if the mowing rate is not given in exactly one way, or is out of its limits."""
        rate = self.effective_mowing_rate()
        if rate is None:
            yield self._ambiguous_rate()
        elif not _is_within_limits(rate, units):
            given = f"{_RATE.write(rate, units)} {_RATE.unit(units)} from cut_width, speed and field_efficiency"
            yield Conflict(("cut_width",), given, _RATE.allowed(units), "check cut_width and speed", _RATE_KEYS)

    def _ambiguous_rate(self) -> Conflict:
        """Return the conflict of a mowing rate that is given in two ways, in half of one, or not at all."""
        written = self._written_keys(_RATE_KEYS)
        allowed = "mown_per_hour alone, or cut_width with speed"
        if self.mown_per_hour is not None:
            fix = f"take {' and '.join(written[1:])} out, or mown_per_hour"
            return Conflict(("mown_per_hour",), "the mowing rate in two ways", allowed, fix, _RATE_KEYS)
        if written:
            missing = " and ".join(key for key in ("cut_width", "speed") if key not in written)
            return Conflict((written[0],), f"{' and '.join(written)} alone", allowed, f"add {missing}", _RATE_KEYS)
        fix = "add mown_per_hour = 4, with this farm's own value"
        return Conflict(("mown_per_hour",), "nothing", allowed, fix, _RATE_KEYS)

    def _baler_conflicts(self) -> Iterator[Conflict]:
        """Yield a conflict if the baling rate is given together with options that it is calculated from."""
        written = self._written_keys(("baler_intake", "bale_cycle", "baled_per_hour"))
        if self.bales_per_hour is not None and written:
            fix = f"take {' and '.join(written)} out, or bales_per_hour"
            allowed = "bales_per_hour alone, or what it is reckoned from"
            yield Conflict(("bales_per_hour",), "the baling rate in two ways", allowed, fix, tuple(written))

    def _written_keys(self, keys: Sequence[str]) -> list[str]:
        return [key for key in keys if getattr(self, key) is not None]


def _is_within_limits(rate: float, units: Units) -> bool:
    """Return whether a rate is within its limits, as rounded in the unit of the file."""
    low, high = _RATE.limits(units)
    return low <= float(_RATE.write(rate, units)) <= high


def _order_conflict(key: str, value: time, other: str, bound: time) -> Conflict:
    given = f"{value:%H:%M} with {other} {bound:%H:%M}"
    return Conflict((key,), given, f"a time after {other}", f"change {key} or {other}", (other,))

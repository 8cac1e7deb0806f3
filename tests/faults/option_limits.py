"""The options of a settings file told a second time, by hand: their limits, and where a farm must hold them.

Nothing here is taken from `daemon.settings`, so that it can judge what that accepts.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from functools import reduce
from math import isclose, isfinite, pi
from typing import Any, Final

from daemon.domain.farm import Farm

ACRE: Final = 0.40468564224  # [ha]
SHORT_TON: Final = 0.90718474  # [t]
ROUNDED: Final = 0.01  # limits are said, and held to, with three digits
Tables = Mapping[str, Any]


@dataclass(frozen=True)
class Number:
    """A number's limits in the program's unit, what one of the file's unit is in it, and its place in a `Farm`."""

    low: float
    high: float
    place: str
    us: float = 1.0
    metric: float = 1.0
    whole: bool = False

    def factor(self, units: str) -> float:
        """Return what one of the file's unit is in the program's."""
        return self.us if units == "us" else self.metric

    def holds(self, value: float) -> bool:
        """Return whether a number in the program's unit lies within the limits."""
        near = ROUNDED * max(abs(self.low), abs(self.high))
        low = self.low - (ROUNDED * abs(self.low) if self.low else 1e-12)
        return isfinite(value) and low <= value <= self.high + min(near, ROUNDED * abs(self.high))


def _share(low: float, high: float, place: str) -> Number:
    return Number(low, high, place, 0.01, 0.01)


def _whole(low: float, high: float, place: str, factor: float = 1.0) -> Number:
    return Number(low * factor, high * factor, place, factor, factor, whole=True)


NUMBERS: Final[Mapping[str, Number]] = {
    "farm.latitude": Number(-66, 66, "place.latitude"),
    "farm.longitude": Number(-180, 180, "place.longitude"),
    "farm.elevation": Number(-400, 4000, "place.elevation", 0.3048),
    "weather.oldest_forecast": Number(3, 48, "weather.oldest"),
    "weather.least_members": _whole(1, 60, "weather.least_members"),
    "weather.wet_hour": Number(0.1, 2, "weather.wet_hour"),
    "weather.wet_step": Number(0.1, 10, "weather.wet_step"),
    "work.mown_per_hour": Number(0.1, 20, "work.mown_per_hour", ACRE),
    "work.raked_per_hour": Number(0.1, 20, "work.raked_per_hour", ACRE),
    "work.bales_per_hour": Number(1, 100, "work.bales_per_hour"),
    "work.baler_intake": Number(1, 40, "work.baler_intake", SHORT_TON),
    "work.bale_cycle": Number(0.1, 5, "work.bale_cycle"),
    "work.baled_per_hour": Number(0.1, 20, "work.baled_per_hour", ACRE),
    "work.wraps_per_hour": Number(1, 150, "work.wraps_per_hour"),
    "work.bales_per_roll": Number(1, 200, "work.bales_per_roll"),
    "work.wrap_within": Number(0.5, 24, "work.wrap_within"),
    "work.travel": Number(0, 3, "work.travel"),
    "work.rake_lead": Number(0, 6, "work.rake_lead"),
    "work.hands": _whole(1, 12, "work.hands"),
    "work.break_hours": Number(0.25, 3, "work.break_hours"),
    "work.worth_hitching_for": Number(0.04, 40, "work.least_area", ACRE),
    "baleage.aim": _share(0.40, 0.619, "baleage.aim"),
    "baleage.wettest": _share(0.40, 0.619, "baleage.wettest"),
    "baleage.driest": _share(0.40, 0.619, "baleage.driest"),
    "baleage.swath_width": Number(0.25, 1, "baleage.swath_share"),
    "baleage.stubble": Number(0.02, 0.3, "baleage.stubble", 0.0254, 0.01),
    "alerts.odds_needed": _whole(5, 9, "alerts.odds_needed", 0.1),
    "alerts.most_a_day": _whole(1, 50, "alerts.most_a_day"),
    "alerts.second_after": Number(5, 240, "alerts.second_after"),
    "page.port": _whole(0, 65535, "page.port"),
    "estimates.thunder_from": _share(0.01, 0.5, "estimates.thunder_from"),
    "estimates.horses_rest_at": Number(100, 150, "estimates.horses_rest_at"),
    "estimates.horses_stop_at": Number(130, 180, "estimates.horses_stop_at"),
    "estimates.firm_below": _share(0.5, 0.9, "estimates.firm_below"),
    "estimates.firm_deficit": Number(5, 40, "estimates.firm_deficit"),
    "estimates.spoiled_loss": _share(0.01, 1, "estimates.spoiled_loss"),
    "estimates.next_window": Number(0.5, 30, "estimates.next_window"),
    "estimates.worth_waiting": _share(0, 0.5, "estimates.worth_waiting"),
    "estimates.storm_gust": Number(8, 40, "estimates.storm_gust", 0.44704, 1 / 3.6),
    "estimates.storm_rain": Number(0, 50, "estimates.storm_rain"),
    "estimates.carried_share": _share(0, 1, "estimates.carried_share"),
    "field.area": Number(0.04, 400, "area", ACRE),
    "field.expected_yield": Number(0.5, 10, "expected_yield", SHORT_TON / ACRE),
    "field.cut_at_fibre": Number(30, 70, "cut_at_fibre"),
}
HEIGHT: Final = Number(0.02, 2.5, "height", 0.0254, 0.01)
WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MOWER: Final = ("cut_width", "speed", "field_efficiency")
OTHERS: Final[Mapping[str, str]] = {  # what is no number
    **{f"farm.{key}": key for key in ("name", "units", "season", "horses_fed", "cows_kept")},
    "farm.timezone": "place.timezone.key",
    "weather.source": "weather.sources",
    **{f"weather.{key}": f"weather.{key}" for key in ("forecast_model", "ensemble_model", "api_key", "contact")},
    **{
        f"work.{key}": f"work.{key}"
        for key in ("earliest_start", "latest_start", "finish_by", "after_dark", "break_at", "traction")
    },
    "baleage.conditioned": "baleage.conditioned",
    **{f"alerts.{key}": f"alerts.{key}" for key in ("morning", "evening", "quiet_from", "quiet_until")},
    "page.host": "page.host",
    "page.address": "page.address",
    **{f"field.{key}": key for key in ("name", "soil", "drainage", "last_cut", "notes")},
    "field.forage_for": "purpose",
    **{f"person.{key}": key for key in ("name", "address", "hears")},
    "person.by": "channel",
}


def _bale(size: str, units: str) -> float:
    """Return the dry matter of a bale [t]: a cylinder of ten pounds to the cubic foot."""
    foot = 1.0 if float(size.partition("x")[0]) < 100 else 1.0 / 30.48
    width, diameter = (float(part) * foot for part in size.split("x"))
    return pi / 4.0 * diameter**2 * width * 10.0 * 0.45359237 / 1000.0


def _stand(said: Any, units: str) -> dict[str, float]:
    shares = said if isinstance(said, dict) else {said: 1}
    return {name.strip().casefold(): round(share / sum(shares.values()), 9) for name, share in shares.items()}


def _looks(said: list[Tables], units: str) -> list[tuple[date, float | None]]:
    factor = HEIGHT.factor(units)
    return [(one["on"], round(one["height"] * factor, 9) if "height" in one else None) for one in said]


# What a farm holds in another form: its place, what the file's value comes to, and what the farm's does.
CONVERTED: Final[Mapping[str, tuple[str, Callable[[Any, str], Any], Callable[[Any], Any]]]] = {
    "work.bale_size": ("work.bale_dry_matter", lambda said, units: round(_bale(said, units), 9), lambda t: round(t, 9)),
    "work.days_off": (
        "work.days_off",
        lambda said, units: {WEEKDAYS.index(day.strip()[:3].title()) for day in said},
        set,
    ),
    "field.stand": ("stand", _stand, lambda held: {name: round(share, 9) for name, share in held.items()}),
    "field.looks": (
        *("looks", _looks),
        lambda held: [(one.on, None if one.height is None else round(one.height, 9)) for one in held],
    ),
}


def out_of_range(farm: Farm) -> list[str]:
    """Return the numbers of a farm that lie outside of their limits."""
    held = [(name, number, farm) for name, number in NUMBERS.items() if not name.startswith("field.")]
    own = [(name, number) for name, number in NUMBERS.items() if name.startswith("field.")]
    held += [(f"{name} of {field.name}", number, field) for field in farm.fields for name, number in own]  # type: ignore[misc]
    held += [(f"height in {field.name}", HEIGHT, look) for field in farm.fields for look in field.looks]  # type: ignore[misc]
    found = [(name, number, _at(whole, number.place)) for name, number, whole in held]
    return [f"{name} = {value}" for name, number, value in found if value is not None and not number.holds(value)]


def not_in_use(tables: Tables, farm: Farm) -> list[str]:
    """Return the options of a file that a farm does not hold as the file says them."""
    units = tables["farm"]["units"].strip().casefold()
    found = [
        f"{name} = {value!r} became {held!r}"
        for name, value, whole in _said(tables, farm)
        for place in [_place(name)]
        if place is not None and not _same(name, value, held := _at(whole, place), units)
    ]
    return found + _mower(tables["work"], farm, units)


def _place(name: str) -> str | None:
    if name in CONVERTED:
        return CONVERTED[name][0]
    return NUMBERS[name].place if name in NUMBERS else OTHERS.get(name)


def _said(tables: Tables, farm: Farm) -> Iterator[tuple[str, Any, object]]:
    """Yield each option of a file with its value, and what of the farm holds it."""
    for section, table in tables.items():
        if isinstance(table, dict):
            yield from ((f"{section}.{key}", value, farm) for key, value in table.items())
    people = tables.get("alerts", {}).get("person", [])
    for head, rows, held in (("field", tables["field"], farm.fields), ("person", people, farm.alerts.people)):
        if len(rows) != len(held):
            yield f"{head}.name", f"{len(rows)} of them", held[0]
        for row, whole in zip(rows, held, strict=False):
            yield from ((f"{head}.{key}", value, whole) for key, value in row.items())


def _same(name: str, value: Any, held: Any, units: str) -> bool:
    """Return whether a farm's value is what the file says."""
    if name in CONVERTED:
        _, of_file, of_farm = CONVERTED[name]
        return bool(of_file(value, units) == of_farm(held))
    if name in NUMBERS:
        return held is not None and isclose(held, value * NUMBERS[name].factor(units), rel_tol=1e-9, abs_tol=1e-12)
    if isinstance(held, time | date):
        said = type(held).fromisoformat(value.strip()) if isinstance(value, str) else value
        return bool(held == (said.replace(second=0, microsecond=0) if isinstance(said, time) else said))
    if isinstance(held, frozenset | tuple):
        return (
            held == set(value)
            if isinstance(held, frozenset)
            else [str(one) for one in held] == [one.strip().casefold() for one in _listed(value)]
        )
    if isinstance(value, str):
        return str(held).casefold() == value.strip().casefold()
    return type(held) is type(value) and bool(held == value)


def _mower(work: Tables, farm: Farm, units: str) -> list[str]:
    """Return the mower's width and speed if the rate of a farm is not what they come to."""
    if "cut_width" not in work:
        return []
    width, speed = (0.3048, 1.609344) if units == "us" else (1.0, 1.0)
    rate = work["cut_width"] * width * work["speed"] * speed * work.get("field_efficiency", 0.8) / 10.0
    return [] if isclose(rate, farm.work.mown_per_hour, rel_tol=1e-9) else [f"{rate} ha/h by {', '.join(MOWER)}"]


def _listed(value: Any) -> list[str]:
    return value if isinstance(value, list) else [value]


def _at(whole: object, place: str) -> Any:
    return reduce(getattr, place.split("."), whole)


def literal(value: object) -> str:
    """Return a value as TOML writes it.

    >>> literal([time(5), "a"]), literal({"b": date(2026, 5, 1)}), literal(True)
    ('[05:00:00, "a"]', '{ "b" = 2026-05-01 }', 'true')
    """
    match value:
        case bool():
            return str(value).lower()
        case datetime() | date() | time():
            return value.isoformat()
        case list():
            return f"[{', '.join(map(literal, value))}]"
        case dict():
            return "{ " + ", ".join(f"{_quoted(str(key))} = {literal(one)}" for key, one in value.items()) + " }"
        case str():
            return _quoted(value)
    return repr(value)


def _quoted(text: str) -> str:
    escaped = "".join(char if char.isprintable() and char not in '"\\' else f"\\U{ord(char):08X}" for char in text)
    return f'"{escaped}"'

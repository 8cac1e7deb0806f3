"""The whole way on an invented farm with invented weather: no network, nothing sent."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from importlib.resources import as_file, files
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daemon.advice.decide import decide
from daemon.diary.overlay import apply_diary
from daemon.domain.advice import Morning
from daemon.domain.farm import Farm
from daemon.domain.prospect import FieldProspect
from daemon.messages.daily import morning_email, morning_text
from daemon.page.server import write_page
from daemon.planning.prospect import plan_fields
from daemon.service.health import take_snapshot
from daemon.settings import load
from daemon.weather.clean import clean
from daemon.weather.contract import Weather, build_dataset
from daemon.words.numbers import area_text, field_size_text, odds_text, weekday_name
from daemon.words.reasons import day_reason_text
from daemon.words.stand import ripeness_text
from models.sun import extraterrestrial_radiation

Array = NDArray[np.float64]

NOW: Final = datetime(2026, 6, 1, 9, 30, tzinfo=UTC)  # half past five on the farm's clock
MEMBERS: Final = 31
CLEAR_SKY_TRANSMISSIVITY: Final = 0.76  # share of the sun outside the air that a clear day lets through
#: Sun as share of a clear day, and the chance that a member has a shower in the afternoon, for each day from today on.
DAY_WEATHER: Final = (
    (1.0, 0.03),
    (0.85, 0.12),
    (0.62, 0.45),
    (0.35, 0.9),
    (0.5, 0.55),
    (0.85, 0.12),
    (0.98, 0.05),
    (1.0, 0.05),
)


def invented_morning() -> tuple[Farm, Morning]:
    """Return the invented farm and the advice for its invented day."""
    with as_file(files("daemon.cli.demo") / "farm.toml") as path:
        farm = load(path)
    return farm, decide(farm, plan_fields(apply_diary(farm, (), NOW), invented_weather(farm), NOW))


def show_demo(farm: Farm, morning: Morning, page: Path | None) -> None:
    """Print the text, the email and the fields of the invented morning, and write the page."""
    email = morning_email(farm, morning)
    print(f"--- The text message, {weekday_name(morning.date)} at half past five\n{morning_text(farm, morning)}\n")
    print(f"--- The email\nSubject: {email.title}\n\n{email.body}\n")
    print(f"--- The fields\n{_field_table(farm, morning)}\n")
    path = page or Path("forenoon-demo.html")
    write_page(take_snapshot(farm, morning, (), NOW), path)
    print(f"--- The status page is in {path.absolute()}")


def invented_weather(
    farm: Farm, *, members: int = MEMBERS, days: Sequence[tuple[float, float]] = DAY_WEATHER
) -> Weather:
    """Return a spring that came and some days ahead in some members, the same at each call."""
    first = datetime(NOW.year - 1, 12, 31, tzinfo=UTC)
    past = _hours(first, NOW.replace(minute=0))
    ahead = _hours((NOW - timedelta(days=2)).replace(hour=0, minute=0), NOW + timedelta(days=len(days)))
    past_rng, forecast_rng = np.random.default_rng(1), np.random.default_rng(2)
    past_values = _weather_variables(farm, past, np.full((1, past.size), 0.7), past_rng)
    past_values["precipitation_amount"] = _past_rain(past)
    sun, shower = _forecast_sky_and_rain(ahead, forecast_rng, members, days)
    ahead_values = _weather_variables(farm, ahead, sun, forecast_rng)
    ahead_values["precipitation_amount"] = shower[None]
    attributes = {
        "source": "invented",
        "model": "demo",
        "credit": "Invented weather for the demonstration",
        "issued_at": (NOW - timedelta(hours=5)).isoformat(),
        "fetched_at": NOW.isoformat(),
    }
    names = [f"{number:02}" for number in range(members)]
    return clean(
        build_dataset(past_values, past, ["record"], [farm.place], attributes | {"kind": "record"}),
        build_dataset(ahead_values, ahead, names, [farm.place], attributes | {"kind": "forecast"}),
        first,
        NOW,
    )


def _hours(first: datetime, last: datetime) -> NDArray[np.datetime64]:
    """Return the labels of the whole hours between two moments."""
    start, end = (np.datetime64(at.replace(tzinfo=None), "h") for at in (first, last))
    return np.arange(start, end + 1).astype("datetime64[ns]")


def _weather_variables(
    farm: Farm, time: NDArray[np.datetime64], clear: Array, rng: np.random.Generator
) -> dict[str, Array]:
    """Return air, dew point, wind and sun of shape (1, member, hour) for a share of the clear sky."""
    day = (time - time.astype("datetime64[Y]")) / np.timedelta64(1, "D")
    clock = (time - time.astype("datetime64[D]")) / np.timedelta64(1, "h")
    season = 8.0 - 13.5 * np.cos(2.0 * np.pi * (day - 22.0) / 365.0)
    swing = 8.0 * np.cos(2.0 * np.pi * (clock - 20.0) / 24.0)
    spell = 2.5 * np.sin(day / 4.3) + 1.5 * np.sin(day / 1.9)
    air = season + spell + swing * (0.4 + 0.6 * clear) + rng.normal(0.0, 0.8, (clear.shape[0], 1))
    dew = np.minimum(season + spell - 6.0 - 5.0 * clear + rng.normal(0.0, 0.7, (clear.shape[0], 1)), air - 0.2)
    outside = extraterrestrial_radiation(farm.place.latitude, farm.place.longitude, time)
    wind = 2.2 + 1.3 * np.cos(2.0 * np.pi * (clock - 19.0) / 24.0) + np.zeros_like(clear)
    values = {
        "air_temperature": air,
        "dew_point_temperature": dew,
        "wind_speed": wind,
        "surface_downwelling_shortwave_flux_in_air": clear * CLEAR_SKY_TRANSMISSIVITY * outside / 0.0036,
        "precipitation_amount": np.zeros_like(clear),
    }
    return {name: np.asarray(value, dtype=np.float64)[None] for name, value in values.items()}


def _past_rain(time: NDArray[np.datetime64]) -> Array:
    """Return the rain [mm] that came, shape (1, 1, hour): at night, each fifth day until a week ago."""
    ago = (np.datetime64(NOW.date()) - time.astype("datetime64[D]")).astype(int)
    night = (time - time.astype("datetime64[D]")) // np.timedelta64(1, "h") < 6
    return np.where((ago % 5 == 2) & (ago > 5) & night, 3.0, 0.0)[None, None]


def _forecast_sky_and_rain(
    time: NDArray[np.datetime64], rng: np.random.Generator, members: int, days: Sequence[tuple[float, float]]
) -> tuple[Array, Array]:
    """Return the share of clear sky and the rain [mm] of every member, shape (member, hour)."""
    number = (time.astype("datetime64[D]") - np.datetime64(NOW.date())).astype(int)
    plan = np.array([days[min(max(day, 0), len(days) - 1)] for day in number])
    spread = rng.normal(0.0, 0.06, (members, 1)) * (1.0 + 0.3 * np.maximum(number, 0))
    sun = np.clip(plan[:, 0] + spread, 0.1, 1.0)
    showery = rng.random((members, number.max() + 3))[:, number + 2] < np.where(number >= 0, plan[:, 1], 0.0)
    clock = (time - time.astype("datetime64[D]")) / np.timedelta64(1, "h")
    rain = np.where(showery & (clock >= 18) & (clock < 22), 1.6, 0.0)
    return np.where(rain > 0.0, 0.15, sun), rain


def _field_table(farm: Farm, morning: Morning) -> str:
    rows = [_field_row(farm, morning, field) for field in morning.prospect.fields]
    heads = ("field", "size", "ripeness", "today", "next good day")
    widths = [max(len(row[column]) for row in (heads, *rows)) for column in range(len(heads))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in (heads, *rows)
    )


def _field_row(farm: Farm, morning: Morning, field: FieldProspect) -> tuple[str, ...]:
    state = ripeness_text(field.stand.ripeness) if field.stand else "not known"
    return (
        field.name,
        field_size_text(field.area, farm.units),
        f"{state} ({field.stand.stage if field.stand else None})",
        _today_cell(farm, morning, field),
        _next_good_day_cell(farm, morning, field),
    )


def _today_cell(farm: Farm, morning: Morning, field: FieldProspect) -> str:
    advice = next(advice for advice in morning.advices if advice.field == field.name)
    if advice not in morning.mows or advice.day is None:
        return day_reason_text(advice.reason, advice.day)
    return f"mow {area_text(advice.area, farm.units)}, {odds_text(advice.day.odds or 0)}"


def _next_good_day_cell(farm: Farm, morning: Morning, field: FieldProspect) -> str:
    for day in field.days:
        if day.area > 0.0 and day.date > morning.date:
            return f"{weekday_name(day.date)} {day.date.day}, {area_text(day.area, farm.units)}"
    return "none in sight"

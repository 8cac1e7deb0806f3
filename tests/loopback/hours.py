"""Invented hours of weather in the contract's names and units, and the settings to read them with."""

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from daemon.domain.farm import Place, WeatherSource
from models.sun import extraterrestrial_radiation

HERE: Final = Place(43.0, -75.0, 300.0, ZoneInfo("America/New_York"))
NOW: Final = datetime(2026, 6, 10, 9, 20, tzinfo=UTC)
LAST: Final = "2026-06-15T00:00Z"  # the last hour of weather that a program needs at that time
ATTRIBUTES = {
    "source": "invented",
    "model": "none",
    "issued_at": "2026-06-10T00:00:00Z",
    "fetched_at": "2026-06-10T09:00:00+00:00",
    "credit": "nobody",
    "kind": "forecast",
}


def invented(first: str, last: str, place: Place = HERE) -> pd.DataFrame:
    """Dry, fairly sunny days, each hour a little different from all others."""
    time = pd.date_range(first, last, freq="h", tz="UTC")
    number = np.arange(len(time))
    sun = extraterrestrial_radiation(place.latitude, place.longitude, time.tz_convert(None).to_numpy("datetime64[ns]"))
    air = 14 + 8 * np.sin((time.hour - 15) / 24 * 2 * np.pi) + number % 7 / 10
    return pd.DataFrame(
        {
            "air_temperature": air.round(1),
            "dew_point_temperature": (air - 4 - number % 5).round(1),
            "wind_speed": (2 + number % 11 / 4).round(2),
            "surface_downwelling_shortwave_flux_in_air": (sun / 0.0036 * 0.6).round(1),
            "precipitation_amount": 0.0,
            "cloud_area_fraction": (number % 10) / 10,
            "wind_speed_of_gust": (5 + number % 11 / 4).round(2),
            "probability_of_precipitation": 0.1,
        },
        index=time,
    )


def source(address: str = "http://127.0.0.1:9", **changes: Any) -> WeatherSource:
    """Settings that lead to a loopback server."""
    given: dict[str, Any] = {
        "sources": ("open-meteo",),
        "forecast_model": "best_match",
        "ensemble_model": "ncep_gefs025",
        "forecast_address": address,
        "ensemble_address": f"{address}/",
        "history_address": f"{address}/history",
        "weather_gov_address": address,
        "met_no_address": address,
        "api_key": None,
        "contact": "mail@farm.example.org",
        "path": None,
        "oldest": 18.0,
        "least_members": 8,
        "wet_hour": 0.2,
        "wet_step": 1.0,
        **changes,
    }
    return WeatherSource(**given)


def written(path: Path, table: pd.DataFrame, first_line: str = "") -> Path:
    """Write a table as a weather file, a day after its last hour: what comes later is no record."""
    lines = table.rename_axis("time").reset_index()
    lines["time"] = lines["time"].dt.strftime("%Y-%m-%dT%H:%MZ")
    path.write_text(first_line + lines.to_csv(index=False))
    day_after = table.index[-1].timestamp() + 86400.0
    os.utime(path, (day_after, day_after))
    return path

"""Real hourly weather that reference packages carry, in the contract's names, units and end-of-hour UTC labels."""

from importlib.resources import files

import numpy as np
import pandas as pd

YEAR = 1990  # a made-up typical year needs a year to be labelled with


def greensboro() -> pd.DataFrame:
    """Return a typical year at 36.1 N, 79.95 W, 273 m: TMY3 station 723170 as shipped by pvlib (BSD-3).

    Months come from different years. The rain column says mm but holds tenths of it (steps of 0.01 inch), and all of it
    is modelled (source D), so rain here is plausible, not observed. Times are UTC-5 at the end of the hour.
    """
    with files("pvlib").joinpath("data/723170TYA.CSV").open() as table:
        raw = pd.read_csv(table, skiprows=1)
    end = pd.date_range(f"{YEAR}-01-01T01:00", periods=len(raw), freq="h", tz="Etc/GMT+5").tz_convert("UTC")
    return _contract(
        end,
        raw["Dry-bulb (C)"],
        raw["Dew-point (C)"],
        raw["Wspd (m/s)"],
        raw["GHI (W/m^2)"],
        raw["Lprecip depth (mm)"] / 10.0,
    )


def london() -> pd.DataFrame:
    """Return 2012 at 51.51 N, 0.12 W: King's College roof as shipped by supy (GPL-3: read, never copied).

    Dew point is derived from relative humidity by the FAO-56 form. Times are UTC at the end of the hour. The rows of
    hour 0 are filled in, once with sun at midnight: sun from 22 to 3 UTC is set to none.
    """
    with files("supy").joinpath("sample_data/Kc_2012_data_60.txt").open() as table:
        raw = pd.read_csv(table, sep=r"\s+")
    day = pd.to_timedelta(raw["id"] - 1, unit="D") + pd.to_timedelta(raw["it"], unit="h")
    end = pd.DatetimeIndex(pd.to_datetime(raw["iy"].astype(str)) + day).tz_localize("UTC")
    sun = raw["kdown"].clip(lower=0.0).where(raw["it"].between(3, 21), 0.0)
    celsius, humidity = raw["Tair"], raw["RH"].clip(1.0, 100.0)
    x = np.log(humidity / 100.0) + 17.27 * celsius / (237.3 + celsius)
    return _contract(end, celsius, 237.3 * x / (17.27 - x), raw["U"], sun, raw["rain"])


def _contract(
    end: pd.DatetimeIndex, air: pd.Series, dew: pd.Series, wind: pd.Series, sun: pd.Series, rain: pd.Series
) -> pd.DataFrame:
    table = {
        "air_temperature": air,
        "dew_point_temperature": np.minimum(dew, air),
        "wind_speed": wind,
        "surface_downwelling_shortwave_flux_in_air": sun,
        "precipitation_amount": rain.clip(lower=0.0),
    }
    frame = pd.DataFrame({name: np.asarray(column, dtype=float) for name, column in table.items()}, index=end)
    return frame.rename_axis("time")

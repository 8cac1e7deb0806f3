"""The names and units under which a file with CF names may hold the weather.

References
----------
Eaton, B. and others, NetCDF Climate and Forecast (CF) Metadata Conventions 1.11, sections 3 and 7.3, and the table of
standard names.
"""

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from daemon.weather.derive import AIR, CLOUD, DEW, RAIN, SUN

SECONDS_PER_HOUR: Final = 3600.0  # [s h-1]
RUN_TOTAL_NAMES: Final = ("tp", "ssrd")  # of sums since the start of the run, unless the file says otherwise


class CfUnit(NamedTuple):
    """The conversion of a unit to ours: times `factor`, plus `offset`; a rate also times its duration in seconds."""

    factor: float = 1.0
    offset: float = 0.0
    is_rate: bool = False


KELVIN_OFFSET: Final = -273.15
FAHRENHEIT: Final = CfUnit(5 / 9, -160 / 9)
TEMPERATURE_UNITS: Final = {
    **dict.fromkeys(("K", "kelvin", "Kelvin"), CfUnit(offset=KELVIN_OFFSET)),
    **dict.fromkeys(
        ("degC", "degree_Celsius", "degrees_Celsius", "degree_C", "Celsius", "celsius", "°C", "C"), CfUnit()
    ),
    **dict.fromkeys(("degF", "degree_Fahrenheit", "degrees_Fahrenheit", "Fahrenheit", "°F", "F"), FAHRENHEIT),
}
SHARE_UNITS: Final = {
    **dict.fromkeys(("1", "(0 - 1)"), CfUnit()),
    **dict.fromkeys(("%", "percent"), CfUnit(0.01)),
    **dict.fromkeys(("okta", "oktas"), CfUnit(1 / 8)),
}
SPEED_UNITS: Final = {
    **dict.fromkeys(("m s-1", "m/s"), CfUnit()),
    **dict.fromkeys(("km h-1", "km/h"), CfUnit(1 / 3.6)),
    **dict.fromkeys(("knot", "knots", "kt", "kn"), CfUnit(1852 / 3600)),
}
WATER_UNITS: Final = {
    **dict.fromkeys(("mm", "kg m-2", "kg/m2"), CfUnit()),
    "m": CfUnit(1000.0),
    **dict.fromkeys(("kg m-2 s-1", "mm s-1"), CfUnit(is_rate=True)),
    "m s-1": CfUnit(1000.0, is_rate=True),
    **dict.fromkeys(("mm h-1", "mm/h", "kg m-2 h-1"), CfUnit(1 / SECONDS_PER_HOUR, is_rate=True)),
}
RADIATION_UNITS: Final = {
    **dict.fromkeys(("W m-2", "W/m2"), CfUnit(is_rate=True)),
    **dict.fromkeys(("J m-2", "J/m2", "W s m-2"), CfUnit()),
    "kJ m-2": CfUnit(1e3),
    "MJ m-2": CfUnit(1e6),
}


class Quantity(NamedTuple):
    """How a file may hold a quantity: under which standard or usual names, in which units, at which height [m]."""

    standard_names: Sequence[str]
    names: Sequence[str]
    units: Mapping[str, CfUnit]
    height: float | None = None
    methods: Sequence[str | None] = (None, "point")  # over time; None: the file does not say


STEP_METHODS: Final = (None, "sum", "mean")
WIND: Final = "wind_speed"
GUST: Final = "wind_speed_of_gust"
EAST: Final = "eastward_wind"
NORTH: Final = "northward_wind"
HUMIDITY: Final = "relative_humidity"
QUANTITIES: Final[Mapping[str, Quantity]] = {
    AIR: Quantity((AIR,), ("t2m", "2t", "tas", "temperature_2m"), TEMPERATURE_UNITS, 2.0),
    DEW: Quantity((DEW,), ("d2m", "2d", "tdps"), TEMPERATURE_UNITS, 2.0),
    HUMIDITY: Quantity((HUMIDITY,), ("r2", "2r", "rh", "hurs"), SHARE_UNITS, 2.0),
    WIND: Quantity((WIND,), ("si10", "10si", "sfcWind"), SPEED_UNITS, 10.0),
    EAST: Quantity((EAST, "x_wind"), ("u10", "10u", "uas"), SPEED_UNITS, 10.0),
    NORTH: Quantity((NORTH, "y_wind"), ("v10", "10v", "vas"), SPEED_UNITS, 10.0),
    GUST: Quantity((GUST,), ("fg10", "10fg", "gust"), SPEED_UNITS, methods=(None, "point", "maximum")),
    CLOUD: Quantity((CLOUD,), ("tcc", "clt"), SHARE_UNITS),
    SUN: Quantity(
        (SUN, f"integral_wrt_time_of_{SUN}"), ("ssrd", "sdswrf", "rsds"), RADIATION_UNITS, methods=STEP_METHODS
    ),
    RAIN: Quantity(
        (RAIN, "lwe_thickness_of_precipitation_amount", "precipitation_flux", "lwe_precipitation_rate"),
        ("tp", "pr"),
        WATER_UNITS,
        methods=STEP_METHODS,
    ),
}
ALTERNATIVE_TEXT: Final = {DEW: f" (or {HUMIDITY})", WIND: f" (or {EAST} and {NORTH})"}

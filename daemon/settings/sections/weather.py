"""The section [weather]: where the weather comes from and how far it is trusted."""

from collections.abc import Iterator
from typing import Annotated, Final

from pydantic import Field

from daemon.domain.farm import Units
from daemon.settings.sections.base import Conflict, Section
from daemon.settings.values.addresses import WebAddress
from daemon.settings.values.kinds import Choice, Number, OptionUnit, Text, WholeNumber
from daemon.settings.values.lists import OneOrMore

SOURCES: Final = ("open-meteo", "weather.gov", "met.no", "netcdf", "file")

_HOURS: Final = OptionUnit("h")
_RAIN: Final = OptionUnit("mm")
_MODEL: Final = Text(pattern=r"^[a-z0-9_]+$", meaning="the name of one weather model in small letters, in quotes")
_ASCII: Final = "plain text in quotes, one line of 1 to 120 characters without accents"


class WeatherSection(Section):
    """The options of [weather]."""

    source: Annotated[tuple[str, ...], OneOrMore(Choice({name: name for name in SOURCES}))] = Field(
        ("open-meteo",),
        description="where the weather comes from, or a list: the next one takes over where one cannot be had",
    )
    forecast_model: Annotated[str, _MODEL] = Field(
        "best_match", description="model of the single forecast and of the past hours"
    )
    ensemble_model: Annotated[str, _MODEL] = Field("ncep_gefs025", description="model whose members give the odds")
    forecast_address: Annotated[str | None, WebAddress()] = Field(
        None, description="base of the forecast service; left out: the public one, or the customers' one with api_key"
    )
    ensemble_address: Annotated[str | None, WebAddress()] = Field(
        None, description="base of the ensemble service; left out: as above"
    )
    history_address: Annotated[str | None, WebAddress()] = Field(
        None, description="base of the service of hours more than 92 days past; left out: as above"
    )
    weather_gov_address: Annotated[str, WebAddress()] = Field(
        "https://api.weather.gov", description="base of the United States' weather service"
    )
    met_no_address: Annotated[str, WebAddress()] = Field(
        "https://api.met.no", description="base of the Norwegian weather service"
    )
    api_key: Annotated[
        str | None, Text(max_length=200, pattern=r"^[!-~]+$", meaning="the key in quotes", secret=True)
    ] = Field(None, description="key of a paid plan; left out: none")
    contact: Annotated[str, Text(max_length=120, pattern=r"^[ -~]+$", meaning=_ASCII)] = Field(
        "no contact given", description="mail or web address told to the weather service, so that it can complain"
    )
    path: Annotated[str | None, Text(max_length=1000, meaning="the path of a file in quotes")] = Field(
        None,
        description='the CSV file with source = "file", the file or folder with "netcdf"; a relative path starts at '
        "the folder of this file",
    )
    oldest_forecast: Annotated[float, Number(3.0, 48.0, _HOURS)] = Field(
        18.0, description="a forecast older than this leads to no advice"
    )
    least_members: Annotated[int, WholeNumber(1, 60)] = Field(
        8, description="fewer usable members lead to no advice; a file of records needs none"
    )
    wet_hour: Annotated[float, Number(0.1, 2.0, _RAIN)] = Field(0.2, description="rain that makes an hour wet")
    wet_step: Annotated[float, Number(0.1, 10.0, _RAIN)] = Field(
        1.0, description="rain that makes a forecast step of 3 or 6 hours wet"
    )

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield conflicts if a file has no path or is one of several sources, or if a step is wet before an hour."""
        for source, example in (("file", "weather.csv"), ("netcdf", "weather.nc")):
            if source in self.source and self.path is None:
                fix = f'write path = "{example}" below it'
                yield Conflict(("source",), f'"{source}" without path', "path with it", fix, ("path",))
        if "file" in self.source and len(self.source) > 1:
            fix = 'write source = "file", or take it out of the list'
            yield Conflict(("source",), '"file" among others', "a file of records alone", fix)
        if self.wet_step < self.wet_hour:
            given = f"{self.wet_step:g}, less than wet_hour {self.wet_hour:g}"
            fix = f"write wet_step = {self.wet_hour:g}"
            yield Conflict(("wet_step",), given, "wet_hour or more", fix, ("wet_hour",))

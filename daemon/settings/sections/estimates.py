"""The section [estimates]: the program's own figures, most of them estimates, that a farm may know better."""

from collections.abc import Iterator
from typing import Annotated, Final

from pydantic import Field

from daemon.domain.farm import DEFAULT_ESTIMATES, Units
from daemon.settings.sections.base import Conflict, Section
from daemon.settings.sections.work import MILE
from daemon.settings.values.kinds import Number, OptionUnit
from daemon.settings.values.yearly import YearDay, YearDays
from models.cautions import MonthDay, YearlySpan

_SHARE: Final = OptionUnit("%", 0.01)
_WATER: Final = OptionUnit("mm")
_HORSE_SUM: Final = OptionUnit("degF + %")
_WIND: Final = (OptionUnit("mph", MILE / 3.6), OptionUnit("km/h", 1.0 / 3.6))


class EstimatesSection(Section):
    """The options of [estimates]."""

    thunder_from: Annotated[float, Number(0.01, 0.5, _SHARE)] = Field(
        DEFAULT_ESTIMATES.thunder_from, description="chance of thunder in the hours of work that is told of (estimate)"
    )
    fawns: Annotated[YearlySpan | None, YearDays()] = Field(
        None, description="days on which fawns lie in tall grass here; left out: by the latitude (estimate)"
    )
    nests: Annotated[YearlySpan | None, YearDays()] = Field(
        None, description="days on which birds nest on the ground here; left out: by the latitude (estimate)"
    )
    killing_frost: Annotated[MonthDay | None, YearDay()] = Field(
        None, description="mean day of the frost that kills alfalfa's tops; left out: by the latitude (estimate)"
    )
    horses_rest_at: Annotated[float, Number(100.0, 150.0, _HORSE_SUM)] = Field(
        DEFAULT_ESTIMATES.horses_rest_at,
        description="temperature and humidity added up, from which horses rest often (published); a warning over 130",
    )
    horses_stop_at: Annotated[float, Number(130.0, 180.0, _HORSE_SUM)] = Field(
        DEFAULT_ESTIMATES.horses_stop_at, description="the same, from which they stop (published); less is stricter"
    )
    firm_below: Annotated[float, Number(0.5, 0.9, _SHARE)] = Field(
        DEFAULT_ESTIMATES.firm_below,
        description="of the water that drained topsoil holds, with which it carries the baler (estimate)",
    )
    firm_deficit: Annotated[float, Number(5.0, 40.0, _WATER)] = Field(
        DEFAULT_ESTIMATES.firm_deficit, description="water that the root zone must lack to carry it (remembered)"
    )
    spoiled_loss: Annotated[float, Number(0.01, 1.0, _SHARE)] = Field(
        DEFAULT_ESTIMATES.spoiled_loss,
        description="of a crop's worth that is lost if it is not wrapped in time (reckoned: $50 of $200)",
    )
    next_window: Annotated[float, Number(0.5, 30.0, OptionUnit("days"))] = Field(
        DEFAULT_ESTIMATES.next_window, description="from the end of a forecast to the next day that will do (estimate)"
    )
    worth_waiting: Annotated[float, Number(0.0, 0.5, _SHARE)] = Field(
        DEFAULT_ESTIMATES.worth_waiting, description="that a later day must bring more to be waited for (estimate)"
    )
    storm_gust: Annotated[float, Number(8.0, 40.0, *_WIND)] = Field(
        DEFAULT_ESTIMATES.storm_gust, description="gust that lays a tall ripe crop flat, with storm_rain (estimate)"
    )
    storm_rain: Annotated[float, Number(0.0, 50.0, _WATER)] = Field(
        DEFAULT_ESTIMATES.storm_rain, description="rain in the hours around that gust (estimate)"
    )
    carried_share: Annotated[float, Number(0.0, 1.0, _SHARE)] = Field(
        DEFAULT_ESTIMATES.carried_share,
        description="of what looks told of a field's clock in one season that is held for the next (estimate)",
    )

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield a conflict if horses would stop before they rest often."""
        if self.horses_stop_at <= self.horses_rest_at:
            given = f"{self.horses_stop_at:g} with horses_rest_at {self.horses_rest_at:g}"
            fix = f"write horses_stop_at = {DEFAULT_ESTIMATES.horses_stop_at:g}, or a lower horses_rest_at"
            yield Conflict(("horses_stop_at",), given, "more than horses_rest_at", fix, ("horses_rest_at",))

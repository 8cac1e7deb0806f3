"""From one season to the next: what the looks at a field told of its stage clock, as far as that is held to last."""

import logging
from datetime import date, timedelta

from daemon.domain.farm import Farm, PriorsByField, PriorsByKind
from daemon.domain.field_history import PriorReport
from daemon.domain.prospect import Prospect
from daemon.learning.record import ForecastRecord, ForecastRecordError

log = logging.getLogger(__name__)


def last_season_priors(farm: Farm, forecast_record: ForecastRecord | None, today: date) -> PriorsByField:
    """Return what the looks of the season before say of each field's first growth, by the name of the field."""
    try:
        before = farm.place.season_origin(today) - timedelta(days=1)
        stored = forecast_record.load_priors(farm.place.season_origin(before)) if forecast_record else {}
    except ForecastRecordError as error:
        log.warning("the looks of last season are left out: %s", error)
        return {}
    return {field.name: stored.get(field.name.casefold(), {}) for field in farm.fields}


def store_next_season_priors(farm: Farm, forecast_record: ForecastRecord, prospect: Prospect, today: date) -> None:
    """Keep what the looks of this season have told by now.

    Raises
    ------
    LedgerError
        If it cannot be kept.
    """
    if prospect.next_season_priors:
        told = {name.casefold(): kinds for name, kinds in prospect.next_season_priors.items()}
        forecast_record.store_priors(told, farm.place.season_origin(today))


def prior_reports(priors: PriorsByKind) -> tuple[PriorReport, ...]:
    """Return by how much last season's looks move the clocks of a first growth, the least of it left out."""
    return tuple(PriorReport(plants, prior.offset) for plants, prior in priors.items() if abs(prior.offset) >= 0.5)

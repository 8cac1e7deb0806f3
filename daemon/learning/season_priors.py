"""From one season to the next: what the looks at a field told of its stage clock, as far as that is held to last."""

import logging
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

from daemon.domain.farm import Farm
from daemon.domain.prospect import Prospect
from daemon.learning.record import ForecastRecord, ForecastRecordError
from models.looks import Prior

log = logging.getLogger(__name__)


def apply_last_season_priors(farm: Farm, forecast_record: ForecastRecord | None, today: date) -> Farm:
    """Return the farm with what the looks of the season before say of each field's first growth."""
    try:
        before = farm.place.season_origin(today) - timedelta(days=1)
        told = forecast_record.load_priors(farm.place.season_origin(before)) if forecast_record else {}
    except ForecastRecordError as error:
        log.warning("the looks of last season are left out: %s", error)
        return farm
    fields = (replace(field, priors=told.get(field.name.casefold(), {})) for field in farm.fields)
    return replace(farm, fields=tuple(fields))


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


def prior_sentences(priors: Mapping[str, Prior]) -> list[str]:
    """Return what last season's looks do to the clocks of a first growth.

    Examples
    --------
    >>> prior_sentences({"grasses": Prior(-12.0, 45.0)})
    ['Last season its grasses were later than the model by looks: their clock is set back by 12 degC days (estimate).']
    """
    return [
        f"Last season its {kind} were {'ahead of' if prior.offset > 0.0 else 'later than'} the model by looks: their "
        f"clock is set {'forward' if prior.offset > 0.0 else 'back'} by {abs(prior.offset):.0f} degC days (estimate)."
        for kind, prior in priors.items()
        if abs(prior.offset) >= 0.5
    ]

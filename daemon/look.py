"""One look at weather and fields: fetch, pass, decide. Whatever breaks down becomes "no advice, because"."""

import logging
from datetime import date, datetime

import numpy as np

from daemon.decide import decide
from daemon.farm import Farm
from daemon.outlook import Morning, Prospect, Reason
from daemon.prospect import look_ahead, no_prospect
from daemon.weather.contract import Refused, Weather
from models.season import season_origin

log = logging.getLogger(__name__)


def look(farm: Farm, now: datetime) -> Morning:
    """Return the advice for the local day of `now`.

    Parameters
    ----------
    farm : Farm
    now : datetime
        The moment of the pass, aware.

    Notes
    -----
    Weather that is refused, and a pass that breaks down, leave every field with "no advice" and the reason.
    """
    return decide(farm, _prospect(farm, now))


def fetched(farm: Farm, now: datetime) -> Weather:
    """Return the weather from the source that the settings name.

    Raises
    ------
    Refused
        With the reason, in a plain sentence.
    """
    source = farm.weather
    if source.source == "file":
        from daemon.weather import files  # noqa: PLC0415 - each source is loaded where it is used

        if source.path is None:
            raise Refused('no file is named; write path = "..." in [weather]')
        return files.read(source.path, source, now, farm.place)
    from daemon.weather import openmeteo  # noqa: PLC0415

    return openmeteo.fetch(source, [farm.place], _since(farm, now), now)


def _prospect(farm: Farm, now: datetime) -> Prospect:
    try:
        return look_ahead(farm, fetched(farm, now), now)
    except Refused as refused:
        return no_prospect(farm, now, Reason.DATA_MISSING, str(refused))
    except Exception as error:
        log.exception("the pass broke down")
        return no_prospect(farm, now, Reason.OUT_OF_RANGE, f"the pass broke down: {type(error).__name__}: {error}")


def _since(farm: Farm, now: datetime) -> date:
    """Return the first day of weather that growth needs: the season's origin."""
    today = now.astimezone(farm.place.timezone).date()
    origin: date = season_origin(np.datetime64(today, "D"), farm.place.latitude < 0.0).astype(date)
    return origin

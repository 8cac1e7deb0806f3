"""One look at weather and fields: fetch, pass, decide. Whatever breaks down becomes "no advice, because"."""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from math import isclose

import numpy as np

from daemon.decide import decide
from daemon.diary import Diary, DiaryError, Line, told_by, with_diary
from daemon.farm import Farm
from daemon.learning import learnt
from daemon.outlook import Morning, Prospect, Reason
from daemon.prospect import look_ahead, no_prospect
from daemon.weather.contract import Refused, Weather
from models.season import season_origin

log = logging.getLogger(__name__)


def look(farm: Farm, now: datetime, diary: Diary | None = None) -> Morning:
    """Return the advice for the local day of `now`.

    Parameters
    ----------
    farm : Farm
        As in the settings.
    now : datetime
        The moment of the pass, aware.
    diary : Diary, optional
        What was cut and measured; its lines are read anew at each look.

    Notes
    -----
    Weather that is refused, a diary that cannot be read and a pass that breaks down leave every field with "no advice"
    and the reason.
    """
    return decide(farm, _prospect(farm, now, diary))


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


def _prospect(farm: Farm, now: datetime, diary: Diary | None) -> Prospect:
    lines: Sequence[Line] = ()
    try:
        lines = diary.lines() if diary else ()
        weather = fetched(farm, now)
        found = learnt(farm, lines, weather, now)
        if diary is not None:
            _keep(diary, lines, found.factors)
        prospect = look_ahead(with_diary(found.farm, lines, now), weather, now)
        return _with_told(prospect, farm, lines, found.told)
    except (Refused, DiaryError) as refused:
        prospect = no_prospect(farm, now, Reason.DATA_MISSING, str(refused))
    except Exception as error:
        log.exception("the pass broke down")
        why = f"the pass broke down: {type(error).__name__}: {error}"
        prospect = no_prospect(farm, now, Reason.OUT_OF_RANGE, why)
    return _with_told(prospect, farm, lines, {})


def _with_told(
    prospect: Prospect, farm: Farm, lines: Sequence[Line], learnt: Mapping[str, tuple[str, ...]]
) -> Prospect:
    """Return the prospect with what the diary says of each field, in sentences."""
    told = {field.name: tuple(told_by(farm, lines, field, prospect.at)) for field in farm.fields}
    fields = (replace(one, told=told[one.name] + learnt.get(one.name, ())) for one in prospect.fields)
    return replace(prospect, fields=tuple(fields))


def _keep(diary: Diary, lines: Sequence[Line], factors: Mapping[int, float]) -> None:
    """Keep what samples told for the time when their weather is gone; a command may look where it cannot write."""
    kept = {line.id: line.factor or 0.0 for line in lines}
    news = {number: factor for number, factor in factors.items() if not isclose(factor, kept[number], rel_tol=1e-3)}
    try:
        if news:
            diary.keep_factors(news)
    except DiaryError as error:
        log.warning("what a sample told was not kept: %s", error)


def _since(farm: Farm, now: datetime) -> date:
    """Return the first day of weather that growth needs: the season's origin."""
    today = now.astimezone(farm.place.timezone).date()
    origin: date = season_origin(np.datetime64(today, "D"), farm.place.latitude < 0.0).astype(date)
    return origin

"""One look at weather and fields: fetch, pass, decide. Whatever breaks down becomes "no advice, because"."""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from math import isclose
from pathlib import Path
from typing import Final

from daemon.advice.decide import Underway, decide
from daemon.diary.cuts import left_uncut, still_lying
from daemon.diary.overlay import with_diary
from daemon.diary.phrases import told_by
from daemon.diary.store import Diary, DiaryError, Line
from daemon.domain.advice import Morning, WatchedField
from daemon.domain.farm import Farm
from daemon.domain.prospect import Prospect, Reason
from daemon.learning.record import ForecastRecord, ForecastRecordError
from daemon.learning.samples import learn_drying
from daemon.learning.season_priors import apply_last_season_priors, prior_sentences, store_next_season_priors
from daemon.learning.verification import fit_odds_correction
from daemon.planning.prospect import plan_fields, unknown_prospect
from daemon.planning.watch import watch_fields
from daemon.weather.archive import Archive
from daemon.weather.contract import Refused, Weather
from daemon.weather.gather import gather
from models.odds import UNCORRECTED, Correction

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Memory:
    """What the farm remembers on disk: what was done, seen and measured, what was said of each day, and the weather.

    `replies` is the folder of what services told until it expires. `keeping` is whether a look adds to the record what
    it says.
    """

    diary: Diary | None = None
    ledger: ForecastRecord | None = None
    archive: Archive | None = None
    replies: Path | None = None
    keeping: bool = False


NOTHING: Final = Memory()


def look(
    farm: Farm,
    now: datetime,
    said: Morning | None = None,
    *,
    memory: Memory = NOTHING,
    weather_is_there: Callable[[], None] = lambda: None,
) -> Morning:
    """Return the advice for the local day of `now`.

    Parameters
    ----------
    farm : Farm
        As in the settings.
    now : datetime
        The moment of the pass, aware.
    said : Morning, optional
        The advice that was sent today: its fields are watched.
    memory : Memory
        Read anew at each look.
    weather_is_there : Callable[[], None]
        Called once nothing is waited for any more, for who shows how far it has come.

    Notes
    -----
    Weather that is refused, a diary that cannot be read and a pass that breaks down leave every field with "no advice"
    and the reason.
    """
    lines: Sequence[Line] = ()
    try:
        lines = memory.diary.lines() if memory.diary else ()
        weather = gather(farm, now, memory.archive, memory.replies, update_archive=memory.keeping)
        weather_is_there()
        return _looked(farm, weather, now, said, memory, lines)
    except DiaryError as unreadable:
        prospect = unknown_prospect(farm, now, Reason.DIARY_UNREADABLE, str(unreadable))
    except Refused as refused:
        prospect = unknown_prospect(farm, now, Reason.DATA_MISSING, str(refused))
    except Exception as error:
        log.exception("the pass broke down")
        why = f"the pass broke down: {type(error).__name__}: {error}"
        prospect = unknown_prospect(farm, now, Reason.OUT_OF_RANGE, why)
    return decide(farm, _with_told(prospect, farm, lines, {}))


def _looked(
    farm: Farm, weather: Weather, now: datetime, said: Morning | None, memory: Memory, lines: Sequence[Line]
) -> Morning:
    """Return the advice from weather that could be had."""
    today = now.astimezone(farm.place.timezone).date()
    farm = apply_last_season_priors(farm, memory.ledger, today)
    found = learn_drying(farm, lines, weather, now)
    _keep_factors(memory, lines, found.factors)
    correction: Correction = UNCORRECTED
    record: tuple[str, ...] = ()
    if memory.ledger is not None:
        correction, record = fit_odds_correction(farm, memory.ledger, weather, today)
    prospect = plan_fields(with_diary(found.farm, lines, now), weather, now, correction)
    _keep_for_later(farm, memory, prospect, today)
    prospect = replace(
        _with_told(prospect, farm, lines, found.sentences), forecast_cases=(), next_season_priors={}, record=record
    )
    watched = () if prospect.trouble else _watched(found.farm, weather, said, lines, now, correction)
    lying, uncut = still_lying(farm, lines, now), left_uncut(farm, lines, now)
    return decide(farm, prospect, Underway(said, watched, lying, uncut))


def _watched(
    farm: Farm, weather: Weather, said: Morning | None, lines: Sequence[Line], now: datetime, correction: Correction
) -> tuple[WatchedField, ...]:
    """Return how what is mown stands; the advice for the fields that stand must not fall with it."""
    try:
        return watch_fields(farm, weather, said, lines, now, correction)
    except Exception:
        log.exception("the watch of what is mown broke down")
        return said.watched if said else ()


def _with_told(
    prospect: Prospect, farm: Farm, lines: Sequence[Line], learnt: Mapping[str, tuple[str, ...]]
) -> Prospect:
    """Return the prospect with what the diary says of each field, in sentences."""
    told = {
        field.name: (
            *told_by(farm, lines, field, prospect.at),
            *(prior_sentences(field.priors) if field.name in prospect.next_season_priors else ()),
        )
        for field in farm.fields
    }
    fields = (replace(one, diary_sentences=told[one.name] + learnt.get(one.name, ())) for one in prospect.fields)
    return replace(prospect, fields=tuple(fields))


def _keep_factors(memory: Memory, lines: Sequence[Line], factors: Mapping[int, float]) -> None:
    """Keep what samples told for the time when their weather is gone; a command may look where it cannot write."""
    kept = {line.id: line.factor or 0.0 for line in lines}
    news = {number: factor for number, factor in factors.items() if not isclose(factor, kept[number], rel_tol=1e-3)}
    try:
        if news and memory.diary is not None:
            memory.diary.keep_factors(news)
    except DiaryError as error:
        log.warning("what a sample told was not kept: %s", error)


def _keep_for_later(farm: Farm, memory: Memory, prospect: Prospect, today: date) -> None:
    """Add to the record what is said and what looks tell; a morning goes out even where that cannot be done."""
    try:
        if memory.keeping and memory.ledger is not None:
            memory.ledger.store_cases(prospect.forecast_cases, today)
            store_next_season_priors(farm, memory.ledger, prospect, today)
    except ForecastRecordError as error:
        log.warning("what was said and seen was not kept in the record: %s", error)

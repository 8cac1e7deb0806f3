"""One look at weather and fields: fetch, pass, decide. Whatever breaks down becomes "no advice, because"."""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from math import isclose
from pathlib import Path
from typing import Final

from daemon.advice.decide import DayUnderway, decide
from daemon.diary.cuts import fields_left_uncut, fields_lying
from daemon.diary.history import field_history
from daemon.diary.overlay import apply_diary
from daemon.diary.store import Diary, DiaryError, Note
from daemon.domain.advice import Morning, WatchedField
from daemon.domain.causes import PassFailure, StatedCause, WeatherRefused
from daemon.domain.farm import Calibration, Farm, PriorsByField
from daemon.domain.field_history import SamplesOfField
from daemon.domain.prospect import Prospect, Reason, Unknown
from daemon.domain.record_summary import RecordSummary
from daemon.learning.record import ForecastRecord, ForecastRecordError
from daemon.learning.samples import learn_drying
from daemon.learning.season_priors import last_season_priors, prior_reports, store_next_season_priors
from daemon.learning.verification import fit_odds_correction
from daemon.planning.prospect import plan_fields, unknown_prospect
from daemon.planning.watch import watch_fields
from daemon.weather.archive import Archive
from daemon.weather.contract import Refused, Weather
from daemon.weather.gather import gather
from models.odds import UNCORRECTED, Correction

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Stores:
    """What the farm remembers on disk: what was done, seen and measured, what was said of each day, and the weather.

    `reply_folder` is the folder of what services told until it expires. `is_recording` is whether a look adds to the
    record what it says.
    """

    diary: Diary | None = None
    forecast_record: ForecastRecord | None = None
    archive: Archive | None = None
    reply_folder: Path | None = None
    is_recording: bool = False


NO_STORES: Final = Stores()


def advise(
    farm: Farm,
    now: datetime,
    sent_morning: Morning | None = None,
    *,
    stores: Stores = NO_STORES,
    on_weather_ready: Callable[[], None] = lambda: None,
) -> Morning:
    """Return the advice for the local day of `now`.

    Parameters
    ----------
    farm : Farm
        As in the settings.
    now : datetime
        The moment of the pass, aware.
    sent_morning : Morning, optional
        The advice that was sent today: its fields are watched.
    stores : Stores
        Read anew at each look.
    on_weather_ready : Callable[[], None]
        Called once nothing is waited for any more, for who shows how far it has come.

    Notes
    -----
    Weather that is refused, a diary that cannot be read and a pass that breaks down leave every field with "no advice"
    and the reason.
    """
    notes: Sequence[Note] = ()
    try:
        notes = stores.diary.notes() if stores.diary else ()
        weather = gather(farm, now, stores.archive, stores.reply_folder, update_archive=stores.is_recording)
        on_weather_ready()
        return _advise_on_weather(farm, weather, now, sent_morning, stores, notes)
    except DiaryError as unreadable:
        prospect = unknown_prospect(farm, now, Unknown(Reason.DIARY_UNREADABLE, StatedCause(str(unreadable))))
    except Refused as refused:
        prospect = unknown_prospect(farm, now, Unknown(Reason.DATA_MISSING, WeatherRefused(refused.refusals)))
    except Exception as error:
        log.exception("the pass broke down")
        cause = PassFailure(f"{type(error).__name__}: {error}")
        prospect = unknown_prospect(farm, now, Unknown(Reason.OUT_OF_RANGE, cause))
    return decide(farm, _with_histories(prospect, farm, notes, {}, {}))


def _advise_on_weather(
    farm: Farm, weather: Weather, now: datetime, sent_morning: Morning | None, stores: Stores, notes: Sequence[Note]
) -> Morning:
    """Return the advice from weather that could be had."""
    today = now.astimezone(farm.place.timezone).date()
    priors = last_season_priors(farm, stores.forecast_record, today)
    learnt = learn_drying(farm, priors, notes, weather, now)
    calibration = Calibration(learnt.drying, priors)
    _store_factors(stores, notes, learnt.factors)
    correction: Correction = UNCORRECTED
    record: RecordSummary | None = None
    if stores.forecast_record is not None:
        correction, record = fit_odds_correction(farm, stores.forecast_record, weather, today)
    prospect = plan_fields(apply_diary(farm, notes, now, calibration), weather, now, correction)
    _store_in_record(farm, stores, prospect, today)
    prospect = replace(
        _with_histories(prospect, farm, notes, learnt.reports, priors),
        forecast_cases=(),
        next_season_priors={},
        record_summary=record,
    )
    watched: tuple[WatchedField, ...] = ()
    if not prospect.trouble:
        watched = _watch_or_last_watch(farm, weather, sent_morning, notes, now, calibration, correction)
    lying, uncut = fields_lying(farm, notes, now), fields_left_uncut(farm, notes, now)
    return decide(farm, prospect, DayUnderway(sent_morning, watched, lying, uncut))


def _watch_or_last_watch(
    farm: Farm,
    weather: Weather,
    sent_morning: Morning | None,
    notes: Sequence[Note],
    now: datetime,
    calibration: Calibration,
    correction: Correction,
) -> tuple[WatchedField, ...]:
    """Return how what is mown stands; the advice for the fields that stand must not fall with it."""
    try:
        return watch_fields(farm, weather, sent_morning, notes, now, calibration, correction)
    except Exception:
        log.exception("the watch of what is mown broke down")
        return sent_morning.watched if sent_morning else ()


def _with_histories(
    prospect: Prospect,
    farm: Farm,
    notes: Sequence[Note],
    samples: Mapping[str, SamplesOfField],
    priors: PriorsByField,
) -> Prospect:
    """Return the prospect with what settings, diary and samples tell of each field."""
    histories = {}
    for field in farm.fields:
        histories[field.name] = replace(
            field_history(farm, notes, field, prospect.at),
            priors=prior_reports(priors.get(field.name, {})) if field.name in prospect.next_season_priors else (),
            samples=samples.get(field.name, SamplesOfField()),
        )
    fields = (replace(field, history=histories[field.name]) for field in prospect.fields)
    return replace(prospect, fields=tuple(fields))


def _store_factors(stores: Stores, notes: Sequence[Note], factors: Mapping[int, float]) -> None:
    """Keep what samples told for the time when their weather is gone; a command may look where it cannot write."""
    stored = {note.id: note.factor or 0.0 for note in notes}
    changed = {
        number: factor for number, factor in factors.items() if not isclose(factor, stored[number], rel_tol=1e-3)
    }
    try:
        if changed and stores.diary is not None:
            stores.diary.store_factors(changed)
    except DiaryError as error:
        log.warning("what a sample told was not kept: %s", error)


def _store_in_record(farm: Farm, stores: Stores, prospect: Prospect, today: date) -> None:
    """Add to the record what is said and what looks tell; a morning goes out even where that cannot be done."""
    try:
        if stores.is_recording and stores.forecast_record is not None:
            stores.forecast_record.store_cases(prospect.forecast_cases, today)
            store_next_season_priors(farm, stores.forecast_record, prospect, today)
    except ForecastRecordError as error:
        log.warning("what was said and seen was not kept in the record: %s", error)

"""What came of the odds that were said: work is run again on the hours that came, and the odds learn from it."""

import logging
from collections.abc import Iterable
from datetime import UTC, date, datetime, time
from itertools import groupby
from typing import Final

import numpy as np
import xarray as xr

from daemon.domain.farm import Farm
from daemon.domain.prospect import ForecastCase
from daemon.domain.record_summary import OddsBand, RecordSummary
from daemon.domain.units import DAY
from daemon.learning.record import ForecastRecord, ForecastRecordError
from daemon.planning.drying import crop_day, strips_for
from daemon.planning.field_day import crew_on
from daemon.planning.forecast_hours import ForecastHours, forecast_hours, observed_hours, work_window
from daemon.weather.contract import NP_HOUR, REQUIRED, Weather, to_datetime64
from models import coefficients as c
from models.calibration import VerificationRecord, fit_correction
from models.day_plan import best_plan
from models.odds import UNCORRECTED, Correction, corrected_odds
from models.swath import Swath, lay_swath, standing_wetness

log = logging.getLogger(__name__)

ODDS_BANDS: Final = ((0.0, 0.4), (0.4, 0.7), (0.7, 1.0))
EXAMPLE_ODDS: Final = 0.8  # odds for which it is told what the record does to them


def fit_odds_correction(
    farm: Farm, forecast_record: ForecastRecord, weather: Weather, today: date
) -> tuple[Correction, RecordSummary]:
    """Judge the days that have come and return what the record does to the odds.

    Parameters
    ----------
    farm : Farm
    forecast_record : Ledger
    weather : Weather
        Its past tells what came; hours that only stand as they were forecast judge nothing.
    today : date
        On the farm's clock.

    Returns
    -------
    Correction, RecordSummary
        And what it comes from. A record that cannot be used corrects nothing and leaves a warning in the log:
        no morning goes without odds because of it.
    """
    try:
        _verify_new_days(farm, forecast_record, weather, today)
        record = forecast_record.load_record(today)
        correction = fit_correction(record)
    except (ForecastRecordError, ArithmeticError, TypeError, ValueError) as error:
        log.warning("the odds are not corrected by the farm's own record: %s", error)
        return UNCORRECTED, RecordSummary(is_readable=False)
    return correction, summarize_record(record, correction)


def summarize_record(record: VerificationRecord, correction: Correction) -> RecordSummary:
    """Return what the record holds, how honest the odds were and what it does to them."""
    if record.odds.size == 0:
        return RecordSummary()
    bands = (_odds_band(record, low, high) for low, high in ODDS_BANDS)
    return RecordSummary(
        cases=record.odds.size,
        days=int(np.unique(record.day.astype("datetime64[D]")).size),
        bands=tuple(band for band in bands if band is not None),
        example=EXAMPLE_ODDS,
        corrected_example=float(corrected_odds(np.array([EXAMPLE_ODDS]), 0.0, correction)[0]),
    )


def _odds_band(record: VerificationRecord, low: float, high: float) -> OddsBand | None:
    """Return the cases with odds from `low` up to `high`, None where there are none."""
    at = (record.odds >= low) & (record.odds < high)
    if not at.any():
        return None
    return OddsBand(low, high, float(record.odds[at].mean()), float(record.outcome[at].mean()), int(at.sum()))


def verify(farm: Farm, cases: Iterable[ForecastCase], past: xr.Dataset) -> dict[ForecastCase, float]:
    """Run the work of days that have come again on the hours that came.

    Parameters
    ----------
    farm : Farm
        Its people, machines and rules of today are taken for those of the day.
    cases : iterable of Said
    past : xr.Dataset
        Hours that came.

    Returns
    -------
    dict
        The outcome of each line whose day lies wholly in the past hours, without a gap from the noon before on: the
        share of the crop's draws with which all of the area is wrapped in time.

    Notes
    -----
    The crop is drawn as for the odds. With its middle alone the record would hold for certain what is not known of the
    crop, and learn to leave it out of the odds: dry days would all succeed, though half of all crops dry more slowly
    than the middle. The ground is as it was forecast.
    """
    outcomes: dict[ForecastCase, float] = {}
    for day, said in groupby(sorted(cases, key=lambda line: line.day), key=lambda line: line.day):
        came = _observed_day(farm, past, day)
        if came is not None:
            hours = forecast_hours(farm, Weather(came, came), day)
            found = {line: _outcome(farm, line, hours) for line in said}
            outcomes |= {line: outcome for line, outcome in found.items() if outcome is not None}
    return outcomes


def _verify_new_days(farm: Farm, forecast_record: ForecastRecord, weather: Weather, today: date) -> None:
    """Judge what can be judged; a command may look where it cannot write."""
    outcomes = verify(farm, forecast_record.unverified(today), observed_hours(weather))
    try:
        if outcomes:
            forecast_record.store_outcomes(outcomes)
    except ForecastRecordError as error:
        log.warning("what came of the odds was not kept: %s", error)


def _observed_day(farm: Farm, past: xr.Dataset, day: date) -> xr.Dataset | None:
    """Return the hours of a day from the noon before on, when the crop has lost the last dew; None if any lacks."""
    zone = farm.place.timezone
    opens = datetime.combine(day - DAY, time(12), tzinfo=zone).astimezone(UTC)
    closes = datetime.combine(day + DAY, time(0), tzinfo=zone).astimezone(UTC)
    first = to_datetime64(opens).astype("datetime64[h]")
    last = (to_datetime64(closes) + np.timedelta64(59, "m")).astype("datetime64[h]")
    came = past.sel(time=slice(first, last))
    whole = came.sizes["time"] == int((last - first) / NP_HOUR) + 1
    return came if whole and all(bool(came[name].notnull().all()) for name in REQUIRED) else None


def _outcome(farm: Farm, case: ForecastCase, hours: ForecastHours) -> float | None:
    """Return the share of draws with which a line's area is wrapped; None where today's rules have no such day."""
    window = work_window(farm, case.day, case.start, hours)
    if window is None or not window.starts:
        return None
    wetness = standing_wetness(hours.drying, case.dry_matter)
    day = crop_day(farm, _case_swath(farm, case, hours), wetness, window, hours, window.starts)
    count = strips_for(farm, case.area)
    plan = best_plan(
        day,
        crew_on(farm, window),
        window.starts[:1],
        max_strips=count,
        min_strips=count,
        odds_needed=1.0,
        to_odds=np.copy,
    )
    return float(plan.odds[-1])


def _case_swath(farm: Farm, case: ForecastCase, hours: ForecastHours) -> Swath:
    draws = hours.draws
    return lay_swath(
        case.dry_matter * draws.yield_factor,
        np.clip(case.start_moisture + draws.start_moisture_shift, 0.5, 0.9),
        farm.baleage.swath_share,
        drying_factor=case.drying_factor * draws.drying_factor ** (case.drying_spread / c.K400_SPREAD),
        crop_factor=case.crop_factor,
        conditioned=farm.baleage.conditioned,
        soil_factor=case.soil_factor,
    )

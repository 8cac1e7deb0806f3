"""The advice as data: one JSON object in SI units, whatever the farm's own, with what stands behind its numbers."""

from dataclasses import replace
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from daemon.advice.explain.provenance import Provenance, aim_source, provenance_by_topic
from daemon.advice.explain.would_change import would_change
from daemon.domain.advice import Advice, Morning, WatchedField
from daemon.domain.farm import Farm, Units
from daemon.domain.prospect import (
    AreaOdds,
    Band,
    DryingPicture,
    FieldDay,
    FieldProspect,
    LeftOvernight,
    OfficialWarning,
    PlantKindToday,
    Quality,
    StandToday,
    TimedCaution,
    Waiting,
    WeatherFacts,
    WorkHours,
    days_left_band,
    reason_of,
    ripe_fibre_range,
    stage_clock_band,
    yield_today,
)
from daemon.domain.season_progress import crop_progress
from daemon.domain.units import HOUR
from daemon.words.causes import cause_text, field_detail_text, unknown_detail_text
from daemon.words.field_history import field_sentences
from daemon.words.record_summary import record_sentences
from models.quality import Figure

# The keys of a field whose growth is not known, and of a day without work, stand all the same.
STAND_KEYS: Final = (
    *("ripeness", "stage", "ndf", "ndf_target", "ndf_target_source", "ndf_ripe", "clock", "days_left"),
    "days_left_band",
)
PLAN_KEYS: Final = (
    *("start", "mow_until", "rake_from", "bale_from", "wrapped_by", "moisture_at_baling", "bales", "film_rolls"),
    *("hour_later", "if_left", "too_dry"),
)


def morning_report(farm: Farm, morning: Morning) -> dict[str, Any]:
    """Return the advice of a morning as a JSON object.

    Returns
    -------
    dict
        Areas [ha], moistures [wet basis, 0 to 1], fibre [% of DM], odds 0.03 to 0.97, times local with their offset.
        `about` tells of groups of keys their range, their source and what would put them right. Keys are only ever
        added, never changed.
    """
    zone, prospect = farm.place.timezone, morning.prospect
    advices = {advice.field: advice for advice in morning.advices}
    weather = prospect.weather
    return {
        "farm": farm.name,
        "issued_at": _time_text(prospect.at, zone),
        "weather": _weather_json(weather, zone),
        "trouble": reason_of(prospect.trouble),
        "detail": unknown_detail_text(prospect.trouble, farm.units),
        "odds_needed": farm.alerts.odds_needed,
        "least_area_ha": round(farm.work.least_area, 4),
        "water_wanted": {name: round(getattr(farm.baleage, name), 4) for name in ("aim", "wettest", "driest")},
        "season": _season_json(morning),
        "fields": [_field_json(farm, field, advices[field.name]) for field in prospect.fields],
        "warnings": [_warning_json(warning, zone) for warning in prospect.warnings],
        "record": record_sentences(prospect.record_summary),
        "watched": [_watched_json(watched, zone) for watched in morning.watched],
        "about": _about(farm, is_recorded=weather is not None and weather.is_recorded),
    }


def field_report(farm: Farm, morning: Morning, name: str) -> dict[str, Any]:
    """Return the report of one field: what `explain` says in words.

    Returns
    -------
    dict
        As `morning_report` has it, with one field and what is watched of it; its advice says what `would_change` it,
        and the commands in `about` name it.

    Raises
    ------
    StopIteration
        If the farm has no field of that name.
    """
    weather, report = morning.prospect.weather, morning_report(farm, morning)
    field = next(field for field in morning.prospect.fields if field.name == name)
    advice = next(advice for advice in morning.advices if advice.field == name)
    field_json = next(item for item in report["fields"] if item["name"] == name)
    field_json["advice"]["would_change"] = would_change(replace(farm, units=Units.METRIC), field, advice)
    return report | {
        "fields": [field_json],
        "watched": [watched for watched in report["watched"] if watched["field"] == name],
        "about": _about(farm, name, is_recorded=weather is not None and weather.is_recorded),
    }


def _weather_json(weather: WeatherFacts | None, zone: ZoneInfo) -> dict[str, Any] | None:
    if weather is None:
        return None
    return {
        "source": weather.source,
        "model": weather.model,
        "issued_at": _time_text(weather.issued_at, zone),
        "age_hours": round(weather.age_hours, 2),
        "members": weather.members,
        "kind": "record" if weather.is_recorded else "forecast",
        "credit": weather.credit,
        "note": weather.note,
        "synthetic": weather.synthetic,
    }


def _warning_json(warning: OfficialWarning, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "event": warning.event,
        "issuer": warning.issuer,
        "begins": _time_text(warning.begins, zone),
        "ends": _time_text(warning.ends, zone),
        "headline": warning.headline,
    }


def _about(farm: Farm, field: str = "FIELD", *, is_recorded: bool) -> dict[str, Any]:
    """Return what stands behind the numbers, by what they tell of, in metric units whatever the farm's own."""
    by_topic = provenance_by_topic(replace(farm, units=Units.METRIC), field, is_recorded=is_recorded)
    return {topic: _provenance_json(provenance) for topic, provenance in by_topic.items()}


def _provenance_json(provenance: Provenance) -> dict[str, Any]:
    return {
        "keys": list(provenance.report_keys),
        "range": provenance.spread,
        "source": provenance.source,
        "put_right_by": provenance.put_right_by,
    }


def _watched_json(watched: WatchedField, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "field": watched.field,
        "state": watched.state,
        "at": _time_text(watched.at, zone),
        "start": _time_text(watched.start, zone),
        "area_ha": round(watched.area, 4),
        "odds": _rounded(watched.odds, 3),
        "rake_from": _time_text(watched.rake_from, zone),
        "bale_from": _time_text(watched.bale_from, zone),
        "wrapped_by": _time_text(watched.wrapped_by, zone),
        "bale_said": _time_text(watched.last_told_bale_from, zone),
        "moisture": _band_json(watched.moisture, 3),
        "still": _area_odds_json(watched.still_wrappable),
        "left": _left_json(watched.left),
        "reason": watched.reason,
        "rain_at": _time_text(watched.rain_at, zone),
    }


def _season_json(morning: Morning) -> dict[str, Any]:
    """Return how the season goes over all fields, which the email and the page say."""
    progress = crop_progress(morning)
    return {
        "cut_ha": round(progress.cut_area, 4),
        "ripe_ha": round(progress.ripe_area, 4),
        "growing_ha": round(progress.growing_area, 4),
        "good_days_needed": _rounded(progress.days_needed, 2),
        "good_days": [day.isoformat() for day in progress.good_days],
        "days_ahead": progress.days_ahead,
    }


def _field_json(farm: Farm, field: FieldProspect, advice: Advice) -> dict[str, Any]:
    zone, stand = farm.place.timezone, field.stand
    return {
        "name": field.name,
        "area_ha": round(field.area, 4),
        **(dict.fromkeys(STAND_KEYS) if stand is None else _stand_json(farm, field.name, stand)),
        "dry_matter_t_per_ha": _rounded(yield_today(field), 2),
        "dry_matter": None if stand is None else _figure_json(stand.dry_matter),
        "drying_factor": round(field.drying.factor, 4),
        "drying_spread": round(field.drying.spread, 4),
        "soil_factor": _rounded(field.soil_factor, 3),
        "ground": field.ground,
        "carries_from": _iso_text(field.firm_from),
        "quality": None if stand is None else _figures_json(stand.quality),
        "waiting": None if stand is None else _figures_json(stand.waiting),
        "told": field_sentences(field, farm.units),
        "standing_ha": _rounded(field.standing, 4),
        "last_cut": _iso_text(field.last_cut),
        "lodged": _iso_text(field.lodged),
        "kinds": [_kind_json(kind) for kind in (stand.kinds if stand else ())],
        "detail": field_detail_text(field, farm.units),
        "days": [_day_json(day, zone) for day in field.days],
        "hours_ahead": _hours_ahead_json(field.drying_picture, zone),
        "advice": {
            "kind": advice.kind,
            "area_ha": round(advice.area, 4),
            "reason": advice.reason,
            "detail": cause_text(advice.cause, farm.units),
        },
    }


def _stand_json(farm: Farm, name: str, stand: StandToday) -> dict[str, Any]:
    settings = next((settings for settings in farm.fields if settings.name == name), None)
    low, high = ripe_fibre_range(stand.ndf_target)
    return {
        "ripeness": stand.ripeness,
        "stage": stand.stage,
        "ndf": _band_json(stand.ndf, 1),
        "ndf_target": stand.ndf_target,
        "ndf_target_source": None if settings is None else aim_source(settings),
        "ndf_ripe": {"low": low, "high": high},
        "clock": _clock_json(stand),
        "days_left": round(stand.days_left, 1),
        "days_left_band": _band_json(days_left_band(stand), 1),
    }


def _kind_json(kind: PlantKindToday) -> dict[str, Any]:
    return {
        "kind": kind.kind,
        "stage": kind.stage,
        "clock": round(kind.clock, 1),
        "look": _look_json(kind),
    }


def _look_json(kind: PlantKindToday) -> dict[str, Any] | None:
    """Return the look that corrected the clock of a kind of plant, None where there is none."""
    look = kind.look
    if look is None:
        return None
    return {
        "on": look.on.isoformat(),
        "stage": look.stage,
        "height_m": _rounded(look.height, 3),
        "share": _rounded(kind.share, 3),
    }


def _hours_ahead_json(picture: DryingPicture | None, zone: ZoneInfo) -> dict[str, Any] | None:
    """Return what is drawn of a field's drying: the water at the end of each hour, the rain and the sun of it."""
    if picture is None:
        return None
    hours = zip(picture.water, picture.rain, picture.sun, strict=True)
    return {
        "mown": _time_text(picture.mown, zone),
        "hours": [
            {
                "ends": _time_text(picture.begins + at * HOUR, zone),
                "water": _band_json(water, 3),
                "rain": round(rain, 3),
                "sun_w_per_m2": round(sun, 1),
            }
            for at, (water, rain, sun) in enumerate(hours, start=1)
        ],
    }


def _day_json(day: FieldDay, zone: ZoneInfo) -> dict[str, Any]:
    plan, place = day.plan, day.place
    return {
        "date": day.date.isoformat(),
        "ripeness": day.ripeness,
        "ndf": _band_json(day.ndf, 1),
        "days_left": round(day.days_left, 1),
        "area_ha": round(day.area, 4),
        "carried": _rounded(day.ground_firm_share, 3),
        "odds": _rounded(day.odds, 3),
        "raw_odds": _rounded(day.raw_odds, 3),
        **(dict.fromkeys(PLAN_KEYS) if plan is None else _plan_json(plan, zone)),
        "reason": day.reason,
        "spoiled": _rounded(day.hindered_share, 3),
        "after": place.after,
        "cautions": [_caution_json(timed, zone) for timed in (plan.cautions if plan else ())],
        "better_in": place.better_in_days,
        "lost_by_waiting_t_per_ha": _rounded(place.lost_by_waiting, 4),
        "hurry": place.urgency,
        "storm_at": _time_text(place.storm_at, zone),
        "breathed": None if plan is None else _figure_json(plan.respiration_loss),
        "curve": [_area_odds_json(area_odds) for area_odds in day.curve],
    }


def _plan_json(plan: WorkHours, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "start": _time_text(plan.start, zone),
        "mow_until": _time_text(plan.mow_until, zone),
        "rake_from": _time_text(plan.rake_from, zone),
        "bale_from": _time_text(plan.bale_from, zone),
        "wrapped_by": _time_text(plan.wrapped_by, zone),
        "moisture_at_baling": _band_json(plan.moisture_at_baling, 3),
        "bales": plan.bales,
        "film_rolls": plan.film_rolls,
        "hour_later": _area_odds_json(plan.hour_later),
        "if_left": _left_json(plan.if_left),
        "too_dry": round(plan.too_dry_share, 3),
    }


def _caution_json(timed: TimedCaution, zone: ZoneInfo) -> dict[str, Any]:
    return {
        "caution": timed.caution,
        "begins": _time_text(timed.begins, zone),
        "ends": _time_text(timed.ends, zone),
        "likely": timed.likely,
    }


def _area_odds_json(area_odds: AreaOdds | None) -> dict[str, float] | None:
    return None if area_odds is None else {"area_ha": round(area_odds.area, 4), "odds": round(area_odds.odds, 3)}


def _left_json(left: LeftOvernight | None) -> dict[str, Any] | None:
    if left is None:
        return None
    return {
        "moisture": _band_json(left.moisture, 3),
        "rain": round(left.rain, 3),
        "rained_on": _figure_json(left.rain_loss),
    }


def _clock_json(stand: StandToday) -> dict[str, Any]:
    """Return the sum of warmth with its range."""
    band = stage_clock_band(stand)
    return {
        "low": round(band.low, 1),
        "high": round(band.high, 1),
        "mid": round(band.mid, 1),
        "unit": "degC d",
        "from": _iso_text(stand.clock_from),
    }


def _band_json(band: Band | None, digits: int) -> dict[str, float] | None:
    if band is None:
        return None
    return {name: round(getattr(band, name), digits) for name in ("low", "mid", "high")}


def _figures_json(figures: Quality | Waiting | None) -> dict[str, Any] | None:
    if figures is None:
        return None
    return {name: _figure_json(figure) for name, figure in vars(figures).items()}


def _figure_json(figure: Figure | None) -> dict[str, Any] | None:
    """Return a figure with its range, unit and source."""
    if figure is None:
        return None
    ends = {end: round(getattr(figure, end), 3) for end in ("low", "mid", "high")}
    return {**ends, "unit": figure.unit, "source": figure.source}


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _iso_text(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _time_text(at: datetime | None, zone: ZoneInfo) -> str | None:
    return None if at is None else at.astimezone(zone).isoformat(timespec="minutes")

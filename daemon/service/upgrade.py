"""A morning that was kept on disk is read as this version writes it, or as an older one did."""

from collections.abc import Collection, Mapping
from dataclasses import fields
from typing import Annotated, Any, Final

from pydantic import BeforeValidator, TypeAdapter

from daemon.domain.advice import Morning
from daemon.domain.prospect import PlaceInDay, StandToday, WorkHours

# What 0.1.0 called the fields of a morning that have another name today.
RENAMED_KEYS: Final[Mapping[str, str]] = {
    "carried": "ground_firm_share",
    "too_dry": "too_dry_share",
    "spoiled": "hindered_share",
    "breathed": "respiration_loss",
    "cares": "cautions",
    "hurry": "urgency",
    "better_in": "better_in_days",
    "rained_on": "rain_loss",
    "carries_from": "firm_from",
    "cut_with": "water_at_mowing",
    "known": "is_recorded",
    "bale_said": "last_told_bale_from",
    "odds_said": "last_told_odds",
    "still": "still_wrappable",
}
# What lay flat in a day and in a field, and lies in a part of them today.
PLAN_KEYS: Final = frozenset(field.name for field in fields(WorkHours))
PLACE_KEYS: Final = frozenset(field.name for field in fields(PlaceInDay))
STAND_KEYS: Final = frozenset(field.name for field in fields(StandToday))


def upgrade_morning(stored: Any) -> Any:
    """Return a morning as 0.1.0 stored it in today's form: other keys, and what belongs together in one part."""
    if not isinstance(stored, Mapping) or not isinstance(stored.get("prospect"), Mapping):
        return stored
    kept = _rename_keys(stored)
    prospect = _with_unknown(kept["prospect"], "trouble")
    prospects = [_upgrade_field(field) for field in prospect.get("fields", ())]
    advices = [_upgrade_advice(advice) for advice in kept.get("advices", ())]
    return {**kept, "prospect": {**prospect, "fields": prospects}, "advices": advices}


def _rename_keys(stored: Any) -> Any:
    """Return JSON with today's keys, however deep the old ones lie."""
    if isinstance(stored, Mapping):
        return {RENAMED_KEYS.get(key, key): _rename_keys(value) for key, value in stored.items()}
    if isinstance(stored, list):
        return [_rename_keys(value) for value in stored]
    return stored


def _with_unknown(kept: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    """Return a prospect, or that of a field, whose reason holds the text that stood beside it."""
    if not isinstance(kept.get(key), str):
        return kept
    return {**kept, key: {"reason": kept[key], "cause": _stated_cause(kept)}}


def _upgrade_advice(advice: Mapping[str, Any]) -> Mapping[str, Any]:
    day = advice.get("day")
    return {"cause": _stated_cause(advice), **advice, "day": None if day is None else _upgrade_day(day)}


def _upgrade_field(field: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a field with its stand, and with what its settings expect where its growth was not known."""
    kept = {**_with_unknown(field, "unknown"), "days": [_upgrade_day(day) for day in field.get("days", ())]}
    if "stand" in kept:
        return kept
    if kept.get("ripeness") is None or kept.get("dry_matter_band") is None:
        return {**kept, "stand": None, "expected_yield": kept.get("dry_matter")}
    return {**kept, "stand": {**_part(kept, STAND_KEYS), "dry_matter": kept["dry_matter_band"]}}


def _upgrade_day(day: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a day with the hours of its work, if there is any, and its place among the fields."""
    if "place" in day:
        return day
    plan = None if day.get("start") is None else _part(day, PLAN_KEYS)
    return {**day, "plan": plan, "place": _part(day, PLACE_KEYS)}


def _part(kept: Mapping[str, Any], keys: Collection[str]) -> dict[str, Any]:
    return {key: value for key, value in kept.items() if key in keys}


def _stated_cause(kept: Mapping[str, Any]) -> Mapping[str, Any] | None:
    text = kept.get("detail")
    return {"kind": "stated", "text": text} if text else None


MORNING_ADAPTER: Final = TypeAdapter(Annotated[Morning, BeforeValidator(upgrade_morning)])

"""A morning that was kept on disk is read as this version writes it, or as an older one did."""

from collections.abc import Mapping
from typing import Annotated, Any, Final

from pydantic import BeforeValidator, TypeAdapter

from daemon.domain.advice import Morning

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


def upgrade_morning(stored: Any) -> Any:
    """Return a morning as 0.1.0 stored it in today's form: other keys, and reasons with their text in one place."""
    if not isinstance(stored, Mapping) or not isinstance(stored.get("prospect"), Mapping):
        return stored
    kept = _rename_keys(stored)
    prospect = _with_unknown(kept["prospect"], "trouble")
    fields = [_with_unknown(field, "unknown") for field in prospect.get("fields", ())]
    advices = [_with_cause(advice) for advice in kept.get("advices", ())]
    return {**kept, "prospect": {**prospect, "fields": fields}, "advices": advices}


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


def _with_cause(advice: Mapping[str, Any]) -> Mapping[str, Any]:
    return {"cause": _stated_cause(advice), **advice}


def _stated_cause(kept: Mapping[str, Any]) -> Mapping[str, Any] | None:
    text = kept.get("detail")
    return {"kind": "stated", "text": text} if text else None


MORNING_ADAPTER: Final = TypeAdapter(Annotated[Morning, BeforeValidator(upgrade_morning)])

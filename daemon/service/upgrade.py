"""A morning that was kept on disk is read as this version writes it, or as an older one did."""

from collections.abc import Mapping
from typing import Annotated, Any, Final

from pydantic import BeforeValidator, TypeAdapter

from daemon.domain.advice import Morning


def upgrade_morning(kept: Any) -> Any:
    """Return a kept morning with the reasons of version 0.1.0, names with a text beside them, in today's form."""
    if not isinstance(kept, Mapping) or not isinstance(kept.get("prospect"), Mapping):
        return kept
    prospect = _with_unknown(kept["prospect"], "trouble")
    fields = [_with_unknown(field, "unknown") for field in prospect.get("fields", ())]
    advices = [_with_cause(advice) for advice in kept.get("advices", ())]
    return {**kept, "prospect": {**prospect, "fields": fields}, "advices": advices}


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

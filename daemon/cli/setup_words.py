"""What `forenoon setup` says of an answer that cannot be taken: what is wrong with it, and what to type."""

import re
from collections.abc import Mapping, Sequence
from math import isnan
from typing import Any, Final

from daemon.domain.farm import Units
from daemon.domain.units import HECTARES_PER_ACRE
from daemon.settings.sections.base import Section, option_kind
from daemon.settings.text.literals import parse_number, toml_excerpt
from daemon.settings.values.kinds import Number

AREA_UNITS: Final[Mapping[Units, str]] = {Units.US: "acres", Units.METRIC: "hectares"}
HEIGHT_UNITS: Final[Mapping[Units, str]] = {Units.US: "feet", Units.METRIC: "metres"}
HECTARES_PATTERN: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(?:ha|hectares?)", re.IGNORECASE)
ACRES_PATTERN: Final = re.compile(r"(\d+(?:\.\d+)?)\s*(?:acres?|ac)", re.IGNORECASE)
ANY_GRASS: Final = ("grass", "grasses", "hay", "meadow", "meadow grass", "mixed grass", "mixed hay", "pasture")
MIXED_MEADOW: Final = "mixed meadow"
EMAIL_PATTERN: Final = re.compile(r"[^\s@:/]+@[^\s@:/]+\.[^\s@:/]+")
TELEPHONE_PATTERN: Final = re.compile(r"\+?[\d\s().-]{6,}\d")
LATER_HINT: Final = "Press Enter to do this later."
EMAIL_HELP: Final = (
    "A plain address is not enough: it must also say by which mail server the message goes, and with which password. "
    f'README shows how, under "Sending". {LATER_HINT}'
)
TELEPHONE_HELP: Final = (
    "A number is not enough: a text goes by a paid text service, whose address has the number in it. "
    f'README tells of them, under "Sending". {LATER_HINT}'
)
PERSON_HELP: Final = f"Three things, with commas between: a name, then text or email, then the address. {LATER_HINT}"
ADDRESS_HELP: Final = (
    "No message can go to that address (it is not shown here, for it may hold a password). One address is for one "
    f'person; README shows how it is written, under "Sending". {LATER_HINT}'
)
LIMIT_SENTENCES: Final[Mapping[str, str]] = {
    "mown_per_hour": "From {low:g} to {high:g} {unit} in an hour can be mown.",
    "latitude": "Degrees north go from {low:g} to {high:g}.",
    "longitude": "Degrees east go from {low:g} to {high:g}.",
    "elevation": "A farm lies from {low:g} to {high:g} {unit} above the sea.",
    "area": "A field has from {low:g} to {high:g} {unit}.",
}


def refusal_text(section: type[Section], items: Sequence[Mapping[str, Any]], units: Units) -> str:
    """Return what is wrong with an answer.

    Parameters
    ----------
    section : type[Section]
        That the answer is for.
    items : sequence of mapping
        The mistakes, as the settings' sections name them.
    units : Units
        Of the farm.
    """
    by_key = [(str(item["loc"][-1]), item) for item in items]
    if any(key == "by" for key, _ in by_key):  # what follows from a wrong `by` is no second mistake
        by_key = [(key, item) for key, item in by_key if key != "address"]
    return "\n".join(_option_refusal(section, key, item, units) for key, item in by_key)


def _option_refusal(section: type[Section], key: str, item: Mapping[str, Any], units: Units) -> str:
    option, answer = option_kind(section, key), item["input"]
    if isinstance(option, Number):
        return _number_refusal(key, option, answer, units)
    if key == "name":
        return f"A name is needed, on one line and of {getattr(option, 'longest', 80)} letters at the most."
    if key == "timezone":
        return f"There is no clock of the name {toml_excerpt(answer)}.{_suggestion(item)}"
    if key == "stand":
        return _stand_refusal(section, answer, item)
    if key == "by":
        return "Write text or email between the name and the address."
    return ADDRESS_HELP if key == "address" else "That is no day. Write it as 2026-06-04."


def _number_refusal(key: str, option: Number, answer: object, units: Units) -> str:
    low, high = option.limits(units)
    unit = AREA_UNITS[units] if key in ("area", "mown_per_hour") else HEIGHT_UNITS[units]
    if isinstance(answer, float) and not isnan(answer):
        return LIMIT_SENTENCES[key].format(low=low, high=high, unit=unit)
    return f"That is not a number of {unit}. {_unit_hint(str(answer), units)}"


def _unit_hint(answer: str, units: Units) -> str:
    """Return what to type for a size that is given in the other unit, or in words.

    >>> _unit_hint("12 ha", Units.US), _unit_hint("10 or so", Units.US)
    ('12 ha are 29.7 acres: type just 29.7.', 'Type just 10.')
    """
    us = units is Units.US
    other = (HECTARES_PATTERN if us else ACRES_PATTERN).fullmatch(answer.strip())
    if other is None:
        return f"Type just {parse_number(answer) or 10:g}."
    size = float(other[1]) / HECTARES_PER_ACRE if us else float(other[1]) * HECTARES_PER_ACRE
    return f"{answer.strip()} are {size:.3g} {AREA_UNITS[units]}: type just {size:.3g}."


def _stand_refusal(section: type[Section], answer: object, item: Mapping[str, Any]) -> str:
    if isinstance(answer, dict):
        fix = _mix_text(item["ctx"]["fix"] or '{ "timothy" = 60, "red clover" = 40 }')
        return f"The shares of a mix are of what grows here and add up to 100. Such as: {fix}"
    species = ", ".join(getattr(option_kind(section, "stand"), "species", ()))
    if str(answer).strip().casefold() in ANY_GRASS:
        return f"For grass of many kinds type {MIXED_MEADOW}; else one of: {species}"
    return f"Nothing is known of {toml_excerpt(answer)}.{_suggestion(item)} One of: {species}"


def _suggestion(item: Mapping[str, Any]) -> str:
    fix = str(item["ctx"]["fix"] or "").strip('"')
    return f" Do you mean {fix}?" if fix else ""


def _mix_text(mix: str) -> str:
    """Return a mix as it is answered and not as TOML has it: timothy 60 + alfalfa 40.

    >>> _mix_text('{ "timothy" = 60, "alfalfa" = 40 }')
    'timothy 60 + alfalfa 40'
    """
    return re.sub(r"\s*,\s*", " + ", mix.strip("{ }")).replace(" =", "").replace('"', "")

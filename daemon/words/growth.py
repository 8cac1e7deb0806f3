"""What is told of a growth: its stage, its species, what must be doubted and why it may not be known."""

from collections.abc import Iterable
from datetime import date

import numpy as np

from daemon.domain.farm import Units
from daemon.words.catalog import join, name_of, phrase, plural
from daemon.words.numbers import date_text, height_text
from models.growth import DoubtKind, GrowthDoubt, GrowthUnknown
from models.look_misfit import LookMisfit


def stage_text(stage: str) -> str:
    """Return what a stage is called; a code of a scale stays as it is."""
    return name_of("stages", stage)


def species_text(species: str) -> str:
    """Return what a species or a kind of plant is called; one of the farm's own stays as it is."""
    return name_of("species", species)


def look_text(stage: str | None, tall: float | None, units: Units) -> str:
    """Return what was seen in a field: a stage, a height [m] or both."""
    height_seen = "" if tall is None else phrase("stand.tall", height=height_text(tall, units))
    return join([stage_text(stage or ""), height_seen])


def growth_unknown_text(unknown: GrowthUnknown, units: Units) -> str:
    """Return why a growth cannot be known, and what to do where a look is what stands against it."""
    day = _date_text(unknown.day)
    if isinstance(unknown, LookMisfit):
        look = unknown.look
        seen = look_text(None, look.height, units) if unknown.by_height else stage_text(look.stage or "")
        return phrase("look_wrong.of_day", seen=seen, day=day, fits=_possible_days_text(unknown))
    return phrase(f"growth_unknown.{unknown.cause.name.lower()}", day=day)


def growth_doubts_text(doubts: Iterable[GrowthDoubt]) -> str:
    """Return what must be doubted of a growth, empty where nothing must."""
    return join((_doubt_text(one) for one in doubts), by="lists.apart")


def _doubt_text(doubted: GrowthDoubt) -> str:
    species = species_text(doubted.species)
    if doubted.kind is DoubtKind.DROUGHT:
        return plural("growth_doubts.drought", doubted.days, species=species)
    return phrase(
        f"growth_doubts.{doubted.kind.name.lower()}", species=species, day=doubted.day and _date_text(doubted.day)
    )


def _possible_days_text(look: LookMisfit) -> str:
    """Return when a look would have been possible."""
    if look.first is None and look.last is None:
        return phrase("look_fits.never")
    first, last = (None if end is None else _date_text(end) for end in (look.first, look.last))
    key = "until" if first is None else "since" if last is None else "between"
    return phrase(f"look_fits.{key}", first=first, last=last)


def _date_text(day: np.datetime64) -> str:
    plain: date = day.astype("datetime64[D]").astype(date)
    return date_text(plain)

"""What is told of a growth: its stage, its species, what must be doubted and why it may not be known."""

from collections.abc import Iterable
from datetime import date

import numpy as np

from daemon.domain.farm import Units
from daemon.words.catalog import counted, joined, named, said
from daemon.words.numbers import day_words, height
from models.growth import Doubt, Doubted, GrowthUnknown
from models.look_misfit import LookUnfit


def stage_words(stage: str) -> str:
    """Return what a stage is called; a code of a scale stays as it is."""
    return named("stages", stage)


def species_words(species: str) -> str:
    """Return what a species or a kind of plant is called; one of the farm's own stays as it is."""
    return named("species", species)


def seen_words(stage: str | None, tall: float | None, units: Units) -> str:
    """Return what was seen in a field: a stage, a height [m] or both."""
    height_seen = "" if tall is None else said("stand.tall", height=height(tall, units))
    return joined([stage_words(stage or ""), height_seen])


def unknown_words(unknown: GrowthUnknown, units: Units) -> str:
    """Return why a growth cannot be known, and what to do where a look is what stands against it."""
    day = _day(unknown.day)
    if isinstance(unknown, LookUnfit):
        look = unknown.look
        seen = seen_words(None, look.height, units) if unknown.by_height else stage_words(look.stage or "")
        return said("look_wrong.of_day", seen=seen, day=day, fits=_fits(unknown))
    return said(f"growth_unknown.{unknown.why.name.lower()}", day=day)


def doubts_words(doubts: Iterable[Doubted]) -> str:
    """Return what must be doubted of a growth, empty where nothing must."""
    return joined((_doubted(one) for one in doubts), by="lists.apart")


def _doubted(one: Doubted) -> str:
    species = species_words(one.species)
    if one.doubt is Doubt.DROUGHT:
        return counted("growth_doubts.drought", one.days, species=species)
    return said(f"growth_doubts.{one.doubt.name.lower()}", species=species, day=one.day and _day(one.day))


def _fits(look: LookUnfit) -> str:
    """Return when a look would have been possible."""
    if look.first is None and look.last is None:
        return said("look_fits.never")
    first, last = (None if end is None else _day(end) for end in (look.first, look.last))
    key = "until" if first is None else "since" if last is None else "between"
    return said(f"look_fits.{key}", first=first, last=last)


def _day(day: np.datetime64) -> str:
    plain: date = day.astype("datetime64[D]").astype(date)
    return day_words(plain)

"""What is told of a growth: its stage, its species, what must be doubted and why it may not be known."""

from collections.abc import Iterable

from daemon.domain.causes import GrowthCause, ImpossibleLook
from daemon.domain.farm import Units
from daemon.domain.prospect import StandDoubt
from daemon.words.catalog import join, name_of, phrase, plural
from daemon.words.numbers import date_text, height_text
from models.growth import DoubtKind


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


def growth_cause_text(cause: GrowthCause, units: Units) -> str:
    """Return why a growth cannot be known, and what to do where a look is what stands against it."""
    if isinstance(cause, ImpossibleLook):
        seen = look_text(None, cause.height, units) if cause.is_height_wrong else stage_text(cause.stage or "")
        return phrase("look_wrong.of_day", seen=seen, day=date_text(cause.day), fits=_possible_days_text(cause))
    return phrase(f"growth_unknown.{cause.cause.name.lower()}", day=date_text(cause.day))


def growth_doubts_text(doubts: Iterable[StandDoubt]) -> str:
    """Return what must be doubted of a growth, empty where nothing must."""
    return join((_doubt_text(one) for one in doubts), by="lists.apart")


def _doubt_text(doubt: StandDoubt) -> str:
    species = species_text(doubt.species)
    if doubt.kind is DoubtKind.DROUGHT:
        return plural("growth_doubts.drought", doubt.days, species=species)
    day = doubt.day and date_text(doubt.day)
    return phrase(f"growth_doubts.{doubt.kind.name.lower()}", species=species, day=day)


def _possible_days_text(look: ImpossibleLook) -> str:
    """Return when a look would have been possible."""
    if look.first is None and look.last is None:
        return phrase("look_fits.never")
    first, last = (None if end is None else date_text(end) for end in (look.first, look.last))
    key = "until" if first is None else "since" if last is None else "between"
    return phrase(f"look_fits.{key}", first=first, last=last)

"""Finds the cut that a moisture sample was taken of, and the reason why a sample cannot be used."""

from collections.abc import Sequence
from datetime import UTC, datetime

from daemon.diary.cuts import Cut
from daemon.diary.store import Note, local_day
from daemon.domain.farm import Farm
from daemon.domain.field_history import SampleFlaw, SampleFlawKind
from daemon.domain.units import DAY, HOUR
from models import coefficients as c


class SampleUnused(Exception):
    """A sample cannot be used; `flaw` says why."""

    def __init__(self, flaw: SampleFlaw) -> None:
        super().__init__(flaw.flaw.value)
        self.flaw = flaw


class WeatherGone(SampleUnused):
    """The weather of a sample is gone, but its factor may have been fitted and stored before."""


def sample_flaw(farm: Farm, cuts: Sequence[Cut], note: Note) -> SampleFlaw | None:
    """Return why a sample cannot be used whatever the weather was, None if it may be used.

    Parameters
    ----------
    farm : Farm
    cuts : sequence of Cut
        The cuts of its field.
    note : Note
        The sample, with its moisture.
    """
    try:
        cut_sampled(farm, cuts, note)
    except SampleUnused as error:
        return error.flaw
    return None


def cut_sampled(farm: Farm, cuts: Sequence[Cut], note: Note) -> Cut:
    """Return the cut that a sample was taken of: the last one that began before it, on its day or the day before.

    Raises
    ------
    SampleUnused
        There is no such cut, or it had not yet wilted long enough.
    """
    if not note.timed:
        raise SampleUnused(SampleFlaw(SampleFlawKind.NO_HOUR))
    day = local_day(note, farm.place)
    recent_cuts = [cut for cut in cuts if cut.day in (day, day - DAY)]
    if not recent_cuts:
        raise SampleUnused(SampleFlaw(SampleFlawKind.NO_CUT))
    earlier_cuts = [cut for cut in recent_cuts if mowing_start(farm, cut) <= note.at]
    if not earlier_cuts:
        start = local_time(farm, mowing_start(farm, recent_cuts[0]))
        raise SampleUnused(SampleFlaw(SampleFlawKind.BEFORE_MOWING, start))
    sampled = max(earlier_cuts, key=lambda cut: mowing_start(farm, cut))
    start = mowing_start(farm, sampled)
    if (note.at - start) / HOUR < c.MIN_WILTING_HOURS:
        raise SampleUnused(SampleFlaw(SampleFlawKind.TOO_SOON, local_time(farm, start)))
    return sampled


def mowing_start(farm: Farm, cut: Cut) -> datetime:
    """Return when mowing began: as noted, or else at the farm's earliest start of the day."""
    if has_mowing_time(cut):
        return cut.note.at
    return datetime.combine(cut.day, farm.work.earliest_start, tzinfo=farm.place.timezone).astimezone(UTC)


def has_mowing_time(cut: Cut) -> bool:
    """Return whether the hour is noted at which mowing began."""
    return cut.is_noted and cut.note.timed


def local_time(farm: Farm, at: datetime) -> datetime:
    """Return a time on the farm's clock."""
    return at.astimezone(farm.place.timezone)

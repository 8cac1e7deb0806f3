"""Which cut a measured sample was taken of, and why one is set aside whatever the weather was."""

from collections.abc import Sequence
from datetime import UTC, datetime

from daemon.diary.cuts import Cut
from daemon.diary.store import Note, NoteKind, local_day
from daemon.domain.farm import Farm
from daemon.domain.field_history import SampleFlaw, SampleFlawKind
from daemon.domain.units import DAY, HOUR
from models import coefficients as c


class SampleUnused(Exception):
    """A sample that tells nothing; `flaw` says why."""

    def __init__(self, flaw: SampleFlaw) -> None:
        super().__init__(flaw.flaw.value)
        self.flaw = flaw


class WeatherGone(SampleUnused):
    """A sample whose weather is not there, so that it may have been reckoned before."""


def sample_flaw(farm: Farm, cuts: Sequence[Cut], note: Note) -> SampleFlaw | None:
    """Return why a sample is not used whatever the weather was, None where it may be.

    Parameters
    ----------
    farm : Farm
    cuts : sequence of Cut
        Of its field.
    note : Line
        With its moisture.
    """
    try:
        cut_sampled(farm, cuts, note)
    except SampleUnused as why:
        return why.flaw
    return None


def cut_sampled(farm: Farm, cuts: Sequence[Cut], note: Note) -> Cut:
    """Return the cut that a sample was taken of: the last one begun on its day or the day before."""
    day = local_day(note, farm.place)
    near = [cut for cut in cuts if cut.day in (day, day - DAY)]
    if not note.timed:
        raise SampleUnused(SampleFlaw(SampleFlawKind.NO_HOUR))
    if not near:
        raise SampleUnused(SampleFlaw(SampleFlawKind.NO_CUT))
    begun = [cut for cut in near if mowing_start(farm, cut) <= note.at]
    if not begun:
        at = local_time(farm, mowing_start(farm, near[0]))
        raise SampleUnused(SampleFlaw(SampleFlawKind.BEFORE_MOWING, at))
    cut = max(begun, key=lambda one: mowing_start(farm, one))
    if (note.at - mowing_start(farm, cut)) / HOUR < c.MIN_WILTING_HOURS:
        raise SampleUnused(SampleFlaw(SampleFlawKind.TOO_SOON, local_time(farm, mowing_start(farm, cut))))
    return cut


def mowing_start(farm: Farm, cut: Cut) -> datetime:
    """Return when mowing began: as noted, or else at the earliest start."""
    if has_mowing_time(cut):
        return cut.note.at
    return datetime.combine(cut.day, farm.work.earliest_start, tzinfo=farm.place.timezone).astimezone(UTC)


def has_mowing_time(cut: Cut) -> bool:
    """Return whether the hour of mowing was noted."""
    return cut.note.timed and cut.note.kind is NoteKind.CUT


def local_time(farm: Farm, at: datetime) -> datetime:
    """Return a time on the farm's clock."""
    return at.astimezone(farm.place.timezone)

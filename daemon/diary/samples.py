"""Which cut a measured sample was taken of, and why one is set aside whatever the weather was."""

from collections.abc import Sequence
from datetime import UTC, datetime

from daemon.diary.cuts import Cut
from daemon.diary.store import Line, LineKind, local_day
from daemon.domain.farm import Farm
from daemon.domain.units import DAY, HOUR
from daemon.words.numbers import time_text
from models import coefficients as c


class _SetAside(Exception):
    """A sample that tells nothing; the text says why."""


class _NotAtHand(_SetAside):
    """A sample whose weather is not there, so that it may have been reckoned before."""


def set_aside(farm: Farm, told: Sequence[Cut], line: Line) -> str | None:
    """Return why a sample is not used whatever the weather was, None where it may be.

    Parameters
    ----------
    farm : Farm
    told : sequence of Cut
        Of its field.
    line : Line
        With its moisture.
    """
    try:
        _mowing(farm, told, line)
    except _SetAside as why:
        return str(why)
    return None


def _mowing(farm: Farm, told: Sequence[Cut], line: Line) -> Cut:
    """Return the cut that a sample was taken of: the last one begun on its day or the day before."""
    day = local_day(line, farm.place)
    near = [cut for cut in told if cut.day in (day, day - DAY)]
    if not line.timed:
        raise _SetAside("its hour is not noted")
    if not near:
        raise _SetAside("no cut is noted on its day or the day before; note the cut of its field")
    begun = [cut for cut in near if _begun(farm, cut) <= line.at]
    if not begun:
        raise _SetAside(f"it was taken before mowing began at {_clock(farm, _begun(farm, near[0]))}")
    cut = max(begun, key=lambda one: _begun(farm, one))
    if (line.at - _begun(farm, cut)) / HOUR < c.MIN_WILTING_HOURS:
        raise _SetAside(f"it was taken less than an hour after mowing began at {_clock(farm, _begun(farm, cut))}")
    return cut


def _begun(farm: Farm, cut: Cut) -> datetime:
    """Return when mowing began: as noted, or else at the earliest start."""
    if _is_timed(cut):
        return cut.line.at
    return datetime.combine(cut.day, farm.work.earliest_start, tzinfo=farm.place.timezone).astimezone(UTC)


def _is_timed(cut: Cut) -> bool:
    return cut.line.timed and cut.line.kind is LineKind.CUT


def _clock(farm: Farm, at: datetime) -> str:
    return time_text(at.astimezone(farm.place.timezone), farm.units)

"""Which fields are cut, by the settings and the diary together, and which of them still lie."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final

from daemon.diary.store import Line, LineKind, local_day, of_field
from daemon.domain.farm import Farm, Field, Place

CUT_WHOLE: Final = 0.9  # of a field cut in parts, from which it counts as cut
DAY: Final = timedelta(days=1)
LYING: Final = 3 * DAY  # after its day a cut that nobody noted as wrapped is held to lie
FORGOTTEN: Final = 10 * DAY  # after its day no `wrapped` is of a cut any more


@dataclass(frozen=True)
class Cut:
    """A field, or a part of it, that was cut on a day, and the line that tells so."""

    day: date
    line: Line
    area: float | None  # [ha], None: all of the field
    wrapped: Line | None = None  # the line that tells so


@dataclass(frozen=True)
class Mown:
    """How far a field is mown: its last whole cut, the cuts that made it, and those of the growth that stands now."""

    last_cut: date | None
    by: tuple[Cut, ...]  # none: the settings tell of the last cut, or nothing does
    parts: tuple[Cut, ...]

    @property
    def area(self) -> float:
        """The area [ha] cut of the growth that stands now."""
        return sum(cut.area or 0.0 for cut in self.parts)


def cuts(lines: Sequence[Line], place: Place) -> list[Cut]:
    """Return the cuts that the lines of one field, in the order of `of_field`, tell of, in the order of their days.

    Notes
    -----
    A line `wrapped` is of the oldest day with a cut that still lies. What was wrapped was cut: where no cut waits for
    it and none is noted of its day or the day before, it is a whole cut of its day. A line `uncut` takes back what was
    noted as cut of its day before it was written.
    """
    found: list[Cut] = []
    taken_back = uncut_days(lines, place)
    for line in lines:
        day = local_day(line, place)
        if line.kind is LineKind.CUT and line.id > taken_back.get(day, 0):
            found.append(Cut(day, line, line.area))
        elif line.kind is LineKind.WRAPPED:
            taken = _taken_up(found, day)
            found = [replace(cut, wrapped=line) if cut.day == taken and not cut.wrapped else cut for cut in found]
            if taken is None and all(cut.day < day - DAY for cut in found):
                found.append(Cut(day, line, None, line))
    noted = {cut.day for cut in found if cut.line.kind is LineKind.CUT}
    kept = (cut for cut in found if cut.line.kind is LineKind.CUT or cut.day not in noted)
    return sorted(kept, key=lambda cut: (cut.day, cut.line.id))


def uncut_days(lines: Sequence[Line], place: Place) -> dict[date, int]:
    """Return the days on which the lines of one field say that it was left uncut, with the last line that says so."""
    numbers = sorted(line.id for line in lines if line.kind is LineKind.UNCUT)
    days = {line.id: local_day(line, place) for line in lines}
    return {days[number]: number for number in numbers}


def left_uncut(farm: Farm, lines: Sequence[Line], now: datetime) -> tuple[str, ...]:
    """Return the fields that are noted as left uncut today, and not as cut since."""
    today = now.astimezone(farm.place.timezone).date()
    own = {field.name: of_field(lines, field, now) for field in farm.fields}
    return tuple(
        name
        for name, told in own.items()
        if today in uncut_days(told, farm.place) and all(cut.day != today for cut in cuts(told, farm.place))
    )


def mown(field: Field, told: Sequence[Cut], today: date, place: Place) -> Mown:
    """Return how far a field is mown by its settings and its cuts: the newest whole cut wins, on one day the diary's.

    Notes
    -----
    Parts add up to a whole cut at 0.9 of the field. Parts that were left at that when the season ended are forgotten,
    and so are those on the day of a whole cut or before it.
    """
    last, by, parts = field.last_cut, tuple[Cut, ...](), tuple[Cut, ...]()
    for cut in told:
        if last is not None and (cut.day < last or (cut.day == last and cut.area is not None)):
            continue
        parts = (*_of_season(parts, cut.day, place), cut)
        if cut.area is None or sum(part.area or 0.0 for part in parts) >= CUT_WHOLE * field.area:
            last, by, parts = cut.day, (cut,) if cut.area is None else parts, ()
    return Mown(last, by, _of_season(parts, today, place))


def still_lying(farm: Farm, lines: Sequence[Line], now: datetime) -> tuple[str, ...]:
    """Return the fields with a cut of today or of the three days before that is not noted as wrapped.

    Parameters
    ----------
    farm : Farm
    lines : sequence of Line
    now : datetime

    Returns
    -------
    tuple of str
        Names as in the settings, in the order in which they were first cut.
    """
    since = now.astimezone(farm.place.timezone).date() - LYING
    first = {}
    for field in farm.fields:
        told = cuts(of_field(lines, field, now), farm.place)
        begun = [cut.line.moment for cut in told if cut.day >= since and not cut.wrapped]
        if begun:
            first[field.name] = min(begun)
    return tuple(sorted(first, key=lambda name: first[name]))


def mown_by(farm: Farm, lines: Sequence[Line], field: Field, now: datetime) -> Mown:
    """Return how far a field is mown by its settings and the lines of the diary."""
    told = cuts(of_field(lines, field, now), farm.place)
    return mown(field, told, now.astimezone(farm.place.timezone).date(), farm.place)


def _taken_up(told: Sequence[Cut], day: date) -> date | None:
    """Return the day of the cut that was wrapped on a day: the oldest that lies, or else that may have been left."""
    open_days = [cut.day for cut in told if not cut.wrapped and cut.day <= day]
    lying = [one for one in open_days if one >= day - LYING]
    return min(lying or [one for one in open_days if one >= day - FORGOTTEN], default=None)


def _of_season(parts: tuple[Cut, ...], day: date, place: Place) -> tuple[Cut, ...]:
    """Return the cuts of the season of a day."""
    return tuple(cut for cut in parts if cut.day >= place.season_origin(day))

"""Which fields are cut, by the settings and the diary together, and which of them still lie."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final

from daemon.diary.store import Note, NoteKind, local_day, notes_of
from daemon.domain.farm import Farm, Field, Place
from daemon.domain.underway import LYING_FOR
from daemon.domain.units import DAY

WHOLE_CUT_SHARE: Final = 0.9  # of a field cut in parts, from which it counts as cut
FORGOTTEN_AFTER: Final = 10 * DAY  # after its day no `wrapped` is of a cut any more


@dataclass(frozen=True)
class Cut:
    """A field, or a part of it, that was cut on a day, and the line that tells so."""

    day: date
    note: Note
    area: float | None  # [ha], None: all of the field
    wrapped_note: Note | None = None  # the line that tells so


@dataclass(frozen=True)
class MownState:
    """How far a field is mown: its last whole cut, the cuts that made it, and those of the growth that stands now."""

    last_cut: date | None
    last_cut_parts: tuple[Cut, ...]  # none: the settings tell of the last cut, or nothing does
    parts: tuple[Cut, ...]

    @property
    def cut_area(self) -> float:
        """The area [ha] cut of the growth that stands now."""
        return sum(cut.area or 0.0 for cut in self.parts)


def cuts_from_notes(notes: Sequence[Note], place: Place) -> list[Cut]:
    """Return the cuts that the lines of one field, in the order of `notes_of`, tell of, in the order of their days.

    Notes
    -----
    A line `wrapped` is of the oldest day with a cut that still lies. What was wrapped was cut: where no cut waits for
    it and none is noted of its day or the day before, it is a whole cut of its day. A line `uncut` takes back what was
    noted as cut of its day before it was written.
    """
    found: list[Cut] = []
    taken_back = uncut_days(notes, place)
    for line in notes:
        day = local_day(line, place)
        if line.kind is NoteKind.CUT and line.id > taken_back.get(day, 0):
            found.append(Cut(day, line, line.area))
        elif line.kind is NoteKind.WRAPPED:
            taken = _day_of_wrapped_cut(found, day)
            found = [
                replace(cut, wrapped_note=line) if cut.day == taken and not cut.wrapped_note else cut for cut in found
            ]
            if taken is None and all(cut.day < day - DAY for cut in found):
                found.append(Cut(day, line, None, line))
    noted = {cut.day for cut in found if cut.note.kind is NoteKind.CUT}
    kept = (cut for cut in found if cut.note.kind is NoteKind.CUT or cut.day not in noted)
    return sorted(kept, key=lambda cut: (cut.day, cut.note.id))


def uncut_days(notes: Sequence[Note], place: Place) -> dict[date, int]:
    """Return the days on which the lines of one field say that it was left uncut, with the last line that says so."""
    numbers = sorted(line.id for line in notes if line.kind is NoteKind.UNCUT)
    days = {line.id: local_day(line, place) for line in notes}
    return {days[number]: number for number in numbers}


def fields_left_uncut(farm: Farm, notes: Sequence[Note], now: datetime) -> tuple[str, ...]:
    """Return the fields that are noted as left uncut today, and not as cut since."""
    today = now.astimezone(farm.place.timezone).date()
    own = {field.name: notes_of(notes, field, now) for field in farm.fields}
    return tuple(
        name
        for name, told in own.items()
        if today in uncut_days(told, farm.place) and all(cut.day != today for cut in cuts_from_notes(told, farm.place))
    )


def mown_from_cuts(field: Field, cuts: Sequence[Cut], today: date, place: Place) -> MownState:
    """Return how far a field is mown by its settings and its cuts: the newest whole cut wins, on one day the diary's.

    Notes
    -----
    Parts add up to a whole cut at 0.9 of the field. Parts that were left at that when the season ended are forgotten,
    and so are those on the day of a whole cut or before it.
    """
    last, by, parts = field.last_cut, tuple[Cut, ...](), tuple[Cut, ...]()
    for cut in cuts:
        if last is not None and (cut.day < last or (cut.day == last and cut.area is not None)):
            continue
        parts = (*_cuts_of_season(parts, cut.day, place), cut)
        if cut.area is None or sum(part.area or 0.0 for part in parts) >= WHOLE_CUT_SHARE * field.area:
            last, by, parts = cut.day, (cut,) if cut.area is None else parts, ()
    return MownState(last, by, _cuts_of_season(parts, today, place))


def fields_lying(farm: Farm, notes: Sequence[Note], now: datetime) -> tuple[str, ...]:
    """Return the fields with a cut of today or of the three days before that is not noted as wrapped.

    Parameters
    ----------
    farm : Farm
    notes : sequence of Line
    now : datetime

    Returns
    -------
    tuple of str
        Names as in the settings, in the order in which they were first cut.
    """
    since = now.astimezone(farm.place.timezone).date() - LYING_FOR
    first = {}
    for field in farm.fields:
        told = cuts_from_notes(notes_of(notes, field, now), farm.place)
        begun = [cut.note.effective_at for cut in told if cut.day >= since and not cut.wrapped_note]
        if begun:
            first[field.name] = min(begun)
    return tuple(sorted(first, key=lambda name: first[name]))


def mown_from_notes(farm: Farm, notes: Sequence[Note], field: Field, now: datetime) -> MownState:
    """Return how far a field is mown by its settings and the lines of the diary."""
    told = cuts_from_notes(notes_of(notes, field, now), farm.place)
    return mown_from_cuts(field, told, now.astimezone(farm.place.timezone).date(), farm.place)


def _day_of_wrapped_cut(cuts: Sequence[Cut], day: date) -> date | None:
    """Return the day of the cut that was wrapped on a day: the oldest that lies, or else that may have been left."""
    open_days = [cut.day for cut in cuts if not cut.wrapped_note and cut.day <= day]
    lying = [one for one in open_days if one >= day - LYING_FOR]
    return min(lying or [one for one in open_days if one >= day - FORGOTTEN_AFTER], default=None)


def _cuts_of_season(cuts: tuple[Cut, ...], day: date, place: Place) -> tuple[Cut, ...]:
    """Return the cuts of the season of a day."""
    return tuple(cut for cut in cuts if cut.day >= place.season_origin(day))

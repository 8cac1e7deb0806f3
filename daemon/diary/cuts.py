"""Works out from the settings and the diary which fields are cut, and whose crop still lies."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final

from daemon.diary.store import Note, NoteKind, local_day, notes_of
from daemon.domain.farm import Farm, Field, Place
from daemon.domain.underway import LYING_FOR
from daemon.domain.units import DAY

WHOLE_CUT_SHARE: Final = 0.9  # of its area, from which a field that is cut in parts counts as cut
FORGOTTEN_AFTER: Final = 10 * DAY  # so long after its day a cut can be the one that a note says is wrapped


@dataclass(frozen=True)
class Cut:
    """A cut of a field, or of a part of it, on a day."""

    day: date
    note: Note  # says so, or says that the crop was wrapped
    area: float | None  # [ha], None: all of the field
    wrapped_note: Note | None = None  # says that the crop was wrapped

    @property
    def is_noted(self) -> bool:
        """Whether the cut is noted, and not only inferred from a note that the crop was wrapped."""
        return self.note.kind is NoteKind.CUT


@dataclass(frozen=True)
class MownState:
    """How far a field is mown: its last whole cut, and the partial cuts of its present growth."""

    last_cut: date | None
    last_cut_parts: tuple[Cut, ...]  # that made it up; empty where the settings give the last cut, or nothing does
    parts: tuple[Cut, ...]

    @property
    def cut_area(self) -> float:
        """The area [ha] that is cut of the present growth."""
        return _total_area(self.parts)


def cuts_from_notes(notes: Sequence[Note], place: Place) -> list[Cut]:
    """Return the cuts, by day, that the notes of one field tell of; the notes are in the order of `notes_of`.

    Notes
    -----
    A note `wrapped` is about the oldest day with a cut that still lies. What was wrapped was cut: if no cut lies and
    none is noted on its day or the day before, the note stands for a whole cut on its day. A note `uncut` takes back
    the cuts of its day that were noted before it.
    """
    taken_back = uncut_days(notes, place)
    cuts: list[Cut] = []
    for note in notes:
        day = local_day(note, place)
        if note.kind is NoteKind.CUT and note.id > taken_back.get(day, 0):
            cuts.append(Cut(day, note, note.area))
        elif note.kind is NoteKind.WRAPPED:
            cuts = _with_wrapped(cuts, note, day)
    noted_days = {cut.day for cut in cuts if cut.is_noted}
    valid = [cut for cut in cuts if cut.is_noted or cut.day not in noted_days]
    return sorted(valid, key=lambda cut: (cut.day, cut.note.id))


def _with_wrapped(cuts: list[Cut], note: Note, day: date) -> list[Cut]:
    """Return the cuts after a note that a crop was wrapped on a day."""
    day_of_cut = _day_of_wrapped_cut(cuts, day)
    if day_of_cut is not None:
        return [
            replace(cut, wrapped_note=note) if cut.day == day_of_cut and not cut.wrapped_note else cut for cut in cuts
        ]
    if all(cut.day < day - DAY for cut in cuts):
        return [*cuts, Cut(day, note, None, note)]
    return cuts


def _day_of_wrapped_cut(cuts: Sequence[Cut], day: date) -> date | None:
    """Return the day of the cut that was wrapped on a day: the oldest that lies, else the oldest not forgotten."""
    open_days = [cut.day for cut in cuts if not cut.wrapped_note and cut.day <= day]
    for limit in (LYING_FOR, FORGOTTEN_AFTER):
        recent_days = [open_day for open_day in open_days if open_day >= day - limit]
        if recent_days:
            return min(recent_days)
    return None


def uncut_days(notes: Sequence[Note], place: Place) -> dict[date, int]:
    """Return the days on which the notes of one field say that it was left uncut, with the last note that says so."""
    uncut_notes = [note for note in notes if note.kind is NoteKind.UNCUT]
    return {local_day(note, place): note.id for note in sorted(uncut_notes, key=lambda note: note.id)}


def fields_left_uncut(farm: Farm, notes: Sequence[Note], now: datetime) -> tuple[str, ...]:
    """Return the fields that are noted as left uncut today, and not as cut since."""
    today = now.astimezone(farm.place.timezone).date()
    names = []
    for field in farm.fields:
        field_notes = notes_of(notes, field, now)
        days_of_cuts = {cut.day for cut in cuts_from_notes(field_notes, farm.place)}
        if today in uncut_days(field_notes, farm.place) and today not in days_of_cuts:
            names.append(field.name)
    return tuple(names)


def mown_from_cuts(field: Field, cuts: Sequence[Cut], today: date, place: Place) -> MownState:
    """Return how far a field is mown; of a cut in its settings and its whole cuts in the diary the newest counts.

    Notes
    -----
    Parts add up to a whole cut at 0.9 of the field. Parts that did not by the end of their season are forgotten, and
    so are parts on the day of a whole cut or before it. A whole cut in the diary replaces one in the settings on the
    same day.
    """
    last_cut, last_cut_parts, parts = field.last_cut, tuple[Cut, ...](), tuple[Cut, ...]()
    for cut in cuts:
        if last_cut is not None and _is_of_earlier_growth(cut, last_cut):
            continue
        parts = (*_cuts_of_season(parts, cut.day, place), cut)
        if cut.area is None:
            last_cut, last_cut_parts, parts = cut.day, (cut,), ()
        elif _total_area(parts) >= WHOLE_CUT_SHARE * field.area:
            last_cut, last_cut_parts, parts = cut.day, parts, ()
    return MownState(last_cut, last_cut_parts, _cuts_of_season(parts, today, place))


def _is_of_earlier_growth(cut: Cut, last_cut: date) -> bool:
    """Return whether a cut is older than a whole cut, or a part on the same day."""
    return cut.day < last_cut or (cut.day == last_cut and cut.area is not None)


def _total_area(parts: Sequence[Cut]) -> float:
    """Return the area [ha] of the parts of a field."""
    return sum(part.area or 0.0 for part in parts)


def _cuts_of_season(cuts: tuple[Cut, ...], day: date, place: Place) -> tuple[Cut, ...]:
    """Return the cuts since the beginning of the season of a day."""
    return tuple(cut for cut in cuts if cut.day >= place.season_origin(day))


def mown_from_notes(farm: Farm, notes: Sequence[Note], field: Field, now: datetime) -> MownState:
    """Return how far a field is mown by its settings and the notes of the diary."""
    cuts = cuts_from_notes(notes_of(notes, field, now), farm.place)
    return mown_from_cuts(field, cuts, now.astimezone(farm.place.timezone).date(), farm.place)


def fields_lying(farm: Farm, notes: Sequence[Note], now: datetime) -> tuple[str, ...]:
    """Return the fields with a cut of today or of the three days before that is not noted as wrapped.

    Parameters
    ----------
    farm : Farm
    notes : sequence of Note
    now : datetime

    Returns
    -------
    tuple of str
        Names as in the settings, in the order in which the fields were cut.
    """
    since = now.astimezone(farm.place.timezone).date() - LYING_FOR
    first_cut_at = {}
    for field in farm.fields:
        cuts = cuts_from_notes(notes_of(notes, field, now), farm.place)
        cut_times = [cut.note.effective_at for cut in cuts if cut.day >= since and not cut.wrapped_note]
        if cut_times:
            first_cut_at[field.name] = min(cut_times)
    return tuple(sorted(first_cut_at, key=lambda name: first_cut_at[name]))

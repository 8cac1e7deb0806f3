"""What settings and diary tell of a field together: its cuts, and what was seen there."""

from collections.abc import Sequence
from datetime import datetime

from daemon.diary.cuts import MownState, mown_from_notes
from daemon.diary.overlay import last_day_before_growth, latest_looks
from daemon.diary.store import Note, NoteKind, local_day
from daemon.domain.farm import Farm, Field
from daemon.domain.field_history import CutHistory, FieldHistory, NotedCut, NotedLook


def field_history(farm: Farm, notes: Sequence[Note], field: Field, now: datetime) -> FieldHistory:
    """Return what is held for cut of a field, what was seen of its growth and what was seen last of its ground.

    Parameters
    ----------
    farm, field
        As in the settings, without the diary.
    notes : sequence of Note
    now : datetime
    """
    state = mown_from_notes(farm, notes, field, now)
    since = last_day_before_growth(farm, state.last_cut, now)
    noted = latest_looks(farm, notes, field, now)
    ground = [note for (_, kind), note in noted.items() if kind is NoteKind.GROUND]
    stand = [note for (day, kind), note in noted.items() if kind is not NoteKind.GROUND and day > since]
    return FieldHistory(
        cuts=_cut_history(field, state),
        looks=tuple(noted_look(farm, note) for note in stand),
        ground=noted_look(farm, ground[-1]) if ground else None,
    )


def noted_look(farm: Farm, note: Note) -> NotedLook:
    """Return what a note says was seen."""
    return NotedLook(
        day=local_day(note, farm.place),
        note=note.id,
        stage=note.stage,
        height=note.height,
        ground=note.ground if note.kind is NoteKind.GROUND else None,
        is_lodged=note.kind is NoteKind.LODGED,
    )


def _cut_history(field: Field, state: MownState) -> CutHistory:
    return CutHistory(
        last_cut=state.last_cut,
        last_cut_notes=tuple(cut.note.id for cut in state.last_cut_parts),
        cut_in_settings=field.last_cut,
        parts=tuple(NotedCut(cut.area or 0.0, cut.day, cut.note.id) for cut in state.parts),
        standing=field.area - state.cut_area,
    )

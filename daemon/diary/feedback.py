"""What is said of a note as soon as it is written, and of one that is undone."""

from collections.abc import Iterator, Sequence
from datetime import timedelta

from daemon.diary.cuts import Cut, cuts_from_notes
from daemon.diary.samples import sample_flaw
from daemon.diary.store import Note, NoteKind, local_day, notes_of
from daemon.domain.farm import Farm, Field, Units
from daemon.domain.units import METRES_PER_INCH
from daemon.words.field_history import sample_flaw_text
from models import coefficients as c
from models.species import resolve_stand


def feedback(farm: Farm, notes: Sequence[Note], note: Note) -> Iterator[str]:
    """Yield what is to be said of a note as soon as it is written: what it does not tell, and what it is taken for.

    Parameters
    ----------
    farm : Farm
    notes : sequence of Line
        The diary, with the new line.
    note : Line
        The new one.
    """
    field = next(one for one in farm.fields if one.name.casefold() == note.field.casefold())
    told = cuts_from_notes(notes_of(notes, field, note.written_at), farm.place)
    if note.height is not None:
        yield from _height_feedback(note.height, field, farm)
    if note.kind is NoteKind.UNCUT:
        yield from _uncut_feedback(notes, note, told, farm)
    if note.kind is NoteKind.MOISTURE:
        yield from _sample_feedback(note, told, farm)
    if note.kind is NoteKind.WRAPPED and any(cut.note.id == note.id for cut in told):
        yield f"No cut of {field.name} waited for it: all of it is taken as cut that day."
    if note.kind is NoteKind.WRAPPED and note.moisture is not None and not note.timed:
        yield "Its moisture teaches nothing without the hour: undo it and give --at too."


def undo_feedback(farm: Farm, notes: Sequence[Note], note: Note) -> Iterator[str]:
    """Yield what holds again once a line is struck out, which nobody might expect.

    Parameters
    ----------
    farm : Farm
    notes : sequence of Line
        The diary, with the line still in it.
    note : Line
    """
    day, name = local_day(note, farm.place), note.field
    own = [one for one in notes if one.field.casefold() == name.casefold() and local_day(one, farm.place) == day]
    if note.kind is NoteKind.UNCUT:
        if any(one.kind is NoteKind.CUT and one.id < note.id for one in own):
            yield f"The cut of {name} that it took back holds again."
    elif note.kind is NoteKind.CUT and any(one.kind is NoteKind.MOISTURE for one in own):
        yield f"The samples of {name} of that day are set aside, unless another cut of it is noted."


def _sample_feedback(note: Note, cuts: Sequence[Cut], farm: Farm) -> Iterator[str]:
    """Yield why a sample is not used, as far as that is known without the weather."""
    day = local_day(note, farm.place)
    flaw = sample_flaw(farm, cuts, note)
    if not any(cut.day in (day, day - timedelta(days=1)) for cut in cuts):
        yield f"It is set aside until the cut of {note.field} on that day or the day before is noted."
    elif flaw is not None:
        yield f"It is kept but not used, because {sample_flaw_text(flaw, farm.units)}."


def _uncut_feedback(notes: Sequence[Note], note: Note, cuts: Sequence[Cut], farm: Farm) -> Iterator[str]:
    """Yield what a field left uncut takes back, and what it does not."""
    day, name = local_day(note, farm.place), note.field
    own = [one for one in notes if one.field.casefold() == name.casefold() and local_day(one, farm.place) == day]
    if any(one.kind is NoteKind.CUT and one.id < note.id for one in own):
        yield f"It takes back the cut of {name} that was noted of that day."
    if any(cut.day == day for cut in cuts):
        yield f"{name} is noted as wrapped that day, so it is held for cut all the same."


def _height_feedback(height: float, field: Field, farm: Farm) -> Iterator[str]:
    """Yield what a height does not tell of a stand."""
    in_units = METRES_PER_INCH if farm.units is Units.US else 0.01
    unit = "inches" if farm.units is Units.US else "cm"
    least, most = round(c.MIN_ALFALFA_HEIGHT / in_units), round(c.MAX_ALFALFA_HEIGHT / in_units)
    legumes = {kind: share for kind, share in resolve_stand(field.stand, farm.species).items() if kind.legume}
    if not legumes or not max(legumes, key=legumes.__getitem__).is_alfalfa or height > c.MAX_ALFALFA_HEIGHT:
        yield f"Kept, but only alfalfa of {least} to {most} {unit} tells its fibre by its height; note the stage too."
    elif height < c.MIN_ALFALFA_HEIGHT:
        yield f"Alfalfa under {least} {unit} tells only that it is young, not its fibre; note the stage too."

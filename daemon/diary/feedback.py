"""Feedback on a note as soon as it is written, or undone."""

from collections.abc import Iterator, Sequence

from daemon.diary.cuts import Cut, cuts_from_notes
from daemon.diary.samples import sample_flaw
from daemon.diary.store import Note, NoteKind, local_day, notes_about_day, notes_of
from daemon.domain.farm import Farm, Field, Units
from daemon.domain.units import DAY, METRES_PER_INCH
from daemon.words.field_history import sample_flaw_text
from models import coefficients as c
from models.species import resolve_stand


def feedback(farm: Farm, notes: Sequence[Note], note: Note) -> Iterator[str]:
    """Yield what the farmer should know of a new note: what cannot be learnt from it, and how it is understood.

    Parameters
    ----------
    farm : Farm
    notes : sequence of Note
        The diary, with the new note.
    note : Note
        The new one.
    """
    field = next(field for field in farm.fields if field.name.casefold() == note.field.casefold())
    cuts = cuts_from_notes(notes_of(notes, field, note.written_at), farm.place)
    if note.height is not None:
        yield from _height_feedback(note.height, field, farm)
    match note.kind:
        case NoteKind.UNCUT:
            yield from _uncut_feedback(notes, note, cuts, farm)
        case NoteKind.MOISTURE:
            yield from _sample_feedback(note, cuts, farm)
        case NoteKind.WRAPPED:
            yield from _wrapped_feedback(note, field, cuts)


def undo_feedback(farm: Farm, notes: Sequence[Note], note: Note) -> Iterator[str]:
    """Yield what changes by undoing a note that the farmer may not expect.

    Parameters
    ----------
    farm : Farm
    notes : sequence of Note
        The diary, with the note still in it.
    note : Note
    """
    if note.kind is NoteKind.UNCUT and _has_earlier_cut(notes, note, farm):
        yield f"The cut of {note.field} that it took back holds again."
    if note.kind is NoteKind.CUT and _has_sample(notes, note, farm):
        yield f"The samples of {note.field} of that day are set aside, unless another cut of it is noted."


def _has_earlier_cut(notes: Sequence[Note], note: Note, farm: Farm) -> bool:
    """Return whether a cut of the same field and day was noted before a note."""
    same_day = notes_about_day(notes, note.field, local_day(note, farm.place), farm.place)
    return any(other.kind is NoteKind.CUT and other.id < note.id for other in same_day)


def _has_sample(notes: Sequence[Note], note: Note, farm: Farm) -> bool:
    """Return whether a sample of the same field and day is noted."""
    same_day = notes_about_day(notes, note.field, local_day(note, farm.place), farm.place)
    return any(other.kind is NoteKind.MOISTURE for other in same_day)


def _wrapped_feedback(note: Note, field: Field, cuts: Sequence[Cut]) -> Iterator[str]:
    """Yield what is inferred from a note that a crop was wrapped, and what cannot be learnt from it."""
    if any(cut.note.id == note.id for cut in cuts):
        yield f"No cut of {field.name} waited for it: all of it is taken as cut that day."
    if note.moisture is not None and not note.timed:
        yield "Its moisture teaches nothing without the hour: undo it and give --at too."


def _sample_feedback(note: Note, cuts: Sequence[Cut], farm: Farm) -> Iterator[str]:
    """Yield why a sample is not used, as far as that is known without the weather."""
    day = local_day(note, farm.place)
    flaw = sample_flaw(farm, cuts, note)
    if not any(cut.day in (day, day - DAY) for cut in cuts):
        yield f"It is set aside until the cut of {note.field} on that day or the day before is noted."
    elif flaw is not None:
        yield f"It is kept but not used, because {sample_flaw_text(flaw, farm.units)}."


def _uncut_feedback(notes: Sequence[Note], note: Note, cuts: Sequence[Cut], farm: Farm) -> Iterator[str]:
    """Yield what a note that a field was left uncut takes back, and what it does not."""
    if _has_earlier_cut(notes, note, farm):
        yield f"It takes back the cut of {note.field} that was noted of that day."
    if any(cut.day == local_day(note, farm.place) for cut in cuts):
        yield f"{note.field} is noted as wrapped that day, so it is held for cut all the same."


def _height_feedback(height: float, field: Field, farm: Farm) -> Iterator[str]:
    """Yield why the fibre of a stand does not follow from its height."""
    unit, metres = ("inches", METRES_PER_INCH) if farm.units is Units.US else ("cm", 0.01)
    low, high = round(c.MIN_ALFALFA_HEIGHT / metres), round(c.MAX_ALFALFA_HEIGHT / metres)
    if not _is_mostly_alfalfa(field, farm) or height > c.MAX_ALFALFA_HEIGHT:
        yield f"Kept, but only alfalfa of {low} to {high} {unit} tells its fibre by its height; note the stage too."
    elif height < c.MIN_ALFALFA_HEIGHT:
        yield f"Alfalfa under {low} {unit} tells only that it is young, not its fibre; note the stage too."


def _is_mostly_alfalfa(field: Field, farm: Farm) -> bool:
    """Return whether alfalfa has the greatest share of the legumes in a stand."""
    shares = resolve_stand(field.stand, farm.species)
    legumes = [species for species in shares if species.legume]
    return bool(legumes) and max(legumes, key=lambda species: shares[species]).is_alfalfa

"""A note of the diary in words."""

from daemon.diary.history import noted_look
from daemon.diary.store import Note, NoteKind
from daemon.domain.farm import Farm
from daemon.words.catalog import join, phrase
from daemon.words.field_history import noted_look_text
from daemon.words.numbers import date_text, field_size_text, measured_moisture_text, time_text


def describe_note(farm: Farm, note: Note) -> str:
    """Return what a line tells, in the farm's units and on its clock."""
    at = note.at.astimezone(farm.place.timezone)
    when = date_text(at.date())
    when = phrase("diary.day_time", day=when, time=time_text(at, farm.units)) if note.timed else when
    water = "" if note.moisture is None else phrase("diary.water", water=measured_moisture_text(note.moisture))
    match note.kind:
        case NoteKind.MOISTURE:
            return phrase("diary.line", field=note.field, seen=water, day=when)
        case NoteKind.UNCUT:
            return phrase("diary.uncut", field=note.field, day=when)
        case NoteKind.CUT if note.area is None:
            return phrase("diary.cut", field=note.field, day=when)
        case NoteKind.CUT:
            return phrase(
                "diary.cut_part", field=note.field, area=field_size_text(note.area or 0.0, farm.units), day=when
            )
        case NoteKind.WRAPPED:
            return join([phrase("diary.wrapped", field=note.field, day=when), water])
        case NoteKind.STAGE | NoteKind.HEIGHT | NoteKind.GROUND | NoteKind.LODGED:
            return phrase(
                "diary.line", field=note.field, seen=noted_look_text(noted_look(farm, note), farm.units), day=when
            )

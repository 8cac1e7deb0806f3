"""What the diary says of each field: the farm as settings and diary tell together, and its lines in words."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime

from daemon.diary.cuts import MownState, mown_from_notes
from daemon.diary.overlay import last_day_before_growth, latest_looks
from daemon.diary.store import Note, NoteKind
from daemon.domain.farm import Farm, Field
from daemon.words.catalog import join, phrase, with_aside
from daemon.words.growth import look_text
from daemon.words.numbers import date_text, field_size_text, measured_moisture_text, time_text


def describe_field(farm: Farm, notes: Sequence[Note], field: Field, now: datetime) -> list[str]:
    """Return in plain sentences what is held for cut of a field, what was seen there, and where that comes from.

    Parameters
    ----------
    farm, field
        As in the settings.
    notes : sequence of Line
    now : datetime
    """
    state = mown_from_notes(farm, notes, field, now)
    sentences = [_last_cut_text(field, state)]
    if state.parts:
        left = field_size_text(field.area - state.cut_area, farm.units)
        cuts = join(_noted_text(field_size_text(cut.area or 0.0, farm.units), cut.day, cut.note) for cut in state.parts)
        sentences.append(phrase("diary.standing", left=left, whole=field_size_text(field.area, farm.units), cuts=cuts))
    return [*sentences, *_look_sentences(farm, notes, field, state.last_cut, now)]


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
            return phrase("diary.line", field=note.field, seen=_look_text(farm, note), day=when)


def _look_sentences(
    farm: Farm, notes: Sequence[Note], field: Field, last_cut: date | None, now: datetime
) -> Iterator[str]:
    """Yield what was seen of the growth that stands now, and what was seen last of the ground."""
    since = last_day_before_growth(farm, last_cut, now)
    stand, under = list[str](), ""
    for (day, kind), line in latest_looks(farm, notes, field, now).items():
        words = _noted_text(_look_text(farm, line), day, line)
        if kind is NoteKind.GROUND:
            under = words
        elif day > since:
            stand.append(words)
    yield from [phrase("diary.seen", looks=join(stand))] if stand else []
    yield from [phrase("diary.seen_last", look=under)] if under else []


def _look_text(farm: Farm, note: Note) -> str:
    """Return what was seen."""
    if note.kind is NoteKind.LODGED:
        return phrase("diary.flat")
    if note.kind is NoteKind.GROUND:
        return phrase(f"ground_seen.{note.ground}")
    return look_text(note.stage, note.height, farm.units)


def _last_cut_text(field: Field, state: MownState) -> str:
    if state.last_cut is None and state.parts:
        return phrase("diary.no_whole_cut")
    if state.last_cut is None:
        return phrase("diary.no_cut")
    day = date_text(state.last_cut)
    if not state.last_cut_parts:
        return phrase("diary.cut_by_settings", day=day)
    lines = join(phrase("diary.line_number", number=cut.note.id) for cut in state.last_cut_parts)
    if field.last_cut:
        return phrase("diary.cut_by_both", day=day, lines=lines, older=date_text(field.last_cut))
    return phrase("diary.cut_by_lines", day=day, lines=lines)


def _noted_text(words: str, day: date, note: Note) -> str:
    """Return what was noted with its day and its line."""
    number = phrase("diary.line_number", number=note.id)
    return with_aside(phrase("diary.on", words=words, day=date_text(day)), number)

"""What the diary says of each field: the farm as settings and diary tell together, and its lines in words."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime

from daemon.diary.cuts import Mown, mown_by
from daemon.diary.overlay import _looks_noted, _since
from daemon.diary.store import Line, LineKind
from daemon.domain.farm import Farm, Field
from daemon.words.catalog import join, phrase, with_aside
from daemon.words.growth import look_text
from daemon.words.numbers import date_text, field_size_text, measured_moisture_text, time_text


def told_by(farm: Farm, lines: Sequence[Line], field: Field, now: datetime) -> list[str]:
    """Return in plain sentences what is held for cut of a field, what was seen there, and where that comes from.

    Parameters
    ----------
    farm, field
        As in the settings, before `with_diary`.
    lines : sequence of Line
    now : datetime
    """
    state = mown_by(farm, lines, field, now)
    sentences = [_last_cut_words(field, state)]
    if state.parts:
        left = field_size_text(field.area - state.area, farm.units)
        cuts = join(_noted(field_size_text(cut.area or 0.0, farm.units), cut.day, cut.line) for cut in state.parts)
        sentences.append(phrase("diary.standing", left=left, whole=field_size_text(field.area, farm.units), cuts=cuts))
    return [*sentences, *_seen_words(farm, lines, field, state.last_cut, now)]


def line_words(farm: Farm, line: Line) -> str:
    """Return what a line tells, in the farm's units and on its clock."""
    at = line.at.astimezone(farm.place.timezone)
    when = date_text(at.date())
    when = phrase("diary.day_time", day=when, time=time_text(at, farm.units)) if line.timed else when
    water = "" if line.moisture is None else phrase("diary.water", water=measured_moisture_text(line.moisture))
    match line.kind:
        case LineKind.MOISTURE:
            return phrase("diary.line", field=line.field, seen=water, day=when)
        case LineKind.UNCUT:
            return phrase("diary.uncut", field=line.field, day=when)
        case LineKind.CUT if line.area is None:
            return phrase("diary.cut", field=line.field, day=when)
        case LineKind.CUT:
            return phrase(
                "diary.cut_part", field=line.field, area=field_size_text(line.area or 0.0, farm.units), day=when
            )
        case LineKind.WRAPPED:
            return join([phrase("diary.wrapped", field=line.field, day=when), water])
        case LineKind.STAGE | LineKind.HEIGHT | LineKind.GROUND | LineKind.LODGED:
            return phrase("diary.line", field=line.field, seen=_look_words(farm, line), day=when)


def _seen_words(farm: Farm, lines: Sequence[Line], field: Field, last_cut: date | None, now: datetime) -> Iterator[str]:
    """Yield what was seen of the growth that stands now, and what was seen last of the ground."""
    since = _since(farm, last_cut, now)
    stand, under = list[str](), ""
    for (day, kind), line in _looks_noted(farm, lines, field, now).items():
        words = _noted(_look_words(farm, line), day, line)
        if kind is LineKind.GROUND:
            under = words
        elif day > since:
            stand.append(words)
    yield from [phrase("diary.seen", looks=join(stand))] if stand else []
    yield from [phrase("diary.seen_last", look=under)] if under else []


def _look_words(farm: Farm, line: Line) -> str:
    """Return what was seen."""
    if line.kind is LineKind.LODGED:
        return phrase("diary.flat")
    if line.kind is LineKind.GROUND:
        return phrase(f"ground_seen.{line.ground}")
    return look_text(line.stage, line.height, farm.units)


def _last_cut_words(field: Field, state: Mown) -> str:
    if state.last_cut is None and state.parts:
        return phrase("diary.no_whole_cut")
    if state.last_cut is None:
        return phrase("diary.no_cut")
    day = date_text(state.last_cut)
    if not state.by:
        return phrase("diary.cut_by_settings", day=day)
    lines = join(phrase("diary.line_number", number=cut.line.id) for cut in state.by)
    if field.last_cut:
        return phrase("diary.cut_by_both", day=day, lines=lines, older=date_text(field.last_cut))
    return phrase("diary.cut_by_lines", day=day, lines=lines)


def _noted(words: str, day: date, line: Line) -> str:
    """Return what was noted with its day and its line."""
    number = phrase("diary.line_number", number=line.id)
    return with_aside(phrase("diary.on", words=words, day=date_text(day)), number)

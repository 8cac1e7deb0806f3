"""What the diary says of each field: the farm as settings and diary tell together, and its lines in words."""

from collections.abc import Iterator, Sequence
from datetime import date, datetime

from daemon.diary.cuts import Mown, mown_by
from daemon.diary.overlay import _looks_noted, _since
from daemon.diary.store import Line, LineKind
from daemon.domain.farm import Farm, Field
from daemon.words.catalog import beside, joined, said
from daemon.words.growth import seen_words
from daemon.words.numbers import clock_time, day_words, percent, size


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
        left = size(field.area - state.area, farm.units)
        cuts = joined(_noted(size(cut.area or 0.0, farm.units), cut.day, cut.line) for cut in state.parts)
        sentences.append(said("diary.standing", left=left, whole=size(field.area, farm.units), cuts=cuts))
    return [*sentences, *_seen_words(farm, lines, field, state.last_cut, now)]


def line_words(farm: Farm, line: Line) -> str:
    """Return what a line tells, in the farm's units and on its clock."""
    at = line.at.astimezone(farm.place.timezone)
    when = day_words(at.date())
    when = said("diary.day_time", day=when, time=clock_time(at, farm.units)) if line.timed else when
    water = "" if line.moisture is None else said("diary.water", water=percent(line.moisture))
    match line.kind:
        case LineKind.MOISTURE:
            return said("diary.line", field=line.field, seen=water, day=when)
        case LineKind.UNCUT:
            return said("diary.uncut", field=line.field, day=when)
        case LineKind.CUT if line.area is None:
            return said("diary.cut", field=line.field, day=when)
        case LineKind.CUT:
            return said("diary.cut_part", field=line.field, area=size(line.area or 0.0, farm.units), day=when)
        case LineKind.WRAPPED:
            return joined([said("diary.wrapped", field=line.field, day=when), water])
        case LineKind.STAGE | LineKind.HEIGHT | LineKind.GROUND | LineKind.LODGED:
            return said("diary.line", field=line.field, seen=_look_words(farm, line), day=when)


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
    yield from [said("diary.seen", looks=joined(stand))] if stand else []
    yield from [said("diary.seen_last", look=under)] if under else []


def _look_words(farm: Farm, line: Line) -> str:
    """Return what was seen."""
    if line.kind is LineKind.LODGED:
        return said("diary.flat")
    if line.kind is LineKind.GROUND:
        return said(f"ground_seen.{line.ground}")
    return seen_words(line.stage, line.height, farm.units)


def _last_cut_words(field: Field, state: Mown) -> str:
    if state.last_cut is None and state.parts:
        return said("diary.no_whole_cut")
    if state.last_cut is None:
        return said("diary.no_cut")
    day = day_words(state.last_cut)
    if not state.by:
        return said("diary.cut_by_settings", day=day)
    lines = joined(said("diary.line_number", number=cut.line.id) for cut in state.by)
    if field.last_cut:
        return said("diary.cut_by_both", day=day, lines=lines, older=day_words(field.last_cut))
    return said("diary.cut_by_lines", day=day, lines=lines)


def _noted(words: str, day: date, line: Line) -> str:
    """Return what was noted with its day and its line."""
    number = said("diary.line_number", number=line.id)
    return beside(said("diary.on", words=words, day=day_words(day)), number)

"""What the diary says of each field: the farm as settings and diary tell together, and its lines in words."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from daemon.diary import LOOKS, Line, LineKind, local_day, of_field
from daemon.farm import Farm, Field, Look
from daemon.growth_words import seen_words
from daemon.mowings import Mown, mown_by
from daemon.sentences import beside, joined, said
from daemon.units import clock_time, day_words, percent, size
from models.firmness import Firmness


def with_diary(farm: Farm, lines: Sequence[Line], now: datetime) -> Farm:
    """Return the farm as settings and diary tell together: what of each field is cut and stands, and was seen there."""
    return replace(farm, fields=tuple(_as_told(farm, lines, field, now) for field in farm.fields))


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


def _as_told(farm: Farm, lines: Sequence[Line], field: Field, now: datetime) -> Field:
    state, noted = mown_by(farm, lines, field, now), _looks_noted(farm, lines, field, now)
    since = _since(farm, state.last_cut, now)
    seen: dict[date, Look] = {}
    for (day, kind), line in noted.items():
        if kind in (LineKind.STAGE, LineKind.HEIGHT):
            before = seen.get(day, Look(day))
            seen[day] = Look(day, line.stage or before.stage, line.height or before.height)
    looks = [*(look for look in field.looks if look.on not in seen), *seen.values()]  # of one day the diary's
    return replace(
        field,
        last_cut=state.last_cut,
        standing=field.area - state.area if state.parts else None,
        looks=tuple(sorted(looks, key=lambda look: look.on)),
        lodged=max((day for day, kind in noted if kind is LineKind.LODGED and day > since), default=None),
        ground_looks=tuple(seen for (day, _), line in noted.items() for seen in _ground_seen(farm, day, line)),
    )


def _ground_seen(farm: Farm, day: date, line: Line) -> Iterator[tuple[date, str]]:
    """Yield the mornings for which a look at the ground holds: nothing dries between an afternoon and the next one."""
    if line.ground is not None:
        yield day, line.ground
        if line.ground != Firmness.FIRM and line.moment.astimezone(farm.place.timezone).hour >= 12:
            yield day + timedelta(days=1), line.ground


def _looks_noted(farm: Farm, lines: Sequence[Line], field: Field, now: datetime) -> dict[tuple[date, LineKind], Line]:
    """Return the looks at a field by day and kind, in order: of one day and kind the line that was written last."""
    own = sorted(of_field(lines, field, now), key=lambda line: line.id)
    noted = {(local_day(line, farm.place), line.kind): line for line in own if line.kind in LOOKS}
    return {key: noted[key] for key in sorted(noted)}


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


def _since(farm: Farm, last_cut: date | None, now: datetime) -> date:
    """Return the last day of what stood there before the growth that stands now."""
    return last_cut or farm.place.season_origin(now.astimezone(farm.place.timezone).date())


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

"""The diary: what the farmer measured and did, kept on disk a line at a time, and what it says of each field."""

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Final

import numpy as np

from daemon.diary_file import LAST_NUMBER, FormError, bring_up, checked, columns
from daemon.farm import Farm, Field, Look, Place
from daemon.units import clock_time, height, size
from models.season import season_origin

DATABASE: Final = "diary.sqlite3"
CUT_WHOLE: Final = 0.9  # of a field cut in parts, from which it counts as cut
_DAY: Final = timedelta(days=1)
LYING: Final = 3 * _DAY  # after its day a cut that nobody noted as wrapped is held to lie
FORGOTTEN: Final = 10 * _DAY  # after its day no `wrapped` is of a cut any more
_MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


class DiaryError(Exception):
    """The diary cannot be read or written."""


class LineKind(StrEnum):
    """What a line of the diary tells."""

    MOISTURE = "moisture"
    CUT = "cut"
    WRAPPED = "wrapped"
    STAGE = "stage"
    HEIGHT = "height"
    GROUND = "ground"


LOOKS: Final = (LineKind.STAGE, LineKind.HEIGHT, LineKind.GROUND)


@dataclass(frozen=True)
class Line:
    """One line of the diary."""

    id: int
    kind: LineKind
    field: str
    at: datetime  # the moment in UTC for which it is true: of a cut, when mowing began
    written_at: datetime
    timed: bool = True  # False: only the day was told, and `at` is its first moment on the farm's clock
    area: float | None = None  # [ha] cut, None: all of the field
    moisture: float | None = None  # [wet basis, 1]
    factor: float | None = None  # drying factor that it told when its weather was still at hand [1]
    stage: str | None = None  # seen in the stand, one of models.looks.STAGES_SEEN
    height: float | None = None  # of the tallest stems [m]
    ground: str | None = None  # seen under foot, a models.ground.Firmness

    @property
    def moment(self) -> datetime:
        """The moment by which it is put in order: without an hour it was over when it was written on its own day."""
        on_its_day = timedelta(0) <= self.written_at - self.at < _DAY
        return self.written_at if not self.timed and on_its_day else self.at


class Diary:
    """The lines, in one SQLite file, which is made with its folder by the first line.

    Every call opens the file anew, so the service, the page's threads and a command may use it at once.

    Parameters
    ----------
    path : Path
        The file.

    Raises
    ------
    DiaryError
        By every call, if the file cannot be used or is not a diary; by reading, if a line holds what none can hold.
    """

    def __init__(self, path: Path) -> None:
        self._path = path

    def add(
        self,
        kind: LineKind,
        field: str,
        at: datetime,
        now: datetime,
        *,
        timed: bool = True,
        area: float | None = None,
        moisture: float | None = None,
        stage: str | None = None,
        height: float | None = None,
        ground: str | None = None,
    ) -> Line:
        """Write a line and return it with its number; see `Line` for the parameters."""
        values = (kind, field, _text(at), _text(now), timed, area, moisture, stage, height, ground)
        with self._writing() as db:
            added = db.execute(
                "INSERT INTO lines (kind, field, at, written_at, timed, area, moisture, stage, height, ground) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                values,
            )
            return next(self._found(db, "WHERE id = ?", added.lastrowid))

    def lines(self) -> tuple[Line, ...]:
        """Return all lines in the order in which they were written; none where there is no diary yet."""
        if not self._is_there():
            return ()
        with self._open() as db:
            return tuple(self._found(db, "ORDER BY id"))

    def line(self, number: int) -> Line | None:
        """Return the line of a number, None if there is none."""
        if not 0 < number <= LAST_NUMBER or not self._is_there():
            return None
        with self._open() as db:
            return next(self._found(db, "WHERE id = ?", number), None)

    def strike(self, number: int) -> bool:
        """Delete a line for good, one that cannot be read too, and return whether there was one of that number."""
        if not 0 < number <= LAST_NUMBER or not self._is_there():
            return False
        with self._writing() as db:
            return db.execute("DELETE FROM lines WHERE id = ?", (number,)).rowcount == 1

    def keep_factors(self, factors: Mapping[int, float]) -> None:
        """Keep with their lines what samples told: by the next season the weather of their days is not at hand."""
        with self._writing() as db:
            db.executemany("UPDATE lines SET factor = ? WHERE id = ?", [(factors[id], id) for id in factors])

    def _is_there(self) -> bool:
        try:
            return self._path.exists()
        except OSError as error:
            raise self._unusable(error) from error

    def _found(self, db: sqlite3.Connection, which: str, *values: object) -> Iterator[Line]:
        """Yield the lines that a clause asks for."""
        if not columns(db):
            return
        for row in db.execute(f"SELECT * FROM lines {which}", values):
            try:
                given = checked(row, tuple(LineKind))
                yield Line(**{**given, "kind": LineKind(given["kind"])})
            except ValueError as error:
                number = row["id"]
                raise DiaryError(
                    f"diary: line {number} of {self._path} cannot be read ({error}); "
                    f"delete it with forenoon note undo {number}"
                ) from error

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """Open the file for one change, which is made as a whole or not at all."""
        with self._open() as db:
            db.execute("PRAGMA synchronous = FULL")  # what the farmer told outlives a power cut
            # No write-ahead log, which files had once: it hides a diary from those who may read it but not write.
            with suppress(sqlite3.OperationalError):  # another one has it open: the next note will do
                db.execute("PRAGMA journal_mode = DELETE")
            db.execute("BEGIN IMMEDIATE")
            bring_up(db)
            yield db
            db.execute("COMMIT")

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with closing(sqlite3.connect(self._path, timeout=10.0, isolation_level=None)) as db:
                db.row_factory = sqlite3.Row
                yield db
        except FormError as error:
            raise DiaryError(f"diary: {self._path} is none that can be used here: {error}") from error
        except (sqlite3.Error, OSError, ValueError) as error:
            raise self._unusable(error) from error

    def _unusable(self, error: Exception) -> DiaryError:
        return DiaryError(
            f"diary: {self._path} cannot be used ({error}); make its folder writable, or move the file away"
        )


@dataclass(frozen=True)
class Cut:
    """A field, or a part of it, that was cut on a day, and the line that tells so."""

    day: date
    line: Line
    area: float | None  # [ha], None: all of the field
    wrapped: Line | None = None  # the line that tells so


@dataclass(frozen=True)
class Mown:
    """How far a field is mown: its last whole cut, the cuts that made it, and those of the growth that stands now."""

    last_cut: date | None
    by: tuple[Cut, ...]  # none: the settings tell of the last cut, or nothing does
    parts: tuple[Cut, ...]

    @property
    def area(self) -> float:
        """The area [ha] cut of the growth that stands now."""
        return sum(cut.area or 0.0 for cut in self.parts)


def of_field(lines: Sequence[Line], field: Field, now: datetime) -> list[Line]:
    """Return the lines about a field that were true by a time, in the order of what they tell."""
    own = [line for line in lines if line.field.casefold() == field.name.casefold() and line.at <= now]
    return sorted(own, key=lambda line: (line.moment, line.id))


def local_day(line: Line, place: Place) -> date:
    """Return the day on the farm's clock on which a line was true."""
    return line.at.astimezone(place.timezone).date()


def cuts(lines: Sequence[Line], place: Place) -> list[Cut]:
    """Return the cuts that the lines of one field, in the order of `of_field`, tell of, in the order of their days.

    Notes
    -----
    A line `wrapped` is of the oldest day with a cut that still lies. What was wrapped was cut: where no cut waits for
    it and none is noted of its day or the day before, it is a whole cut of its day.
    """
    found: list[Cut] = []
    for line in lines:
        day = local_day(line, place)
        if line.kind is LineKind.CUT:
            found.append(Cut(day, line, line.area))
        elif line.kind is LineKind.WRAPPED:
            taken = _taken_up(found, day)
            found = [replace(cut, wrapped=line) if cut.day == taken and not cut.wrapped else cut for cut in found]
            if taken is None and all(cut.day < day - _DAY for cut in found):
                found.append(Cut(day, line, None, line))
    noted = {cut.day for cut in found if cut.line.kind is LineKind.CUT}
    kept = (cut for cut in found if cut.line.kind is LineKind.CUT or cut.day not in noted)
    return sorted(kept, key=lambda cut: (cut.day, cut.line.id))


def mown(field: Field, told: Sequence[Cut], today: date, *, southern: bool) -> Mown:
    """Return how far a field is mown by its settings and its cuts: the newest whole cut wins, on one day the diary's.

    Notes
    -----
    Parts add up to a whole cut at 0.9 of the field. Parts that were left at that when the season ended are forgotten,
    and so are those on the day of a whole cut or before it.
    """
    last, by, parts = field.last_cut, tuple[Cut, ...](), tuple[Cut, ...]()
    for cut in told:
        if last is not None and (cut.day < last or (cut.day == last and cut.area is not None)):
            continue
        parts = (*_of_season(parts, cut.day, southern), cut)
        if cut.area is None or sum(part.area or 0.0 for part in parts) >= CUT_WHOLE * field.area:
            last, by, parts = cut.day, (cut,) if cut.area is None else parts, ()
    return Mown(last, by, _of_season(parts, today, southern))


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
    state = _mown_by(farm, lines, field, now)
    sentences = [_last_cut_words(field, state)]
    if state.parts:
        left = size(field.area - state.area, farm.units)
        days = ", ".join(
            f"{size(cut.area or 0.0, farm.units)} {_source_words(cut.day, cut.line)}" for cut in state.parts
        )
        sentences.append(f"Still standing: {left} of {size(field.area, farm.units)}; cut were {days}.")
    return [*sentences, *_seen_words(farm, lines, field, state.last_cut, now)]


def still_lying(farm: Farm, lines: Sequence[Line], now: datetime) -> tuple[str, ...]:
    """Return the fields with a cut of today or of the three days before that is not noted as wrapped.

    Parameters
    ----------
    farm : Farm
    lines : sequence of Line
    now : datetime

    Returns
    -------
    tuple of str
        Names as in the settings, in the order in which they were first cut.
    """
    since = now.astimezone(farm.place.timezone).date() - LYING
    first = {}
    for field in farm.fields:
        told = cuts(of_field(lines, field, now), farm.place)
        begun = [cut.line.moment for cut in told if cut.day >= since and not cut.wrapped]
        if begun:
            first[field.name] = min(begun)
    return tuple(sorted(first, key=lambda name: first[name]))


def line_words(farm: Farm, line: Line) -> str:
    """Return what a line tells, in the farm's units and on its clock."""
    at = line.at.astimezone(farm.place.timezone)
    when = day_words(at.date()) + (f" at {clock_time(at, farm.units)}" if line.timed else "")
    water = "" if line.moisture is None else f"{percent(line.moisture)} water"
    match line.kind:
        case LineKind.MOISTURE:
            return f"{line.field}: {water} on {when}"
        case LineKind.CUT:
            part = "" if line.area is None else f"{size(line.area, farm.units)} of it "
            return f"{line.field}: {part}cut on {when}"
        case LineKind.WRAPPED:
            return f"{line.field}: wrapped on {when}{f', {water}' if water else ''}"
        case LineKind.STAGE | LineKind.HEIGHT | LineKind.GROUND:
            return f"{line.field}: {_look_words(farm, line)} on {when}"


def day_words(day: date) -> str:
    """Return a day in words, whatever the language of the machine.

    >>> day_words(date(2026, 6, 4))
    '4 June 2026'
    """
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def percent(fraction: float) -> str:
    """Return a moisture as it was read: with a decimal only where it has one.

    >>> percent(0.575), percent(0.58)
    ('57.5 %', '58 %')
    """
    return f"{100.0 * fraction:.3g} %"


def southern(place: Place) -> bool:
    """Return whether the season's year turns on 1 July."""
    return place.latitude < 0.0


def _mown_by(farm: Farm, lines: Sequence[Line], field: Field, now: datetime) -> Mown:
    told = cuts(of_field(lines, field, now), farm.place)
    return mown(field, told, now.astimezone(farm.place.timezone).date(), southern=southern(farm.place))


def _taken_up(told: Sequence[Cut], day: date) -> date | None:
    """Return the day of the cut that was wrapped on a day: the oldest that lies, or else that may have been left."""
    open_days = [cut.day for cut in told if not cut.wrapped and cut.day <= day]
    lying = [one for one in open_days if one >= day - LYING]
    return min(lying or [one for one in open_days if one >= day - FORGOTTEN], default=None)


def _as_told(farm: Farm, lines: Sequence[Line], field: Field, now: datetime) -> Field:
    state, noted = _mown_by(farm, lines, field, now), _looks_noted(farm, lines, field, now)
    seen: dict[date, Look] = {}
    for (day, kind), line in noted.items():
        if kind is not LineKind.GROUND:
            before = seen.get(day, Look(day))
            seen[day] = Look(day, line.stage or before.stage, line.height or before.height)
    looks = [*(look for look in field.looks if look.on not in seen), *seen.values()]  # of one day the diary's
    return replace(
        field,
        last_cut=state.last_cut,
        standing=field.area - state.area if state.parts else None,
        looks=tuple(sorted(looks, key=lambda look: look.on)),
        ground_looks=tuple((day, line.ground) for (day, _), line in noted.items() if line.ground is not None),
    )


def _looks_noted(farm: Farm, lines: Sequence[Line], field: Field, now: datetime) -> dict[tuple[date, LineKind], Line]:
    """Return the looks at a field by day and kind, in order: of one day and kind the line that was written last."""
    own = sorted(of_field(lines, field, now), key=lambda line: line.id)
    noted = {(local_day(line, farm.place), line.kind): line for line in own if line.kind in LOOKS}
    return {key: noted[key] for key in sorted(noted)}


def _seen_words(farm: Farm, lines: Sequence[Line], field: Field, last_cut: date | None, now: datetime) -> Iterator[str]:
    """Yield what was seen of the growth that stands now, and what was seen last of the ground."""
    today = np.datetime64(now.astimezone(farm.place.timezone).date(), "D")
    since = last_cut or season_origin(today, southern(farm.place)).astype(date)
    stand, under = list[str](), ""
    for (day, kind), line in _looks_noted(farm, lines, field, now).items():
        words = f"{_look_words(farm, line)} {_source_words(day, line)}"
        if kind is LineKind.GROUND:
            under = words
        elif day > since:
            stand.append(words)
    yield from [f"Seen: {', '.join(stand)}."] if stand else []
    yield from [f"Seen last: {under}."] if under else []


def _look_words(farm: Farm, line: Line) -> str:
    """Return what was seen."""
    if line.height is not None:
        return f"{height(line.height, farm.units)} tall"
    return f"ground {line.ground}" if line.kind is LineKind.GROUND else str(line.stage)


def _of_season(parts: tuple[Cut, ...], day: date, southern: bool) -> tuple[Cut, ...]:
    """Return the cuts of the season of a day."""
    origin = season_origin(np.datetime64(day, "D"), southern).astype(date)
    return tuple(cut for cut in parts if cut.day >= origin)


def _last_cut_words(field: Field, state: Mown) -> str:
    if state.last_cut is None:
        return "Last cut: none, neither in the settings nor in the diary."
    last = f"Last cut {day_words(state.last_cut)}"
    if not state.by:
        return f"{last}, from the settings."
    numbers = ", ".join(f"line {cut.line.id}" for cut in state.by)
    older = f"; the settings have {day_words(field.last_cut)}" if field.last_cut else ""
    return f"{last}, from the diary ({numbers}){older}."


def _source_words(day: date, line: Line) -> str:
    return f"on {day_words(day)} (line {line.id})"


def _text(at: datetime) -> str:
    if at.utcoffset() is None:
        raise ValueError(f"given the time {at} without an offset, allowed one with it")
    return at.astimezone(UTC).isoformat(timespec="microseconds")

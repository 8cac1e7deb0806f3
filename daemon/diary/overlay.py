"""The farm as settings and diary tell together."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta

from daemon.diary.cuts import mown_from_notes
from daemon.diary.store import LOOKS, Note, NoteKind, local_day, notes_of
from daemon.domain.farm import Farm, Field, Look
from models.firmness import Firmness


def apply_diary(farm: Farm, notes: Sequence[Note], now: datetime) -> Farm:
    """Return the farm as settings and diary tell together: what of each field is cut and stands, and was seen there."""
    return replace(farm, fields=tuple(_apply_to_field(farm, notes, field, now) for field in farm.fields))


def _apply_to_field(farm: Farm, notes: Sequence[Note], field: Field, now: datetime) -> Field:
    state, noted = mown_from_notes(farm, notes, field, now), latest_looks(farm, notes, field, now)
    since = last_day_before_growth(farm, state.last_cut, now)
    seen: dict[date, Look] = {}
    for (day, kind), line in noted.items():
        if kind in (NoteKind.STAGE, NoteKind.HEIGHT):
            before = seen.get(day, Look(day))
            seen[day] = Look(day, line.stage or before.stage, line.height or before.height)
    looks = [*(look for look in field.looks if look.on not in seen), *seen.values()]  # of one day the diary's
    return replace(
        field,
        last_cut=state.last_cut,
        standing=field.area - state.cut_area if state.parts else None,
        looks=tuple(sorted(looks, key=lambda look: look.on)),
        lodged=max((day for day, kind in noted if kind is NoteKind.LODGED and day > since), default=None),
        ground_looks=tuple(seen for (day, _), line in noted.items() for seen in _ground_looks(farm, day, line)),
    )


def _ground_looks(farm: Farm, day: date, note: Note) -> Iterator[tuple[date, str]]:
    """Yield the mornings for which a look at the ground holds: nothing dries between an afternoon and the next one."""
    if note.ground is not None:
        yield day, note.ground
        if note.ground != Firmness.FIRM and note.effective_at.astimezone(farm.place.timezone).hour >= 12:
            yield day + timedelta(days=1), note.ground


def latest_looks(farm: Farm, notes: Sequence[Note], field: Field, now: datetime) -> dict[tuple[date, NoteKind], Note]:
    """Return the looks at a field by day and kind, in order: of one day and kind the line that was written last."""
    own = sorted(notes_of(notes, field, now), key=lambda line: line.id)
    noted = {(local_day(line, farm.place), line.kind): line for line in own if line.kind in LOOKS}
    return {key: noted[key] for key in sorted(noted)}


def last_day_before_growth(farm: Farm, last_cut: date | None, now: datetime) -> date:
    """Return the last day of what stood there before the growth that stands now."""
    return last_cut or farm.place.season_origin(now.astimezone(farm.place.timezone).date())

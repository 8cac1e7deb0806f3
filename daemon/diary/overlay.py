"""How the fields stand today: what the settings, the diary and the calibration tell together."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta

from daemon.diary.cuts import mown_from_notes
from daemon.diary.store import LOOKS, Note, NoteKind, local_day, notes_of
from daemon.domain.farm import UNCALIBRATED, UNCORRECTED_DRYING, Calibration, Farm, FarmToday, Field, FieldState, Look
from models.firmness import Firmness


def apply_diary(farm: Farm, notes: Sequence[Note], now: datetime, calibration: Calibration = UNCALIBRATED) -> FarmToday:
    """Return the farm with each field as it stands: what of it is cut, what was seen there and what was learnt."""
    return FarmToday(farm, tuple(_field_state(farm, notes, field, now, calibration) for field in farm.fields))


def _field_state(
    farm: Farm, notes: Sequence[Note], field: Field, now: datetime, calibration: Calibration
) -> FieldState:
    mown, looks = mown_from_notes(farm, notes, field, now), latest_looks(farm, notes, field, now)
    since = last_day_before_growth(farm, mown.last_cut, now)
    return FieldState(
        field,
        last_cut=mown.last_cut,
        looks=_stand_looks(field, looks),
        standing=field.area - mown.cut_area if mown.parts else None,
        lodged=max((day for day, kind in looks if kind is NoteKind.LODGED and day > since), default=None),
        ground_looks=tuple(look for (day, _), note in looks.items() for look in _ground_looks(farm, day, note)),
        drying=calibration.drying.get(field.name, UNCORRECTED_DRYING),
        priors=calibration.priors.get(field.name, {}),
    )


def _stand_looks(field: Field, noted_looks: Mapping[tuple[date, NoteKind], Note]) -> tuple[Look, ...]:
    """Return the looks at a stand in the order of their days: those of the diary, and the settings' on other days."""
    noted: dict[date, Look] = {}
    for (day, kind), note in noted_looks.items():
        if kind in (NoteKind.STAGE, NoteKind.HEIGHT):
            before = noted.get(day, Look(day))
            noted[day] = Look(day, note.stage or before.stage, note.height or before.height)
    looks = [*(look for look in field.looks if look.on not in noted), *noted.values()]
    return tuple(sorted(looks, key=lambda look: look.on))


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

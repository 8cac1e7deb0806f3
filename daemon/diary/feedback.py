"""What is said of a note as soon as it is written, and of one that is undone."""

from collections.abc import Iterator, Sequence
from datetime import timedelta

from daemon.diary.cuts import Cut, cuts
from daemon.diary.store import Line, LineKind, local_day, of_field
from daemon.domain.farm import Farm, Field, Units
from daemon.domain.units import METRES_PER_INCH
from models import coefficients as c
from models.species import resolve_stand


def at_once(farm: Farm, lines: Sequence[Line], line: Line) -> Iterator[str]:
    """Yield what is to be said of a note as soon as it is written: what it does not tell, and what it is taken for.

    Parameters
    ----------
    farm : Farm
    lines : sequence of Line
        The diary, with the new line.
    line : Line
        The new one.
    """
    field = next(one for one in farm.fields if one.name.casefold() == line.field.casefold())
    told = cuts(of_field(lines, field, line.written_at), farm.place)
    if line.height is not None:
        yield from _height_says(line.height, field, farm)
    if line.kind is LineKind.UNCUT:
        yield from _uncut_says(lines, line, told, farm)
    if line.kind is LineKind.MOISTURE:
        yield from _sample_says(line, told, farm)
    if line.kind is LineKind.WRAPPED and any(cut.line.id == line.id for cut in told):
        yield f"No cut of {field.name} waited for it: all of it is taken as cut that day."
    if line.kind is LineKind.WRAPPED and line.moisture is not None and not line.timed:
        yield "Its moisture teaches nothing without the hour: undo it and give --at too."


def undone(farm: Farm, lines: Sequence[Line], line: Line) -> Iterator[str]:
    """Yield what holds again once a line is struck out, which nobody might expect.

    Parameters
    ----------
    farm : Farm
    lines : sequence of Line
        The diary, with the line still in it.
    line : Line
    """
    day, name = local_day(line, farm.place), line.field
    own = [one for one in lines if one.field.casefold() == name.casefold() and local_day(one, farm.place) == day]
    if line.kind is LineKind.UNCUT:
        if any(one.kind is LineKind.CUT and one.id < line.id for one in own):
            yield f"The cut of {name} that it took back holds again."
    elif line.kind is LineKind.CUT and any(one.kind is LineKind.MOISTURE for one in own):
        yield f"The samples of {name} of that day are set aside, unless another cut of it is noted."


def _sample_says(line: Line, told: Sequence[Cut], farm: Farm) -> Iterator[str]:
    """Yield why a sample is not used, as far as that is known without the weather."""
    from daemon.diary.samples import set_aside  # noqa: PLC0415  (half a second, for samples only)

    day = local_day(line, farm.place)
    why = set_aside(farm, told, line)
    if not any(cut.day in (day, day - timedelta(days=1)) for cut in told):
        yield f"It is set aside until the cut of {line.field} on that day or the day before is noted."
    elif why is not None:
        yield f"It is kept but not used, because {why}."


def _uncut_says(lines: Sequence[Line], line: Line, told: Sequence[Cut], farm: Farm) -> Iterator[str]:
    """Yield what a field left uncut takes back, and what it does not."""
    day, name = local_day(line, farm.place), line.field
    own = [one for one in lines if one.field.casefold() == name.casefold() and local_day(one, farm.place) == day]
    if any(one.kind is LineKind.CUT and one.id < line.id for one in own):
        yield f"It takes back the cut of {name} that was noted of that day."
    if any(cut.day == day for cut in told):
        yield f"{name} is noted as wrapped that day, so it is held for cut all the same."


def _height_says(tall: float, field: Field, farm: Farm) -> Iterator[str]:
    """Yield what a height does not tell of a stand."""
    in_units = METRES_PER_INCH if farm.units is Units.US else 0.01
    unit = "inches" if farm.units is Units.US else "cm"
    least, most = round(c.MIN_ALFALFA_HEIGHT / in_units), round(c.MAX_ALFALFA_HEIGHT / in_units)
    legumes = {kind: share for kind, share in resolve_stand(field.stand, farm.species).items() if kind.legume}
    if not legumes or not max(legumes, key=legumes.__getitem__).is_alfalfa or tall > c.MAX_ALFALFA_HEIGHT:
        yield f"Kept, but only alfalfa of {least} to {most} {unit} tells its fibre by its height; note the stage too."
    elif tall < c.MIN_ALFALFA_HEIGHT:
        yield f"Alfalfa under {least} {unit} tells only that it is young, not its fibre; note the stage too."

"""The numbers behind one field as it stands: its growth, its worth as feed, what waiting does, and its ground."""

from collections.abc import Iterator, Mapping

from daemon.farm import Farm
from daemon.outlook import Band, FieldProspect
from daemon.sources import Source, clock_band, days_left_band
from daemon.units import crop, crop_weight
from daemon.wording import RIPENESS, ground
from models.quality import Figure
from models.stages import Purpose

Behind = Mapping[str, Source]


def field_blocks(farm: Farm, field: FieldProspect, behind: Behind) -> tuple[Iterator[str], ...]:
    """Return what is known of a field as it stands today, each block with what is behind its numbers."""
    return (
        _growth(farm, field, behind["growth"]),
        _yield(farm, field, behind["yield"]),
        _feed(field, behind["feed"]),
        _waiting(farm, field, behind["waiting"]),
        _ground(field, behind["ground"]),
    )


def points(band: Band | Figure, digits: str = ".0f", factor: float = 1.0) -> str:
    """Return the 10, 50 and 90 % points.

    Examples
    --------
    >>> points(Band(0.46, 0.5, 0.54), factor=100.0)
    '46, 50, 54'
    """
    return ", ".join(format(factor * end, digits) for end in (band.low, band.mid, band.high))


def _growth(farm: Farm, field: FieldProspect, behind: Source) -> Iterator[str]:
    if field.ripeness is None or field.ndf is None or field.clock is None:
        yield "Growth: not known."
        return
    said = next(one for one in farm.fields if one.name == field.name)
    source = "extension advice" if said.purpose is Purpose.MILK else "estimate"
    wanted = "as cut_at_fibre in the settings says" if said.cut_at_fibre else f"for {said.purpose} ({source})"
    clock = clock_band(field)
    yield f"Growth: {RIPENESS[field.ripeness]}, {field.stage}"
    summed = points(clock) if clock else f"{field.clock:.0f}"
    yield f"  temperature sum {summed} degC days, counted from {field.clock_from}"
    yield f"  fibre (NDF) {points(field.ndf)} %; to be cut at {field.ndf_target:.0f}, {wanted}"
    if field.days_left is not None:
        left = days_left_band(field)
        yield f"  days until past its best {points(left, 'z.0f') if left else format(field.days_left, 'z.0f')}"
    if field.detail:
        yield f"  note: {field.detail}"
    yield from behind.lines()


def _yield(farm: Farm, field: FieldProspect, behind: Source) -> Iterator[str]:
    if field.dry_matter is None:
        return
    said = next(one for one in farm.fields if one.name == field.name)
    source = "from the settings" if said.expected_yield else "estimate from the temperature sum"
    yield f"Standing yield {crop(field.dry_matter, farm.units)} ({source})"
    band = field.dry_matter_band
    if band is not None:
        ends = (crop(end, farm.units).split()[0] for end in (band.low, band.mid, band.high))
        yield f"  {', '.join(ends)}"
    yield from behind.lines()


def _feed(field: FieldProspect, behind: Source) -> Iterator[str]:
    if field.quality is not None:
        yield "As feed today, of the dry matter:"
        for name, one in (("digestibility", field.quality.digestibility), ("protein", field.quality.protein)):
            yield f"  {name:13} {points(one)} % ({one.source})"
        yield from behind.lines()


def _waiting(farm: Farm, field: FieldProspect, behind: Source) -> Iterator[str]:
    if field.waiting is None:
        return
    waiting, (weight, unit) = field.waiting, crop_weight(farm.units)
    yield "One more day of waiting, weather left aside:"
    yield f"  {'fibre':13} {points(waiting.ndf, '+z.1f')} units ({waiting.ndf.source})"
    yield f"  {'digestibility':13} {points(waiting.digestibility, '+z.1f')} units ({waiting.digestibility.source})"
    yield f"  {'yield':13} {points(waiting.dry_matter, '+z.0f', weight)} {unit} ({waiting.dry_matter.source})"
    yield (
        f"  {'worth':13} {points(waiting.worth, '+z.0f', weight)} {unit} as good as at the target, with what the "
        f"season loses by a later next cut ({waiting.worth.source})"
    )
    yield from behind.lines()


def _ground(field: FieldProspect, behind: Source) -> Iterator[str]:
    if field.ground is None:
        return
    words = ground(field)
    carried = field.days[0].carried if field.days else None
    share = "" if carried is None else f", firm enough in {carried:.0%} of the forecast today"
    yield f"{words[0].upper()}{words[1:]}{share}"
    yield from behind.lines()

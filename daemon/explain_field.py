"""The numbers behind one field as it stands: its growth, its worth as feed, what waiting does, and its ground."""

from collections.abc import Iterator
from datetime import date

from daemon.farm import Farm
from daemon.outlook import Band, FieldProspect
from daemon.sentences import capital
from daemon.sources import clock_band
from daemon.stand_words import days_left_row, ground, just_cut, looks_followed, ripeness_words, stage_of
from daemon.units import crop, crop_weight
from models.quality import Figure
from models.stages import Purpose

Block = tuple[str, Iterator[str]]  # what stands behind its numbers, a key of `sources`, and its lines


def field_blocks(farm: Farm, field: FieldProspect, today: date) -> tuple[Block, ...]:
    """Return what is known of a field as it stands today; of one that was just cut, that it was."""
    cut = just_cut(field, today)
    if cut:
        return ("", iter([f"Growth: {cut}; nothing to tell of it yet."])), ("ground", _ground(field))
    return (
        ("growth" if field.clock is not None else "", _growth(farm, field)),
        ("yield", _yield(farm, field)),
        ("feed", _feed(field)),
        ("waiting", _waiting(farm, field)),
        ("ground", _ground(field)),
    )


def points(band: Band | Figure, digits: str = ".0f", factor: float = 1.0) -> str:
    """Return the 10, 50 and 90 % points.

    Examples
    --------
    >>> points(Band(0.46, 0.5, 0.54), factor=100.0)
    '46, 50, 54'
    """
    return ", ".join(format(factor * end, digits) for end in (band.low, band.mid, band.high))


def _growth(farm: Farm, field: FieldProspect) -> Iterator[str]:
    if field.ripeness is None or field.ndf is None or field.clock is None:
        yield "Growth: not known."
        return
    said = next(one for one in farm.fields if one.name == field.name)
    source = "extension advice" if said.purpose is Purpose.MILK else "estimate"
    wanted = "as cut_at_fibre in the settings says" if said.cut_at_fibre else f"for {said.purpose} ({source})"
    clock = clock_band(field)
    yield f"Growth: {ripeness_words(field.ripeness)}, {stage_of(field)}"
    yield from (f"  {words}" for words in looks_followed(farm, field))
    summed = points(clock) if clock else f"{field.clock:.0f}"
    yield f"  temperature sum {summed} degC days, counted from {field.clock_from}"
    yield f"  fibre (NDF) {points(field.ndf)}%; to be cut at {field.ndf_target:.0f}%, {wanted}"
    if field.days_left is not None:
        yield f"  {days_left_row(field)}"
    if field.unknown is not None:  # the reason stands above; what is left comes from the weather that was had before
        yield "  the last hours of it stand as they were forecast; the ground and the days ahead are not known"
    elif field.detail:
        yield f"  note: {field.detail}"


def _yield(farm: Farm, field: FieldProspect) -> Iterator[str]:
    band = field.dry_matter_band
    if field.dry_matter is None:
        return
    said = next(one for one in farm.fields if one.name == field.name)
    expected = bool(said.expected_yield) if band is None else band.source.startswith("the settings")
    ends = (field.dry_matter,) if band is None else (band.low, band.mid, band.high)
    *less, last = (crop(end, farm.units) for end in ends)
    source = "from the settings" if expected else "by the temperature sum"
    yield f"Standing yield {', '.join([*(one.split()[0] for one in less), last])}, {source}"


def _feed(field: FieldProspect) -> Iterator[str]:
    if field.quality is not None:
        yield "As feed today, of the dry matter"
        yield f"  {'digestibility':13} {points(field.quality.digestibility)}%"
        yield f"  {'protein':13} {points(field.quality.protein)}%"


def _waiting(farm: Farm, field: FieldProspect) -> Iterator[str]:
    if field.waiting is None:
        return
    waiting, (weight, unit) = field.waiting, crop_weight(farm.units)
    yield "One more day of waiting, weather left aside"
    yield f"  {'fibre':13} {points(waiting.ndf, '+z.1f')} units"
    yield f"  {'digestibility':13} {points(waiting.digestibility, '+z.1f')} units"
    yield f"  {'yield':13} {points(waiting.dry_matter, '+z.0f', weight)} {unit}"
    low, mid, high = (round(weight * end) for end in (waiting.worth.low, waiting.worth.mid, waiting.worth.high))
    yield (
        f"  A day of waiting is worth about {abs(mid)} {unit} {_less_or_more(mid)} good feed (from {abs(low)} "
        f"{_less_or_more(low)} to {abs(high)} {_less_or_more(high)}), the later next cut counted in"
    )


def _less_or_more(change: int) -> str:
    return "less" if change < 0 else "more"


def _ground(field: FieldProspect) -> Iterator[str]:
    if field.ground is None:
        return
    words = ground(field)
    carried = field.days[0].carried if field.days else None
    share = "" if carried is None else f", firm enough in {carried:.0%} of the forecast today"
    yield f"{capital(words)}{share}"

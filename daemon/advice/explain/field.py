"""The numbers behind one field as it stands: its growth, its worth as feed, what waiting does, and its ground."""

from collections.abc import Iterator
from datetime import date

from daemon.advice.explain.provenance import aim_source
from daemon.domain.farm import Farm
from daemon.domain.prospect import Band, FieldProspect, StandToday, ripe_fibre_range, stage_clock_band
from daemon.words.catalog import capitalize_first
from daemon.words.growth import growth_doubts_text
from daemon.words.numbers import date_text, day_text, two_digit_text, yield_change_unit, yield_text
from daemon.words.stand import (
    days_left_row,
    ground_text,
    just_cut_text,
    look_sentences,
    ripeness_text,
    stand_stage_text,
)
from models.quality import Figure

Block = tuple[str, Iterator[str]]  # what stands behind its numbers, a key of `sources`, and its lines


def field_blocks(farm: Farm, field: FieldProspect, today: date) -> tuple[Block, ...]:
    """Return what is known of a field as it stands today; of one that was just cut, that it was."""
    cut = just_cut_text(field, today)
    if cut:
        return ("", iter([f"Growth: {cut}; nothing to tell of it yet."])), ("ground", _ground_lines(field))
    return (
        ("growth" if field.stand is not None else "", _growth_lines(farm, field)),
        ("yield", _yield_lines(farm, field)),
        ("feed", _feed_lines(field)),
        ("waiting", _waiting_lines(farm, field)),
        ("ground", _ground_lines(field)),
    )


def points_text(band: Band | Figure, number_format: str = ".0f", factor: float = 1.0) -> str:
    """Return the 10, 50 and 90 % points, or one number where they are the same as they are told.

    Examples
    --------
    >>> points_text(Band(0.46, 0.5, 0.54), factor=100.0), points_text(Band(67.9, 68.0, 68.0))
    ('46, 50, 54', '68')
    """
    texts = [format(factor * end, number_format) for end in (band.low, band.mid, band.high)]
    return ", ".join(texts if len(set(texts)) > 1 else texts[:1])


def _growth_lines(farm: Farm, field: FieldProspect) -> Iterator[str]:
    stand = field.stand
    if stand is None:
        yield "Growth: not known."
        return
    settings = next(settings for settings in farm.fields if settings.name == field.name)
    yield f"Growth: {ripeness_text(stand.ripeness)}, {stand_stage_text(stand)}"
    yield from (f"  {sentence}" for sentence in look_sentences(farm, stand))
    since = f", counted from {date_text(stand.clock_from)}" if stand.clock_from else ""
    yield f"  temperature sum {points_text(stage_clock_band(stand))} degC days{since}"
    yield from _fibre_lines(field, stand, aim_source(settings))
    yield f"  {days_left_row(stand)}"
    if field.unknown is not None:  # the reason stands above; what is left comes from the weather that was had before
        yield "  the last hours of it stand as they were forecast; the ground and the days ahead are not known"
    elif stand.doubts:
        yield f"  note: {growth_doubts_text(stand.doubts)}"


def _fibre_lines(field: FieldProspect, stand: StandToday, aim: str) -> Iterator[str]:
    """Yield how much fibre a stand has, how much it should have, and what it comes to by the last day ahead."""
    low, high = ripe_fibre_range(stand.ndf_target)
    wanted = f"ripe at {low:.0f} to {high:.0f}%, to be cut near {stand.ndf_target:.0f}%, {aim}"
    yield f"  fibre (NDF) {points_text(stand.ndf)}%; {wanted}"
    if field.days and points_text(field.days[-1].ndf) != points_text(stand.ndf):
        yield f"  fibre on {day_text(field.days[-1].date)}: {points_text(field.days[-1].ndf)}%"


def _yield_lines(farm: Farm, field: FieldProspect) -> Iterator[str]:
    """Yield what stands; of a field whose growth is not known, what the settings expect."""
    if field.stand is not None:
        band = field.stand.dry_matter
        points, is_expected = [band.low, band.mid, band.high], band.source.startswith("the settings")
    elif field.expected_yield is not None:
        points, is_expected = [field.expected_yield], True
    else:
        return
    *lower, last = (yield_text(point, farm.units) for point in points)
    numbers = [text.split()[0] for text in lower]
    source = "from the settings" if is_expected else "by the temperature sum"
    yield f"Standing yield {', '.join([*numbers, last])}, {source}"


def _feed_lines(field: FieldProspect) -> Iterator[str]:
    quality = None if field.stand is None else field.stand.quality
    if quality is not None:
        yield "As feed today, of the dry matter"
        yield f"  {'digestibility':13} {points_text(quality.digestibility)}%"
        yield f"  {'protein':13} {points_text(quality.protein)}%"


def _waiting_lines(farm: Farm, field: FieldProspect) -> Iterator[str]:
    waiting, (weight, unit) = None if field.stand is None else field.stand.waiting, yield_change_unit(farm.units)
    if waiting is None:
        return
    yield "One more day of waiting, weather left aside"
    rows = (
        ("fibre", points_text(waiting.ndf, "+z.1f"), "units"),
        ("digestibility", points_text(waiting.digestibility, "+z.1f"), "units"),
        ("yield", points_text(waiting.dry_matter, "+z.0f", weight), unit),
    )
    changes = (row for row in rows if row[1] not in ("+0", "+0.0"))
    yield from (f"  {name:13} {points} {row_unit}" for name, points, row_unit in changes)
    low, mid, high = (weight * end for end in (waiting.worth.low, waiting.worth.mid, waiting.worth.high))
    yield (
        f"  A day of waiting is worth about {two_digit_text(abs(mid))} {unit} {_less_or_more(mid)} good feed "
        f"(from {two_digit_text(abs(low))} {_less_or_more(low)} to {two_digit_text(abs(high))} {_less_or_more(high)}), "
        "the later next cut counted in"
    )


def _less_or_more(change: float) -> str:
    return "less" if change < 0 else "more"


def _ground_lines(field: FieldProspect) -> Iterator[str]:
    if field.ground is None:
        return
    text = capitalize_first(ground_text(field))
    firm_share = field.days[0].ground_firm_share if field.days else None
    if firm_share is None:
        yield text
    elif field.ground == "firm":
        yield f"{text}, today in {firm_share:.0%} of the forecast"
    else:
        yield f"{text}; firm enough today in {firm_share:.0%} of the forecast"

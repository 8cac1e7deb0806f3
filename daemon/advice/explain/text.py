"""The numbers behind today's advice for one field, as text, and where they come from at the end."""

from collections.abc import Iterable, Iterator, Mapping
from textwrap import wrap
from typing import Final

from daemon.advice.explain.field import Block, field_blocks, points_text
from daemon.advice.explain.provenance import provenance_by_topic
from daemon.advice.explain.would_change import would_change
from daemon.domain.advice import Advice, AdviceKind, Morning
from daemon.domain.farm import Farm
from daemon.domain.prospect import FieldDay, FieldProspect, PlaceInDay, Quality, Urgency, Waiting, WorkHours
from daemon.words.catalog import phrase
from daemon.words.causes import cause_text, unknown_detail_text
from daemon.words.cautions import caution_sentence, official_warning_sentences
from daemon.words.field_history import field_sentences
from daemon.words.numbers import (
    area_text,
    field_size_text,
    moisture_limit_text,
    moisture_text,
    odds_text,
    time_text,
    two_digit_text,
    weekday_name,
    yield_change_unit,
)
from daemon.words.pictures import drying_picture_text
from daemon.words.reasons import day_reason_text
from daemon.words.record_summary import record_sentences
from daemon.words.watch import watch_text
from daemon.words.weather import weather_line
from daemon.words.work import (
    film_text,
    hour_later_sentence,
    least_area_odds,
    left_overnight_sentence,
    odds_points_text,
    too_dry_sentence,
)

LINE_WIDTH: Final = 99  # characters of a line: what a page and a small screen hold
LEGEND: Final = """\
Three numbers in a row: one case in ten is below the first, one in ten above the last. Where the \
numbers come from stands under Sources."""
URGENCY_TEXTS: Final[Mapping[Urgency, str]] = {
    Urgency.LODGED: "before the others, because it lies flat",
    Urgency.STORM: "before the others, because a storm may lay it flat",
}
HINT: Final = "(estimate)"
TITLES: Final[Mapping[str, str]] = {
    "hours": "Hours of work",
    "rained_on": "Rain on what is left",
    "breathed": "Breath",
}
DAYS_HEADING: Final = f"{'Coming days':13} {'odds for the least area':25}"
FIGURE_NAMES: Final[Mapping[str, str]] = {"ndf": "fibre", "dry_matter": "yield"}


def explanation_text(farm: Farm, morning: Morning, name: str) -> str:
    """Return what is known of a field, how sure it is, and at the end where it comes from and what puts it right.

    Raises
    ------
    KeyError
        If the farm has no field of that name.
    """
    field = next((field for field in morning.prospect.fields if field.name == name), None)
    if field is None:
        raise KeyError(name)
    advice = next(advice for advice in morning.advices if advice.field == name)
    blocks: tuple[Block, ...] = (
        ("", _head_lines(farm, morning, field, advice)),
        ("", iter([LEGEND] if advice.kind is AdviceKind.MOW or field.stand is not None else [])),
        *_day_blocks(farm, morning, advice),
        *field_blocks(farm, field, morning.date),
        ("odds", _days_lines(farm, field)),
        ("", _diary_lines(farm, field)),
        ("drying", _drying_lines(farm, field)),
        ("", _weather_lines(farm, morning, advice)),
    )
    texts = []
    keys = ["hours"] if advice.kind is AdviceKind.MOW else []
    for key, block_lines in blocks:
        lines = list(block_lines)
        if not lines:
            continue
        if key:
            keys.append(key)
            lines[0] = _with_hint(lines[0])
        texts.append(_wrap_lines(lines))
    return "\n\n".join([*texts, _wrap_lines(_source_lines(farm, morning, field, keys))])


def _with_hint(line: str) -> str:
    """Return the first line of a block of numbers with a word on where they come from."""
    end = line[-1] if line[-1] in ".:" else ""
    return f"{line.removesuffix(end)} {HINT}{end}"


def _wrap_lines(lines: Iterable[str]) -> str:
    """Return lines that are no longer than a page is wide; what is carried over stands further in."""
    wrapped: list[str] = []
    for line in lines:
        indent = len(line) - len(line.lstrip())
        further = " " * (indent + 4 if indent else 0)
        wrapped += wrap(line, LINE_WIDTH, subsequent_indent=further, break_long_words=False, break_on_hyphens=False)
    return "\n".join(wrapped)


def _head_lines(farm: Farm, morning: Morning, field: FieldProspect, advice: Advice) -> Iterator[str]:
    """Yield what lies of the field before what is advised for the rest: the one cannot wait."""
    at = morning.prospect.at
    size = field_size_text(field.area, farm.units)
    standing = size if field.standing is None else field_size_text(field.standing, farm.units)
    part = f", {standing} of it standing" if standing != size else ""
    yield f"{field.name}, {size}{part}"
    yield from (watch_text(farm, watched, at, at) for watched in morning.watched if watched.field == field.name)
    yield from _today_lines(farm, advice)
    yield f"Would change it: {would_change(farm, field, advice)}."


def _today_lines(farm: Farm, advice: Advice) -> Iterator[str]:
    if advice.kind is AdviceKind.MOW and advice.day is not None:
        yield _with_hint(f"Today: mow {area_text(advice.area, farm.units)}. {odds_points_text(advice.day, farm)}.")
        if advice.plan is not None:
            yield from _hours_lines(farm, advice.day, advice.plan)
        return
    lead = "no advice, because " if advice.kind is AdviceKind.NONE else "wait: "
    cause = cause_text(advice.cause, farm.units)
    yield f"Today: {lead}{day_reason_text(advice.reason, advice.day)}{f' ({cause})' if cause else ''}."


def _day_blocks(farm: Farm, morning: Morning, advice: Advice) -> tuple[Block, ...]:
    """Return the blocks beside the hours of a field that is to be mown today."""
    if advice.kind is not AdviceKind.MOW or advice.day is None or advice.plan is None:
        return ()
    place, plan = advice.day.place, advice.plan
    left_key = "rained_on" if plan.if_left and plan.if_left.rain_loss else "drying"
    return (
        ("order", _order_reason_lines(farm, place)),
        ("storm", _storm_lines(farm, place)),
        ("breathed", _respiration_lines(plan)),
        (left_key, _left_lines(farm, plan)),
        ("", iter([f"Beware: {sentence}" for sentence in official_warning_sentences(farm, morning)])),
        ("cautions", _caution_lines(farm, plan)),
    )


def _hours_lines(farm: Farm, day: FieldDay, plan: WorkHours) -> Iterator[str]:
    times = (
        ("start mowing", plan.start),
        ("stop by", plan.mow_until),
        ("rake from", plan.rake_from),
        ("bale from", plan.bale_from),
        ("all wrapped by", plan.wrapped_by),
    )
    yield from (f"  {name:15} {time_text(at, farm.units)}" for name, at in times)
    aim, wettest = moisture_text(farm.baleage.aim), moisture_limit_text(farm.baleage.wettest)
    water = points_text(plan.moisture_at_baling, factor=100.0)
    yield f"  {'water at baling':15} {water}%; aim at {aim}, none over {wettest}"
    yield f"  {'bales':15} {plan.bales}{film_text(plan)}"
    for sentence in (hour_later_sentence(day, farm), too_dry_sentence(day, farm)):
        if sentence:
            yield f"  {sentence}"


def _order_reason_lines(farm: Farm, place: PlaceInDay) -> Iterator[str]:
    """Yield why a field has its place in the day; what is lost is counted in tonnes as good as at the target."""
    if place.lost_by_waiting is None and place.urgency is None:
        return
    after = f"Order: after {place.after}" if place.after else "Order: first today"
    hurried = f", {URGENCY_TEXTS[place.urgency]}" if place.urgency else ""
    yield f"{after}{hurried}."
    if place.lost_by_waiting is not None:
        weight, unit = yield_change_unit(farm.units)
        change = "loses" if place.lost_by_waiting >= 0.0 else "gains"
        lost = two_digit_text(abs(place.lost_by_waiting) * weight)
        yield f"  {change} about {lost} {unit} of good forage by waiting for its next chance, odds counted in"


def _storm_lines(farm: Farm, place: PlaceInDay) -> Iterator[str]:
    if place.storm_at is not None:
        yield f"Storm: may begin {weekday_name(place.storm_at)} {time_text(place.storm_at, farm.units)}"


def _respiration_lines(plan: WorkHours) -> Iterator[str]:
    if plan.respiration_loss is not None:
        lost = points_text(plan.respiration_loss, ".1f")
        yield f"Breathed away by the crop until it is baled: {lost}% of its dry matter"


def _left_lines(farm: Farm, plan: WorkHours) -> Iterator[str]:
    """Yield what becomes of the crop if it is left lying; its water and odds are told of elsewhere."""
    if plan.if_left is None:
        return
    loss = plan.if_left.rain_loss
    loss_text = "" if loss is None else f", which would take {points_text(loss, '.1f')}% of its dry matter"
    yield f"{left_overnight_sentence(plan, farm).removesuffix('.')}{loss_text}."


def _caution_lines(farm: Farm, plan: WorkHours) -> Iterator[str]:
    if plan.cautions:
        yield "Beware:"
        yield from (f"  {caution_sentence(caution, farm.units)}" for caution in plan.cautions)


def _days_lines(farm: Farm, field: FieldProspect) -> Iterator[str]:
    if not field.days:
        return
    yield f"{DAYS_HEADING} at the odds needed, {odds_text(farm.alerts.odds_needed)}"
    for day in field.days:
        least = least_area_odds(day, farm)
        odds = f"{odds_text(least.odds)} for {area_text(least.area, farm.units)}" if least else "-"
        end = _job_text(farm, day, day.plan) if day.area > 0.0 and day.plan else day_reason_text(day.reason, day)
        yield f"  {weekday_name(day.date)[:3]} {day.date.day:<7} {odds:25} {end}"


def _job_text(farm: Farm, day: FieldDay, plan: WorkHours) -> str:
    """Return what may be mown on a day ahead, as the page has it."""
    start, bale = (time_text(at, farm.units) for at in (plan.start, plan.bale_from))
    after = f", after {day.place.after}" if day.place.after else ""
    return f"{area_text(day.area, farm.units)}, {odds_text(day.odds or 0.0)}, from {start}, bale from {bale}{after}"


def _diary_lines(farm: Farm, field: FieldProspect) -> Iterator[str]:
    if sentences := field_sentences(field, farm.units):
        yield "From the diary and the settings:"
        yield from (f"  {sentence}" for sentence in sentences)


def _drying_lines(farm: Farm, field: FieldProspect) -> Iterator[str]:
    if not field.days:
        return
    yield f"Drying: by the evaporation of the hours ahead, for this field uncertain by {field.drying.spread:.0%}"
    if field.drying.factor != 1.0:
        yield f"  Measured samples: this field dries {field.drying.factor:.2f} times as fast as the model."
    if field.soil_factor is not None:
        yield f"  Today's ground: {field.soil_factor:.2f} times as fast as on moist soil (estimate from its water)."
    if words := drying_picture_text(farm, field):
        yield f"  {words}"


def _weather_lines(farm: Farm, morning: Morning, advice: Advice) -> Iterator[str]:
    weather = morning.prospect.weather
    if weather is None:
        trouble = unknown_detail_text(morning.prospect.trouble, farm.units)
        is_above = trouble == cause_text(advice.cause, farm.units)
        yield "Weather: none." if is_above else f"Weather: none. {trouble}".rstrip()
    else:
        yield f"Weather: {weather.source}, {weather.model}. {weather_line(weather)}"
        yield f"{weather.credit}. {weather.note}".rstrip()
    yield from record_sentences(morning.prospect.record_summary)
    yield "A measured sample is worth more than any of this."
    yield phrase("care.caution")


def _source_lines(farm: Farm, morning: Morning, field: FieldProspect, keys: Iterable[str]) -> Iterator[str]:
    """Yield what stands behind the blocks that were told."""
    weather = morning.prospect.weather
    by_topic = provenance_by_topic(farm, field.name, is_recorded=weather is not None and weather.is_recorded)
    yield "Sources"
    for key in dict.fromkeys(keys):
        yield f"  {TITLES.get(key, key.capitalize())}"
        yield from by_topic[key].lines(_figure_sources(farm, field, key))


def _figure_sources(farm: Farm, field: FieldProspect, key: str) -> str:
    """Return the sources of figures that each have their own."""
    stand = field.stand
    if stand is None:
        return "the settings" if key == "yield" and field.expected_yield else ""
    if key == "yield":
        return stand.dry_matter.source
    if key == "feed" and stand.quality is not None:
        # The fibre of the stand stands under growth.
        sources = {name: figure.source for name, figure in vars(stand.quality).items() if name != "ndf"}
    elif key == "waiting" and stand.waiting is not None:
        sources = _waiting_sources(stand.waiting, stand.quality)
    else:
        return ""
    return "; ".join(f"{FIGURE_NAMES.get(name, name)}: {source}" for name, source in sources.items())


def _waiting_sources(waiting: Waiting, quality: Quality | None) -> dict[str, str]:
    """Return the sources of what waiting changes, which goes by the same as the feed where that is told."""
    above = set() if quality is None else {figure.source for figure in vars(quality).values()}
    sources = {}
    for name, figure in vars(waiting).items():
        sources[name] = "as above" if figure.source in above else figure.source
    return sources

"""The numbers behind today's advice for one field, as text: each with its range, its source and what would mend it."""

from collections.abc import Iterable, Iterator, Mapping
from textwrap import wrap
from typing import Final

from daemon.caution_words import care_words
from daemon.explain_field import field_blocks, points
from daemon.farm import Farm
from daemon.outlook import Advice, FieldDay, FieldProspect, Hurry, Kind, Morning
from daemon.sources import Source, sources
from daemon.units import area, clock_time, crop_weight, odds, size, weekday
from daemon.wording import (
    CAUTION,
    film,
    hour_later,
    if_left,
    least_chance,
    reason_words,
    too_dry,
    two_points,
    weather_line,
)

WIDTH: Final = 99  # characters of a line: what a page and a small screen hold
LEGEND: Final = "Three numbers in a row: one case in ten is below the first, one in ten above the last."
HURRY: Final[Mapping[Hurry, str]] = {
    Hurry.LODGED: "before the others, because it lies flat",
    Hurry.STORM: "before the others, because a storm may lay it flat",
}

Behind = Mapping[str, Source]


def explain(farm: Farm, morning: Morning, name: str) -> str:
    """Return what is known of a field, where it comes from, how sure it is and what would put it right.

    Raises
    ------
    KeyError
        If the farm has no field of that name.
    """
    field = next((one for one in morning.prospect.fields if one.name == name), None)
    if field is None:
        raise KeyError(name)
    advice = next(one for one in morning.advices if one.field == name)
    weather = morning.prospect.weather
    behind = sources(farm, name, known=weather is not None and weather.known)
    blocks = (
        [f"{field.name}, {size(field.area, farm.units)}", *_today(farm, advice, behind["hours"])],
        [LEGEND],
        *_beside(farm, advice, behind),
        *field_blocks(farm, field, behind),
        _days(farm, field, behind["odds"]),
        _diary(field),
        _drying(field, behind["drying"]),
        _trust(morning),
    )
    return "\n\n".join(text for text in map(_narrow, blocks) if text)


def _narrow(lines: Iterable[str]) -> str:
    """Return lines that are no longer than a page is wide; what is carried over stands further in."""
    return "\n".join(
        part
        for line in lines
        for part in wrap(
            line,
            WIDTH,
            subsequent_indent=" " * (len(line) - len(line.lstrip()) + 4 * line.startswith(" ")),
            break_long_words=False,
            break_on_hyphens=False,
        )
    )


def _today(farm: Farm, advice: Advice, behind: Source) -> Iterator[str]:
    if advice.kind is Kind.MOW and advice.day is not None:
        yield f"Today: mow {area(advice.area, farm.units)}. {two_points(advice.day, farm)}."
        yield from _hours(farm, advice.day)
        yield from behind.lines()
        return
    lead = "no advice, because " if advice.kind is Kind.NONE else "wait: "
    yield f"Today: {lead}{reason_words(advice.reason, advice.day)}{f' ({advice.detail})' if advice.detail else ''}."


def _beside(farm: Farm, advice: Advice, behind: Behind) -> tuple[Iterator[str], ...]:
    """Return the blocks beside the hours of a field that is to be mown today."""
    if advice.kind is not Kind.MOW or advice.day is None:
        return ()
    day = advice.day
    return (
        _order(farm, day, behind["order"]),
        _storm(farm, day, behind["storm"]),
        _breathed(day, behind["breathed"]),
        _left(farm, day, behind["rained_on"]),
        _cares(farm, day, behind["cautions"]),
    )


def _hours(farm: Farm, day: FieldDay) -> Iterator[str]:
    named = (
        ("start mowing", day.start),
        ("stop by", day.mow_until),
        ("rake from", day.rake_from),
        ("bale from", day.bale_from),
    )
    for name, at in (*named, ("all wrapped by", day.wrapped_by)):
        if at is not None:
            yield f"  {name:15} {clock_time(at, farm.units)}"
    if day.moisture_at_baling is not None:
        yield f"  {'water at raking':15} {points(day.moisture_at_baling, factor=100.0)} % (see Drying)"
    yield f"  {'bales':15} {day.bales}{film(day)}"
    for words in (hour_later(day, farm), too_dry(day, farm)):
        if words:
            yield f"  {words}"


def _order(farm: Farm, day: FieldDay, behind: Source) -> Iterator[str]:
    """Yield why a field has its place in the day; what is lost is counted in tonnes as good as at the target."""
    if day.lost_by_waiting is None and day.hurry is None:
        return
    after = f"Order: after {day.after}" if day.after else "Order: first today"
    hurried = f", {HURRY[day.hurry]}" if day.hurry else ""
    yield f"{after}{hurried}."
    if day.lost_by_waiting is not None:
        weight, unit = crop_weight(farm.units)
        change = "loses" if day.lost_by_waiting >= 0.0 else "gains"
        lost = abs(day.lost_by_waiting) * weight
        yield f"  {change} about {lost:.0f} {unit} of good forage by waiting for its next chance, odds counted in"
    yield from behind.lines()


def _storm(farm: Farm, day: FieldDay, behind: Source) -> Iterator[str]:
    if day.storm_at is not None:
        yield f"Storm: may begin {weekday(day.storm_at)} {clock_time(day.storm_at, farm.units)}"
        yield from behind.lines()


def _breathed(day: FieldDay, behind: Source) -> Iterator[str]:
    if day.breathed is not None:
        yield f"Breathed away by the crop until it is baled: {points(day.breathed, '.1f')} % of its dry matter"
        yield from behind.lines()


def _left(farm: Farm, day: FieldDay, behind: Source) -> Iterator[str]:
    """Yield what becomes of the crop if it is left lying; its water and odds are told of elsewhere."""
    if day.if_left is None:
        return
    yield if_left(day, farm)
    yield "  how sure its water is stands under Drying, the odds under Coming days"
    if day.if_left.rained_on is not None:
        yield f"  that rain would take {points(day.if_left.rained_on, '.1f')} % of its dry matter"
        yield from behind.lines()


def _cares(farm: Farm, day: FieldDay, behind: Source) -> Iterator[str]:
    if day.cares:
        yield "Beware:"
        yield from (f"  {care_words(care, farm.units)}" for care in day.cares)
        yield from behind.lines()


def _days(farm: Farm, field: FieldProspect, behind: Source) -> Iterator[str]:
    if not field.days:
        return
    yield f"{'Coming days':13} {'odds for the least area':25} at the odds needed ({odds(farm.alerts.odds_needed)})"
    for day in field.days:
        least = least_chance(day, farm)
        said = f"{odds(least.odds)} for {area(least.area, farm.units)}" if least else "-"
        if day.area > 0.0 and day.start:
            after = f", after {day.after}" if day.after else ""
            end = f"{area(day.area, farm.units)} from {clock_time(day.start, farm.units)}{after}"
        else:
            end = reason_words(day.reason, day)
        yield f"  {weekday(day.date)[:3]} {day.date.day:<7} {said:25} {end}"
    yield from behind.lines()


def _diary(field: FieldProspect) -> Iterator[str]:
    if field.told:
        yield "From the diary and the settings:"
        yield from (f"  {sentence}" for sentence in field.told)


def _drying(field: FieldProspect, behind: Source) -> Iterator[str]:
    if not field.days:
        return
    yield f"Drying: by the evaporation of the hours ahead, for this field uncertain by {field.drying.spread:.0%}"
    if field.drying.factor != 1.0:
        yield f"  Measured samples: this field dries {field.drying.factor:.2f} times as fast as the model."
    if field.soil_factor is not None:
        yield f"  Today's ground: {field.soil_factor:.2f} times as fast as on moist soil (estimate from its water)."
    yield from behind.lines()


def _trust(morning: Morning) -> Iterator[str]:
    weather = morning.prospect.weather
    if weather is None:
        yield f"Weather: none. {morning.prospect.detail}"
    else:
        yield f"Weather: {weather.source}, {weather.model}. {weather_line(weather)}"
        yield f"{weather.credit}. {weather.note}".rstrip()
    yield from morning.prospect.record
    yield "A measured sample is worth more than any of this."
    yield CAUTION

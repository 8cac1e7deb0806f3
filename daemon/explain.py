"""The numbers behind today's advice for one field, as text."""

from collections.abc import Iterator

from daemon.caution_words import care_words
from daemon.farm import Farm
from daemon.outlook import Advice, FieldDay, FieldProspect, Kind, Morning
from daemon.units import area, clock_time, crop, crop_weight, odds, size, weekday
from daemon.wording import (
    CAUTION,
    RIPENESS,
    film,
    ground,
    hour_later,
    if_left,
    least_chance,
    reason_words,
    too_dry,
    two_points,
    weather_line,
)
from models import coefficients as c
from models.quality import Figure
from models.stages import Purpose


def explain(farm: Farm, morning: Morning, name: str) -> str:
    """Return what is known of a field, where it comes from and how sure it is.

    Raises
    ------
    KeyError
        If the farm has no field of that name.
    """
    field = next(one for one in (*morning.prospect.fields, None) if one is None or one.name == name)
    if field is None:
        raise KeyError(name)
    advice = next(one for one in morning.advices if one.field == name)
    return "\n".join(
        [
            *_today(farm, field, advice),
            "",
            *_growth(farm, field),
            *_feed(field),
            *_waiting(farm, field),
            *_ground(field),
            "",
            *_days(farm, field),
            "",
            *_diary(field),
            *_drying(field),
            *_trust(morning),
        ]
    )


def _today(farm: Farm, field: FieldProspect, advice: Advice) -> Iterator[str]:
    yield f"{field.name}, {size(field.area, farm.units)}"
    if advice.kind is Kind.MOW and advice.day is not None:
        yield f"Today: mow {area(advice.area, farm.units)}. {two_points(advice.day, farm)}."
        yield from _hours(farm, advice.day)
    else:
        lead = "no advice, because " if advice.kind is Kind.NONE else "wait: "
        yield f"Today: {lead}{reason_words(advice.reason, advice.day)}{f' ({advice.detail})' if advice.detail else ''}."


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
        band = day.moisture_at_baling
        yield f"  {'water at raking':15} {_points(100 * band.low, 100 * band.mid, 100 * band.high)}"
    yield f"  {'bales':15} {day.bales}{film(day)}"
    for words in (hour_later(day, farm), too_dry(day, farm), if_left(day, farm)):
        if words:
            yield f"  {words}"
    for care in day.cares:
        yield f"  {care_words(care, farm.units)}"


def _growth(farm: Farm, field: FieldProspect) -> Iterator[str]:
    if field.ripeness is None or field.ndf is None or field.clock is None:
        yield "Growth: not known."
        return
    yield f"Growth: {RIPENESS[field.ripeness]}, {field.stage}"
    yield f"  temperature sum {field.clock:.0f} degC days, counted from {field.clock_from}"
    fibre = _points(field.ndf.low, field.ndf.mid, field.ndf.high)
    said = next(one for one in farm.fields if one.name == field.name)
    source = "extension advice" if said.purpose is Purpose.MILK else "estimate"
    wanted = "as cut_at_fibre in the settings says" if said.cut_at_fibre else f"for {said.purpose} ({source})"
    yield f"  fibre (NDF) {fibre}; to be cut at {field.ndf_target:.0f}, {wanted}"
    if field.dry_matter is not None:
        source = "from the settings" if said.expected_yield else "estimate from the temperature sum"
        yield f"  yield {crop(field.dry_matter, farm.units)} ({source})"
    if field.detail:
        yield f"  note: {field.detail}"
    yield "  Species curves are estimates, good to about four days. A look at the field corrects them:"
    yield f'  forenoon note stage "{field.name}" WORD, or looks in the settings.'


def _ground(field: FieldProspect) -> Iterator[str]:
    if field.ground is not None:
        words = ground(field)
        yield f"{words[0].upper()}{words[1:]} (estimate; tell it what you see:"
        yield f'  forenoon note ground "{field.name}" firm|soft|ruts)'


def _feed(field: FieldProspect) -> Iterator[str]:
    if field.quality is not None:
        yield "As feed today (10, 50 and 90 % points, of the dry matter):"
        for name, one in (("digestibility", field.quality.digestibility), ("protein", field.quality.protein)):
            yield f"  {name:13} {one.low:.0f}, {one.mid:.0f}, {one.high:.0f} % ({one.source})"


def _waiting(farm: Farm, field: FieldProspect) -> Iterator[str]:
    if field.waiting is None:
        return
    waiting, (weight, unit) = field.waiting, crop_weight(farm.units)
    yield "One more day of waiting, weather left aside (10, 50 and 90 % points):"
    yield f"  {'fibre':13} {_change(waiting.ndf, '+z.1f')} units ({waiting.ndf.source})"
    yield f"  {'digestibility':13} {_change(waiting.digestibility, '+z.1f')} units ({waiting.digestibility.source})"
    yield f"  {'yield':13} {_change(waiting.dry_matter, '+z.0f', weight)} {unit} ({waiting.dry_matter.source})"
    yield f"  {'worth':13} {_change(waiting.worth, '+z.0f', weight)} {unit} as good as at the target, with what the"
    yield f"  {'':13} season loses by a later next cut ({waiting.worth.source})"
    yield "  A look at the field corrects all of this, expected_yield in the settings the yield and the protein."


def _change(one: Figure, digits: str, factor: float = 1.0) -> str:
    return ", ".join(format(factor * end, digits) for end in (one.low, one.mid, one.high))


def _points(low: float, mid: float, high: float) -> str:
    return f"{low:.0f}, {mid:.0f}, {high:.0f} % (10, 50 and 90 % points)"


def _days(farm: Farm, field: FieldProspect) -> Iterator[str]:
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


def _diary(field: FieldProspect) -> Iterator[str]:
    if field.told:
        yield "From the diary and the settings:"
        yield from (f"  {sentence}" for sentence in field.told)
        yield ""


def _drying(field: FieldProspect) -> Iterator[str]:
    yield (
        f"Drying: evaporation model, constant {c.K400} per mm at {c.DENSITY_REFERENCE:.0f} g/m2, uncertain by "
        f"{100 * field.drying.spread:.0f} %; moisture at mowing by {100 * c.START_MOISTURE_SPREAD:.0f} points, yield "
        f"by {100 * c.YIELD_SPREAD:.0f} % (estimates)."
    )
    if field.drying.factor != 1.0:
        yield f"  Measured samples: this field dries {field.drying.factor:.2f} times as fast as the model."
    if field.soil_factor is not None:
        yield f"  Today's ground: {field.soil_factor:.2f} times as fast as on moist soil (estimate from its water)."


def _trust(morning: Morning) -> Iterator[str]:
    weather = morning.prospect.weather
    if weather is None:
        yield f"Weather: none. {morning.prospect.detail}"
    else:
        yield f"Weather: {weather.source}, {weather.model}. {weather_line(weather)}"
        yield f"{weather.credit}. {weather.note}".rstrip()
    if weather is not None and not weather.known:
        yield (
            f"Odds: share of the cases, drawn towards {c.PRIOR_CHANCE:.1f} because members repeat each other "
            f"(correlation {c.MEMBER_CORRELATION}; both are estimates)."
        )
    yield from morning.prospect.record
    yield "A measured sample is worth more than any of this."
    yield CAUTION

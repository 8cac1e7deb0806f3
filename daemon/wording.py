"""Every sentence a farmer is sent, in trade words: the text of at most two parts and the email beside it."""

import math
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from html import escape
from typing import Final

from daemon.caution_words import day_cares, official, stop_work
from daemon.due import TaskKind
from daemon.farm import Channel, Farm, Hears, Message, Person
from daemon.gsm7 import parts, plain
from daemon.outlook import (
    Advice,
    Announced,
    Band,
    Chance,
    FieldDay,
    FieldProspect,
    Hurry,
    IfLeft,
    Kind,
    Morning,
    Reason,
    Ripeness,
    WeatherFacts,
)
from daemon.progress import progress, progress_words
from daemon.units import area, clock_time, crop, crop_weight, moisture, odds, risk, weekday
from models.coefficients import MOST_ODDS

TEXT_PARTS: Final = 2
SURER: Final = 0.9  # the second point at which odds are said
NEAR_MISS: Final = 0.4  # odds from which a day that is not enough is told as a near miss
DRY_SHARE: Final = 0.2  # of the area too dry for baleage, from which it is said
OTHER_AREA: Final = 0.2  # of an area, by which it differs from the evening's before that is said
NEARLY_RIPE: Final = 5  # days before ripeness from which the ripe mornings are told of
CRUMB: Final = 1e-6  # [ha] less than this is rounding
SUBJECT: Final = 40  # characters that a telephone shows of a subject

REASONS: Final[Mapping[Reason, str]] = {
    Reason.NOT_RIPE: "not ripe yet",
    Reason.RAIN: "rain would catch it",
    Reason.WILL_NOT_DRY: "it will not dry by evening",
    Reason.TOO_LITTLE_TIME: "too little time to bale and wrap",
    Reason.ODDS_TOO_LOW: "not sure enough",
    Reason.DAY_OFF: "a day off",
    Reason.TOO_LATE_TODAY: "too late to start today",
    Reason.DAY_IS_FULL: "the crew is busy with the fields before it",
    Reason.OUT_OF_SEASON: "out of season",
    Reason.BETTER_LATER: "a better day is likely",
    Reason.CROP_LIES: "what lies or is being mown comes first",
    Reason.CALLED_OFF: "it was called off today",
    Reason.DATA_MISSING: "weather data is missing",
    Reason.DATA_STALE: "the forecast is too old",
    Reason.FEW_MEMBERS: "too few forecasts to judge the odds",
    Reason.DIARY_UNREADABLE: "the farm's diary cannot be read",
    Reason.GROWTH_UNKNOWN: "its growth cannot be told",
    Reason.GROUND_SOFT: "the ground will not carry the baler yet",
    Reason.TOO_THICK: "the swath would lie too thick to reckon its drying; lay it wider",
    Reason.OUT_OF_RANGE: "it is outside what can be reckoned",
}
PERHAPS: Final[Mapping[Reason, str]] = {
    Reason.RAIN: "rain may catch it",
    Reason.WILL_NOT_DRY: "it may not dry by evening",
    Reason.TOO_LITTLE_TIME: "time may run out",
    Reason.ODDS_TOO_LOW: "which is less than asked for",
}
GROUND: Final[Mapping[str, str]] = {
    "firm": "ground firm enough for the baler",
    "soft": "ground soft",
    "ruts": "ground so wet that wheels leave ruts",
}
RIPENESS: Final[Mapping[Ripeness, str]] = {
    Ripeness.GROWING: "not ripe yet",
    Ripeness.RIPE: "ripe",
    Ripeness.PAST: "past its best",
}
SAMPLE: Final = "Check a sample before baling."
CAUTION: Final = (
    "This is an estimate, not an order. Your own eye, the sky and local rules come first. Bale nothing at 62% water "
    "or wetter. Stop for thunder and for heat, and let nobody near moving machines."
)


def say(farm: Farm, morning: Morning, task: TaskKind) -> dict[Person, Message]:
    """Return each person's message; nobody who has nothing to hear is in it.

    Parameters
    ----------
    farm : Farm
    morning : Morning
        The newest pass.
    task : TaskKind
        The morning's message, the evening's heads-up, or a sign of life.
    """
    people = farm.alerts.people
    if task is TaskKind.SIGN_OF_LIFE:
        emails = [person for person in people if person.channel is Channel.EMAIL]
        in_season = morning.date.month in farm.season
        return {person: _sign_of_life(farm, person, in_season=in_season) for person in (*emails, *people)[:1]}
    if task is TaskKind.EVENING:
        likely = _likely(morning)
        return {person: _evening(farm, person, likely) for person in people} if likely else {}
    hears_it = [person for person in people if _concerns(person, morning)]
    text, mail = Message("", text_body(farm, morning)), email_of(farm, morning)
    return {person: text if person.channel is Channel.TEXT else mail for person in hears_it}


def announced(morning: Morning) -> tuple[Announced, ...]:
    """Return what an evening's heads-up says of tomorrow, for the next morning to be held against."""
    return tuple(Announced(name, day.area, day.odds or 0.0) for name, day in _likely(morning))


def since_evening(farm: Farm, morning: Morning) -> list[str]:
    """Return what has changed since the evening before, in sentences."""
    mown = {advice.field: advice.area for advice in morning.mows}
    off = [one.field for one in morning.announced if one.field not in mown]
    other = [
        one for one in morning.announced if one.field in mown and abs(mown[one.field] / one.area - 1.0) > OTHER_AREA
    ]
    said = [f"{_listed(off)} looked likely last evening, not now."] if off else []
    return said + [f"Last evening it was {area(one.area, farm.units)} of {one.field}." for one in other]


def _likely(morning: Morning) -> list[tuple[str, FieldDay]]:
    """Return the fields that may be mown tomorrow."""
    return [(name, day) for name, day in _days_on(morning, morning.date + timedelta(days=1)) if day.area > 0.0]


def reason_words(reason: Reason | None, day: FieldDay | None) -> str:
    """Return why a field is not for mowing on a day; a near miss is told with its odds."""
    reason = reason or Reason.ODDS_TOO_LOW
    if day is not None and day.better_in is not None:
        return f"{REASONS[reason]} on {weekday(day.date + timedelta(days=day.better_in))}"
    if day is None or day.odds is None or day.odds < NEAR_MISS or reason not in PERHAPS:
        return REASONS[reason]
    return f"only {odds(day.odds)}, {PERHAPS[reason]}"


def ground(field: FieldProspect) -> str:
    """Return how the ground of a field is today and, where it is not firm, from when it should be."""
    if field.ground is None:
        return ""
    now = GROUND[field.ground]
    if field.ground == "firm":
        return now
    if field.carries_from is None:
        return f"{now}, no day in sight on which it should carry"
    return f"{now}, should carry by {weekday(field.carries_from)} {field.carries_from.day}"


def two_points(day: FieldDay, farm: Farm) -> str:
    """Return the odds of the area advised and, where a smaller one is surer, of that too."""
    said = odds(day.odds or 0.0)
    surer = _surer(day, farm)
    if surer is None:
        return f"{said} that all is wrapped tonight"
    return f"{said} that all is wrapped tonight, {odds(surer.odds)} for {area(surer.area, farm.units)}"


def least_chance(day: FieldDay, farm: Farm) -> Chance | None:
    """Return the odds of the least that is worth hitching up for, or of the whole of a smaller field."""
    return day.chance_of(farm.work.least_area)


def too_dry(day: FieldDay, farm: Farm) -> str:
    """Return a warning where a good part will be too dry for baleage before the baler comes to it, else nothing."""
    if day.too_dry is None or day.too_dry < DRY_SHARE:
        return ""
    acres = area(day.too_dry * day.area, farm.units)
    return (
        f"About {acres} may be drier than {moisture(farm.baleage.driest)} by then: bale in the order of mowing, "
        "and put more film on dry bales."
    )


def film(day: FieldDay) -> str:
    """Return the film that the bales of a day take."""
    if day.film_rolls is None:
        return ""
    return f", {day.film_rolls} roll{'' if day.film_rolls == 1 else 's'} of film"


def hour_later(day: FieldDay, farm: Farm) -> str:
    """Return what an hour's delay of the start costs."""
    if day.hour_later is None:
        return ""
    left = day.hour_later.area
    if left >= day.area - CRUMB:
        return "An hour later would still do."
    if left < farm.work.least_area - CRUMB:
        return "An hour later is too late."
    return f"An hour later, {area(left, farm.units)} at most."


def order(farm: Farm, morning: Morning) -> list[str]:
    """Return why the fields to mow come in their order: those that hurry, or else what the first one of several loses.

    How a crop that lies flat is mown is told with it. Fields that the first one leaves no time for count too.
    """
    hurried, first = _hurried(farm, morning), morning.mows[0].day if morning.mows else None
    if hurried or first is None or first.lost_by_waiting is None or not _several(morning):
        return hurried
    weight, unit = crop_weight(farm.units)
    lost = weight * first.lost_by_waiting
    much = f", about {lost:.0f} {unit} of good forage (estimate)" if lost >= 1.0 else ""
    return [f"{morning.mows[0].field} goes first: of these it loses most by waiting for its next chance{much}."]


def _several(morning: Morning) -> bool:
    """Return whether a field to mow has others behind it."""
    return sum(one.kind is Kind.MOW or one.reason is Reason.DAY_IS_FULL for one in morning.advices) > 1


def _hurried(farm: Farm, morning: Morning) -> list[str]:
    """Return what is said of each field to mow that lies flat or that a storm may lay flat."""
    flat = {field.name for field in morning.prospect.fields if field.lodged}
    several = _several(morning)
    said = (_hurry(farm, one, is_flat=one.field in flat, several=several) for one in morning.mows)
    return [words for words in said if words]


def _hurry(farm: Farm, advice: Advice, *, is_flat: bool, several: bool) -> str:
    day = advice.day
    if day is None:
        return ""
    first = several and day.hurry is not None and day.after is None
    if is_flat:
        return f"{advice.field} lies flat{' and goes first' if first else ''}: mow it against the lean."
    if day.hurry is not Hurry.STORM or day.storm_at is None:
        return ""
    at = f"from {weekday(day.storm_at)} {clock_time(day.storm_at, farm.units)} on"
    if first:
        return f"{advice.field} goes first: a storm may lay it flat {at}."
    return f"A storm may lay {advice.field} flat {at}."


def if_left(day: FieldDay, farm: Farm) -> str:
    """Return what becomes of what is not wrapped in the evening."""
    return "" if day.if_left is None else f"What is not wrapped tonight, by tomorrow: {left_lying(day.if_left, farm)}."


def left_lying(left: IfLeft, farm: Farm) -> str:
    """Return the moisture and the rain that lie before what is left for tomorrow."""
    if left.rain >= MOST_ODDS:
        # Where all members have rain there is none that tells how moist it would be without.
        return f"rain before noon: {risk(left.rain)}"
    low, high = 100 * left.moisture.low, 100 * left.moisture.high
    wet, dry = left.moisture.mid > farm.baleage.wettest, left.moisture.mid < farm.baleage.driest
    fit = ", too wet to bale" if wet else ", probably too dry for baleage" if dry else ""
    return f"{low:.0f} to {high:.0f}% water at noon if it stays dry{fit}; rain before that: {risk(left.rain)}"


def text_body(farm: Farm, morning: Morning) -> str:
    """Return the morning's text in at most two parts of the GSM alphabet.

    Where it would be longer, the reminder of the sample goes first, then what stops the work, official warnings, why a
    field hurries and what has changed since the evening, and in the end the last fields are counted instead.
    """
    name = f"Rehearsal, {farm.name}" if morning.prospect.weather and morning.prospect.weather.known else farm.name
    jobs = [_text_job(farm, advice) for advice in morning.mows]
    changed = since_evening(farm, morning)
    if not jobs:
        return fit(name, [headline(morning), *changed])
    beside = [
        *changed,
        *_hurried(farm, morning),
        *official(farm, morning),
        *stop_work(morning.mows, farm.units),
        SAMPLE,
    ]
    for kept in range(len(jobs), 0, -1):
        more = [f"And {len(jobs) - kept} more: see the page."] if kept < len(jobs) else []
        pieces = [f"{weekday(morning.date)}: mow {jobs[0]}", *(f"Then {job}" for job in jobs[1:kept]), *more]
        for told in range(len(beside), -1, -1):
            tried = _joined(name, [*pieces, *beside[:told]])
            if parts(tried) <= TEXT_PARTS:
                return tried
    return fit(name, pieces)


def email_of(farm: Farm, morning: Morning) -> Message:
    """Return the morning's email: the day's answer, then each field, then the cautions and the credit."""
    lines = [_lead(farm, morning), *(_email_job(farm, advice) for advice in morning.mows)]
    if told := [*since_evening(farm, morning), *order(farm, morning)]:
        lines.append(" ".join(told))
    if morning.mows:
        lines.append(f"Aim at {moisture(farm.baleage.aim)} water, none over {moisture(farm.baleage.wettest)}. {SAMPLE}")
    if going := progress_words(farm, progress(farm, morning.prospect)):
        lines.append(going)
    beware = (*official(farm, morning), *day_cares(morning.mows, farm.units))
    return email(_subject(farm, morning), lines, _field_lines(farm, morning), _footer(morning), beware)


def fit(farm_name: str, pieces: Sequence[str]) -> str:
    """Return as many of the pieces as two parts hold, from the front; the first is always in, cut if it must be."""
    kept = list(pieces)
    while len(kept) > 1 and parts(_joined(farm_name, kept)) > TEXT_PARTS:
        kept.pop()
    return shortened(_joined(farm_name, kept))


def shortened(text: str) -> str:
    """Return a text as far as two parts hold it."""
    while parts(text) > TEXT_PARTS:
        text = text[:-1]
    return text


def _joined(farm_name: str, pieces: Sequence[str]) -> str:
    return plain(f"{farm_name}: {' '.join(pieces)}")


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def headline(morning: Morning) -> str:
    """Return the day's answer in one sentence where nothing is to be mown."""
    day = weekday(morning.date)
    unknown = [advice for advice in morning.advices if advice.kind is Kind.NONE]
    if unknown and len(unknown) == len(morning.advices):
        reasons = {REASONS[advice.reason or Reason.DATA_MISSING] for advice in unknown}
        return f"{day}: no advice, because {' and '.join(sorted(reasons))}. Go by your own eye and forecast."
    fields: dict[str, list[str]] = {}
    for advice in sorted(morning.advices, key=lambda one: one.reason is Reason.NOT_RIPE):
        words = reason_words(advice.reason, advice.day)
        words = f"no advice, because {words}" if advice.kind is Kind.NONE else words
        fields.setdefault(words, []).append(advice.field)
    return f"{day}: do not mow. {'; '.join(f'{_listed(names)}: {words}' for words, names in fields.items())}."


def _concerns(person: Person, morning: Morning) -> bool:
    """Return whether a person hears of this morning: mowing, called likely or advised, and trouble go to all."""
    trouble = any(advice.kind is Kind.NONE for advice in morning.advices)
    if morning.mows or morning.announced or trouble:
        return True
    return person.hears is Hears.RIPE_MORNINGS and any(_ripe_soon(field) for field in morning.prospect.fields)


def _ripe_soon(field: FieldProspect) -> bool:
    near = field.days[: NEARLY_RIPE + 1]
    return any(day.ripeness is not Ripeness.GROWING and day.reason is not Reason.OUT_OF_SEASON for day in near)


def _lead(farm: Farm, morning: Morning) -> str:
    if not morning.mows:
        return headline(morning)
    total = area(sum(advice.area for advice in morning.mows), farm.units)
    late = any(advice.day and advice.day.mow_until and advice.day.mow_until.hour >= 12 for advice in morning.mows)
    return f"{weekday(morning.date)}: mow {total} {'today' if late else 'this forenoon'}."


def _evening(farm: Farm, person: Person, likely: Sequence[tuple[str, FieldDay]]) -> Message:
    day = likely[0][1].date
    told = [f"{area(one.area, farm.units)} of {name} ({odds(one.odds or 0.0)})" for name, one in likely]
    sentence = f"Likely tomorrow, {weekday(day)}: mow {', then '.join(told)}."
    if likely[0][1].start is not None:
        sentence += f" Start {clock_time(likely[0][1].start, farm.units)}."
    later = "The morning's message decides."
    if person.channel is Channel.TEXT:
        return Message("", fit(farm.name, [sentence, later]))
    return email(cut(f"Likely tomorrow: {told[0]}"), [sentence, later], [], [CAUTION])


def _sign_of_life(farm: Farm, person: Person, *, in_season: bool) -> Message:
    lately = "had nothing to tell you for a week" if in_season else "waits for the season"
    waits = f"the mowing advice is running and {lately}."
    if person.channel is Channel.TEXT:
        return Message("", fit(farm.name, [waits]))
    sentence = f"{farm.name}: {waits}"
    return Message(
        cut(f"Still running, {'nothing to tell' if in_season else 'out of season'}"),
        sentence,
        f"<p>{escape(sentence)}</p>",
    )


def _subject(farm: Farm, morning: Morning) -> str:
    if morning.mows:
        first = morning.mows[0]
        more = f" +{len(morning.mows) - 1}" if len(morning.mows) > 1 else ""
        return cut(f"Mow {area(first.area, farm.units)}: {first.field}{more}")
    unknown = all(advice.kind is Kind.NONE for advice in morning.advices)
    return f"{weekday(morning.date)}: {'no advice' if unknown else 'do not mow'}"


def _text_job(farm: Farm, advice: Advice) -> str:
    day, units = advice.day, farm.units
    if day is None or day.start is None or day.mow_until is None or day.bale_from is None:
        raise ValueError(f"{advice.field}: advised to be mown without its hours")
    start, stop, bale = (clock_time(at, units) for at in (day.start, day.mow_until, day.bale_from))
    surer = _surer(day, farm)
    more = f" ({area(surer.area, units)}: {odds(surer.odds)})" if surer else ""
    return (
        f"{area(advice.area, units)} of {advice.field}, start {start}, stop by {stop}, bale from {bale}. "
        f"Odds {odds(day.odds or 0.0)}{more}."
    )


def _email_job(farm: Farm, advice: Advice) -> str:
    day, units = advice.day, farm.units
    if day is None or day.start is None or day.mow_until is None or day.bale_from is None or day.wrapped_by is None:
        raise ValueError(f"{advice.field}: advised to be mown without its hours")
    hours = (day.start, day.mow_until, day.rake_from or day.bale_from, day.bale_from, day.wrapped_by)
    start, stop, rake, bale, end = (clock_time(at, units) for at in hours)
    band = day.moisture_at_baling
    water = f" at about {100 * band.low:.0f} to {100 * band.high:.0f}% water" if band else ""
    more = [hour_later(day, farm), too_dry(day, farm), if_left(day, farm)]
    work = (
        f"{advice.field}: {area(advice.area, units)}. Start mowing at {start} and stop by {stop}. Rake from {rake} and "
        f"bale from {bale}{water}; all wrapped by about {end}, {day.bales} bales{film(day)}. Odds: "
        f"{two_points(day, farm)}."
    )
    return " ".join([work, *(words for words in more if words)])


def _field_lines(farm: Farm, morning: Morning) -> list[str]:
    """Return a line for each field: its state, today's reason where it waits, and its next good day."""
    waiting = {advice.field: advice for advice in morning.advices if advice.kind is not Kind.MOW}
    lines = []
    for field in morning.prospect.fields:
        said = [_state(field, farm)] if field.ripeness else []
        said += ["lying flat"] if field.lodged else []
        said += [ground(field)] if field.ground not in (None, "firm") else []
        said += [field.detail] if field.detail and field.unknown is None and _ripe_soon(field) else []
        if field.name in waiting:
            advice = waiting[field.name]
            prefix = "no advice, because " if advice.kind is Kind.NONE else "today: "
            detail = f" ({advice.detail})" if advice.detail and advice.kind is Kind.NONE else ""
            said.append(f"{prefix}{reason_words(advice.reason, advice.day)}{detail}")
        ahead = next((day for day in field.days if day.area > 0.0 and day.date > morning.date), None)
        if ahead is not None:
            day = f"{weekday(ahead.date)} {ahead.date.day}"
            said.append(f"next chance {day}, {area(ahead.area, farm.units)}, {odds(ahead.odds or 0)}")
        lines.append(f"{field.name}: {'; '.join(said)}.")
    return lines


def weather_line(weather: WeatherFacts) -> str:
    """Return how old the weather is and what it is worth.

    Hours of a record are known: a pass over them is a rehearsal, not a forecast.
    """
    if weather.known:
        return "Recorded hours, taken as if they had been forecast without fault: the odds are those of the crop alone."
    count = "1 member" if weather.members == 1 else f"{weather.members} members"
    drawn = " drawn from its chances of rain" if weather.synthetic else ""
    age = f"{weather.age_hours:.0f} hour{'' if round(weather.age_hours) == 1 else 's'}"
    return f"Forecast {age} old, {count}{drawn}."


def _state(field: FieldProspect, farm: Farm) -> str:
    if field.ripeness is None:
        return ""
    fibre = f", fibre {_range(field.ndf)}% NDF" if field.ndf else ""
    grown = f", about {crop(field.dry_matter, farm.units)}" if field.dry_matter else ""
    return f"{RIPENESS[field.ripeness]} ({field.stage}{fibre}{grown})"


def _range(band: Band) -> str:
    return f"{band.low:.0f} to {band.high:.0f}" if band.high - band.low >= 1.0 else f"about {band.mid:.0f}"


def _footer(morning: Morning) -> list[str]:
    weather = morning.prospect.weather
    lines = [CAUTION]
    if weather is not None:
        lines.append(f"{weather_line(weather)} {weather.credit}.")
    return lines


def email(
    subject: str, lines: Sequence[str], fields: Sequence[str], footer: Sequence[str], beware: Sequence[str] = ()
) -> Message:
    """Return an email whose HTML says the same as its text."""
    lists = [items for items in (beware, fields) if items]
    body = "\n\n".join([*lines, *("\n".join(f"- {line}" for line in items) for items in lists), *footer])
    listed = "".join(f"<ul>{''.join(f'<li>{escape(line)}</li>' for line in items)}</ul>" for items in lists)
    above = "".join(f"<p>{escape(line)}</p>" for line in lines)
    below = "".join(f"<p><small>{escape(line)}</small></p>" for line in footer)
    return Message(subject, body, above + listed + below)


def _surer(day: FieldDay, farm: Farm) -> Chance | None:
    """Return the largest area at nine in ten, or else at the best odds there are; None if those are the day's own.

    What is not worth hitching up for is not offered.
    """
    worth_it = [one for one in day.curve if one.area >= farm.work.least_area - CRUMB]
    best = max((one.odds for one in worth_it), default=0.0)
    level = min(SURER, _tenth_below(best))
    if level <= _tenth_below(day.odds or 0.0):
        return None
    return max((one for one in worth_it if one.odds >= level), key=lambda one: one.area, default=None)


def _tenth_below(chance: float) -> float:
    return math.floor(chance * 10.0 + 1e-9) / 10.0


def _days_on(morning: Morning, day: date) -> list[tuple[str, FieldDay]]:
    found = [(field.name, one) for field in morning.prospect.fields for one in field.days if one.date == day]
    return sorted(found, key=lambda pair: pair[1].start.timestamp() if pair[1].start else 0.0)


def cut(text: str) -> str:
    """Return a subject as long as a telephone shows it."""
    return text if len(text) <= SUBJECT else f"{text[: SUBJECT - 3].rstrip()}..."

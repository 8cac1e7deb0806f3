"""What the status page says, in words and the farm's units; the template only lays it out."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from daemon.caution_words import day_cares, official
from daemon.farm import Farm
from daemon.outlook import Advice, FieldDay, FieldProspect, Kind, Morning, Reason, Ripeness
from daemon.posted import Posted, State
from daemon.progress import progress, progress_words
from daemon.stand_words import days_left_sentence, just_cut, stage_of
from daemon.units import area, clock_time, crop, odds, size, weekday
from daemon.watch_words import watched_words
from daemon.wording import REASONS, ground, least_chance, order, reason_words, weather_line

LONGEST_WITHOUT_PASS: Final = timedelta(hours=2)
LONGEST_WAIT: Final = timedelta(minutes=30)
STUCK_SHOWN: Final = timedelta(days=2)  # an undelivered message troubles nobody for ever

RIPENESS_WORDS: Final = {
    Ripeness.GROWING: "Not ripe yet",
    Ripeness.RIPE: "Ripe",
    Ripeness.PAST: "Past its best",
}


@dataclass(frozen=True)
class PageView:
    """All that the page is made from; `problems` are sentences, none when all is well."""

    farm: Farm
    morning: Morning | None
    messages: tuple[Posted, ...]
    now: datetime
    problems: tuple[str, ...]

    @property
    def today(self) -> date:
        """The local day."""
        return self.now.astimezone(self.farm.place.timezone).date()

    @property
    def in_season(self) -> bool:
        """Whether this month is one in which the farm makes baleage."""
        return self.today.month in self.farm.season


@dataclass(frozen=True)
class DayRow:
    """One line of a field's table."""

    date: date
    name: str
    amount: str
    odds: str
    when: str


@dataclass(frozen=True)
class FieldCard:
    """One field as shown: its heading, its state in sentences and its coming days."""

    name: str
    size: str
    state: tuple[str, ...]
    days: tuple[DayRow, ...]


@dataclass(frozen=True)
class MessageRow:
    """One message as shown."""

    what: str
    to: str
    text: str
    state: str


def make_view(farm: Farm, morning: Morning | None, messages: Sequence[Posted], now: datetime) -> PageView:
    """Return a view with the problems found in it."""
    found = (*pass_problems(farm, morning, now), *message_problems(messages, now))
    return PageView(farm, morning, tuple(messages), now, found)


def pass_problems(farm: Farm, morning: Morning | None, now: datetime) -> tuple[str, ...]:
    """Return what is wrong with the last pass, nothing out of season, when none is made.

    Parameters
    ----------
    farm : Farm
        Its `weather.oldest` [h] is the age at which data leads to no advice.
    morning : Morning or None
        The last pass, None if there was none.
    now : datetime
        The time.
    """
    if now.astimezone(farm.place.timezone).month not in farm.season:
        return ()
    if morning is None:
        return ("No pass over the fields has been made yet.",)
    problems = []
    if now - morning.prospect.at > LONGEST_WITHOUT_PASS:
        problems.append(f"The last pass over the fields was {_span(now - morning.prospect.at)} ago.")
    age = data_age(morning, now)
    if morning.prospect.trouble is Reason.DIARY_UNREADABLE:
        problems.append(f"There is no advice: {morning.prospect.detail}.")
    elif age is None:
        problems.append(f"There is no weather: {_words(morning.prospect.trouble or Reason.DATA_MISSING)}.")
    elif age > timedelta(hours=farm.weather.oldest):
        problems.append(f"The weather data is {_span(age)} old; {farm.weather.oldest:g} hours are allowed.")
    return tuple(problems)


def message_problems(messages: Iterable[Posted], now: datetime) -> tuple[str, ...]:
    """Return which of the recent messages have not, or perhaps not, been delivered."""
    recent = (row for row in messages if now - row.made_at < STUCK_SHOWN)
    return tuple(
        f"The {row.kind} message to {row.person} by {row.channel}: {_state(row)}."
        for row in recent
        if row.state in (State.FAILED, State.UNKNOWN) or (row.waits and _waits_long(row, now))
    )


def data_age(morning: Morning, now: datetime) -> timedelta | None:
    """Return how old the weather of a pass is by now, None if it had none."""
    weather = morning.prospect.weather
    return None if weather is None else timedelta(hours=weather.age_hours) + (now - morning.prospect.at)


def headline(view: PageView) -> str:
    """Return today's advice in one sentence; whatever is not known is no advice."""
    unknown = _why_unknown(view)
    if unknown is not None or view.morning is None:
        return f"No advice today, because {unknown}."
    if not view.in_season:
        return "Out of season: no mowing is looked for."
    if view.morning.mows:
        return f"Today: mow {', then '.join(_job(view, advice) for advice in view.morning.mows)}."
    if all(advice.kind is Kind.NONE for advice in view.morning.advices):
        return f"No advice today, because: {_reasons(view.morning.advices)}."
    return f"No mowing today: {_reasons(view.morning.advices)}."


def next_step(view: PageView) -> str:
    """Return what to do next."""
    if not view.in_season:
        return "Nothing to do; once a week a short message shows that the service is alive."
    if _why_unknown(view) is not None or view.morning is None:
        return "Decide by your own eye and forecast until this is mended; the troubles are listed below."
    days = [advice.day for advice in view.morning.mows if advice.day is not None]
    if days:
        why = order(view.farm, view.morning)
        return " ".join([_plan(view, days), *why, "Check the moisture of a sample before baling."])
    ahead = _next_chance(view)
    hour = clock_time(view.farm.alerts.morning, view.farm.units)
    return f"{ahead} The next morning message comes at {hour}."


def care_lines(view: PageView) -> tuple[str, ...]:
    """Return what to beware of in today's work."""
    known = _why_unknown(view) is None and view.in_season
    if not known or view.morning is None:
        return ()
    return (*official(view.farm, view.morning), *day_cares(view.morning.mows, view.farm.units))


def season_line(view: PageView) -> str:
    """Return how the season goes, empty where nothing is ripe or known."""
    return "" if view.morning is None else progress_words(view.farm, progress(view.farm, view.morning.prospect))


def watch_lines(view: PageView) -> tuple[str, ...]:
    """Return how each field stands today that was advised to be mown or noted as cut."""
    morning = view.morning
    if morning is None or morning.date != view.today:
        return ()
    known_at = morning.prospect.at if _why_unknown(view) is None else view.now
    return tuple(watched_words(view.farm, one, view.now, known_at) for one in morning.watched)


def age_line(view: PageView) -> str:
    """Return how old the weather data is and where it comes from."""
    weather = view.morning.prospect.weather if view.morning else None
    if view.morning is None or weather is None:
        return "There is no weather data."
    age = data_age(view.morning, view.now) or timedelta()
    if weather.known:
        return weather_line(weather)
    origin = f"{weather.source} ({weather.model}, {_members(weather.members)})"
    return f"Weather data {_span(age)} old, from {origin}."


def field_cards(view: PageView) -> tuple[FieldCard, ...]:
    """Return every field of the last pass; its coming days only while they can be relied on."""
    current = _why_unknown(view) is None
    fields = view.morning.prospect.fields if view.morning else ()
    return tuple(
        FieldCard(
            name=field.name,
            size=size(field.area, view.farm.units),
            state=_field_state(view, field),
            days=tuple(_day_row(view, day) for day in field.days if current and day.date >= view.today),
        )
        for field in fields
    )


def message_rows(view: PageView) -> tuple[MessageRow, ...]:
    """Return the recent messages, newest first."""
    return tuple(
        MessageRow(
            what=f"{weekday(row.day)} {row.day.day}, {row.kind}",
            to=f"{row.person}, {row.channel}",
            text=row.message.title or row.message.body,
            state=_state(row, clock_time(row.sent_at.astimezone(view.farm.place.timezone), view.farm.units))
            if row.sent_at
            else _state(row),
        )
        for row in view.messages
    )


def day_name(day: date, today: date) -> str:
    """Return a day as people say it, with its number so that next week's is not taken for this week's."""
    near = {0: "Today", 1: "Tomorrow"}.get((day - today).days)
    return near or f"{weekday(day)} {day.day}"


def _why_unknown(view: PageView) -> str | None:
    """Return why nothing can be advised, None if something can."""
    if view.morning is None:
        return "no pass over the fields has been made yet"
    if not view.in_season:
        return None
    if view.morning.date != view.today:
        return f"the last pass was for {weekday(view.morning.date)} {view.morning.date.day}"
    if view.morning.prospect.trouble is not None:
        return _words(view.morning.prospect.trouble)
    age = data_age(view.morning, view.now)
    if age is None:
        return "there is no weather data"
    return f"the weather data is {_span(age)} old" if age > timedelta(hours=view.farm.weather.oldest) else None


def _job(view: PageView, advice: Advice) -> str:
    units, day = view.farm.units, advice.day
    start = f" from {clock_time(day.start, units)}" if day and day.start else ""
    sure = f" (odds {odds(day.odds)})" if day and day.odds is not None else ""
    return f"{area(advice.area, units)} of {advice.field}{start}{sure}"


def _plan(view: PageView, days: Sequence[FieldDay]) -> str:
    units = view.farm.units
    starts = [day.start for day in days if day.start]
    stops = [day.mow_until for day in days if day.mow_until]
    bales = [day.bale_from for day in days if day.bale_from]
    steps = [f"start mowing at {clock_time(min(starts), units)}"] if starts else []
    steps += [f"stop by {clock_time(max(stops), units)}"] if stops else []
    steps += [f"bale from {clock_time(min(bales), units)}"] if bales else []
    return f"{', '.join(steps).capitalize()}." if steps else ""


def _reasons(advices: Iterable[Advice]) -> str:
    """Return the reasons with the fields that each is for."""
    fields: dict[str, list[str]] = defaultdict(list)
    for advice in advices:
        fields[_words(advice.reason or Reason.DATA_MISSING)].append(advice.field)
    return "; ".join(f"{reason} ({', '.join(names)})" for reason, names in fields.items()) or "there are no fields"


def _next_chance(view: PageView) -> str:
    fields = view.morning.prospect.fields if view.morning else ()
    ahead = [(day, field) for field in fields for day in field.days if day.date > view.today and day.area > 0]
    if not ahead:
        return "No day in sight at the odds asked for."
    day, field = min(ahead, key=lambda pair: (pair[0].date, -pair[0].area))
    sure = f", {odds(day.odds)}" if day.odds is not None else ""
    much = area(day.area, view.farm.units)
    name = day_name(day.date, view.today).replace("Tomorrow", "tomorrow")
    return f"The next day in sight is {name}: {much} of {field.name}{sure}."


def _field_state(view: PageView, field: FieldProspect) -> tuple[str, ...]:
    notes = tuple(one.notes for one in view.farm.fields if one.name == field.name and one.notes)
    if field.unknown is not None or field.ripeness is None:
        detail = f" ({field.detail})" if field.detail else ""
        return (f"Nothing can be said: {_words(field.unknown or Reason.DATA_MISSING)}{detail}.", *notes)
    words = ground(field)
    last = (*([f"{words[0].upper()}{words[1:]}."] if words else []), *notes)
    if cut := just_cut(field, view.today):
        return (f"{cut.capitalize()}.", *last)
    stage = f", {stage_of(field)}" if field.stage else ""
    lines = [f"{RIPENESS_WORDS[field.ripeness]}{stage}."]
    if field.ndf is not None:
        aim = f"; cut near {field.ndf_target:.0f}%" if field.ndf_target is not None else ""
        band = f"likely {field.ndf.low:.0f} to {field.ndf.high:.0f}%"
        lines.append(f"Fibre (NDF) {field.ndf.mid:.0f}% of dry matter, {band}{aim}.")
    if field.days_left is not None:
        lines.append(days_left_sentence(field))
    if field.dry_matter is not None:
        lines.append(f"About {crop(field.dry_matter, view.farm.units)}.")
    return (*lines, *last)


def _day_row(view: PageView, day: FieldDay) -> DayRow:
    units = view.farm.units
    if day.area > 0:
        after = f"after {day.after}" if day.after else ""
        start = f"start {clock_time(day.start, units)}" if day.start else ""
        bale = f"bale from {clock_time(day.bale_from, units)}" if day.bale_from else ""
        sure = odds(day.odds) if day.odds is not None else ""
        amount, when = area(day.area, units), ", ".join(filter(None, (after, start, bale)))
    else:
        chance = least_chance(day, view.farm)
        least = f"{area(chance.area, units)} would be {odds(chance.odds)}" if chance else ""
        amount, sure, when = "nothing", least, reason_words(day.reason, day)
    return DayRow(day.date, day_name(day.date, view.today), amount, sure, when)


def _waits_long(row: Posted, now: datetime) -> bool:
    """Return whether a message should have gone out long ago; one that waits for its hour should not."""
    since = row.next_try if row.attempts == 0 and row.next_try is not None else row.made_at
    return now - since > LONGEST_WAIT


def _state(row: Posted, sent_at: str = "") -> str:
    told = f" ({row.reason})" if row.reason else ""
    words = {
        State.NEW: "waiting to be tried again" if row.attempts else _waiting(row),
        State.SENDING: "being sent",
        State.SENT: f"sent {sent_at}".rstrip(),
        State.FAILED: "not delivered",
        State.UNKNOWN: "may not have arrived",
        State.SPARED: "not needed, the first way was enough",
        State.WITHHELD: "not sent, that is enough for one day",
    }
    return f"{words[row.state]}{told}"


def _waiting(row: Posted) -> str:
    return "waiting to be sent" if row.stands_in_for is None else "waiting whether the first way is enough"


def _words(reason: Reason) -> str:
    return REASONS[reason]


def _members(count: int) -> str:
    return "one forecast" if count == 1 else f"{count} forecasts"


def _span(span: timedelta) -> str:
    """Return a span in its one largest unit."""
    minutes = max(0, int(span.total_seconds() // 60))
    amount, unit = (minutes, "minute") if minutes < 120 else (minutes // 60, "hour")
    return f"{amount} {unit}{'' if amount == 1 else 's'}"

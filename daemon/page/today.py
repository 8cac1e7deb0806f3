"""What the status page says, in words and the farm's units; the template only lays it out."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from daemon.domain.advice import Advice, Morning, WatchedField, WatchState
from daemon.domain.prospect import WorkHours
from daemon.domain.season_progress import crop_progress
from daemon.domain.snapshot import Snapshot, data_age
from daemon.domain.underway import bales_for_area, fields_cut_today, still_to_mow
from daemon.words.catalog import capitalize_first, join, phrase, plural, with_aside
from daemon.words.cautions import day_cautions, official_warning_sentences
from daemon.words.field_order import order_sentences
from daemon.words.numbers import area_text, day_text, odds_text, time_text
from daemon.words.season_progress import progress_text
from daemon.words.today import span_text, unknown_because
from daemon.words.watch import watch_text
from daemon.words.weather import weather_line
from daemon.words.work import job_text


@dataclass(frozen=True)
class WorkRow:
    """One line of the day's work: when, and what is then to be done; `at` is local."""

    at: datetime
    time: str
    words: str


def next_step(snapshot: Snapshot) -> str:
    """Return what to do next."""
    if not snapshot.in_season:
        return phrase("page_next.out_of_season")
    if unknown_because(snapshot) is not None or snapshot.morning is None:
        return phrase("page_next.unknown")
    if work_rows(snapshot):
        return " ".join([_next_work_sentence(snapshot), phrase("page_next.sample")])
    if fields_cut_today(snapshot.morning):
        return phrase("page_next.called_off")
    ahead = _next_chance_sentence(snapshot)
    hour = time_text(snapshot.farm.alerts.morning, snapshot.farm.units)
    return " ".join([ahead, phrase("page_next.message", hour=hour)])


def order_lines(snapshot: Snapshot) -> tuple[str, ...]:
    """Return why a field comes first in today's work."""
    if unknown_because(snapshot) is not None or not snapshot.in_season or snapshot.morning is None:
        return ()
    cut = {one.field for one in fields_cut_today(snapshot.morning)}
    left = tuple(one for one in snapshot.morning.advices if one.field not in cut)
    return tuple(order_sentences(snapshot.farm, replace(snapshot.morning, advices=left)))


def work_rows(snapshot: Snapshot) -> tuple[WorkRow, ...]:
    """Return the day's work in the order of the clock; the hours of what is watched are the newest."""
    morning = snapshot.morning
    if morning is None or not snapshot.in_season or unknown_because(snapshot) is not None:
        return ()
    names = (*(one.field for one in fields_cut_today(morning)), *(one.field for one in still_to_mow(morning)))
    return tuple(sorted((row for name in names for row in field_work(snapshot, name)), key=lambda row: row.at))


def field_work(snapshot: Snapshot, name: str) -> Iterator[WorkRow]:
    """Yield the work in a field that is to be mown or that is cut, in order."""
    if snapshot.morning is None:
        return
    cut = next((one for one in fields_cut_today(snapshot.morning) if one.field == name), None)
    advice = next((one for one in still_to_mow(snapshot.morning) if one.field == name), None)
    if cut is not None:
        steps = _cut_steps(snapshot.morning, cut)
    elif advice is not None and advice.plan is not None:
        steps = _mowing_steps(snapshot, advice, advice.plan)
    else:
        return
    local = ((at.astimezone(snapshot.farm.place.timezone), words) for at, words in steps if at is not None)
    yield from (WorkRow(at, time_text(at, snapshot.farm.units), words) for at, words in local)


def _mowing_steps(snapshot: Snapshot, advice: Advice, plan: WorkHours) -> list[tuple[datetime | None, str]]:
    name = advice.field
    return [
        (plan.start, phrase("page_work.start", field=name, area=area_text(advice.area, snapshot.farm.units))),
        (plan.mow_until, phrase("page_work.stop", field=name)),
        (plan.rake_from, phrase("page_work.rake", field=name)),
        (plan.bale_from, with_aside(phrase("page_work.bale", field=name), _bales_text(plan.bales))),
        (plan.wrapped_by, phrase("page_work.wrapped", field=name)),
    ]


def _cut_steps(morning: Morning, cut: WatchedField) -> list[tuple[datetime | None, str]]:
    """Return the work in a field that is cut; where not all will make it, that in what still will."""
    name, day = cut.field, next((one.day for one in morning.mows if one.field == cut.field), None)
    raking = (cut.rake_from, phrase("page_work.rake", field=name))
    if cut.state is WatchState.WILL_NOT_MAKE_IT:
        return [raking, (cut.bale_from, phrase("page_work.bale_fit", field=name))]
    baling = with_aside(phrase("page_work.bale", field=name), _bales_text(bales_for_area(day, cut.area)))
    return [raking, (cut.bale_from, baling), (cut.wrapped_by, phrase("page_work.wrapped", field=name))]


def _bales_text(count: int | None) -> str:
    return plural("work.bales", count) if count else ""


def caution_lines(snapshot: Snapshot) -> tuple[str, ...]:
    """Return what to beware of in today's work."""
    known = unknown_because(snapshot) is None and snapshot.in_season
    if not known or snapshot.morning is None:
        return ()
    return (
        *official_warning_sentences(snapshot.farm, snapshot.morning),
        *day_cautions(snapshot.morning.mows, snapshot.farm.units),
    )


def as_of_line(snapshot: Snapshot) -> str:
    """Return of when the fields are where they are not of today, for their heading; empty where they are."""
    if snapshot.morning is None or unknown_because(snapshot) is None or snapshot.morning.prospect.trouble is not None:
        return ""
    at = snapshot.morning.prospect.at.astimezone(snapshot.farm.place.timezone)
    return phrase("page.as_it_stood", day=day_text(at.date()), time=time_text(at, snapshot.farm.units))


def season_line(snapshot: Snapshot) -> str:
    """Return how the season goes, empty where nothing is ripe or known, or where there is no advice."""
    if snapshot.morning is None or unknown_because(snapshot) is not None:
        return ""
    return progress_text(snapshot.farm, crop_progress(snapshot.morning))


def watch_lines(snapshot: Snapshot) -> tuple[str, ...]:
    """Return how each field stands today that was advised to be mown or noted as cut."""
    return tuple(words for _, words in _watch_texts(snapshot))


def field_watch_lines(snapshot: Snapshot, name: str) -> tuple[str, ...]:
    """Return how one field stands today, nothing where it is not watched."""
    return tuple(words for field, words in _watch_texts(snapshot) if field == name)


def weather_age_line(snapshot: Snapshot) -> str:
    """Return how old the weather data is and where it comes from."""
    weather = snapshot.morning.prospect.weather if snapshot.morning else None
    if snapshot.morning is None or weather is None:
        return phrase("page_weather.none")
    age = data_age(snapshot.morning, snapshot.now) or timedelta()
    if weather.is_recorded:
        return weather_line(weather)
    forecasts = plural("weather.forecasts", weather.members)
    return phrase("page_weather.age", age=span_text(age), source=weather.source, forecasts=forecasts)


def day_name_text(day: date, today: date) -> str:
    """Return a day as people say it, with its number so that next week's is not taken for this week's."""
    return capitalize_first(_near_day_text(day, today))


def _near_day_text(day: date, today: date) -> str:
    key = {0: "time.today", 1: "time.tomorrow"}.get((day - today).days)
    return phrase(key) if key else day_text(day)


def _watch_texts(snapshot: Snapshot) -> list[tuple[str, str]]:
    morning = snapshot.morning
    if morning is None or morning.date != snapshot.today:
        return []
    known_at = morning.prospect.at if unknown_because(snapshot) is None else snapshot.now
    return [(one.field, watch_text(snapshot.farm, one, snapshot.now, known_at)) for one in morning.watched]


def _next_work_sentence(snapshot: Snapshot) -> str:
    """Return the next step of the day's work."""
    row = next((row for row in work_rows(snapshot) if row.at > snapshot.now), None)
    return phrase("page_next.nothing_more") if row is None else phrase("page_next.work", time=row.time, work=row.words)


def _next_chance_sentence(snapshot: Snapshot) -> str:
    fields = snapshot.morning.prospect.fields if snapshot.morning else ()
    ahead = [(day, field) for field in fields for day in field.days if day.date > snapshot.today and day.area > 0]
    if not ahead:
        return phrase("page_next.none")
    day, field = min(ahead, key=lambda pair: (pair[0].date, -pair[0].area))
    much = job_text(day.area, field.name, snapshot.farm)
    chance = join([much, odds_text(day.odds) if day.odds is not None else ""])
    return phrase("page_next.day", day=_near_day_text(day.date, snapshot.today), chance=chance)

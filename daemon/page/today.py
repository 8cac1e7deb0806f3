"""What the status page says, in words and the farm's units; the template only lays it out."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final

from daemon.domain.advice import Advice, AdviceKind, Morning, WatchedField, WatchState
from daemon.domain.farm import Farm
from daemon.domain.field_watch import is_failing
from daemon.domain.message import QueuedMessage
from daemon.domain.prospect import FieldDay, Reason, reason_of
from daemon.domain.season_progress import crop_progress
from daemon.domain.underway import bales_for_area, fields_cut_today, is_fully_cut, still_to_mow
from daemon.page.message_rows import message_problems
from daemon.words.catalog import as_sentence, capitalize_first, join, phrase, plural, with_aside
from daemon.words.causes import cause_text, unknown_detail_text
from daemon.words.cautions import day_cautions, official_warning_sentences
from daemon.words.field_order import order_sentences
from daemon.words.numbers import area_text, day_text, field_size_text, odds_text, time_text
from daemon.words.reasons import day_reason_text, reason_text, trouble_sentence, waiting_text
from daemon.words.season_progress import progress_text
from daemon.words.watch import watch_text
from daemon.words.weather import weather_line
from daemon.words.work import job_text

MAX_PASS_AGE: Final = timedelta(hours=2)
MAX_NAMED: Final = 3
MAX_WAITING_NAMED: Final = 6  # names in a headline that nobody reads


@dataclass(frozen=True)
class Snapshot:
    """All that the page is made from; `problems` are sentences, none when all is well."""

    farm: Farm
    morning: Morning | None
    messages: tuple[QueuedMessage, ...]
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
class WorkRow:
    """One line of the day's work: when, and what is then to be done; `at` is local."""

    at: datetime
    time: str
    words: str


def take_snapshot(farm: Farm, morning: Morning | None, messages: Sequence[QueuedMessage], now: datetime) -> Snapshot:
    """Return a view with the problems found in it, each once."""
    found = dict.fromkeys((*pass_problems(farm, morning, now), *message_problems(messages, now)))
    return Snapshot(farm, morning, tuple(messages), now, tuple(found))


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
        return (phrase("page_trouble.no_look"),)
    problems = []
    if now - morning.prospect.at > MAX_PASS_AGE:
        problems.append(phrase("page_trouble.old_look", age=_span_text(now - morning.prospect.at)))
    age, found = data_age(morning, now), morning.prospect
    if reason_of(found.trouble) is Reason.DIARY_UNREADABLE:
        problems.append(phrase("page_trouble.no_advice", reason=unknown_detail_text(found.trouble, farm.units)))
    elif age is not None and age > timedelta(hours=farm.weather.oldest):
        problems.append(phrase("page_trouble.old_weather", allowed=_max_age_text(farm)))
    elif age is None or found.trouble is not None:
        problems.append(trouble_sentence(found.trouble, found.refusals, farm.units))
    return tuple(problems)


def data_age(morning: Morning, now: datetime) -> timedelta | None:
    """Return how old the weather of a pass is by now, None if it had none."""
    weather = morning.prospect.weather
    return None if weather is None else timedelta(hours=weather.age_hours) + (now - morning.prospect.at)


def headline(snapshot: Snapshot) -> str:
    """Return today's advice in one sentence; whatever is not known is no advice."""
    if not snapshot.in_season:
        return out_of_season_text(snapshot)
    unknown = unknown_because(snapshot)
    if unknown is not None or snapshot.morning is None:
        return phrase("page_today.unknown", reason=unknown)
    if going := [
        *_cut_sentences(snapshot, fields_cut_today(snapshot.morning)),
        *_mow_sentences(snapshot, still_to_mow(snapshot.morning)),
    ]:
        return " ".join(going)
    reasons = _reasons_text(snapshot.morning.advices) or phrase("page_today.no_fields")
    if snapshot.morning.is_unknown:
        return phrase("page_today.unknown_fields", reasons=reasons)
    return phrase("page_today.wait", reasons=reasons)


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
    elif advice is not None and advice.day is not None:
        steps = _mowing_steps(snapshot, advice, advice.day)
    else:
        return
    local = ((at.astimezone(snapshot.farm.place.timezone), words) for at, words in steps if at is not None)
    yield from (WorkRow(at, time_text(at, snapshot.farm.units), words) for at, words in local)


def _mowing_steps(snapshot: Snapshot, advice: Advice, day: FieldDay) -> list[tuple[datetime | None, str]]:
    name = advice.field
    return [
        (day.start, phrase("page_work.start", field=name, area=area_text(advice.area, snapshot.farm.units))),
        (day.mow_until, phrase("page_work.stop", field=name)),
        (day.rake_from, phrase("page_work.rake", field=name)),
        (day.bale_from, with_aside(phrase("page_work.bale", field=name), _bales_text(day.bales))),
        (day.wrapped_by, phrase("page_work.wrapped", field=name)),
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


def field_headline(snapshot: Snapshot, advice: Advice | None) -> str:
    """Return what is advised for one field today in one sentence."""
    if not snapshot.in_season:
        return out_of_season_text(snapshot)
    unknown = unknown_because(snapshot)
    if unknown is not None or advice is None or snapshot.morning is None:
        return phrase("page_today.unknown", reason=unknown or phrase("page_today.no_look"))
    cut = [one for one in fields_cut_today(snapshot.morning) if one.field == advice.field]
    mown = [one for one in still_to_mow(snapshot.morning) if one.field == advice.field]
    if cut or mown:
        return " ".join([*_cut_sentences(snapshot, cut), *_mow_sentences(snapshot, mown)])
    reason = day_reason_text(advice.reason, advice.day)
    if advice.kind is AdviceKind.NONE:
        return phrase("page_today.unknown", reason=with_aside(reason, cause_text(advice.cause, snapshot.farm.units)))
    return phrase("page_today.wait", reasons=capitalize_first(reason))


def caution_lines(snapshot: Snapshot) -> tuple[str, ...]:
    """Return what to beware of in today's work."""
    known = unknown_because(snapshot) is None and snapshot.in_season
    if not known or snapshot.morning is None:
        return ()
    return (
        *official_warning_sentences(snapshot.farm, snapshot.morning),
        *day_cautions(snapshot.morning.mows, snapshot.farm.units),
    )


def out_of_season_text(snapshot: Snapshot) -> str:
    """Return that nothing is looked for now, and in which month that begins again."""
    return phrase(
        "page_today.out_of_season", month=phrase(f"months.{snapshot.farm.next_season_month(snapshot.today.month)}")
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
    return phrase("page_weather.age", age=_span_text(age), source=weather.source, forecasts=forecasts)


def unknown_because(snapshot: Snapshot) -> str | None:
    """Return why nothing can be advised, None if something can."""
    if snapshot.morning is None:
        return phrase("page_today.no_look")
    if not snapshot.in_season:
        return None
    if snapshot.morning.date != snapshot.today:
        return phrase("page_today.old_look", day=day_text(snapshot.morning.date))
    if snapshot.morning.prospect.trouble is not None:
        return reason_text(snapshot.morning.prospect.trouble.reason)
    age = data_age(snapshot.morning, snapshot.now)
    if age is None:
        return phrase("page_today.no_weather")
    old = age > timedelta(hours=snapshot.farm.weather.oldest)
    return phrase("page_today.old_weather", allowed=_max_age_text(snapshot.farm)) if old else None


def day_name_text(day: date, today: date) -> str:
    """Return a day as people say it, with its number so that next week's is not taken for this week's."""
    return capitalize_first(_near_day_text(day, today))


def _near_day_text(day: date, today: date) -> str:
    key = {0: "time.today", 1: "time.tomorrow"}.get((day - today).days)
    return phrase(key) if key else day_text(day)


def _max_age_text(farm: Farm) -> str:
    """Return how old the weather may be."""
    return plural("time.hours", f"{farm.weather.oldest:g}")


def _cut_sentences(snapshot: Snapshot, cuts: Sequence[WatchedField]) -> list[str]:
    """Return what is to be done with what is cut in a sentence, none where nothing is; the day's work tells of all."""
    told = join((_cut_job_text(snapshot, one) for one in cuts[:MAX_NAMED]), by="lists.apart")
    if len(cuts) > MAX_NAMED:
        told = plural("page_today.more", len(cuts) - MAX_NAMED, jobs=told)
    return [as_sentence(told)] if cuts else []


def _cut_job_text(snapshot: Snapshot, cut: WatchedField) -> str:
    whole = snapshot.morning is not None and is_fully_cut(snapshot.morning, cut)
    much = field_size_text(cut.area, snapshot.farm.units)
    told = phrase("page_today.cut" if whole else "page_today.cut_part", field=cut.field, size=much)
    if cut.state is WatchState.WILL_NOT_MAKE_IT:
        told = phrase("page_today.cut_fails" if is_failing(cut) else "page_today.cut_called_off", cut=told)
    elif cut.bale_from is not None:
        at = cut.bale_from.astimezone(snapshot.farm.place.timezone)
        told = phrase("page_today.cut_bale", cut=told, bale=time_text(at, snapshot.farm.units))
    return with_aside(told, phrase("page_today.odds", odds=odds_text(cut.odds)) if cut.odds is not None else "")


def _mow_sentences(snapshot: Snapshot, mows: Sequence[Advice]) -> list[str]:
    """Return what is to be mown in a sentence, none where nothing is."""
    return [phrase("page_today.mow", jobs=_jobs_text(snapshot, mows))] if mows else []


def _jobs_text(snapshot: Snapshot, mows: Sequence[Advice]) -> str:
    """Return what is to be mown; of many fields the first ones, for the day's work names them all."""
    told = join((_job_text(snapshot, advice) for advice in mows[:MAX_NAMED]), by="lists.then")
    return plural("page_today.more", len(mows) - MAX_NAMED, jobs=told) if len(mows) > MAX_NAMED else told


def _reasons_text(advices: Sequence[Advice]) -> str:
    """Return why fields wait; many that wait for the same are counted."""
    if len(advices) <= MAX_WAITING_NAMED:
        return waiting_text(advices)
    found = Counter(day_reason_text(advice.reason, advice.day) for advice in advices)
    told = (plural("page_today.fields", count, reason=reason) for reason, count in found.most_common(MAX_NAMED))
    return join(told, by="lists.apart")


def _job_text(snapshot: Snapshot, advice: Advice) -> str:
    units, day = snapshot.farm.units, advice.day
    much = job_text(advice.area, advice.field, snapshot.farm)
    if day and day.start:
        much = phrase("page_today.job_from", job=much, start=time_text(day.start, units))
    return with_aside(much, phrase("page_today.odds", odds=odds_text(day.odds)) if day and day.odds is not None else "")


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


def _span_text(span: timedelta) -> str:
    """Return a span in its one largest unit."""
    minutes = max(0, int(span.total_seconds() // 60))
    return plural("time.minutes", minutes) if minutes < 120 else plural("time.hours", minutes // 60)

"""What the status page says, in words and the farm's units; the template only lays it out."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final

from daemon.domain.advice import Advice, Kind, Morning, Watched, WatchState
from daemon.domain.farm import Farm
from daemon.domain.field_watch import is_failing
from daemon.domain.message import Posted
from daemon.domain.prospect import FieldDay, Reason
from daemon.domain.season_progress import progress
from daemon.domain.underway import bales_of, cut_by_now, is_cut_whole, still_to_mow
from daemon.page.message_rows import message_problems
from daemon.words.catalog import beside, capital, counted, joined, said, sentence
from daemon.words.cautions import day_cares, official
from daemon.words.field_order import order
from daemon.words.numbers import area, clock_time, named_day, odds, size
from daemon.words.reasons import reason_said, reason_words, trouble_words, waiting_words
from daemon.words.season_progress import progress_words
from daemon.words.watch import watched_words
from daemon.words.weather import weather_line
from daemon.words.work import job

LONGEST_WITHOUT_PASS: Final = timedelta(hours=2)
FEW: Final = 3
MANY: Final = 6  # names in a headline that nobody reads


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
class WorkRow:
    """One line of the day's work: when, and what is then to be done; `at` is local."""

    at: datetime
    time: str
    words: str


def make_view(farm: Farm, morning: Morning | None, messages: Sequence[Posted], now: datetime) -> PageView:
    """Return a view with the problems found in it, each once."""
    found = dict.fromkeys((*pass_problems(farm, morning, now), *message_problems(messages, now)))
    return PageView(farm, morning, tuple(messages), now, tuple(found))


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
        return (said("page_trouble.no_look"),)
    problems = []
    if now - morning.prospect.at > LONGEST_WITHOUT_PASS:
        problems.append(said("page_trouble.old_look", age=_span(now - morning.prospect.at)))
    age, found = data_age(morning, now), morning.prospect
    if found.trouble is Reason.DIARY_UNREADABLE:
        problems.append(said("page_trouble.no_advice", reason=found.detail))
    elif age is not None and age > timedelta(hours=farm.weather.oldest):
        problems.append(said("page_trouble.old_weather", allowed=_allowed(farm)))
    elif age is None or found.trouble is not None:
        problems.append(trouble_words(found.trouble, found.detail))
    return tuple(problems)


def data_age(morning: Morning, now: datetime) -> timedelta | None:
    """Return how old the weather of a pass is by now, None if it had none."""
    weather = morning.prospect.weather
    return None if weather is None else timedelta(hours=weather.age_hours) + (now - morning.prospect.at)


def headline(view: PageView) -> str:
    """Return today's advice in one sentence; whatever is not known is no advice."""
    if not view.in_season:
        return out_of_season(view)
    unknown = why_unknown(view)
    if unknown is not None or view.morning is None:
        return said("page_today.unknown", reason=unknown)
    if going := [*_cut(view, cut_by_now(view.morning)), *_to_mow(view, still_to_mow(view.morning))]:
        return " ".join(going)
    reasons = _reasons(view.morning.advices) or said("page_today.no_fields")
    if view.morning.is_unknown:
        return said("page_today.unknown_fields", reasons=reasons)
    return said("page_today.wait", reasons=reasons)


def next_step(view: PageView) -> str:
    """Return what to do next."""
    if not view.in_season:
        return said("page_next.out_of_season")
    if why_unknown(view) is not None or view.morning is None:
        return said("page_next.unknown")
    if work_rows(view):
        return " ".join([_next_work(view), said("page_next.sample")])
    if cut_by_now(view.morning):
        return said("page_next.called_off")
    ahead = _next_chance(view)
    hour = clock_time(view.farm.alerts.morning, view.farm.units)
    return " ".join([ahead, said("page_next.message", hour=hour)])


def order_lines(view: PageView) -> tuple[str, ...]:
    """Return why a field comes first in today's work."""
    if why_unknown(view) is not None or not view.in_season or view.morning is None:
        return ()
    cut = {one.field for one in cut_by_now(view.morning)}
    left = tuple(one for one in view.morning.advices if one.field not in cut)
    return tuple(order(view.farm, replace(view.morning, advices=left)))


def work_rows(view: PageView) -> tuple[WorkRow, ...]:
    """Return the day's work in the order of the clock; the hours of what is watched are the newest."""
    morning = view.morning
    if morning is None or not view.in_season or why_unknown(view) is not None:
        return ()
    names = (*(one.field for one in cut_by_now(morning)), *(one.field for one in still_to_mow(morning)))
    return tuple(sorted((row for name in names for row in field_work(view, name)), key=lambda row: row.at))


def field_work(view: PageView, name: str) -> Iterator[WorkRow]:
    """Yield the work in a field that is to be mown or that is cut, in order."""
    if view.morning is None:
        return
    cut = next((one for one in cut_by_now(view.morning) if one.field == name), None)
    advice = next((one for one in still_to_mow(view.morning) if one.field == name), None)
    if cut is not None:
        steps = _steps_of_cut(view.morning, cut)
    elif advice is not None and advice.day is not None:
        steps = _steps(view, advice, advice.day)
    else:
        return
    local = ((at.astimezone(view.farm.place.timezone), words) for at, words in steps if at is not None)
    yield from (WorkRow(at, clock_time(at, view.farm.units), words) for at, words in local)


def _steps(view: PageView, advice: Advice, day: FieldDay) -> list[tuple[datetime | None, str]]:
    name = advice.field
    return [
        (day.start, said("page_work.start", field=name, area=area(advice.area, view.farm.units))),
        (day.mow_until, said("page_work.stop", field=name)),
        (day.rake_from, said("page_work.rake", field=name)),
        (day.bale_from, beside(said("page_work.bale", field=name), _bales(day.bales))),
        (day.wrapped_by, said("page_work.wrapped", field=name)),
    ]


def _steps_of_cut(morning: Morning, cut: Watched) -> list[tuple[datetime | None, str]]:
    """Return the work in a field that is cut; where not all will make it, that in what still will."""
    name, day = cut.field, next((one.day for one in morning.mows if one.field == cut.field), None)
    raking = (cut.rake_from, said("page_work.rake", field=name))
    if cut.state is WatchState.WILL_NOT_MAKE_IT:
        return [raking, (cut.bale_from, said("page_work.bale_fit", field=name))]
    baling = beside(said("page_work.bale", field=name), _bales(bales_of(day, cut.area)))
    return [raking, (cut.bale_from, baling), (cut.wrapped_by, said("page_work.wrapped", field=name))]


def _bales(count: int | None) -> str:
    return counted("work.bales", count) if count else ""


def field_headline(view: PageView, advice: Advice | None) -> str:
    """Return what is advised for one field today in one sentence."""
    if not view.in_season:
        return out_of_season(view)
    unknown = why_unknown(view)
    if unknown is not None or advice is None or view.morning is None:
        return said("page_today.unknown", reason=unknown or said("page_today.no_look"))
    cut = [one for one in cut_by_now(view.morning) if one.field == advice.field]
    mown = [one for one in still_to_mow(view.morning) if one.field == advice.field]
    if cut or mown:
        return " ".join([*_cut(view, cut), *_to_mow(view, mown)])
    reason = reason_words(advice.reason, advice.day)
    if advice.kind is Kind.NONE:
        return said("page_today.unknown", reason=beside(reason, advice.detail))
    return said("page_today.wait", reasons=capital(reason))


def care_lines(view: PageView) -> tuple[str, ...]:
    """Return what to beware of in today's work."""
    known = why_unknown(view) is None and view.in_season
    if not known or view.morning is None:
        return ()
    return (*official(view.farm, view.morning), *day_cares(view.morning.mows, view.farm.units))


def out_of_season(view: PageView) -> str:
    """Return that nothing is looked for now, and in which month that begins again."""
    return said("page_today.out_of_season", month=said(f"months.{view.farm.season_from(view.today.month)}"))


def as_it_stood(view: PageView) -> str:
    """Return of when the fields are where they are not of today, for their heading; empty where they are."""
    if view.morning is None or why_unknown(view) is None or view.morning.prospect.trouble is not None:
        return ""
    at = view.morning.prospect.at.astimezone(view.farm.place.timezone)
    return said("page.as_it_stood", day=named_day(at.date()), time=clock_time(at, view.farm.units))


def season_line(view: PageView) -> str:
    """Return how the season goes, empty where nothing is ripe or known, or where there is no advice."""
    if view.morning is None or why_unknown(view) is not None:
        return ""
    return progress_words(view.farm, progress(view.morning))


def watch_lines(view: PageView) -> tuple[str, ...]:
    """Return how each field stands today that was advised to be mown or noted as cut."""
    return tuple(words for _, words in _watched(view))


def field_watch(view: PageView, name: str) -> tuple[str, ...]:
    """Return how one field stands today, nothing where it is not watched."""
    return tuple(words for field, words in _watched(view) if field == name)


def age_line(view: PageView) -> str:
    """Return how old the weather data is and where it comes from."""
    weather = view.morning.prospect.weather if view.morning else None
    if view.morning is None or weather is None:
        return said("page_weather.none")
    age = data_age(view.morning, view.now) or timedelta()
    if weather.known:
        return weather_line(weather)
    forecasts = counted("weather.forecasts", weather.members)
    return said("page_weather.age", age=_span(age), source=weather.source, forecasts=forecasts)


def why_unknown(view: PageView) -> str | None:
    """Return why nothing can be advised, None if something can."""
    if view.morning is None:
        return said("page_today.no_look")
    if not view.in_season:
        return None
    if view.morning.date != view.today:
        return said("page_today.old_look", day=named_day(view.morning.date))
    if view.morning.prospect.trouble is not None:
        return reason_said(view.morning.prospect.trouble)
    age = data_age(view.morning, view.now)
    if age is None:
        return said("page_today.no_weather")
    old = age > timedelta(hours=view.farm.weather.oldest)
    return said("page_today.old_weather", allowed=_allowed(view.farm)) if old else None


def day_name(day: date, today: date) -> str:
    """Return a day as people say it, with its number so that next week's is not taken for this week's."""
    return capital(_near_day(day, today))


def _near_day(day: date, today: date) -> str:
    key = {0: "time.today", 1: "time.tomorrow"}.get((day - today).days)
    return said(key) if key else named_day(day)


def _allowed(farm: Farm) -> str:
    """Return how old the weather may be."""
    return counted("time.hours", f"{farm.weather.oldest:g}")


def _cut(view: PageView, cut: Sequence[Watched]) -> list[str]:
    """Return what is to be done with what is cut in a sentence, none where nothing is; the day's work tells of all."""
    told = joined((_job_of_cut(view, one) for one in cut[:FEW]), by="lists.apart")
    if len(cut) > FEW:
        told = counted("page_today.more", len(cut) - FEW, jobs=told)
    return [sentence(told)] if cut else []


def _job_of_cut(view: PageView, cut: Watched) -> str:
    whole = view.morning is not None and is_cut_whole(view.morning, cut)
    much = size(cut.area, view.farm.units)
    told = said("page_today.cut" if whole else "page_today.cut_part", field=cut.field, size=much)
    if cut.state is WatchState.WILL_NOT_MAKE_IT:
        told = said("page_today.cut_fails" if is_failing(cut) else "page_today.cut_called_off", cut=told)
    elif cut.bale_from is not None:
        at = cut.bale_from.astimezone(view.farm.place.timezone)
        told = said("page_today.cut_bale", cut=told, bale=clock_time(at, view.farm.units))
    return beside(told, said("page_today.odds", odds=odds(cut.odds)) if cut.odds is not None else "")


def _to_mow(view: PageView, mows: Sequence[Advice]) -> list[str]:
    """Return what is to be mown in a sentence, none where nothing is."""
    return [said("page_today.mow", jobs=_jobs(view, mows))] if mows else []


def _jobs(view: PageView, mows: Sequence[Advice]) -> str:
    """Return what is to be mown; of many fields the first ones, for the day's work names them all."""
    told = joined((_job(view, advice) for advice in mows[:FEW]), by="lists.then")
    return counted("page_today.more", len(mows) - FEW, jobs=told) if len(mows) > FEW else told


def _reasons(advices: Sequence[Advice]) -> str:
    """Return why fields wait; many that wait for the same are counted."""
    if len(advices) <= MANY:
        return waiting_words(advices)
    found = Counter(reason_words(advice.reason, advice.day) for advice in advices)
    told = (counted("page_today.fields", count, reason=reason) for reason, count in found.most_common(FEW))
    return joined(told, by="lists.apart")


def _job(view: PageView, advice: Advice) -> str:
    units, day = view.farm.units, advice.day
    much = job(advice.area, advice.field, view.farm)
    if day and day.start:
        much = said("page_today.job_from", job=much, start=clock_time(day.start, units))
    return beside(much, said("page_today.odds", odds=odds(day.odds)) if day and day.odds is not None else "")


def _watched(view: PageView) -> list[tuple[str, str]]:
    morning = view.morning
    if morning is None or morning.date != view.today:
        return []
    known_at = morning.prospect.at if why_unknown(view) is None else view.now
    return [(one.field, watched_words(view.farm, one, view.now, known_at)) for one in morning.watched]


def _next_work(view: PageView) -> str:
    """Return the next step of the day's work."""
    row = next((row for row in work_rows(view) if row.at > view.now), None)
    return said("page_next.nothing_more") if row is None else said("page_next.work", time=row.time, work=row.words)


def _next_chance(view: PageView) -> str:
    fields = view.morning.prospect.fields if view.morning else ()
    ahead = [(day, field) for field in fields for day in field.days if day.date > view.today and day.area > 0]
    if not ahead:
        return said("page_next.none")
    day, field = min(ahead, key=lambda pair: (pair[0].date, -pair[0].area))
    much = job(day.area, field.name, view.farm)
    chance = joined([much, odds(day.odds) if day.odds is not None else ""])
    return said("page_next.day", day=_near_day(day.date, view.today), chance=chance)


def _span(span: timedelta) -> str:
    """Return a span in its one largest unit."""
    minutes = max(0, int(span.total_seconds() // 60))
    return counted("time.minutes", minutes) if minutes < 120 else counted("time.hours", minutes // 60)

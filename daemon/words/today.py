"""Today's advice in one sentence, for the farm and for a field, and why there may be none."""

from collections import Counter
from collections.abc import Sequence
from datetime import timedelta
from typing import Final

from daemon.domain.advice import Advice, AdviceKind, WatchedField, WatchState
from daemon.domain.farm import Farm
from daemon.domain.field_watch import is_failing
from daemon.domain.snapshot import Snapshot, data_age
from daemon.domain.underway import fields_cut_today, is_fully_cut, still_to_mow
from daemon.words.catalog import as_sentence, capitalize_first, join, phrase, plural, with_aside
from daemon.words.causes import cause_text
from daemon.words.numbers import day_text, field_size_text, odds_text, time_text
from daemon.words.reasons import day_reason_text, reason_text, waiting_text
from daemon.words.work import job_text

MAX_NAMED: Final = 3
MAX_WAITING_NAMED: Final = 6  # names in a headline that nobody reads


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


def out_of_season_text(snapshot: Snapshot) -> str:
    """Return that nothing is looked for now, and in which month that begins again."""
    return phrase(
        "page_today.out_of_season", month=phrase(f"months.{snapshot.farm.next_season_month(snapshot.today.month)}")
    )


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
    return phrase("page_today.old_weather", allowed=max_age_text(snapshot.farm)) if old else None


def max_age_text(farm: Farm) -> str:
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
    if advice.plan:
        much = phrase("page_today.job_from", job=much, start=time_text(advice.plan.start, units))
    return with_aside(much, phrase("page_today.odds", odds=odds_text(day.odds)) if day and day.odds is not None else "")


def span_text(span: timedelta) -> str:
    """Return a span in its one largest unit."""
    minutes = max(0, int(span.total_seconds() // 60))
    return plural("time.minutes", minutes) if minutes < 120 else plural("time.hours", minutes // 60)

"""What is said in the day of fields that were advised to be mown: messages of a change and the page's sentences."""

from datetime import datetime
from typing import Final

from daemon.domain.advice import Watched, WatchState
from daemon.domain.farm import Farm
from daemon.domain.field_watch import is_failing, pinch
from daemon.domain.prospect import Reason
from daemon.words.catalog import joined, said
from daemon.words.numbers import area, clock_time, moisture, odds, percents, size
from daemon.words.reasons import reason_said
from daemon.words.work import left_lying

LESS_SURE: Final = 0.1  # under the odds needed by more than this, nobody is told to be on track


def watched_words(farm: Farm, one: Watched, now: datetime, known_at: datetime) -> str:
    """Return how a watched field stands, in sentences.

    Parameters
    ----------
    farm, one
    now : datetime
    known_at : datetime
        Of the newest look. A field that it could not reckon is never told to be on track.
    """
    if one.state is WatchState.DONE:
        return said("watch.done", field=one.field)
    if one.at < known_at:
        lead, time = _lead(farm, one, one.field), _clock(farm, one.at)
        if one.bale_from is None:
            return said("watch.old", lead=lead, time=time)
        return said("watch.old_hours", lead=lead, time=time, hours=_hours(farm, one))
    return " ".join([*_pieces(farm, one, one.field), *_moisture_now(one, now)])


def _pieces(farm: Farm, one: Watched, name: str) -> list[str]:
    """Return what is said of a field, piece by piece, the first two of which must not be lost."""
    lead = _lead(farm, one, name)
    if one.state is WatchState.WILL_NOT_MAKE_IT:
        return [said("watch.fails", lead=lead, why=_why_failing(farm, one)), *_calling_off(farm, one)]
    hours = _hours(farm, one)
    much = size(one.area, farm.units) if one.noted else area(one.area, farm.units)
    sure = said("watch.sure", area=much, odds=odds(one.odds or 0.0))
    if one.state is WatchState.BALE_SOONER:
        earlier = one.bale_said is None or one.bale_from is None or one.bale_from < one.bale_said
        do = said("watch.bale_sooner" if earlier else "watch.bale_as_fit", hours=hours)
        return [said("watch.sooner", lead=lead, why=_why_sooner(farm, one)), do, sure]
    on_track = (one.odds or 0.0) >= farm.alerts.odds_needed - LESS_SURE
    return [said("watch.on_track" if on_track else "watch.less_sure", lead=lead, hours=hours), sure]


def _lead(farm: Farm, one: Watched, name: str) -> str:
    """Return what is held for mown of a field: what the diary tells is a fact, what was advised is not."""
    if not one.noted:
        return said("watch.if_mown", field=name)
    much = size(one.area, farm.units)
    if one.timed:
        return said("watch.cut_at", field=name, size=much, time=_clock(farm, one.start))
    return said("watch.cut_today", field=name, size=much)


def _why_failing(farm: Farm, one: Watched) -> str:
    if not is_failing(one):
        return said("watch.called_off")
    reason = one.reason or Reason.ODDS_TOO_LOW
    rain_at = one.rain_at if reason is Reason.RAIN else None
    why = said("watch.rain_by", time=_clock(farm, rain_at)) if rain_at else reason_said(reason)
    sure = odds(one.odds or 0.0)
    if one.odds_said is None:
        return said("watch.not_all", why=why, odds=sure)
    return said("watch.not_all_before", why=why, odds=sure, before=odds(one.odds_said))


def _why_sooner(farm: Farm, one: Watched) -> str:
    if one.reason is Reason.RAIN and one.rain_at is not None:
        return said("watch.rain_now", time=_clock(farm, one.rain_at))
    return said("watch.faster")


def _calling_off(farm: Farm, one: Watched) -> list[str]:
    """Return what to do where not all of it will be wrapped."""
    if one.at < one.start:
        return [said("watch.stop")]
    if one.left is None:
        return [_wrap(farm, one), said("watch.rest")]
    return [_wrap(farm, one), said("watch.rest_left", left=left_lying(one.left, farm))]


def _wrap(farm: Farm, one: Watched) -> str:
    """Return what of a field may still be wrapped."""
    water = moisture(pinch(farm))
    if one.still is None:
        return said("watch.wrap", water=water)
    return said("watch.wrap_still", water=water, area=area(one.still.area, farm.units), odds=odds(one.still.odds))


def _hours(farm: Farm, one: Watched) -> str:
    rake = said("watch.rake", time=_clock(farm, one.rake_from)) if one.rake_from else ""
    wrapped = said("watch.wrapped", time=_clock(farm, one.wrapped_by)) if one.wrapped_by else ""
    return joined([rake, _bale(farm, one), wrapped])


def _bale(farm: Farm, one: Watched) -> str:
    """Return when to bale, and where that is sooner, what was said before."""
    if one.bale_from is None:
        return ""
    time, before = _clock(farm, one.bale_from), one.bale_said
    if one.state is WatchState.BALE_SOONER and before is not None and one.bale_from < before:
        return said("watch.bale_not", time=time, before=_clock(farm, before))
    return said("watch.bale", time=time)


def _moisture_now(one: Watched, now: datetime) -> list[str]:
    """Return how wet the swath is, until it is to be raked: then it no longer lies there."""
    if one.moisture is None or (one.rake_from is not None and now >= one.rake_from):
        return []
    low, high = percents(one.moisture.low, one.moisture.high)
    return [said("watch.water", low=low, high=high)]


def _clock(farm: Farm, at: datetime) -> str:
    return clock_time(at.astimezone(farm.place.timezone), farm.units)

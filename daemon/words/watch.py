"""What is said in the day of fields that were advised to be mown: messages of a change and the page's sentences."""

from datetime import datetime
from typing import Final

from daemon.domain.advice import WatchedField, WatchState
from daemon.domain.farm import Farm
from daemon.domain.field_watch import is_failing, wettest_when_urgent
from daemon.domain.prospect import Reason
from daemon.words.catalog import join, phrase
from daemon.words.numbers import area_text, field_size_text, moisture_text, odds_text, time_text, whole_percents
from daemon.words.reasons import reason_text
from daemon.words.work import left_lying_text

LESS_SURE_MARGIN: Final = 0.1  # under the odds needed by more than this, nobody is told to be on track


def watch_text(farm: Farm, watched: WatchedField, now: datetime, newest_at: datetime) -> str:
    """Return how a watched field stands, in sentences.

    Parameters
    ----------
    farm, one
    now : datetime
    newest_at : datetime
        Of the newest look. A field that it could not reckon is never told to be on track.
    """
    if watched.state is WatchState.DONE:
        return phrase("watch.done", field=watched.field)
    if watched.at < newest_at:
        lead, time = _lead_text(farm, watched, watched.field), _local_time_text(farm, watched.at)
        if watched.bale_from is None:
            return phrase("watch.old", lead=lead, time=time)
        return phrase("watch.old_hours", lead=lead, time=time, hours=_hours_text(farm, watched))
    return " ".join([*_watch_pieces(farm, watched, watched.field), *_swath_water_sentences(watched, now)])


def _watch_pieces(farm: Farm, watched: WatchedField, name: str) -> list[str]:
    """Return what is said of a field, piece by piece, the first two of which must not be lost."""
    lead = _lead_text(farm, watched, name)
    if watched.state is WatchState.WILL_NOT_MAKE_IT:
        return [phrase("watch.fails", lead=lead, why=_failing_text(farm, watched)), *_action_sentences(farm, watched)]
    hours = _hours_text(farm, watched)
    much = field_size_text(watched.area, farm.units) if watched.noted else area_text(watched.area, farm.units)
    sure = phrase("watch.sure", area=much, odds=odds_text(watched.odds or 0.0))
    if watched.state is WatchState.BALE_SOONER:
        earlier = (
            watched.last_told_bale_from is None
            or watched.bale_from is None
            or watched.bale_from < watched.last_told_bale_from
        )
        do = phrase("watch.bale_sooner" if earlier else "watch.bale_as_fit", hours=hours)
        return [phrase("watch.sooner", lead=lead, why=_sooner_text(farm, watched)), do, sure]
    on_track = (watched.odds or 0.0) >= farm.alerts.odds_needed - LESS_SURE_MARGIN
    return [phrase("watch.on_track" if on_track else "watch.less_sure", lead=lead, hours=hours), sure]


def _lead_text(farm: Farm, watched: WatchedField, name: str) -> str:
    """Return what is held for mown of a field: what the diary tells is a fact, what was advised is not."""
    if not watched.noted:
        return phrase("watch.if_mown", field=name)
    much = field_size_text(watched.area, farm.units)
    if watched.timed:
        return phrase("watch.cut_at", field=name, size=much, time=_local_time_text(farm, watched.start))
    return phrase("watch.cut_today", field=name, size=much)


def _failing_text(farm: Farm, watched: WatchedField) -> str:
    if not is_failing(watched):
        return phrase("watch.called_off")
    reason = watched.reason or Reason.ODDS_TOO_LOW
    rain_at = watched.rain_at if reason is Reason.RAIN else None
    why = phrase("watch.rain_by", time=_local_time_text(farm, rain_at)) if rain_at else reason_text(reason)
    sure = odds_text(watched.odds or 0.0)
    if watched.last_told_odds is None:
        return phrase("watch.not_all", why=why, odds=sure)
    return phrase("watch.not_all_before", why=why, odds=sure, before=odds_text(watched.last_told_odds))


def _sooner_text(farm: Farm, watched: WatchedField) -> str:
    if watched.reason is Reason.RAIN and watched.rain_at is not None:
        return phrase("watch.rain_now", time=_local_time_text(farm, watched.rain_at))
    return phrase("watch.faster")


def _action_sentences(farm: Farm, watched: WatchedField) -> list[str]:
    """Return what to do where not all of it will be wrapped."""
    if watched.at < watched.start:
        return [phrase("watch.stop")]
    if watched.left is None:
        return [_wrap_sentence(farm, watched), phrase("watch.rest")]
    return [_wrap_sentence(farm, watched), phrase("watch.rest_left", left=left_lying_text(watched.left, farm))]


def _wrap_sentence(farm: Farm, watched: WatchedField) -> str:
    """Return what of a field may still be wrapped."""
    water = moisture_text(wettest_when_urgent(farm))
    if watched.still_wrappable is None:
        return phrase("watch.wrap", water=water)
    return phrase(
        "watch.wrap_still",
        water=water,
        area=area_text(watched.still_wrappable.area, farm.units),
        odds=odds_text(watched.still_wrappable.odds),
    )


def _hours_text(farm: Farm, watched: WatchedField) -> str:
    rake = phrase("watch.rake", time=_local_time_text(farm, watched.rake_from)) if watched.rake_from else ""
    wrapped = phrase("watch.wrapped", time=_local_time_text(farm, watched.wrapped_by)) if watched.wrapped_by else ""
    return join([rake, _bale_text(farm, watched), wrapped])


def _bale_text(farm: Farm, watched: WatchedField) -> str:
    """Return when to bale, and where that is sooner, what was said before."""
    if watched.bale_from is None:
        return ""
    time, before = _local_time_text(farm, watched.bale_from), watched.last_told_bale_from
    if watched.state is WatchState.BALE_SOONER and before is not None and watched.bale_from < before:
        return phrase("watch.bale_not", time=time, before=_local_time_text(farm, before))
    return phrase("watch.bale", time=time)


def _swath_water_sentences(watched: WatchedField, now: datetime) -> list[str]:
    """Return how wet the swath is, until it is to be raked: then it no longer lies there."""
    if watched.moisture is None or (watched.rake_from is not None and now >= watched.rake_from):
        return []
    low, high = whole_percents(watched.moisture.low, watched.moisture.high)
    return [phrase("watch.water", low=low, high=high)]


def _local_time_text(farm: Farm, at: datetime) -> str:
    return time_text(at.astimezone(farm.place.timezone), farm.units)

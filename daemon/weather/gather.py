"""Gather the weather from the sources in the order of the settings, the next where one is refused or stale.

Where all are, the last good forecast is used until it is too old. The past is merged from all that was reported, and
where nothing is reported yet, from the last forecast.
"""

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final, ParamSpec, TypeVar
from urllib.parse import urlsplit

import numpy as np
import requests
import xarray as xr

from daemon.domain.farm import Farm
from daemon.domain.prospect import OfficialWarning
from daemon.domain.refusal import Refusal, RefusalKind
from daemon.weather.archive import FORECAST_RETENTION, Archive, ArchiveError
from daemon.weather.clean import clean, drop_bad_members, trim_to_horizon
from daemon.weather.contract import FILLED, REQUIRED, Refused, Weather, age_text, to_datetime64, validate
from daemon.weather.http.client import open_session
from daemon.weather.http.quota import refuse_over_quota
from daemon.weather.past import complete_until, is_incomplete, merge_past, prepend_past
from daemon.weather.plausibility import drop_implausible, refuse_too_short

P = ParamSpec("P")
T = TypeVar("T")

log = logging.getLogger(__name__)

SETTLING_TIME: Final = timedelta(days=2)  # past hours younger than this may still be corrected by their source
FROZEN_AFTER: Final = timedelta(hours=24)  # a forecast that has not changed for so long is an old run served again
MIN_SHARED_HOURS: Final = 24  # that two forecasts must have in common to be compared
FILE_SOURCE: Final = "file"


@dataclass(frozen=True)
class Request:
    """What a source is asked for: hours ahead and, if it has them, past hours from the day `since` on."""

    farm: Farm
    now: datetime
    since: date
    session: requests.Session
    archive: Archive | None = None

    def count(self, address: str, weight: float) -> None:
        """Count the calls that a request costs, and refuse one beyond the free quota."""
        host = urlsplit(address).netloc
        sums = _try_archive(self.archive, lambda store: store.recent_calls(host, self.now))
        if sums is not None:
            refuse_over_quota(address, weight, *sums)
            _try_archive(self.archive, lambda store: store.count_call(host, weight, self.now))
            log.info("%s is asked: %.0f calls by its count, %.0f in the day before", host, weight, sums[1])


@dataclass(frozen=True)
class SourceReply:
    """The reply of a source; `past` is None where it has no past hours."""

    ahead: xr.Dataset
    past: xr.Dataset | None = None
    should_archive: bool = True  # new, and good enough to stand in later


def gather(
    farm: Farm,
    now: datetime,
    archive: Archive | None = None,
    cache: Path | None = None,
    *,
    update_archive: bool = False,
) -> Weather:
    """Gather the past hours of the season and the hours ahead from the best source available.

    Parameters
    ----------
    farm : Farm
    now : datetime
        The moment of the pass.
    archive : Archive, optional
        What earlier passes gathered. Without one everything is requested anew.
    cache : Path, optional
        Folder in which replies are kept until they expire.
    update_archive : bool
        Whether what is gathered now is added to the archive.

    Raises
    ------
    Refused
        With the reasons of all sources.

    Notes
    -----
    Requests go out one after another. No host takes longer than `daemon.weather.http.client.HOST_TIME_LIMIT` of a look,
    and all of them no longer than `SESSION_TIME_LIMIT`, which is enough for four that never answer; a wait for the
    last piece of a reply may come on top. Only the head of a reply that drips has no bound.
    """
    if farm.weather.sources == (FILE_SOURCE,):
        return _read_file(farm, now)
    first, last = _first_hour(farm, now), now.replace(minute=0, second=0, microsecond=0)
    archived = _try_archive(archive, lambda store: store.past_hours(farm.place, first, last))
    # No clock is passed on: a reply expires by the time of the world, not by that of a rehearsal.
    with open_session(farm.weather.contact, cache=cache) as session:
        request = Request(farm, now, _past_since(archived, first), session, archive)
        reply, reasons = _first_good_reply(request)
        reply = _with_past(request, reply, archived, (first, last), reasons)
        past = _combined_past(archived, reply, reasons)
        warnings = _official_warnings(request, reasons)
    weather = _clean_both(past, reply, reasons, first, now)
    if update_archive:
        _store(request, reply)
    return replace(weather, warnings=warnings)


def _clean_both(
    past: xr.Dataset, reply: SourceReply, reasons: Sequence[Refusal], first: datetime, now: datetime
) -> Weather:
    """Clean the past and the hours ahead, which carry the reasons as their note and name all services."""
    texts = (reply.ahead.attrs.get("note", ""), *(reason.text for reason in reasons))
    note = "; ".join(text for text in texts if text)
    ahead = prepend_past(reply.ahead, past, now).assign_attrs(note=note, credit=_credit_text(reply))
    try:
        return clean(past, ahead, first, now)
    except Refused as why:
        raise Refused(*reasons, *why.refusals) from None


def _first_good_reply(request: Request) -> tuple[SourceReply, list[Refusal]]:
    """Return the reply of the first good source, and why those before it were not used.

    Past hours are those of the first source that has any, even where its forecast is not used. Where no source is good,
    the last good forecast of the archive is used, and then the first one unfit for advice.
    """
    reasons: list[Refusal] = []
    unfit: SourceReply | None = None
    past: xr.Dataset | None = None
    for name in request.farm.weather.sources:
        try:
            reply = _ask_source(SOURCES[name], request)
            past = reply.past if past is None else past
            reply = replace(reply, ahead=_ask_source(_usable_forecast, reply.ahead, request.now), past=past)
            _refuse_unfit(reply.ahead, request)
        except _Unfit as why:
            unfit = unfit or replace(reply, should_archive=False)
            reasons.extend(why.with_prefix(f"{name}: ").refusals)
        except Refused as why:
            reasons.extend(why.with_prefix(f"{name}: ").refusals)
        else:
            return reply, reasons
    archived, stale = _archived_replies(request)
    if archived is not None:
        return replace(archived, past=past), [*reasons, _stand_in_notice(archived, request)]
    unfit = unfit or stale
    if unfit is not None:
        return replace(unfit, past=past), reasons
    raise Refused(*reasons)


def _stand_in_notice(archived: SourceReply, request: Request) -> Refusal:
    """Return that the last good forecast is used in place of a new one, and its age."""
    age, oldest = _age_hours(archived.ahead, request.now), request.farm.weather.oldest
    words = f"the last good forecast stands in: it is {age_text(age)}, no more than {oldest:g} allowed"
    return Refusal(RefusalKind.REPLACED, words)


class _Unfit(Refused):
    """A forecast that must not lead to advice, but is shown where no other is available."""


def _ask_source(ask: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Call a source; an unforeseen error in its reply becomes a refusal, so that the others get their turn."""
    try:
        return ask(*args, **kwargs)
    except Refused:
        raise
    except Exception as error:
        log.exception("a source of weather broke down")
        raise Refused(f"what it told could not be read ({type(error).__name__}: {error})") from error


def _usable_forecast(ahead: xr.Dataset, now: datetime) -> xr.Dataset:
    """Drop the unusable members of a forecast; it is checked here, while other sources can still be asked."""
    usable, dropped = drop_bad_members(trim_to_horizon(ahead))
    refuse_too_short(usable, now)
    dropped += ahead.attrs.get("members_dropped", 0)
    return drop_implausible(validate(usable).assign_attrs(members_dropped=dropped), now)


def _age_hours(ahead: xr.Dataset, now: datetime) -> float:
    """Return how long ago a forecast was made [h]."""
    return (now - datetime.fromisoformat(ahead.attrs["issued_at"])) / timedelta(hours=1)


def _refuse_stale(ahead: xr.Dataset, request: Request) -> None:
    """Refuse a forecast that is too old to lead to advice, or that has not changed for a day."""
    age = _age_hours(ahead, request.now)
    if age > request.farm.weather.oldest:
        words = f"its forecast is {age_text(age)}, no more than {request.farm.weather.oldest:g} allowed"
        raise _Unfit(Refusal(RefusalKind.TOO_OLD, words))
    source, model, latest = ahead.attrs["source"], ahead.attrs["model"], request.now - FROZEN_AFTER
    before = _try_archive(
        request.archive, lambda store: store.forecast_before(request.farm.place, source, model, latest)
    )
    if before is None:
        return
    if _is_unchanged(before, ahead.sel(time=slice(to_datetime64(request.now), None))):
        words = f"its forecast has not changed for {FROZEN_AFTER / timedelta(hours=1):.0f} hours"
        raise Refused(Refusal(RefusalKind.TOO_OLD, words))


def _refuse_unfit(ahead: xr.Dataset, request: Request) -> None:
    """Refuse a forecast that must not lead to advice: too old, unchanged, or of too few members."""
    _refuse_stale(ahead, request)
    _refuse_few_members(ahead, request)


def _is_unchanged(before: xr.Dataset, ahead: xr.Dataset) -> bool:
    """Return whether most members that two forecasts share have equal values in both, in enough hours.

    Not all of them need to: an ensemble may be stuck while the single forecast that joins it is new.
    """
    first, second = xr.align(before[list(REQUIRED)], ahead[list(REQUIRED)], join="inner")
    if first.sizes["time"] < MIN_SHARED_HOURS or not first.sizes["member"]:
        return False
    is_same = np.ones(first.sizes["member"], dtype=bool)
    for name in REQUIRED:
        # The archive keeps single precision.
        equal = first[name].astype(np.float32) == second[name].astype(np.float32)
        is_same &= equal.all("time").to_numpy()
    return bool(np.mean(is_same) > 0.5)


def _refuse_few_members(ahead: xr.Dataset, request: Request) -> None:
    """Refuse a forecast with fewer members than the farm asks for."""
    least = request.farm.weather.least_members
    if ahead.sizes["member"] < least:
        words = f"{ahead.sizes['member']} usable members, {least} needed"
        raise _Unfit(Refusal(RefusalKind.TOO_FEW_MEMBERS, words))


def _archived_replies(request: Request) -> tuple[SourceReply | None, SourceReply | None]:
    """Return the last archived forecast: first if it is fit for advice, second if it is usable but unfit."""
    oldest = request.now - FORECAST_RETENTION
    last = _try_archive(request.archive, lambda store: store.newest_forecast(request.farm.place, oldest))
    if last is None:
        return None, None
    try:
        reply = SourceReply(_ask_source(_usable_forecast, last, request.now), should_archive=False)
        _refuse_unfit(reply.ahead, request)
    except _Unfit as why:
        log.info("the forecast in the archive cannot stand in: %s", why)
        return None, reply
    except Refused as why:
        log.info("the forecast in the archive cannot be used: %s", why)
        return None, None
    return reply, None


def _with_past(
    request: Request,
    reply: SourceReply,
    archived: xr.Dataset | None,
    span: tuple[datetime, datetime],
    reasons: list[Refusal],
) -> SourceReply:
    """Add the past hours of another service, where the source has none and some are missing."""
    if reply.past is None and is_incomplete(archived, *span):
        try:
            return replace(reply, past=_ask_source(_ask_open_meteo_past, request))
        except Refused as why:
            reasons.extend(why.with_prefix("past hours: ").refusals)
    return reply


def _combined_past(archived: xr.Dataset | None, reply: SourceReply, reasons: list[Refusal]) -> xr.Dataset:
    """Merge the archived past hours with those of the reply.

    Raises
    ------
    Refused
        If there are none at all.
    """
    past = merge_past(archived, reply.past)
    if past is None:
        raise Refused(*reasons)
    if filled := int(past[FILLED].sum()):
        reasons.append(Refusal(RefusalKind.REPLACED, f"{filled} past hours are as they were forecast"))
    return past.assign_attrs(reply.ahead.attrs, kind="record", note="")


def _credit_text(reply: SourceReply) -> str:
    """Return whom to credit: the past hours may come from another service than the hours ahead."""
    credit = str(reply.ahead.attrs["credit"])
    if reply.past is None or reply.past.attrs["source"] == reply.ahead.attrs["source"]:
        return credit
    return f"{credit}; past hours: {reply.past.attrs['credit']}"


def _store(request: Request, reply: SourceReply) -> None:
    """Add a reply to the archive; the weather is used even where that fails."""
    archive, place = request.archive, request.farm.place
    if archive is None:
        return
    try:
        if reply.past is not None:
            archive.store_past(place, reply.past, request.now)
        if reply.should_archive:
            archive.store_forecast(place, reply.ahead, request.now)
    except ArchiveError as error:
        log.warning("the weather was not kept: %s", error)


def _try_archive(archive: Archive | None, ask: Callable[[Archive], T]) -> T | None:
    """Ask the archive, and return None where there is none or it cannot be read."""
    if archive is None:
        return None
    try:
        return ask(archive)
    except ArchiveError as error:
        log.warning("%s", error)
        return None


def _official_warnings(request: Request, reasons: list[Refusal]) -> tuple[OfficialWarning, ...]:
    """Return the warnings in force, if one of the sources issues them; without them the advice goes on and says so."""
    if WEATHER_GOV not in request.farm.weather.sources:
        return ()
    from daemon.weather.sources import weather_gov  # noqa: PLC0415 - each source is loaded where it is used

    address = request.farm.weather.weather_gov_address
    try:
        return _ask_source(
            weather_gov.fetch_warnings, request.farm.place, request.now, request.session, address=address
        )
    except Refused as why:
        reasons.extend(why.with_prefix("official warnings could not be had, so there may be some: ").refusals)
        return ()


def _first_hour(farm: Farm, now: datetime) -> datetime:
    """Return the first hour that growth needs: that of the day before the season's origin, whole in every zone."""
    origin = farm.place.season_origin(now.astimezone(farm.place.timezone).date())
    return datetime(origin.year, origin.month, origin.day, tzinfo=UTC) - timedelta(days=1)


def _past_since(archived: xr.Dataset | None, first: datetime) -> date:
    """Return the first day whose past hours are still to be requested."""
    until = complete_until(archived, first)
    return max(until - SETTLING_TIME, first + timedelta(days=1)).date()


def _read_file(farm: Farm, now: datetime) -> Weather:
    from daemon.weather.sources import csv_file  # noqa: PLC0415

    return csv_file.read(_file_path(farm), now, farm.place)


def _file_path(farm: Farm) -> Path:
    if farm.weather.path is None:
        raise Refused('no file is named; write path = "..." in [weather]')
    return farm.weather.path


def _ask_open_meteo(request: Request) -> SourceReply:
    from daemon.weather.sources import open_meteo  # noqa: PLC0415

    place, source = request.farm.place, request.farm.weather
    weather = open_meteo.fetch(source, [place], request.since, request.now, request.session, request.count)
    return SourceReply(weather.ahead, weather.past)


def _ask_open_meteo_past(request: Request) -> xr.Dataset:
    from daemon.weather.sources import open_meteo  # noqa: PLC0415

    source, place = request.farm.weather, request.farm.place
    return open_meteo.fetch_past(source, place, request.since, request.now, request.session, request.count)


def _ask_weather_gov(request: Request) -> SourceReply:
    from daemon.weather.sources import weather_gov  # noqa: PLC0415

    source = request.farm.weather
    return SourceReply(
        weather_gov.fetch(source, request.farm.place, request.now, request.session, address=source.weather_gov_address)
    )


def _ask_met_no(request: Request) -> SourceReply:
    from daemon.weather.sources import met_no  # noqa: PLC0415

    source = request.farm.weather
    return SourceReply(
        met_no.fetch(source, request.farm.place, request.now, request.session, address=source.met_no_address)
    )


def _ask_netcdf(request: Request) -> SourceReply:
    from daemon.weather.sources import netcdf  # noqa: PLC0415

    return SourceReply(
        netcdf.fetch(request.farm.weather, request.farm.place, request.now, path=_file_path(request.farm))
    )


WEATHER_GOV: Final = "weather.gov"
SOURCES: Final[Mapping[str, Callable[[Request], SourceReply]]] = {
    "open-meteo": _ask_open_meteo,
    WEATHER_GOV: _ask_weather_gov,
    "met.no": _ask_met_no,
    "netcdf": _ask_netcdf,
}

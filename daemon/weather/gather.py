"""Where the weather comes from: the sources in the order of the settings, the next where one is refused or late.

Where all are, the last good forecast is used until it is too old. What lies behind is put together from all that was
told, and where nobody has told yet, from what was forecast last.
"""

import logging
from collections.abc import Callable, Mapping
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

SETTLING_TIME: Final = timedelta(days=2)  # past hours younger than that may still be put right by who told them
FROZEN_AFTER: Final = timedelta(hours=24)  # a forecast that has not changed in so long is an old run told again
MIN_SHARED_HOURS: Final = 24  # that two forecasts must have in common to be compared
FILE_SOURCE: Final = "file"


@dataclass(frozen=True)
class Request:
    """What a source is asked for: hours ahead and, if it tells them, past hours from a day on."""

    farm: Farm
    now: datetime
    since: date
    session: requests.Session
    archive: Archive | None = None

    def count(self, address: str, weight: float) -> None:
        """Keep as how many calls a request counts, and refuse one beyond what is free."""
        host = urlsplit(address).netloc
        sums = _try_archive(self.archive, lambda kept: kept.recent_calls(host, self.now))
        if sums is not None:
            refuse_over_quota(address, weight, *sums)
            _try_archive(self.archive, lambda kept: kept.count_call(host, weight, self.now))
            log.info("%s is asked: %.0f calls by its count, %.0f in the day before", host, weight, sums[1])


@dataclass(frozen=True)
class SourceReply:
    """What a source told; `past` is None where it tells none."""

    ahead: xr.Dataset
    past: xr.Dataset | None = None
    should_archive: bool = True  # in the archive: new, and good enough to stand in later


def gather(
    farm: Farm,
    now: datetime,
    archive: Archive | None = None,
    cache: Path | None = None,
    *,
    update_archive: bool = False,
) -> Weather:
    """Return the past hours of the season and the hours ahead from the best source that can be had.

    Parameters
    ----------
    farm : Farm
    now : datetime
        The moment of the pass.
    archive : Archive, optional
        What was had before. Without one all is asked for anew.
    cache : Path, optional
        Folder in which replies are kept until they are said to expire.
    update_archive : bool
        Whether what is had now is added to the archive.

    Raises
    ------
    Refused
        With the reasons of all sources.

    Notes
    -----
    One request after another. No host takes longer than `daemon.weather.http.client.HOST_TIME_LIMIT` of a look, and all
    of them no longer than `SESSION_TIME_LIMIT`, which gives four that never answer their time; a wait for the last
    piece of a reply may come on top. Only the head of a reply that drips has no bound.
    """
    if farm.weather.sources == (FILE_SOURCE,):
        return _read_file(farm, now)
    first, last = _first_hour(farm, now), now.replace(minute=0, second=0, microsecond=0)
    held = _try_archive(archive, lambda kept: kept.past_hours(farm.place, first, last))
    # No clock is handed on: until when a reply holds is told in the time of the world, not in that of a rehearsal.
    with open_session(farm.weather.contact, cache=cache) as session:
        asked = Request(farm, now, _past_since(held, first), session, archive)
        told, reasons = _first_good_reply(asked)
        told = _with_past(asked, told, held, (first, last), reasons)
        past = _combined_past(held, told, reasons)
        warnings = _official_warnings(asked, reasons)
    ahead = prepend_past(told.ahead, past, now)
    texts = (told.ahead.attrs.get("note", ""), *(reason.text for reason in reasons))
    note = "; ".join(text for text in texts if text)
    try:
        weather = clean(past, ahead.assign_attrs(note=note, credit=_credit_text(told)), first, now)
    except Refused as why:
        raise Refused(*reasons, *why.refusals) from None
    if update_archive:
        _store(asked, told)
    return replace(weather, warnings=warnings)


def _first_good_reply(request: Request) -> tuple[SourceReply, list[Refusal]]:
    """Return what the first good source told, and why those before it were not taken.

    Past hours are taken from the first that tells any, even where its forecast is not.
    """
    reasons: list[Refusal] = []
    poor: SourceReply | None = None
    past: xr.Dataset | None = None
    for name in request.farm.weather.sources:
        try:
            told = _ask_source(SOURCES[name], request)
            past = told.past if past is None else past
            told = replace(told, ahead=_ask_source(_usable_forecast, told.ahead, request.now), past=past)
            _refuse_stale(told.ahead, request)
            _refuse_few_members(told.ahead, request)
        except _Unfit as why:
            poor = poor or replace(told, should_archive=False)
            reasons.extend(why.with_prefix(f"{name}: ").refusals)
        except Refused as why:
            reasons.extend(why.with_prefix(f"{name}: ").refusals)
        else:
            return told, reasons
    held, stale = _archived_replies(request)
    if held is not None:
        age, oldest = _age_hours(held.ahead, request.now), request.farm.weather.oldest
        words = f"the last good forecast stands in: it is {age_text(age)}, no more than {oldest:g} allowed"
        return replace(held, past=past), [*reasons, Refusal(RefusalKind.REPLACED, words)]
    poor = poor or stale
    if poor is not None:
        return replace(poor, past=past), reasons
    raise Refused(*reasons)


class _Unfit(Refused):
    """A forecast that must not lead to advice, but tells how things stand where no other can be had."""


def _ask_source(ask: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Return what a source tells; what nobody thought of in its reply must not cost the others their turn."""
    try:
        return ask(*args, **kwargs)
    except Refused:
        raise
    except Exception as error:
        log.exception("a source of weather broke down")
        raise Refused(f"what it told could not be read ({type(error).__name__}: {error})") from error


def _usable_forecast(ahead: xr.Dataset, now: datetime) -> xr.Dataset:
    """Return a forecast without the members that cannot be used; a bad one must be found while others can be asked."""
    found, dropped = drop_bad_members(trim_to_horizon(ahead))
    refuse_too_short(found, now)
    dropped += ahead.attrs.get("members_dropped", 0)
    return drop_implausible(validate(found).assign_attrs(members_dropped=dropped), now)


def _age_hours(ahead: xr.Dataset, now: datetime) -> float:
    """Return how long ago a forecast was made [h]."""
    return (now - datetime.fromisoformat(ahead.attrs["issued_at"])) / timedelta(hours=1)


def _refuse_stale(ahead: xr.Dataset, request: Request) -> None:
    """Refuse a forecast that is too old to lead to advice, or that has stood still."""
    age = _age_hours(ahead, request.now)
    if age > request.farm.weather.oldest:
        words = f"its forecast is {age_text(age)}, no more than {request.farm.weather.oldest:g} allowed"
        raise _Unfit(Refusal(RefusalKind.TOO_OLD, words))
    before = _try_archive(request.archive, lambda held: held.forecast_before(
        request.farm.place, ahead.attrs["source"], ahead.attrs["model"], request.now - FROZEN_AFTER
    ))  # fmt: skip
    if before is not None and _is_unchanged(before, ahead.sel(time=slice(to_datetime64(request.now), None))):
        words = f"its forecast has not changed for {FROZEN_AFTER / timedelta(hours=1):.0f} hours"
        raise Refused(Refusal(RefusalKind.TOO_OLD, words))


def _is_unchanged(before: xr.Dataset, ahead: xr.Dataset) -> bool:
    """Return whether most members that two forecasts share tell the same in both, in enough hours.

    Not all of them need to: an ensemble stands still where the single forecast that joins it goes on.
    """
    one, other = xr.align(before[list(REQUIRED)], ahead[list(REQUIRED)], join="inner")
    if one.sizes["time"] < MIN_SHARED_HOURS or not one.sizes["member"]:
        return False
    same = [one[name].astype(np.float32) == other[name].astype(np.float32) for name in REQUIRED]
    return bool(np.mean(np.all([each.all("time") for each in same], axis=0)) > 0.5)


def _refuse_few_members(ahead: xr.Dataset, request: Request) -> None:
    least = request.farm.weather.least_members
    if ahead.sizes["member"] < least:
        words = f"{ahead.sizes['member']} usable members, {least} needed"
        raise _Unfit(Refusal(RefusalKind.TOO_FEW_MEMBERS, words))


def _archived_replies(request: Request) -> tuple[SourceReply | None, SourceReply | None]:
    """Return the last forecast that was had: as good as ever, or as one that only tells how things stand."""
    last = _try_archive(
        request.archive, lambda kept: kept.newest_forecast(request.farm.place, request.now - FORECAST_RETENTION)
    )
    if last is None:
        return None, None
    try:
        held = SourceReply(_ask_source(_usable_forecast, last, request.now), should_archive=False)
        _refuse_stale(held.ahead, request)
        _refuse_few_members(held.ahead, request)
    except _Unfit as why:
        log.info("the forecast in the archive cannot stand in: %s", why)
        return None, held
    except Refused as why:
        log.info("the forecast in the archive cannot be used: %s", why)
        return None, None
    return held, None


def _with_past(
    request: Request,
    reply: SourceReply,
    archived: xr.Dataset | None,
    span: tuple[datetime, datetime],
    reasons: list[Refusal],
) -> SourceReply:
    """Return what was told, with past hours of who tells them where the source tells none and some are not known."""
    if reply.past is None and is_incomplete(archived, *span):
        try:
            return replace(reply, past=_ask_source(_ask_open_meteo_past, request))
        except Refused as why:
            reasons.extend(why.with_prefix("past hours: ").refusals)
    return reply


def _combined_past(archived: xr.Dataset | None, reply: SourceReply, reasons: list[Refusal]) -> xr.Dataset:
    """Return the past hours, those that were held and those that were told.

    Raises
    ------
    Refused
        If nothing at all is known.
    """
    known = merge_past(archived, reply.past)
    if known is None:
        raise Refused(*reasons)
    if filled := int(known[FILLED].sum()):
        reasons.append(Refusal(RefusalKind.REPLACED, f"{filled} past hours are as they were forecast"))
    return known.assign_attrs(reply.ahead.attrs, kind="record", note="")


def _credit_text(reply: SourceReply) -> str:
    """Return who is to be named: the hours behind may be of another service than the hours ahead."""
    credit = str(reply.ahead.attrs["credit"])
    if reply.past is None or reply.past.attrs["source"] == reply.ahead.attrs["source"]:
        return credit
    return f"{credit}; past hours: {reply.past.attrs['credit']}"


def _store(request: Request, reply: SourceReply) -> None:
    """Add what was told to the archive; weather is used even where that cannot be done."""
    archive, place = request.archive, request.farm.place
    try:
        if archive is not None and reply.past is not None:
            archive.store_past(place, reply.past, request.now)
        if archive is not None and reply.should_archive:
            archive.store_forecast(place, reply.ahead, request.now)
    except ArchiveError as error:
        log.warning("the weather was not kept: %s", error)


def _try_archive(archive: Archive | None, ask: Callable[[Archive], T]) -> T | None:
    """Return what the archive holds, None where it cannot be read."""
    try:
        return ask(archive) if archive is not None else None
    except ArchiveError as error:
        log.warning("%s", error)
        return None


def _official_warnings(request: Request, reasons: list[Refusal]) -> tuple[OfficialWarning, ...]:
    """Return the warnings in force, if one of the sources tells them; the advice goes on without, but says so."""
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
    """Return the first day of which past hours are still to be told."""
    until = complete_until(archived, first)
    return max(until - SETTLING_TIME, first + timedelta(days=1)).date()


def _read_file(farm: Farm, now: datetime) -> Weather:
    from daemon.weather.sources import csv_file as files  # noqa: PLC0415

    return files.read(_file_path(farm), now, farm.place)


def _file_path(farm: Farm) -> Path:
    if farm.weather.path is None:
        raise Refused('no file is named; write path = "..." in [weather]')
    return farm.weather.path


def _ask_open_meteo(request: Request) -> SourceReply:
    from daemon.weather.sources import open_meteo as openmeteo  # noqa: PLC0415

    place, source = request.farm.place, request.farm.weather
    weather = openmeteo.fetch(source, [place], request.since, request.now, request.session, request.count)
    return SourceReply(weather.ahead, weather.past)


def _ask_open_meteo_past(request: Request) -> xr.Dataset:
    from daemon.weather.sources import open_meteo as openmeteo  # noqa: PLC0415

    source, place = request.farm.weather, request.farm.place
    return openmeteo.fetch_past(source, place, request.since, request.now, request.session, request.count)


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

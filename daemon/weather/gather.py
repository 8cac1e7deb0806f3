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
from daemon.weather.archive import FORECASTS_KEPT, Archive, ArchiveError
from daemon.weather.clean import drop_bad_members, settled, trimmed
from daemon.weather.contract import FILLED, REQUIRED, Refused, Weather, aged, at_utc, checked
from daemon.weather.http.client import open_session
from daemon.weather.http.quota import within_limits
from daemon.weather.past import from_yesterday, lacks, over, told_until
from daemon.weather.plausibility import long_enough, sensible

P = ParamSpec("P")
T = TypeVar("T")

log = logging.getLogger(__name__)

SETTLES: Final = timedelta(days=2)  # past hours younger than that may still be put right by who told them
FROZEN: Final = timedelta(hours=24)  # a forecast that has not changed in so long is an old run told again
FROZEN_HOURS: Final = 24  # that two forecasts must have in common to be compared
FILE: Final = "file"


@dataclass(frozen=True)
class Asked:
    """What a source is asked for: hours ahead and, if it tells them, past hours from a day on."""

    farm: Farm
    now: datetime
    since: date
    session: requests.Session
    archive: Archive | None = None

    def count(self, address: str, weight: float) -> None:
        """Keep as how many calls a request counts, and refuse one beyond what is free."""
        host = urlsplit(address).netloc
        sums = _tried(self.archive, lambda kept: kept.calls(host, self.now))
        if sums is not None:
            within_limits(address, weight, *sums)
            _tried(self.archive, lambda kept: kept.count_call(host, weight, self.now))
            log.info("%s is asked: %.0f calls by its count, %.0f in the day before", host, weight, sums[1])


@dataclass(frozen=True)
class Told:
    """What a source told; `past` is None where it tells none."""

    ahead: xr.Dataset
    past: xr.Dataset | None = None
    is_kept: bool = True  # in the archive: new, and good enough to stand in later


def gathered(
    farm: Farm, now: datetime, archive: Archive | None = None, cache: Path | None = None, *, keeping: bool = False
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
    keeping : bool
        Whether what is had now is added to the archive.

    Raises
    ------
    Refused
        With the reasons of all sources.

    Notes
    -----
    One request after another. No host takes longer than `daemon.weather.http.client.LONGEST` of a look, and all of them
    no longer than `WHOLE`, which gives four that never answer their time; a wait for the last piece of a reply may come
    on top. Only the head of a reply that drips has no bound.
    """
    if farm.weather.sources == (FILE,):
        return _from_file(farm, now)
    first, last = _first(farm, now), now.replace(minute=0, second=0, microsecond=0)
    held = _tried(archive, lambda kept: kept.past(farm.place, first, last))
    # No clock is handed on: until when a reply holds is told in the time of the world, not in that of a rehearsal.
    with open_session(farm.weather.contact, cache=cache) as session:
        asked = Asked(farm, now, _since(held, first), session, archive)
        told, reasons = _told(asked)
        told = _with_past(asked, told, held, (first, last), reasons)
        past = _known(held, told, reasons)
        warnings = _warnings(asked, reasons)
    ahead = from_yesterday(told.ahead, past, now)
    note = "; ".join(part for part in (told.ahead.attrs.get("note", ""), *reasons) if part)
    try:
        weather = settled(past, ahead.assign_attrs(note=note, credit=_credit(told)), first, now)
    except Refused as why:
        raise Refused("; ".join((*reasons, str(why)))) from None
    if keeping:
        _keep(asked, told)
    return replace(weather, warnings=warnings)


def _told(asked: Asked) -> tuple[Told, list[str]]:
    """Return what the first good source told, and why those before it were not taken.

    Past hours are taken from the first that tells any, even where its forecast is not.
    """
    reasons: list[str] = []
    poor: Told | None = None
    past: xr.Dataset | None = None
    for name in asked.farm.weather.sources:
        try:
            told = _asked_for(SOURCES[name], asked)
            past = told.past if past is None else past
            told = replace(told, ahead=_asked_for(_usable, told.ahead, asked.now), past=past)
            _refuse_late(told.ahead, asked)
            _refuse_few(told.ahead, asked)
        except _Poor as why:
            poor = poor or replace(told, is_kept=False)
            reasons.append(f"{name}: {why}")
        except Refused as why:
            reasons.append(f"{name}: {why}")
        else:
            return told, reasons
    held, stale = _held(asked)
    if held is not None:
        age, oldest = _age(held.ahead, asked.now), asked.farm.weather.oldest
        words = f"the last good forecast stands in: it is {aged(age)}, no more than {oldest:g} allowed"
        return replace(held, past=past), [*reasons, words]
    poor = poor or stale
    if poor is not None:
        return replace(poor, past=past), reasons
    raise Refused("; ".join(reasons))


class _Poor(Refused):
    """A forecast that must not lead to advice, but tells how things stand where no other can be had."""


def _asked_for(ask: Callable[P, T], *given: P.args, **named: P.kwargs) -> T:
    """Return what a source tells; what nobody thought of in its reply must not cost the others their turn."""
    try:
        return ask(*given, **named)
    except Refused:
        raise
    except Exception as error:
        log.exception("a source of weather broke down")
        raise Refused(f"what it told could not be read ({type(error).__name__}: {error})") from error


def _usable(ahead: xr.Dataset, now: datetime) -> xr.Dataset:
    """Return a forecast without the members that cannot be used; a bad one must be found while others can be asked."""
    found, dropped = drop_bad_members(trimmed(ahead))
    long_enough(found, now)
    dropped += ahead.attrs.get("members_dropped", 0)
    return sensible(checked(found).assign_attrs(members_dropped=dropped), now)


def _age(ahead: xr.Dataset, now: datetime) -> float:
    """Return how long ago a forecast was made [h]."""
    return (now - datetime.fromisoformat(ahead.attrs["issued_at"])) / timedelta(hours=1)


def _refuse_late(ahead: xr.Dataset, asked: Asked) -> None:
    """Refuse a forecast that is too old to lead to advice, or that has stood still."""
    age = _age(ahead, asked.now)
    if age > asked.farm.weather.oldest:
        raise _Poor(f"its forecast is {aged(age)}, no more than {asked.farm.weather.oldest:g} allowed")
    before = _tried(asked.archive, lambda held: held.before(
        asked.farm.place, ahead.attrs["source"], ahead.attrs["model"], asked.now - FROZEN
    ))  # fmt: skip
    if before is not None and _is_the_same(before, ahead.sel(time=slice(at_utc(asked.now), None))):
        raise Refused(f"its forecast has not changed for {FROZEN / timedelta(hours=1):.0f} hours")


def _is_the_same(before: xr.Dataset, ahead: xr.Dataset) -> bool:
    """Return whether most members that two forecasts share tell the same in both, in enough hours.

    Not all of them need to: an ensemble stands still where the single forecast that joins it goes on.
    """
    one, other = xr.align(before[list(REQUIRED)], ahead[list(REQUIRED)], join="inner")
    if one.sizes["time"] < FROZEN_HOURS or not one.sizes["member"]:
        return False
    same = [one[name].astype(np.float32) == other[name].astype(np.float32) for name in REQUIRED]
    return bool(np.mean(np.all([each.all("time") for each in same], axis=0)) > 0.5)


def _refuse_few(ahead: xr.Dataset, asked: Asked) -> None:
    least = asked.farm.weather.least_members
    if ahead.sizes["member"] < least:
        raise _Poor(f"{ahead.sizes['member']} usable members, {least} needed")


def _held(asked: Asked) -> tuple[Told | None, Told | None]:
    """Return the last forecast that was had: as good as ever, or as one that only tells how things stand."""
    last = _tried(asked.archive, lambda kept: kept.newest(asked.farm.place, asked.now - FORECASTS_KEPT))
    if last is None:
        return None, None
    try:
        held = Told(_asked_for(_usable, last, asked.now), is_kept=False)
        _refuse_late(held.ahead, asked)
        _refuse_few(held.ahead, asked)
    except _Poor as why:
        log.info("the forecast in the archive cannot stand in: %s", why)
        return None, held
    except Refused as why:
        log.info("the forecast in the archive cannot be used: %s", why)
        return None, None
    return held, None


def _with_past(
    asked: Asked, told: Told, held: xr.Dataset | None, span: tuple[datetime, datetime], reasons: list[str]
) -> Told:
    """Return what was told, with past hours of who tells them where the source tells none and some are not known."""
    if told.past is None and lacks(held, *span):
        try:
            return replace(told, past=_asked_for(_open_meteo_past, asked))
        except Refused as why:
            reasons.append(f"past hours: {why}")
    return told


def _known(held: xr.Dataset | None, told: Told, reasons: list[str]) -> xr.Dataset:
    """Return the past hours, those that were held and those that were told.

    Raises
    ------
    Refused
        If nothing at all is known.
    """
    known = over(held, told.past)
    if known is None:
        raise Refused("; ".join(reasons))
    if filled := int(known[FILLED].sum()):
        reasons.append(f"{filled} past hours are as they were forecast")
    return known.assign_attrs(told.ahead.attrs, kind="record", note="")


def _credit(told: Told) -> str:
    """Return who is to be named: the hours behind may be of another service than the hours ahead."""
    credit = str(told.ahead.attrs["credit"])
    if told.past is None or told.past.attrs["source"] == told.ahead.attrs["source"]:
        return credit
    return f"{credit}; past hours: {told.past.attrs['credit']}"


def _keep(asked: Asked, told: Told) -> None:
    """Add what was told to the archive; weather is used even where that cannot be done."""
    archive, place = asked.archive, asked.farm.place
    try:
        if archive is not None and told.past is not None:
            archive.keep_past(place, told.past, asked.now)
        if archive is not None and told.is_kept:
            archive.keep_forecast(place, told.ahead, asked.now)
    except ArchiveError as error:
        log.warning("the weather was not kept: %s", error)


def _tried(archive: Archive | None, ask: Callable[[Archive], T]) -> T | None:
    """Return what the archive holds, None where it cannot be read."""
    try:
        return ask(archive) if archive is not None else None
    except ArchiveError as error:
        log.warning("%s", error)
        return None


def _warnings(asked: Asked, reasons: list[str]) -> tuple[OfficialWarning, ...]:
    """Return the warnings in force, if one of the sources tells them; the advice goes on without, but says so."""
    if WEATHER_GOV not in asked.farm.weather.sources:
        return ()
    from daemon.weather.sources import weather_gov  # noqa: PLC0415 - each source is loaded where it is used

    address = asked.farm.weather.weather_gov_address
    try:
        return _asked_for(weather_gov.warnings, asked.farm.place, asked.now, asked.session, address=address)
    except Refused as why:
        reasons.append(f"official warnings could not be had, so there may be some: {why}")
        return ()


def _first(farm: Farm, now: datetime) -> datetime:
    """Return the first hour that growth needs: that of the day before the season's origin, whole in every zone."""
    origin = farm.place.season_origin(now.astimezone(farm.place.timezone).date())
    return datetime(origin.year, origin.month, origin.day, tzinfo=UTC) - timedelta(days=1)


def _since(held: xr.Dataset | None, first: datetime) -> date:
    """Return the first day of which past hours are still to be told."""
    until = told_until(held, first)
    return max(until - SETTLES, first + timedelta(days=1)).date()


def _from_file(farm: Farm, now: datetime) -> Weather:
    from daemon.weather.sources import csv_file as files  # noqa: PLC0415

    return files.read(_path(farm), now, farm.place)


def _path(farm: Farm) -> Path:
    if farm.weather.path is None:
        raise Refused('no file is named; write path = "..." in [weather]')
    return farm.weather.path


def _open_meteo(asked: Asked) -> Told:
    from daemon.weather.sources import open_meteo as openmeteo  # noqa: PLC0415

    place, source = asked.farm.place, asked.farm.weather
    weather = openmeteo.fetch(source, [place], asked.since, asked.now, asked.session, asked.count)
    return Told(weather.ahead, weather.past)


def _open_meteo_past(asked: Asked) -> xr.Dataset:
    from daemon.weather.sources import open_meteo as openmeteo  # noqa: PLC0415

    source, place = asked.farm.weather, asked.farm.place
    return openmeteo.past(source, place, asked.since, asked.now, asked.session, asked.count)


def _weather_gov(asked: Asked) -> Told:
    from daemon.weather.sources import weather_gov  # noqa: PLC0415

    source = asked.farm.weather
    return Told(
        weather_gov.fetch(source, asked.farm.place, asked.now, asked.session, address=source.weather_gov_address)
    )


def _met_no(asked: Asked) -> Told:
    from daemon.weather.sources import met_no  # noqa: PLC0415

    source = asked.farm.weather
    return Told(met_no.fetch(source, asked.farm.place, asked.now, asked.session, address=source.met_no_address))


def _netcdf(asked: Asked) -> Told:
    from daemon.weather.sources import netcdf  # noqa: PLC0415

    return Told(netcdf.fetch(asked.farm.weather, asked.farm.place, asked.now, path=_path(asked.farm)))


WEATHER_GOV: Final = "weather.gov"
SOURCES: Final[Mapping[str, Callable[[Asked], Told]]] = {
    "open-meteo": _open_meteo,
    WEATHER_GOV: _weather_gov,
    "met.no": _met_no,
    "netcdf": _netcdf,
}

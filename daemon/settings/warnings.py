"""Warnings about settings that are allowed but may be mistakes."""

from collections.abc import Callable, Iterator
from datetime import date, datetime
from ipaddress import ip_address
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import numpy as np

from daemon.domain.farm import Farm, Place
from daemon.settings.sections.base import Conflict
from daemon.settings.text.lines import KeyPath
from daemon.settings.text.literals import toml_literal
from daemon.settings.values.timezones import clock_mismatch
from daemon.words.numbers import field_size_text, time_text, yield_text
from models import coefficients as c
from models.sun import sunrise_sunset

WIDE_SWATH: Final = 0.7  # of the cut width: extension advice calls no narrower swath wide


def settings_warnings(farm: Farm, today: date | None, is_written: Callable[[KeyPath], bool]) -> Iterator[Conflict]:
    """Yield the warnings about a farm's settings; each key path begins with the section.

    Parameters
    ----------
    farm : Farm
    today : date, optional
        The day on the farm's clock, against which the days of cuts are checked; without it they are not.
    is_written : callable
        Whether the file has an option: a default that nobody wrote deserves no warning.
    """
    yield from _place_warnings(farm.place)
    yield from _moisture_warnings(farm)
    if is_written(("work", "finish_by")):
        yield from _dark_warnings(farm)
    yield from _hour_warnings(farm)
    yield from _horse_warnings(farm)
    yield from _weather_warnings(farm)
    yield from _reach_warnings(farm)
    yield from _field_warnings(farm)
    if today is not None:
        yield from _cut_warnings(farm, today)


def _place_warnings(place: Place) -> Iterator[Conflict]:
    zone = place.timezone.key
    mismatch = clock_mismatch(zone, place.latitude, place.longitude)
    if mismatch is not None:
        likely_zone = mismatch.likely_zone
        allowed = f"the clock of the place; that of the nearest town, {likely_zone}, is {mismatch.offset_text}"
        fix = (
            f"write timezone = {toml_literal(likely_zone)}, or mend latitude and longitude: south and west are negative"
        )
        yield Conflict(("farm", "timezone"), toml_literal(zone), allowed, fix)


def _cut_warnings(farm: Farm, today: date) -> Iterator[Conflict]:
    season_start = farm.place.season_origin(today)
    for index, field in enumerate(farm.fields):
        cut = field.last_cut
        if cut is not None and not season_start <= cut <= today:
            given = f"{cut}, which has not come yet" if cut > today else f"{cut}, of a former season"
            fix = "write the day on which it was cut, or take last_cut out"
            yield Conflict(("field", index, "last_cut"), given, f"a day from {season_start} to {today}", fix)


def _moisture_warnings(farm: Farm) -> Iterator[Conflict]:
    baleage = farm.baleage
    if baleage.wettest > c.BALE_MOISTURE_WET:
        given = f"{100.0 * baleage.wettest:g}"
        allowed = f"{100.0 * c.BALE_MOISTURE_WET:g} or less without remark, since wetter bales may spoil"
        yield Conflict(("baleage", "wettest"), given, allowed, "write wettest = 55 unless there is a reason")
    if baleage.driest < c.BALE_MOISTURE_DRY:
        given = f"{100.0 * baleage.driest:g}"
        allowed = f"{100.0 * c.BALE_MOISTURE_DRY:g} or more without remark, since drier bales hardly ferment"
        yield Conflict(("baleage", "driest"), given, allowed, "write driest = 45 unless there is a reason")
    if baleage.swath_share < WIDE_SWATH:
        given = f"{baleage.swath_share:g}"
        allowed = "0.7 or more for a wide swath, since a narrow one seldom dries in a day"
        yield Conflict(("baleage", "swath_width"), given, allowed, "lay the swath wider if the mower can")


def _dark_warnings(farm: Farm) -> Iterator[Conflict]:
    work, sunset = farm.work, latest_sunset(farm.place)
    if sunset is not None and work.finish_by > sunset.time() and not work.after_dark:
        allowed = f"up to sunset, {time_text(sunset, farm.units)} on the longest day"
        fix = f'write finish_by = "{sunset:%H:%M}" or earlier, or after_dark = true'
        yield Conflict(("work", "finish_by"), toml_literal(work.finish_by), allowed, fix)


def _hour_warnings(farm: Farm) -> Iterator[Conflict]:
    work, alerts = farm.work, farm.alerts
    if alerts.morning >= work.earliest_start:
        allowed = f"before earliest_start {work.earliest_start:%H:%M}, so that there is time to hitch up"
        yield Conflict(("alerts", "morning"), toml_literal(alerts.morning), allowed, "write an earlier morning")
    if work.wrap_within > c.WRAP_LATE:
        allowed = f"{c.WRAP_LATE:g} h or less without remark, since bales heat and spoil while they wait"
        fix = "write wrap_within = 2 unless there is a reason"
        yield Conflict(("work", "wrap_within"), f"{work.wrap_within:g}", allowed, fix)
    if len(work.days_off) == 7:
        fix = "take the days on which work can be done out"
        yield Conflict(("work", "days_off"), "every day of the week", "six days or fewer", fix)


def _horse_warnings(farm: Farm) -> Iterator[Conflict]:
    if farm.estimates.horses_rest_at > c.HORSE_SUM_WARM:
        given = f"{farm.estimates.horses_rest_at:g}"
        allowed = f"{c.HORSE_SUM_WARM:g} or less without remark, since horses cool themselves less well from there on"
        fix = "write horses_rest_at = 130 unless there is a reason"
        yield Conflict(("estimates", "horses_rest_at"), given, allowed, fix)


def _weather_warnings(farm: Farm) -> Iterator[Conflict]:
    path = farm.weather.path
    if path is not None and not {"file", "netcdf"} & set(farm.weather.sources):
        fix = 'write source = "file" or "netcdf", or take path out'
        yield Conflict(("weather", "path"), "a path that is not used", 'a path with source = "file" or "netcdf"', fix)
    elif path is not None and not _is_there(path):
        yield Conflict(("weather", "path"), toml_literal(str(path)), "a file that is there", "put the file there")


def _is_there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:  # such as a name that is too long for any file
        return False


def _reach_warnings(farm: Farm) -> Iterator[Conflict]:
    if not farm.alerts.people:
        fix = "add an [[alerts.person]] with name, by and address"
        yield Conflict(("alerts", "person"), "nobody", "somebody to tell", fix)
    if not _is_loopback(farm.page.host):
        allowed = "127.0.0.1 without remark, since anyone who can reach another address can read the page"
        yield Conflict(("page", "host"), toml_literal(farm.page.host), allowed, 'write host = "127.0.0.1" if in doubt')
    if farm.page.address is not None:
        yield from _address_warnings(farm.page.address)


def _address_warnings(address: str) -> Iterator[Conflict]:
    parts = urlsplit(address)
    if parts.scheme == "http" and not _is_loopback(parts.hostname or ""):
        allowed = "https:// without remark, since whoever sees a link on its way can answer by it"
        fix = f"write address = {toml_literal(f'https://{parts.netloc}{parts.path}')} if it answers there"
        yield Conflict(("page", "address"), toml_literal(address), allowed, fix)
    if parts.path.endswith("/answer"):
        allowed = "what stands before /answer/ without remark, since each link adds that itself"
        fix = f"write address = {toml_literal(address.removesuffix('/answer'))}"
        yield Conflict(("page", "address"), toml_literal(address), allowed, fix)


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _field_warnings(farm: Farm) -> Iterator[Conflict]:
    least_area, swath_share = farm.work.least_area, farm.baleage.swath_share
    for index, field in enumerate(farm.fields):
        if field.area < least_area:
            least = field_size_text(least_area, farm.units)
            allowed = f"worth_hitching_for, {least}, or more, since it is mown whole or not at all"
            fix = "check the area, or lower worth_hitching_for"
            yield Conflict(("field", index, "area"), field_size_text(field.area, farm.units), allowed, fix)
        swath_density = 100.0 * (field.expected_yield or 0.0) / swath_share  # [g DM/m2]
        if field.expected_yield and swath_density > c.MAX_DENSITY:
            given = f"{yield_text(field.expected_yield, farm.units)} in a swath of {swath_share:g} of the cut"
            allowed = f"up to {c.MAX_DENSITY:.0f} g of dry matter a square metre of swath, or there will be no advice"
            yield Conflict(("field", index, "expected_yield"), given, allowed, "lay it wider, or cut it sooner")


def latest_sunset(place: Place) -> datetime | None:
    """Return the sunset of the longest day on the farm's clock, None where the sun does not set.

    Notes
    -----
    The day of the solstice varies by one between years, and its sunset by seconds, so that one year stands for all.
    """
    longest_day = np.datetime64("2026-06-21" if place.latitude >= 0.0 else "2026-12-21")
    _, sunset = sunrise_sunset(place.latitude, place.longitude, longest_day)
    if np.isnat(sunset):
        return None
    instant = datetime.fromisoformat(f"{sunset}+00:00")
    return instant.astimezone(ZoneInfo(place.timezone.key))

"""Builds the `Farm` from the sections of a settings file, with defaults that depend on other settings."""

from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from daemon.domain.farm import (
    Alerts,
    Baleage,
    Channel,
    Estimates,
    Farm,
    Field,
    Look,
    PageAddress,
    Person,
    Place,
    Subscription,
    WeatherSource,
    Work,
)
from daemon.settings.reader import Sections
from daemon.settings.sections.farm import AlertsSection, BaleageSection, PersonSection
from daemon.settings.sections.fields import FieldSection, species_by_name
from daemon.settings.sections.weather import WeatherSection
from daemon.settings.sections.work import BALE_CYCLE, BALED_PER_HOUR, BALER_INTAKE, BREAK_HOURS, WorkSection

PUBLIC_HOSTS: Final = {
    "forecast_address": "api.open-meteo.com",
    "ensemble_address": "ensemble-api.open-meteo.com",
    "history_address": "historical-forecast-api.open-meteo.com",
}


def build_farm(sections: Sections, folder: Path) -> Farm:
    """Return the farm that the sections describe.

    Parameters
    ----------
    sections : Sections
        The sections of a file without problems.
    folder : Path
        The folder of the file, from which relative paths in it start.

    Returns
    -------
    Farm
        In SI units.
    """
    section = sections.farm
    return Farm(
        name=section.name,
        place=Place(section.latitude, section.longitude, section.elevation, ZoneInfo(section.timezone)),
        units=section.units,
        season=section.season or default_season(section.latitude),
        weather=_build_weather(sections.weather, folder),
        work=_build_work(sections.work),
        baleage=_build_baleage(sections.baleage),
        alerts=_build_alerts(sections.alerts),
        page=PageAddress(sections.page.host, sections.page.port, sections.page.address),
        fields=tuple(_build_field(field) for field in sections.fields),
        horses_fed=section.horses_fed,
        cows_kept=section.cows_kept,
        estimates=Estimates(**dict(sections.estimates)),
        species=species_by_name(sections.species),
    )


def default_season(latitude: float) -> frozenset[int]:
    """Return the months with messages at a latitude [deg north], unless the file names them.

    >>> sorted(default_season(-38.0))
    [1, 2, 3, 4, 10, 11, 12]
    """
    if latitude >= 0.0:
        return frozenset(range(4, 11))
    return frozenset({10, 11, 12, 1, 2, 3, 4})


def default_address(key: str, api_key: str | None) -> str:
    """Return the public base address of a weather service, or with a key the one for its customers.

    >>> default_address("forecast_address", None)
    'https://api.open-meteo.com'
    """
    prefix = "customer-" if api_key else ""
    return f"https://{prefix}{PUBLIC_HOSTS[key]}"


def _build_weather(section: WeatherSection, folder: Path) -> WeatherSource:
    return WeatherSource(
        sources=section.source,
        forecast_model=section.forecast_model,
        ensemble_model=section.ensemble_model,
        forecast_address=section.forecast_address or default_address("forecast_address", section.api_key),
        ensemble_address=section.ensemble_address or default_address("ensemble_address", section.api_key),
        history_address=section.history_address or default_address("history_address", section.api_key),
        weather_gov_address=section.weather_gov_address,
        met_no_address=section.met_no_address,
        api_key=section.api_key,
        contact=section.contact,
        path=folder / section.path if section.path else None,
        oldest=section.oldest_forecast,
        least_members=section.least_members,
        wet_hour=section.wet_hour,
        wet_step=section.wet_step,
    )


def _build_work(section: WorkSection) -> Work:
    rate = section.effective_mowing_rate()
    assert rate is not None  # a file without a rate has conflicts, so that it has no sections
    return Work(
        mown_per_hour=rate,
        raked_per_hour=section.raked_per_hour or rate,
        bales_per_hour=section.bales_per_hour,
        baler_intake=section.baler_intake or BALER_INTAKE,
        bale_cycle=section.bale_cycle or BALE_CYCLE,
        baled_per_hour=section.baled_per_hour or BALED_PER_HOUR,
        wraps_per_hour=section.wraps_per_hour,
        wrap_within=section.wrap_within,
        bale_dry_matter=section.bale_size,
        bales_per_roll=section.bales_per_roll,
        rake_lead=section.rake_lead,
        travel=section.travel,
        hands=section.hands,
        earliest_start=section.earliest_start,
        latest_start=section.latest_start,
        finish_by=section.finish_by,
        after_dark=section.after_dark,
        break_at=section.break_at,
        break_hours=section.break_hours or BREAK_HOURS,
        days_off=section.days_off,
        least_area=section.worth_hitching_for,
        traction=section.traction,
    )


def _build_baleage(section: BaleageSection) -> Baleage:
    return Baleage(
        section.aim, section.wettest, section.driest, section.swath_width, section.conditioned, section.stubble
    )


def _build_alerts(section: AlertsSection) -> Alerts:
    people = tuple(_build_person(person) for person in section.person)
    quiet_from, quiet_until = section.quiet_hours()
    return Alerts(
        section.morning,
        section.evening,
        section.odds_needed / 10.0,
        people,
        quiet_from=quiet_from,
        quiet_until=quiet_until,
        most_a_day=section.most_a_day,
        second_after=section.second_after,
        alive_address=section.alive_address,
        trouble_address=section.trouble_address,
    )


def _build_person(section: PersonSection) -> Person:
    hears = section.hears or default_hears(section.by)
    second_way = None
    if section.second_by is not None and section.second_address is not None:
        second_way = Person(f"{section.name}, second way", section.second_by, section.second_address, hears)
    return Person(section.name, section.by, section.address, hears, second_way)


def default_hears(channel: Channel) -> Subscription:
    """Return the messages that a person gets by a channel, unless the file names them."""
    return Subscription.MOW_DAYS if channel is Channel.TEXT else Subscription.RIPE_MORNINGS


def _build_field(section: FieldSection) -> Field:
    looks = tuple(Look(look.on, look.stage, look.height) for look in section.looks)
    return Field(
        name=section.name,
        area=section.area,
        stand=section.stand,
        soil=section.soil,
        drainage=section.drainage,
        expected_yield=section.expected_yield,
        last_cut=section.last_cut,
        looks=looks,
        notes=section.notes,
        purpose=section.forage_for,
        cut_at_fibre=section.cut_at_fibre,
    )

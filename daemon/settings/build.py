"""Makes the typed `Farm` of the sections of a settings file, and says what stands for what is left out."""

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
from daemon.settings.sections.fields import FieldSection, rows
from daemon.settings.sections.weather import WeatherSection
from daemon.settings.sections.work import BALE_CYCLE, BALED_PER_HOUR, BALER_INTAKE, BREAK_HOURS, WorkSection

HOSTS: Final = {
    "forecast_address": "api.open-meteo.com",
    "ensemble_address": "ensemble-api.open-meteo.com",
    "history_address": "historical-forecast-api.open-meteo.com",
}


def farm_from(said: Sections, folder: Path) -> Farm:
    """Return the farm that the sections describe.

    Parameters
    ----------
    said : Sections
        The sections of a file without problems.
    folder : Path
        Where the file lies; relative paths in it start there.

    Returns
    -------
    Farm
        In SI units.
    """
    return Farm(
        name=said.farm.name,
        place=Place(said.farm.latitude, said.farm.longitude, said.farm.elevation, ZoneInfo(said.farm.timezone)),
        units=said.farm.units,
        season=said.farm.season or default_season(said.farm.latitude),
        weather=_weather(said.weather, folder),
        work=_work(said.work),
        baleage=_baleage(said.baleage),
        alerts=_alerts(said.alerts),
        page=PageAddress(said.page.host, said.page.port, said.page.address),
        fields=tuple(_field(field) for field in said.fields),
        horses_fed=said.farm.horses_fed,
        cows_kept=said.farm.cows_kept,
        estimates=Estimates(**dict(said.estimates)),
        species=rows(said.species),
    )


def default_season(latitude: float) -> frozenset[int]:
    """Return the months with messages at a latitude [deg north] where the file names none.

    >>> sorted(default_season(-38.0))
    [1, 2, 3, 4, 10, 11, 12]
    """
    return frozenset(range(4, 11)) if latitude >= 0.0 else frozenset({10, 11, 12, 1, 2, 3, 4})


def default_address(key: str, api_key: str | None) -> str:
    """Return the public base of a weather service, or the one for those who pay.

    >>> default_address("forecast_address", None)
    'https://api.open-meteo.com'
    """
    return f"https://{'customer-' if api_key else ''}{HOSTS[key]}"


def _weather(said: WeatherSection, folder: Path) -> WeatherSource:
    return WeatherSource(
        sources=said.source,
        forecast_model=said.forecast_model,
        ensemble_model=said.ensemble_model,
        forecast_address=said.forecast_address or default_address("forecast_address", said.api_key),
        ensemble_address=said.ensemble_address or default_address("ensemble_address", said.api_key),
        history_address=said.history_address or default_address("history_address", said.api_key),
        weather_gov_address=said.weather_gov_address,
        met_no_address=said.met_no_address,
        api_key=said.api_key,
        contact=said.contact,
        path=folder / said.path if said.path else None,
        oldest=said.oldest_forecast,
        least_members=said.least_members,
        wet_hour=said.wet_hour,
        wet_step=said.wet_step,
    )


def _work(said: WorkSection) -> Work:
    rate = said.rate()
    assert rate is not None  # a file without a rate has been refused
    return Work(
        mown_per_hour=rate,
        raked_per_hour=said.raked_per_hour or rate,
        bales_per_hour=said.bales_per_hour,
        baler_intake=said.baler_intake or BALER_INTAKE,
        bale_cycle=said.bale_cycle or BALE_CYCLE,
        baled_per_hour=said.baled_per_hour or BALED_PER_HOUR,
        wraps_per_hour=said.wraps_per_hour,
        wrap_within=said.wrap_within,
        bale_dry_matter=said.bale_size,
        bales_per_roll=said.bales_per_roll,
        rake_lead=said.rake_lead,
        travel=said.travel,
        hands=said.hands,
        earliest_start=said.earliest_start,
        latest_start=said.latest_start,
        finish_by=said.finish_by,
        after_dark=said.after_dark,
        break_at=said.break_at,
        break_hours=said.break_hours or BREAK_HOURS,
        days_off=said.days_off,
        least_area=said.worth_hitching_for,
        traction=said.traction,
    )


def _baleage(said: BaleageSection) -> Baleage:
    return Baleage(said.aim, said.wettest, said.driest, said.swath_width, said.conditioned, said.stubble)


def _alerts(said: AlertsSection) -> Alerts:
    people = tuple(_person(person) for person in said.person)
    quiet_from, quiet_until = said.quiet()
    return Alerts(
        said.morning,
        said.evening,
        said.odds_needed / 10.0,
        people,
        quiet_from=quiet_from,
        quiet_until=quiet_until,
        most_a_day=said.most_a_day,
        second_after=said.second_after,
        alive_address=said.alive_address,
        trouble_address=said.trouble_address,
    )


def _person(said: PersonSection) -> Person:
    hears, second = said.hears or default_hears(said.by), None
    if said.second_by is not None and said.second_address is not None:
        second = Person(f"{said.name}, second way", said.second_by, said.second_address, hears)
    return Person(said.name, said.by, said.address, hears, second)


def default_hears(channel: Channel) -> Subscription:
    """Return what a person is told where the file does not say it."""
    return Subscription.MOW_DAYS if channel is Channel.TEXT else Subscription.RIPE_MORNINGS


def _field(said: FieldSection) -> Field:
    looks = tuple(Look(look.on, look.stage, look.height) for look in said.looks)
    return Field(
        name=said.name,
        area=said.area,
        stand=said.stand,
        soil=said.soil,
        drainage=said.drainage,
        expected_yield=said.expected_yield,
        last_cut=said.last_cut,
        looks=looks,
        notes=said.notes,
        purpose=said.forage_for,
        cut_at_fibre=said.cut_at_fibre,
    )

"""An invented farm and what a pass over it may find, for tests."""

from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from daemon.domain.advice import Advice, AdviceKind, Morning
from daemon.domain.causes import StatedCause
from daemon.domain.farm import (
    Alerts,
    Baleage,
    Channel,
    Farm,
    Field,
    PageAddress,
    Person,
    Place,
    Subscription,
    Traction,
    Units,
    WeatherSource,
    Work,
)
from daemon.domain.prospect import (
    AreaOdds,
    Band,
    FieldDay,
    FieldProspect,
    PlaceInDay,
    Prospect,
    Reason,
    Ripeness,
    StandToday,
    Unknown,
    WeatherFacts,
    WorkHours,
)
from models.quality import Figure

ACRE = 0.40468564224


@dataclass
class Steady:
    """Settings that nobody changes."""

    farm: Farm
    mistakes: tuple[str, ...] = ()

    def request_reload(self) -> None:
        pass

    def reload_if_changed(self) -> bool:
        return False


ZONE = ZoneInfo("America/New_York")
DAY = date(2026, 6, 1)  # a Monday
DAWN = datetime(2026, 6, 1, 5, 30, tzinfo=ZONE).astimezone(UTC)


def person(name: str = "Ann", channel: Channel = Channel.TEXT, address: str = "json://127.0.0.1:1") -> Person:
    return Person(name, channel, address, Subscription.MOW_DAYS)


def farm(*people: Person, units: Units = Units.US, season: frozenset[int] = frozenset({5, 6, 7, 8, 9})) -> Farm:
    weather = WeatherSource(
        sources=("open-meteo",),
        forecast_model="best_match",
        ensemble_model="gfs025",
        forecast_address="http://127.0.0.1:1",
        ensemble_address="http://127.0.0.1:1",
        history_address="http://127.0.0.1:1",
        weather_gov_address="http://127.0.0.1:1",
        met_no_address="http://127.0.0.1:1",
        api_key=None,
        contact="farm@example.org",
        path=None,
        oldest=18.0,
        least_members=8,
        wet_hour=0.2,
        wet_step=1.0,
    )
    work = Work(
        mown_per_hour=2.0,
        raked_per_hour=2.0,
        bales_per_hour=25.0,
        baler_intake=9.0,
        bale_cycle=0.9,
        baled_per_hour=4.0,
        wraps_per_hour=25.0,
        wrap_within=4.0,
        bale_dry_matter=0.3,
        bales_per_roll=20.0,
        rake_lead=0.5,
        travel=0.25,
        hands=2,
        earliest_start=time(8),
        latest_start=time(13),
        finish_by=time(20),
        after_dark=True,
        break_at=None,
        break_hours=1.0,
        days_off=frozenset({6}),
        least_area=2 * ACRE,
        traction=Traction.TRACTOR,
    )
    named = tuple(
        Field(name, acres * ACRE, {"timothy": 1.0}, "loam", "well", None, None, (), "")
        for name, acres in (("Long Meadow", 22.0), ("Creek & Bend", 9.5))
    )
    return Farm(
        name="Two Elms",
        place=Place(43.0, -75.0, 300.0, ZONE),
        units=units,
        season=season,
        weather=weather,
        work=work,
        baleage=Baleage(0.5, 0.55, 0.45, 0.85, True, 0.1),
        alerts=Alerts(time(5, 30), time(19), 0.7, people),
        page=PageAddress("127.0.0.1", 0),
        fields=named,
    )


def field_day(ahead: int = 0, acres: float = 20.0, odds: float | None = 0.79, reason: Reason | None = None) -> FieldDay:
    day = DAY + timedelta(days=ahead)
    mows = (AreaOdds(2 * ACRE, 0.9), AreaOdds(20 * ACRE, 0.79))
    waits = () if odds is None else (AreaOdds(2 * ACRE, odds),)
    return FieldDay(
        date=day,
        ripeness=Ripeness.RIPE,
        ndf=Band(46.0, 49.0, 52.0),
        days_left=4.4 - ahead,
        area=acres * ACRE,
        odds=odds,
        curve=mows if acres else waits,
        reason=reason,
        plan=work_hours(day) if acres else None,
    )


def work_hours(day: date = DAY) -> WorkHours:
    def at(hour: int, minute: int = 0) -> datetime:
        return datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE)

    return WorkHours(
        start=at(8),
        mow_until=at(10, 30),
        rake_from=at(15, 30),
        bale_from=at(15, 30),
        wrapped_by=at(19),
        moisture_at_baling=Band(0.46, 0.5, 0.54),
        bales=40,
        film_rolls=2,
    )


def field_prospect(name: str, acres: float, *days: FieldDay, ripeness: Ripeness = Ripeness.RIPE) -> FieldProspect:
    return FieldProspect(
        name=name,
        area=acres * ACRE,
        days=days,
        stand=StandToday(
            ripeness=ripeness,
            stage="boot",
            ndf=Band(46.0, 49.0, 52.0),
            ndf_target=50.0,
            days_left=4.4,
            dry_matter=Figure(4.5, 4.5, 4.5, "t/ha", "estimate: yield"),
            clock=620.0,
            clock_spread=0.0,
            clock_from=date(2026, 4, 14),
        ),
    )


def with_day_changes(day: FieldDay, **changes: Any) -> FieldDay:
    """Return a day that is another in some respects, its plan and its place too."""
    of_plan = {name: changes.pop(name) for name in set(changes) & {one.name for one in fields(WorkHours)}}
    of_place = {name: changes.pop(name) for name in set(changes) & {one.name for one in fields(PlaceInDay)}}
    plan = replace(plan_of(day), **of_plan) if of_plan else day.plan
    return replace(day, plan=plan, place=replace(day.place, **of_place), **changes)


def with_field_changes(field: FieldProspect, **changes: Any) -> FieldProspect:
    """Return a field that is another in some respects, its stand too."""
    of_stand = {name: changes.pop(name) for name in set(changes) & {one.name for one in fields(StandToday)}}
    return replace(field, stand=replace(stand_of(field), **of_stand), **changes)


def plan_of(day: FieldDay) -> WorkHours:
    assert day.plan is not None
    return day.plan


def stand_of(field: FieldProspect) -> StandToday:
    assert field.stand is not None
    return field.stand


def weather(age_hours: float = 3.0) -> WeatherFacts:
    issued = DAWN - timedelta(hours=age_hours)
    return WeatherFacts("open-meteo", "gfs025", issued, DAWN, age_hours, 31, "Invented forecasts, CC BY 4.0")


def prospect(*fields: FieldProspect) -> Prospect:
    return Prospect("Two Elms", DAWN, weather(), fields)


def mow_morning() -> Morning:
    """One field to mow today and one that is not ripe."""
    long = field_prospect(
        "Long Meadow",
        22.0,
        field_day(0),
        field_day(1, acres=0.0, odds=0.44, reason=Reason.ODDS_TOO_LOW),
        field_day(2, acres=0.0, odds=None, reason=Reason.RAIN),
        field_day(3, acres=12.7, odds=0.71),
        field_day(6, acres=0.0, odds=None, reason=Reason.DAY_OFF),
        field_day(7, acres=9.35, odds=0.7),
    )
    creek = with_field_changes(
        field_prospect("Creek & Bend", 9.5, field_day(0, 0.0, None, Reason.NOT_RIPE), ripeness=Ripeness.GROWING),
        ndf=Band(38.0, 41.0, 44.0),
        stage="leaf",
        days_left=12.0,
    )
    advices = (
        Advice("Long Meadow", AdviceKind.MOW, 20 * ACRE, None, long.days[0]),
        Advice("Creek & Bend", AdviceKind.WAIT, 0.0, Reason.NOT_RIPE, creek.days[0]),
    )
    return Morning(DAY, advices, prospect(long, creek))


def stated(reason: Reason, text: str) -> Unknown:
    """An unknown with a text that came with it."""
    return Unknown(reason, StatedCause(text))


def unknown_morning() -> Morning:
    """Nothing is known: there is no weather."""
    found = replace(prospect(), weather=None, trouble=Unknown(Reason.DATA_MISSING))
    return Morning(DAY, (Advice("Long Meadow", AdviceKind.NONE, 0.0, Reason.DATA_MISSING, None),), found)


def wait_morning() -> Morning:
    """One field is ripe, but only Thursday will do."""
    today = field_day(0, acres=0.0, odds=None, reason=Reason.RAIN)
    long = field_prospect("Long Meadow", 22.0, today, field_day(3, acres=12.7, odds=0.71))
    return Morning(DAY, (Advice("Long Meadow", AdviceKind.WAIT, 0.0, Reason.RAIN, today),), prospect(long))

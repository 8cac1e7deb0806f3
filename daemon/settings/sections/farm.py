"""The sections [farm], [baleage], [alerts] with its people, and [page]."""

from collections.abc import Iterator
from datetime import datetime, time, timedelta
from typing import Annotated, Final
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field

from daemon.domain.farm import Channel, Subscription, Units
from daemon.settings.sections.base import Conflict, Section, duplicate_indices
from daemon.settings.sections.work import FOOT
from daemon.settings.values.addresses import HeartbeatAddress, Recipient, WebAddress
from daemon.settings.values.kinds import Choice, Flag, Number, OptionUnit, Text, TimeOfDay, WholeNumber
from daemon.settings.values.lists import SetOf

QUIET_FROM: Final = time(21, 0)
QUIET_UNTIL: Final = time(5, 0)
MAX_NOON_OFFSET: Final = 4.0  # [h] no place has its solar noon farther from twelve on the clock

_LENGTH: Final = (OptionUnit("ft", FOOT), OptionUnit("m"))
_LOW_LENGTH: Final = (OptionUnit("in", FOOT / 12.0), OptionUnit("cm", 0.01))
_BALE_MOISTURE: Final = Number(0.40, 0.619, OptionUnit("%", 0.01))


class TimezoneName(Choice[str]):
    """The name of a time zone."""

    def __init__(self) -> None:
        super().__init__({name: name for name in sorted(available_timezones()) if "/" in name or name == "UTC"})

    def allowed(self, units: Units) -> str:
        """Return examples of a name, for there are too many to list."""
        return 'the name of a time zone, such as "America/New_York" or "Europe/Oslo"'


class FarmSection(Section):
    """The options of [farm]."""

    name: Annotated[str, Text()] = Field(description="what the messages call the farm", examples=['"Home farm"'])
    latitude: Annotated[float, Number(-66.0, 66.0, OptionUnit("degrees"))] = Field(
        description="degrees north, south is negative", examples=["43.0"]
    )
    longitude: Annotated[float, Number(-180.0, 180.0, OptionUnit("degrees"))] = Field(
        description="degrees east, west is negative", examples=["-74.0"]
    )
    elevation: Annotated[float, Number(-400.0, 4000.0, *_LENGTH)] = Field(
        description="height above the sea", examples=["900"]
    )
    timezone: Annotated[str, TimezoneName()] = Field(
        description="the clock the farm lives by", examples=['"America/New_York"']
    )
    units: Annotated[Units, Choice({"us": Units.US, "metric": Units.METRIC})] = Field(
        description="the units of this file and of the messages", examples=['"us"']
    )
    season: Annotated[frozenset[int] | None, SetOf(WholeNumber(1, 12), min_items=1)] = Field(
        None, description="months with messages; left out: 4 to 10, south of the equator 10 to 4"
    )
    horses_fed: Annotated[bool, Flag()] = Field(False, description="whether horses are fed with the bales")
    cows_kept: Annotated[bool, Flag()] = Field(False, description="whether milking cows are kept, who suffer in heat")

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield a conflict if solar noon is hours from twelve on the clock: most often a minus sign is missing."""
        offset = datetime(2026, 1, 15, tzinfo=ZoneInfo(self.timezone)).utcoffset() or timedelta()
        noon_offset = (self.longitude / 15.0 - offset.total_seconds() / 3600.0 + 12.0) % 24.0 - 12.0
        if abs(noon_offset) > MAX_NOON_OFFSET:
            yield Conflict(
                ("longitude",),
                f"{self.longitude:g} in {self.timezone}",
                "a longitude that lies in the time zone, west is negative",
                f"write longitude = {-self.longitude:g} or change timezone",
                ("timezone",),
            )


class BaleageSection(Section):
    """The options of [baleage]."""

    aim: Annotated[float, _BALE_MOISTURE] = Field(0.50, description="water in the crop that baling aims at")
    wettest: Annotated[float, _BALE_MOISTURE] = Field(
        0.55, description="no baling above; a warning over 57, refused from 62"
    )
    driest: Annotated[float, _BALE_MOISTURE] = Field(
        0.45, description="drier crop is told of in the message; a warning under 45"
    )
    swath_width: Annotated[float, Number(0.25, 1.0, OptionUnit(""))] = Field(
        0.85, description="swath width as share of the cut width"
    )
    conditioned: Annotated[bool, Flag()] = Field(False, description="whether a conditioner crimps or crushes the crop")
    stubble: Annotated[float, Number(0.02, 0.3, *_LOW_LENGTH)] = Field(
        4.0 * FOOT / 12.0, description="height at which the crop is cut; kept, not used yet"
    )

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield a conflict if the moistures are out of order."""
        if not self.driest <= self.aim <= self.wettest:
            given = f"{100 * self.aim:g} with driest {100 * self.driest:g} and wettest {100 * self.wettest:g}"
            default_aim = type(self).model_fields["aim"].default
            aim = sorted((self.driest, default_aim, self.wettest))[1]  # the default, or the limit nearest to it
            yield Conflict(
                ("aim",), given, "from driest to wettest", f"write aim = {100 * aim:g}", ("driest", "wettest")
            )
        elif not self.driest < self.wettest:
            given = f"{100 * self.wettest:g}, the same as driest"
            yield Conflict(("wettest",), given, "more than driest", "write driest = 45, wettest = 55", ("driest",))


class PersonSection(Section):
    """The options of [[alerts.person]]."""

    name: Annotated[str, Text()] = Field(description="who it is", examples=['"Sam"'])
    by: Annotated[Channel, Choice({channel.value: channel for channel in Channel})] = Field(
        description="how this person is reached", examples=['"text"']
    )
    address: Annotated[str, Recipient()] = Field(
        description="where to, as an Apprise address; never shown", examples=['"json://127.0.0.1:8080/text"']
    )
    hears: Annotated[Subscription | None, Choice({messages.value: messages for messages in Subscription})] = Field(
        None, description='what to tell; left out: "mow days" by text, "ripe mornings" by email'
    )
    second_by: Annotated[Channel | None, Choice({channel.value: channel for channel in Channel})] = Field(
        None, description="how the person is reached where the first way fails"
    )
    second_address: Annotated[str | None, Recipient()] = Field(
        None, description="where to then; left out: there is no second way"
    )

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield a conflict if only half of the second way is given."""
        if (self.second_by is None) == (self.second_address is None):
            return
        present, missing = "second_by", "second_address"
        if self.second_by is None:
            present, missing = missing, present
        allowed = "both second_by and second_address, or neither"
        yield Conflict((present,), f"{present} alone", allowed, f"add {missing}")


class AlertsSection(Section):
    """The options of [alerts]."""

    morning: Annotated[time, TimeOfDay(time(0, 0), time(11, 59))] = Field(
        time(5, 30), description="when the morning's message goes out"
    )
    evening: Annotated[time, TimeOfDay(time(12, 0), time(23, 59))] = Field(
        time(18, 0), description="when the evening's heads-up goes out"
    )
    odds_needed: Annotated[int, WholeNumber(5, 9)] = Field(
        7, description="how sure, out of 10, before mowing is advised"
    )
    quiet_from: Annotated[time | None, TimeOfDay(time(12, 0), time(23, 59))] = Field(
        None, description="nothing is sent from this hour on; left out: 21:00, or the evening's hour if that is later"
    )
    quiet_until: Annotated[time | None, TimeOfDay(time(0, 0), time(11, 59))] = Field(
        None, description="until this hour; left out: 05:00, or the morning's hour if that is sooner"
    )
    most_a_day: Annotated[int, WholeNumber(1, 50)] = Field(
        8, description="messages to a person in a day; what to mow and what is called off goes all the same"
    )
    second_after: Annotated[float, Number(5.0, 240.0, OptionUnit("min"))] = Field(
        20.0, description="how long after which what did not go out is tried the person's second way"
    )
    alive_address: Annotated[str | None, HeartbeatAddress()] = Field(
        None, description="asked for each day once the morning's messages are out, for who watches over the service"
    )
    trouble_address: Annotated[str | None, HeartbeatAddress()] = Field(
        None, description="told the reason, by POST, when they are not"
    )
    person: list[PersonSection] = Field([], description="whom to tell, each an [[alerts.person]]")

    def quiet_hours(self) -> tuple[time, time]:
        """Return from when until when no message is sent."""
        quiet_from = self.quiet_from or max(QUIET_FROM, self.evening)
        quiet_until = self.quiet_until or min(QUIET_UNTIL, self.morning)
        return quiet_from, quiet_until

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield conflicts if a message falls into the quiet hours, or if two people have the same name and channel."""
        quiet_from, quiet_until = self.quiet_hours()
        if self.morning < quiet_until:
            fix = f'write quiet_until = "{self.morning:%H:%M}" or earlier'
            given = f"{quiet_until:%H:%M}, after morning {self.morning:%H:%M}"
            yield Conflict(("quiet_until",), given, "no later than the morning's message", fix, ("morning",))
        if self.evening > quiet_from:
            fix = f'write quiet_from = "{self.evening:%H:%M}" or later'
            given = f"{quiet_from:%H:%M}, before evening {self.evening:%H:%M}"
            yield Conflict(("quiet_from",), given, "no sooner than the evening's message", fix, ("evening",))
        for index in duplicate_indices([f"{person.name} by {person.by}" for person in self.person]):
            name = self.person[index].name
            allowed = "each name once by text and once by email"
            yield Conflict(("person", index, "name"), f'"{name}" again', allowed, f'write name = "{name} 2"')


class PageSection(Section):
    """The options of [page]."""

    host: Annotated[str, Text(max_length=253, pattern=r"^[\w.:-]+$", meaning="a host name or address in quotes")] = (
        Field("127.0.0.1", description="where the status page listens; 127.0.0.1 keeps it on this computer")
    )
    port: Annotated[int, WholeNumber(0, 65535)] = Field(8377, description="its port; 0 takes a free one")
    address: Annotated[str | None, WebAddress()] = Field(
        None, description="where people reach the page's /answer/ from outside; left out: no links to answer by"
    )

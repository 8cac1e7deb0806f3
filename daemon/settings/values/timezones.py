"""Checks the time zone of a place by the towns that time zones are named after, and by the hour of its noon."""

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from math import cos, hypot, radians
from re import fullmatch
from typing import Final
from zoneinfo import ZoneInfo

KM_PER_DEGREE: Final = 111.2  # of latitude
# A place may live by the clock of a zone that has a town within this distance, or within this ratio to the distance of
# the nearest town of all: in wide country the table has few towns.
NEAR_TOWN_DISTANCE: Final = 8.0  # [degrees]
NEAR_TOWN_RATIO: Final = 2.0
# How long before and after twelve on the clock a country's noon may be. Of 16000 places drawn at random from a map of
# the time zones none was outside both these limits and the two above, except for the west of China.
EARLIEST_NOON: Final = 0.95  # [h] before twelve
LATEST_NOON: Final = 2.4  # [h] after twelve
LATEST_NOON_IN_CHINA: Final = 3.2  # [h] after twelve: one clock serves all of China, up to its far west
CHINA_ZONE: Final = "Asia/Shanghai"
# One of them has summer time, in the south January and in the north July.
JANUARY_AND_JULY: Final = (datetime(2026, 1, 15, tzinfo=UTC), datetime(2026, 7, 15, tzinfo=UTC))
OCEANS: Final = ("Arctic", "Atlantic", "Indian", "Pacific")  # with these the names of some zones begin


@dataclass(frozen=True)
class Town:
    """The town that a time zone is named after: its place [degrees] and the code of its country."""

    zone: str
    country: str
    latitude: float
    longitude: float

    def distance(self, latitude: float, longitude: float) -> float:
        """Return the distance from a place [degrees of latitude], on a flat map that is true to scale at the place."""
        east = (self.longitude - longitude + 180.0) % 360.0 - 180.0
        return hypot(self.latitude - latitude, east * cos(radians(latitude)))


@dataclass(frozen=True)
class ClockMismatch:
    """A time zone that a place can hardly live by: the likely zone, and its offset from the doubtful one in words."""

    likely_zone: str
    offset_text: str


def nearest_zone(latitude: float, longitude: float) -> str:
    """Return the time zone whose town is nearest to a place.

    Parameters
    ----------
    latitude, longitude : float
        [degrees]

    Notes
    -----
    It is a suggestion: the table of towns that comes with the time zones knows no borders.

    Examples
    --------
    >>> nearest_zone(42.8, -75.1), nearest_zone(59.9, 10.7), nearest_zone(-43.5, 172.6)
    ('America/New_York', 'Europe/Oslo', 'Pacific/Auckland')
    """
    return _nearest_town(latitude, longitude).zone


def location_text(latitude: float, longitude: float, *, miles: bool) -> str:
    """Return in words where a place lies: the part of the world and the nearest town of the table.

    Examples
    --------
    >>> location_text(43.1, 74.3, miles=True), location_text(-43.5, 172.6, miles=False)
    ('in Asia, 20 miles from Bishkek (Kyrgyzstan)', 'in the Pacific, 760 km from Auckland (New Zealand)')
    """
    town = _nearest_town(latitude, longitude)
    part, _, name = town.zone.partition("/")
    unit, km_per_unit = ("miles", 1.609344) if miles else ("km", 1.0)
    distance = _round_to_tens(town.distance(latitude, longitude) * KM_PER_DEGREE / km_per_unit)
    return f"in {_part_text(part)}, {distance} {unit} from {_town_text(name)} ({_countries()[town.country]})"


def _part_text(part: str) -> str:
    """Return a part of the world in words, from the first part of a zone's name.

    >>> _part_text("Indian"), _part_text("Pacific"), _part_text("Europe")
    ('the Indian Ocean', 'the Pacific', 'Europe')
    """
    if part == "Indian":
        return "the Indian Ocean"
    return f"the {part}" if part in OCEANS else part


def clock_mismatch(zone: str, latitude: float, longitude: float, *, strict: bool = False) -> ClockMismatch | None:
    """Return how the clock of a time zone disagrees with a place, None where the place may live by it.

    Parameters
    ----------
    zone : str
        Name of the time zone.
    latitude, longitude : float
        [degrees]
    strict : bool
        Whether to doubt every clock but that of the nearest town. That doubts many a right one, and suits a question
        that is asked only once.
    """
    likely = _nearest_town(latitude, longitude).zone
    if _utc_offsets(likely) == _utc_offsets(zone):
        return None
    if not strict and (_has_town_near(zone, latitude, longitude) or _has_likely_noon(zone, longitude)):
        return None
    return ClockMismatch(likely, f"{_offset_text(likely, zone)} {zone}")


def _has_town_near(zone: str, latitude: float, longitude: float) -> bool:
    """Return whether a town that lives by the same clock as a zone is near a place."""
    nearest = _nearest_town(latitude, longitude).distance(latitude, longitude)
    limit = max(NEAR_TOWN_DISTANCE, NEAR_TOWN_RATIO * nearest)
    same_clock = [town for town in _towns() if _utc_offsets(town.zone) == _utc_offsets(zone)]
    return any(town.distance(latitude, longitude) <= limit for town in same_clock)


def _has_likely_noon(zone: str, longitude: float) -> bool:
    """Return whether solar noon, on the clock of January, is no farther from twelve than it is in some country."""
    before_twelve = (longitude / 15.0 - _utc_offsets(zone)[0] + 12.0) % 24.0 - 12.0
    latest = LATEST_NOON_IN_CHINA if _utc_offsets(zone) == _utc_offsets(CHINA_ZONE) else LATEST_NOON
    return -latest <= before_twelve <= EARLIEST_NOON


def _offset_text(zone: str, other: str) -> str:
    """Return in words how far one clock is ahead of another or behind it.

    >>> _offset_text("America/New_York", "America/Chicago"), _offset_text("America/Phoenix", "America/Denver")
    ('an hour ahead of', 'an hour behind, for part of the year,')
    """
    january, july = (mine - its for mine, its in zip(_utc_offsets(zone), _utc_offsets(other), strict=True))
    greatest = max(january, july, key=abs)
    hours = {0.5: "half an hour", 1.0: "an hour"}.get(abs(greatest), f"{abs(greatest):g} hours")
    direction = "ahead of" if greatest > 0.0 else "behind"
    partly = "" if january == july else ", for part of the year,"
    return f"{hours} {direction}{partly}"


@cache
def _utc_offsets(zone: str) -> tuple[float, float]:
    """Return how far a clock is ahead of UTC in January and in July [h]."""
    january, july = (instant.astimezone(ZoneInfo(zone)).utcoffset() for instant in JANUARY_AND_JULY)
    assert january is not None and july is not None  # every zone has one
    return january.total_seconds() / 3600.0, july.total_seconds() / 3600.0


def _nearest_town(latitude: float, longitude: float) -> Town:
    return min(_towns(), key=lambda town: town.distance(latitude, longitude))


@cache
def _towns() -> tuple[Town, ...]:
    """Return the towns of the table, whose rows are country, place, name and remarks."""
    return tuple(Town(row[2], row[0], *_parse_iso6709(row[1])) for row in _table_rows("zone.tab"))


@cache
def _countries() -> dict[str, str]:
    return {row[0]: row[1] for row in _table_rows("iso3166.tab")}


def _table_rows(name: str) -> list[list[str]]:
    """Return the rows of a tab-separated table that comes with the time zones, without its comments."""
    text = files("tzdata").joinpath("zoneinfo", name).read_text(encoding="utf-8")
    return [line.split("\t") for line in text.splitlines() if line and not line.startswith("#")]


def _parse_iso6709(written: str) -> tuple[float, float]:
    """Return the latitude and longitude [degrees] of a place that is written as in ISO 6709.

    Examples
    --------
    >>> _parse_iso6709("+4042-07430")
    (40.7, -74.5)
    """
    match = fullmatch(r"([+-])(\d\d)(\d\d)\d*([+-])(\d\d\d)(\d\d)\d*", written)
    if match is None:
        raise ValueError(written)
    return _degrees(*match.groups()[:3]), _degrees(*match.groups()[3:])


def _degrees(sign: str, whole: str, minutes: str) -> float:
    return float(f"{sign}1") * (int(whole) + int(minutes) / 60.0)


def _town_text(name: str) -> str:
    """Return the name of a town as people write it.

    >>> _town_text("Indiana/Tell_City"), _town_text("New_York")
    ('Tell City, Indiana', 'New York')
    """
    return ", ".join(reversed(name.replace("_", " ").split("/")))


def _round_to_tens(distance: float) -> int:
    """Return a distance rounded to the nearest ten, never to 0."""
    return max(10, 10 * round(distance / 10.0))

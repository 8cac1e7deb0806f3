"""Which clock a place lives by: the towns that the time zones are named after, and how far a clock is from the sun."""

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from math import cos, hypot, radians
from re import fullmatch
from typing import Final
from zoneinfo import ZoneInfo

KM_PER_DEGREE: Final = 111.2  # of latitude
NEAR_TOWN_DISTANCE: Final = 8.0  # [degrees] a zone may have its nearest town so far from a place that lives by it
NEAR_TOWN_RATIO: Final = 2.0  # or that many times as far as the nearest town of all: the towns are few in wide country
# No land has its noon sooner than this before twelve on the clock, or later after it: of 16000 places drawn at random
# from a map of the zones none was out of both these limits and the two above, but for the west of China.
EARLIEST_NOON: Final = 0.95  # [h]
LATEST_NOON: Final = 2.4  # [h]
LATEST_NOON_IN_CHINA: Final = 3.2  # [h] where the clock of China is kept, as it is up to its far west
CHINA_ZONE: Final = "Asia/Shanghai"
JANUARY_AND_JULY: Final = (
    datetime(2026, 1, 15, tzinfo=UTC),
    datetime(2026, 7, 15, tzinfo=UTC),
)  # summer time, south and north
OCEANS: Final = ("Arctic", "Atlantic", "Indian", "Pacific")  # which names of zones begin with


@dataclass(frozen=True)
class Town:
    """The town that a time zone is named after: its place [degrees] and the code of its country."""

    zone: str
    country: str
    latitude: float
    longitude: float

    def distance(self, latitude: float, longitude: float) -> float:
        """Return how far it is from a place, on a map that is right there [degrees]."""
        east = (self.longitude - longitude + 180.0) % 360.0 - 180.0
        return hypot(self.latitude - latitude, east * cos(radians(latitude)))


@dataclass(frozen=True)
class ClockMismatch:
    """A clock that is not the one of a place by all that is known: the likely one, and how that stands to it."""

    likely_zone: str
    offset_text: str


def nearest_zone(latitude: float, longitude: float) -> str:
    """Return the time zone whose town lies nearest.

    Parameters
    ----------
    latitude, longitude : float
        [degrees]

    Notes
    -----
    A suggestion: by the table of towns that comes with the zones, and not by borders.

    Examples
    --------
    >>> nearest_zone(42.8, -75.1), nearest_zone(59.9, 10.7), nearest_zone(-43.5, 172.6)
    ('America/New_York', 'Europe/Oslo', 'Pacific/Auckland')
    """
    return _nearest_town(latitude, longitude).zone


def location_text(latitude: float, longitude: float, *, miles: bool) -> str:
    """Return in which part of the world a place lies.

    Examples
    --------
    >>> location_text(43.1, 74.3, miles=True), location_text(-43.5, 172.6, miles=False)
    ('in Asia, 20 miles from Bishkek (Kyrgyzstan)', 'in the Pacific, 760 km from Auckland (New Zealand)')
    """
    town = _nearest_town(latitude, longitude)
    part, _, name = town.zone.partition("/")
    said = f"the {part}{' Ocean' if part == 'Indian' else ''}" if part in OCEANS else part
    far = town.distance(latitude, longitude) * KM_PER_DEGREE / (1.609344 if miles else 1.0)
    unit = "miles" if miles else "km"
    return f"in {said}, {_round_to_tens(far)} {unit} from {_town_text(name)} ({_countries()[town.country]})"


def clock_mismatch(zone: str, latitude: float, longitude: float, *, strict: bool = False) -> ClockMismatch | None:
    """Return what speaks against a place living by a time zone, None where it may.

    Parameters
    ----------
    zone : str
        Its name.
    latitude, longitude : float
        [degrees]
    strict : bool
        Whether any other clock than that of the nearest town is doubted, which many a true one is: for a question that
        is asked once.
    """
    likely = _nearest_town(latitude, longitude).zone
    if _utc_offsets(likely) == _utc_offsets(zone):
        return None
    if not strict and (_has_town_near(zone, latitude, longitude) or _has_likely_noon(zone, longitude)):
        return None
    return ClockMismatch(likely, f"{_offset_text(likely, zone)} {zone}")


def _has_town_near(zone: str, latitude: float, longitude: float) -> bool:
    nearest = _nearest_town(latitude, longitude).distance(latitude, longitude)
    own = [town for town in _towns() if _utc_offsets(town.zone) == _utc_offsets(zone)]
    return any(town.distance(latitude, longitude) <= max(NEAR_TOWN_DISTANCE, NEAR_TOWN_RATIO * nearest) for town in own)


def _has_likely_noon(zone: str, longitude: float) -> bool:
    """Return whether the sun's noon is about as far from twelve as it is in some country, without summer time."""
    early = (longitude / 15.0 - _utc_offsets(zone)[0] + 12.0) % 24.0 - 12.0
    late = LATEST_NOON_IN_CHINA if _utc_offsets(zone) == _utc_offsets(CHINA_ZONE) else LATEST_NOON
    return -late <= early <= EARLIEST_NOON


def _offset_text(zone: str, other: str) -> str:
    """Return how one clock stands to another.

    >>> _offset_text("America/New_York", "America/Chicago"), _offset_text("America/Phoenix", "America/Denver")
    ('an hour ahead of', 'an hour behind, for part of the year,')
    """
    apart = [mine - its for mine, its in zip(_utc_offsets(zone), _utc_offsets(other), strict=True)]
    most = max(apart, key=abs)
    hours = {0.5: "half an hour", 1.0: "an hour"}.get(abs(most), f"{abs(most):g} hours")
    partly = "" if apart[0] == apart[1] else ", for part of the year,"
    return f"{hours} {'ahead of' if most > 0.0 else 'behind'}{partly}"


@cache
def _utc_offsets(zone: str) -> tuple[float, float]:
    """Return how far a clock is ahead of UTC in January and in July [h]."""
    january, july = (moment.astimezone(ZoneInfo(zone)).utcoffset() for moment in JANUARY_AND_JULY)
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
    """Return the rows of a table that comes with the zones, with tabs between."""
    text = files("tzdata").joinpath("zoneinfo", name).read_text(encoding="utf-8")
    return [line.split("\t") for line in text.splitlines() if line and not line.startswith("#")]


def _parse_iso6709(written: str) -> tuple[float, float]:
    """Return the degrees of a place written after ISO 6709.

    Examples
    --------
    >>> _parse_iso6709("+4042-07430")
    (40.7, -74.5)
    """
    found = fullmatch(r"([+-])(\d\d)(\d\d)\d*([+-])(\d\d\d)(\d\d)\d*", written)
    if found is None:
        raise ValueError(written)
    return _degrees(*found.groups()[:3]), _degrees(*found.groups()[3:])


def _degrees(sign: str, whole: str, minutes: str) -> float:
    return float(f"{sign}1") * (int(whole) + int(minutes) / 60.0)


def _town_text(name: str) -> str:
    """Return a town as people write it.

    >>> _town_text("Indiana/Tell_City"), _town_text("New_York")
    ('Tell City, Indiana', 'New York')
    """
    return ", ".join(reversed(name.replace("_", " ").split("/")))


def _round_to_tens(distance: float) -> int:
    """Return a distance to the nearest ten."""
    return max(10, 10 * round(distance / 10.0))

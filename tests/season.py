"""How many mowing days a real season holds: `python -m tests.season greensboro` or `london`.

Every morning from May to September goes through the file source and the whole pass as if the hours that came had been
forecast. A day counts where at least ten acres can be wrapped the same day at the odds needed.
"""

import argparse
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from daemon.domain.farm import Baleage, Farm, Field, Place
from daemon.domain.prospect import FieldDay
from daemon.domain.units import HECTARES_PER_ACRE
from daemon.planning.prospect import plan_fields
from daemon.weather.contract import Weather
from daemon.weather.sources.csv_file import read
from tests.support import farms, hourly_records
from tests.support.weather import farm_today

TEN_ACRES = 10.0 * HECTARES_PER_ACRE
YIELDS = (2.0, 3.0, 4.0)  # [t DM/ha]
ODDS = (0.5, 0.7, 0.8)
SITES = {
    "greensboro": (hourly_records.greensboro, Place(36.1, -79.95, 273.0, ZoneInfo("America/New_York"))),
    "london": (hourly_records.london, Place(51.51, -0.12, 30.0, ZoneInfo("Europe/London"))),
}
# The crew of the independent reading that the figures are held against: 7 acres an hour, 25 bales of 4x4 an hour.
WORK: dict[str, Any] = {
    "mown_per_hour": 7.0 * HECTARES_PER_ACRE,
    "raked_per_hour": 7.0 * HECTARES_PER_ACRE,
    "bales_per_hour": 25.0,
    "wraps_per_hour": 25.0,
    "bale_dry_matter": 0.228,
    "earliest_start": time(7),
    "latest_start": time(9),
    "finish_by": time(20, 30),
    "after_dark": True,  # that reading knew no sunset
    "days_off": frozenset[int](),
}


@dataclass(frozen=True)
class Site:
    """A season of real hours, read through the file source once."""

    place: Place
    hours: Weather

    def morning(self, day: date) -> tuple[datetime, Weather]:
        """Return the moment of a morning pass and the weather as it would be known then, as a perfect forecast."""
        now = datetime.combine(day, time(5, 30), self.place.timezone).astimezone(UTC)
        label = pd.Timestamp(now).tz_convert(None)
        issued = {"issued_at": now.isoformat(), "fetched_at": now.isoformat()}
        table = self.hours.past
        ahead = table.sel(time=slice(label - timedelta(hours=36), label + timedelta(hours=44))).assign_attrs(issued)
        return now, Weather(table.sel(time=slice(None, label.floor("h"))), ahead)


def load(name: str) -> Site:
    """Write a record as the CSV file a farm would have and read it back through the file source."""
    record, place = SITES[name]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "record.csv"
        table = record()
        table.to_csv(path, date_format="%Y-%m-%dT%H:%MZ")
        late = table.index[-2].to_pydatetime()
        return Site(place, read(path, late, place))


def season(site: Site, dry_matter: float, odds: float, *, every: int = 1) -> Iterator[FieldDay]:
    """Yield what each morning from 1 May to 30 September finds for a field of this yield [t DM/ha]."""
    farm = farm_at(site.place, dry_matter, odds)
    year = int(site.hours.past["time"].dt.year[0])
    for day in range(0, 153, every):
        now, weather = site.morning(date(year, 5, 1) + timedelta(days=day))
        found = plan_fields(farm_today(farm), weather, now).fields[0]
        yield found.days[0]


def farm_at(place: Place, dry_matter: float, odds: float) -> Farm:
    """Return a farm with one large field of alfalfa and grass that yields this much [t DM/ha]."""
    field = Field(
        "Long Field", 40.0, {"mixed meadow": 1.0}, "loam", "well", dry_matter, last_cut=None, looks=(), notes=""
    )
    return replace(
        farms.farm(),
        place=place,
        season=frozenset(range(5, 10)),
        work=replace(farms.farm().work, **WORK),
        baleage=Baleage(0.50, 0.55, 0.45, 0.85, conditioned=False, stubble=0.1),
        alerts=replace(farms.farm().alerts, odds_needed=odds),
        fields=(field,),
    )


def workable(day: FieldDay, odds: float) -> bool:
    """Return whether ten acres can be wrapped on the day at these odds, whatever the stand's ripeness."""
    return any(chance.area >= TEN_ACRES and chance.odds >= odds for chance in day.curve)


def main() -> int:
    """Print the table of one site."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("site", choices=SITES)
    site = load(parser.parse_args().site)
    print("mowing days of 153 | " + " | ".join(f"{10 * odds:.0f} in 10" for odds in ODDS))
    for dry_matter in YIELDS:
        counts = [sum(workable(day, odds) for day in season(site, dry_matter, odds)) for odds in ODDS]
        print(f"{dry_matter:g} t DM/ha | " + " | ".join(map(str, counts)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

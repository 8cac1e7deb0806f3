"""What really fell while a crop would have been lying."""

from datetime import UTC, datetime, timedelta

import pandas as pd

from daemon.weather.contract import Weather


def wettest_hour(hours: Weather, start: datetime, end: datetime) -> float:
    """Return the largest sum [mm] of any past hour that overlaps a span; labels stand at the end of the hour."""
    after, until = (pd.Timestamp(at.astimezone(UTC)).tz_convert(None) for at in (start, end + timedelta(hours=1)))
    rain = hours.past["precipitation_amount"].isel(member=0).to_series()
    return float(rain[(rain.index > after) & (rain.index < until)].max())

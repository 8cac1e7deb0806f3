"""The kinds of setting that hold days of every year: one day, or all days from one to another."""

import re
from dataclasses import dataclass
from datetime import date
from typing import Final

from daemon.domain.farm import Units
from daemon.settings.values.kinds import Kind
from models.cautions import MonthDay, YearlySpan

COMMON_YEAR: Final = 2025  # without 29 February, which not every year has


def _month_day(month: str, day: str) -> MonthDay:
    """Return a month and a day; raises ValueError for a day that not every year has."""
    day_then = date(COMMON_YEAR, int(month), int(day))
    return day_then.month, day_then.day


def _likely_days(value: object) -> list[MonthDay]:
    """Return the month and day of each date in a value, in whatever way it is written."""
    without_years = re.sub(r"\d{4}-", "", str(value))
    return [_month_day(month, day) for month, day in re.findall(r"(\d{1,2})[-/.](\d{1,2})", without_years)]


@dataclass(frozen=True)
class YearDay(Kind[MonthDay]):
    """A day of every year, as "10-05" for the fifth of October."""

    def allowed(self, units: Units) -> str:
        """Return how a day is written."""
        return 'a month and a day such as "10-05" for 5 October'

    def read(self, value: object, units: Units) -> MonthDay:
        """Return the month and the day."""
        if not isinstance(value, str):
            raise ValueError
        match = re.fullmatch(r"(\d{1,2})-(\d{1,2})", value.strip())
        if match is None:
            raise ValueError
        return _month_day(match[1], match[2])

    def write(self, value: MonthDay, units: Units) -> str:
        """Return the day in quotes."""
        return f'"{_month_day_text(value)}"'

    def nearest(self, value: object, units: Units) -> str | None:
        """Return the day of a date, or a day that is written in another way."""
        try:
            (day,) = _likely_days(value)
        except ValueError:
            return None
        return self.write(day, units)


@dataclass(frozen=True)
class YearDays(Kind[YearlySpan]):
    """All days of every year from one to another, as "05-15 to 06-30"; they may run over the new year."""

    def allowed(self, units: Units) -> str:
        """Return how the days are written."""
        return 'two days, each month-day, such as "05-15 to 06-30"'

    def read(self, value: object, units: Units) -> YearlySpan:
        """Return the first and the last day."""
        if not isinstance(value, str):
            raise ValueError
        first, last = value.split("to")
        return YearlySpan(YearDay().read(first, units), YearDay().read(last, units))

    def write(self, value: YearlySpan, units: Units) -> str:
        """Return both days in quotes."""
        return f'"{_month_day_text(value.first)} to {_month_day_text(value.last)}"'

    def nearest(self, value: object, units: Units) -> str | None:
        """Return two days that are written in another way."""
        try:
            first, last = _likely_days(value)
        except ValueError:
            return None
        return self.write(YearlySpan(first, last), units)


def _month_day_text(day: MonthDay) -> str:
    return f"{day[0]:02}-{day[1]:02}"

"""Numbers in the farm's own units and in everyday words."""

import math
from datetime import date, datetime, time
from typing import Final

from daemon.domain.farm import Units
from daemon.domain.units import HECTARES_PER_ACRE, METRES_PER_INCH, POUNDS_PER_SHORT_TON, POUNDS_PER_TONNE, tenths
from daemon.words.catalog import counted, said

_SLACK: Final = 1e-3  # keeps 20 acres, stored in hectares, from becoming 19


def area(hectares: float, units: Units) -> str:
    """Return an area to be worked, rounded down so that it never promises more than was found.

    Whole acres from 10 up and tenths below; hectares in tenths.

    Examples
    --------
    >>> area(8.0937, Units.US), area(0.40469, Units.US), area(3.3, Units.US), area(8.0937, Units.METRIC)
    ('20 acres', '1 acre', '8.1 acres', '8 hectares')
    """
    amount, key = _amount(hectares, units)
    step = 1.0 if units is Units.US and amount + _SLACK >= 10.0 else 0.1
    return counted(key, _digits(math.floor(amount / step + _SLACK / step) * step))


def size(hectares: float, units: Units) -> str:
    """Return the size of a field to the nearest tenth.

    Examples
    --------
    >>> size(12.5 * HECTARES_PER_ACRE, Units.US)
    '12.5 acres'
    """
    amount, key = _amount(hectares, units)
    return counted(key, _digits(amount))


def crop(tonnes_per_hectare: float, units: Units) -> str:
    """Return a yield of dry matter.

    Examples
    --------
    >>> crop(4.5, Units.US), crop(4.5, Units.METRIC)
    ('2.0 tons of dry matter an acre', '4.5 tonnes of dry matter a hectare')
    """
    if units is Units.METRIC:
        return said("units.tonnes_a_hectare", count=_tenths(tonnes_per_hectare))
    tons = tonnes_per_hectare * POUNDS_PER_TONNE / POUNDS_PER_SHORT_TON * HECTARES_PER_ACRE
    return said("units.tons_an_acre", count=_tenths(tons))


def crop_weight(units: Units) -> tuple[float, str]:
    """Return the weight in which a change of the yield is told: how many of it are 1 t/ha, and its name.

    Examples
    --------
    >>> crop_weight(Units.METRIC)
    (1000.0, 'kg a hectare')
    """
    if units is Units.METRIC:
        return 1000.0, said("units.kg_a_hectare")
    return POUNDS_PER_TONNE * HECTARES_PER_ACRE, said("units.lb_an_acre")


def height(metres: float, units: Units) -> str:
    """Return a height of plants as it was read.

    Examples
    --------
    >>> height(0.5588, Units.US), height(0.56, Units.METRIC), height(0.0254, Units.US)
    ('22 inches', '56 cm', '1 inch')
    """
    if units is Units.METRIC:
        return said("units.cm", count=_pointed(f"{100.0 * metres:.3g}"))
    return counted("units.inches", _digits(metres / METRES_PER_INCH))


def moisture(fraction: float) -> str:
    """Return a moisture (fraction of the fresh weight) in percent.

    Examples
    --------
    >>> moisture(0.5)
    '50%'
    """
    return said("units.percent", count=f"{100.0 * fraction:.0f}")


def two_digits(weight: float) -> str:
    """Return a weight as exactly as an estimate can be.

    >>> two_digits(526.3), two_digits(67.0)
    ('530', '67')
    """
    return f"{float(f'{weight:.2g}'):.0f}"


def percents(*fractions: float) -> tuple[str, ...]:
    """Return moistures (fractions of the fresh weight) in whole percent, the sign left to the sentence.

    >>> percents(0.424, 0.55)
    ('42', '55')
    """
    return tuple(f"{100.0 * fraction:.0f}" for fraction in fractions)


def at_most(fraction: float) -> str:
    """Return a moisture that must not be passed, rounded down.

    >>> at_most(0.619), at_most(0.55)
    ('61%', '55%')
    """
    return said("units.percent", count=math.floor(100.0 * fraction + _SLACK))


def percent(fraction: float) -> str:
    """Return a moisture as it was read: with a decimal only where it has one.

    >>> percent(0.575), percent(0.58)
    ('57.5%', '58%')
    """
    return said("units.percent", count=_pointed(f"{100.0 * fraction:.3g}"))


def odds(chance: float) -> str:
    """Return odds in tenths, rounded down; nobody is told 0 or 10 in 10.

    Examples
    --------
    >>> odds(0.79), odds(0.7), odds(0.97), odds(0.03)
    ('7 in 10', '7 in 10', '9 in 10', '1 in 10')
    """
    return said("odds.in_ten", count=tenths(chance))


def risk(chance: float) -> str:
    """Return the odds of what is feared in tenths, rounded up; nobody is told 0 or 10 in 10.

    Examples
    --------
    >>> risk(0.71), risk(0.7), risk(0.97), risk(0.03)
    ('8 in 10', '7 in 10', '9 in 10', '1 in 10')
    """
    return said("odds.in_ten", count=min(9, max(1, math.ceil(chance * 10.0 - _SLACK))))


def clock_time(at: time | datetime, units: Units) -> str:
    """Return a time of day on the clock that the farm reads.

    Examples
    --------
    >>> clock_time(time(15, 30), Units.US), clock_time(time(0, 5), Units.US)
    ('3:30 pm', '12:05 am')
    >>> clock_time(time(7, 30), Units.METRIC)
    '7:30'
    """
    minute = f"{at.minute:02d}"
    if units is Units.METRIC:
        return said("time.of_24", hour=at.hour, minute=minute)
    return said("time.before_noon" if at.hour < 12 else "time.after_noon", hour=at.hour % 12 or 12, minute=minute)


def weekday(day: date) -> str:
    """Return the day of the week, whatever the language of the machine.

    Examples
    --------
    >>> weekday(date(2026, 6, 1))
    'Monday'
    """
    return said(f"weekdays.{day.isoweekday()}")


def named_day(day: date) -> str:
    """Return a day with its number, so that next week's is not taken for this week's.

    Examples
    --------
    >>> named_day(date(2026, 6, 4))
    'Thursday 4'
    """
    return said("time.day", weekday=weekday(day), number=day.day)


def moment(at: datetime, units: Units) -> str:
    """Return a time of a day of the coming week.

    Examples
    --------
    >>> moment(datetime(2026, 6, 1, 16), Units.US)
    'Monday 4:00 pm'
    """
    return said("time.at", weekday=weekday(at), time=clock_time(at, units))


def month_day(month: int, day: int) -> str:
    """Return a day of every year in words, whatever the language of the machine.

    Examples
    --------
    >>> month_day(6, 4)
    '4 June'
    """
    return said("time.month_day", number=day, month=said(f"months.{month}"))


def day_words(day: date) -> str:
    """Return a day of one year in words, whatever the language of the machine.

    >>> day_words(date(2026, 6, 4))
    '4 June 2026'
    """
    return said("time.date", number=day.day, month=said(f"months.{day.month}"), year=day.year)


def _amount(hectares: float, units: Units) -> tuple[float, str]:
    """Return an area in the farm's unit, and the key of that."""
    return (hectares / HECTARES_PER_ACRE, "units.acres") if units is Units.US else (hectares, "units.hectares")


def _digits(amount: float) -> str:
    return _pointed(f"{amount:.1f}".removesuffix(".0"))


def _tenths(amount: float) -> str:
    return _pointed(f"{amount:.1f}")


def _pointed(digits: str) -> str:
    return digits.replace(".", said("units.point"))

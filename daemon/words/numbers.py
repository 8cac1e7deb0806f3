"""Numbers in the farm's own units and in everyday words."""

import math
from datetime import date, datetime, time
from typing import Final

from daemon.domain.farm import Units
from daemon.domain.units import HECTARES_PER_ACRE, METRES_PER_INCH, POUNDS_PER_SHORT_TON, POUNDS_PER_TONNE, odds_tenths
from daemon.words.catalog import phrase, plural

_SLACK: Final = 1e-3  # keeps 20 acres, stored in hectares, from becoming 19


def area_text(hectares: float, units: Units) -> str:
    """Return an area to be worked, rounded down so that it never promises more than was found.

    Whole acres from 10 up and tenths below; hectares in tenths.

    Examples
    --------
    >>> area_text(8.0937, Units.US), area_text(0.40469, Units.US), area_text(3.3, Units.US)
    ('20 acres', '1 acre', '8.1 acres')
    >>> area_text(8.0937, Units.METRIC)
    '8 hectares'
    """
    amount, key = _amount_and_unit_key(hectares, units)
    step = 1.0 if units is Units.US and amount + _SLACK >= 10.0 else 0.1
    return plural(key, _short_number_text(math.floor(amount / step + _SLACK / step) * step))


def field_size_text(hectares: float, units: Units) -> str:
    """Return the size of a field to the nearest tenth.

    Examples
    --------
    >>> field_size_text(12.5 * HECTARES_PER_ACRE, Units.US)
    '12.5 acres'
    """
    amount, key = _amount_and_unit_key(hectares, units)
    return plural(key, _short_number_text(amount))


def yield_text(tonnes_per_hectare: float, units: Units) -> str:
    """Return a yield of dry matter.

    Examples
    --------
    >>> yield_text(4.5, Units.US), yield_text(4.5, Units.METRIC)
    ('2.0 tons of dry matter an acre', '4.5 tonnes of dry matter a hectare')
    """
    if units is Units.METRIC:
        return phrase("units.tonnes_a_hectare", count=_tenths_text(tonnes_per_hectare))
    tons = tonnes_per_hectare * POUNDS_PER_TONNE / POUNDS_PER_SHORT_TON * HECTARES_PER_ACRE
    return phrase("units.tons_an_acre", count=_tenths_text(tons))


def yield_change_unit(units: Units) -> tuple[float, str]:
    """Return the weight in which a change of the yield is told: how many of it are 1 t/ha, and its name.

    Examples
    --------
    >>> yield_change_unit(Units.METRIC)
    (1000.0, 'kg a hectare')
    """
    if units is Units.METRIC:
        return 1000.0, phrase("units.kg_a_hectare")
    return POUNDS_PER_TONNE * HECTARES_PER_ACRE, phrase("units.lb_an_acre")


def height_text(metres: float, units: Units) -> str:
    """Return a height of plants as it was read.

    Examples
    --------
    >>> height_text(0.5588, Units.US), height_text(0.56, Units.METRIC), height_text(0.0254, Units.US)
    ('22 inches', '56 cm', '1 inch')
    """
    if units is Units.METRIC:
        return phrase("units.cm", count=_localize_point(f"{100.0 * metres:.3g}"))
    return plural("units.inches", _short_number_text(metres / METRES_PER_INCH))


def moisture_text(fraction: float) -> str:
    """Return a moisture (fraction of the fresh weight) in percent.

    Examples
    --------
    >>> moisture_text(0.5)
    '50%'
    """
    return phrase("units.percent", count=f"{100.0 * fraction:.0f}")


def two_digit_text(weight: float) -> str:
    """Return a weight as exactly as an estimate can be.

    >>> two_digit_text(526.3), two_digit_text(67.0)
    ('530', '67')
    """
    return f"{float(f'{weight:.2g}'):.0f}"


def whole_percents(*fractions: float) -> tuple[str, ...]:
    """Return moistures (fractions of the fresh weight) in whole percent, the sign left to the sentence.

    >>> whole_percents(0.424, 0.55)
    ('42', '55')
    """
    return tuple(f"{100.0 * fraction:.0f}" for fraction in fractions)


def moisture_limit_text(fraction: float) -> str:
    """Return a moisture that must not be passed, rounded down.

    >>> moisture_limit_text(0.619), moisture_limit_text(0.55)
    ('61%', '55%')
    """
    return phrase("units.percent", count=math.floor(100.0 * fraction + _SLACK))


def measured_moisture_text(fraction: float) -> str:
    """Return a moisture as it was read: with a decimal only where it has one.

    >>> measured_moisture_text(0.575), measured_moisture_text(0.58)
    ('57.5%', '58%')
    """
    return phrase("units.percent", count=_localize_point(f"{100.0 * fraction:.3g}"))


def odds_text(chance: float) -> str:
    """Return odds in tenths, rounded down; nobody is told 0 or 10 in 10.

    Examples
    --------
    >>> odds_text(0.79), odds_text(0.7), odds_text(0.97), odds_text(0.03)
    ('7 in 10', '7 in 10', '9 in 10', '1 in 10')
    """
    return phrase("odds.in_ten", count=odds_tenths(chance))


def risk_text(chance: float) -> str:
    """Return the odds of what is feared in tenths, rounded up; nobody is told 0 or 10 in 10.

    Examples
    --------
    >>> risk_text(0.71), risk_text(0.7), risk_text(0.97), risk_text(0.03)
    ('8 in 10', '7 in 10', '9 in 10', '1 in 10')
    """
    return phrase("odds.in_ten", count=min(9, max(1, math.ceil(chance * 10.0 - _SLACK))))


def time_text(at: time | datetime, units: Units) -> str:
    """Return a time of day on the clock that the farm reads.

    Examples
    --------
    >>> time_text(time(15, 30), Units.US), time_text(time(0, 5), Units.US)
    ('3:30 pm', '12:05 am')
    >>> time_text(time(7, 30), Units.METRIC)
    '7:30'
    """
    minute = f"{at.minute:02d}"
    if units is Units.METRIC:
        return phrase("time.of_24", hour=at.hour, minute=minute)
    return phrase("time.before_noon" if at.hour < 12 else "time.after_noon", hour=at.hour % 12 or 12, minute=minute)


def weekday_name(day: date) -> str:
    """Return the day of the week, whatever the language of the machine.

    Examples
    --------
    >>> weekday_name(date(2026, 6, 1))
    'Monday'
    """
    return phrase(f"weekdays.{day.isoweekday()}")


def day_text(day: date) -> str:
    """Return a day with its number, so that next week's is not taken for this week's.

    Examples
    --------
    >>> day_text(date(2026, 6, 4))
    'Thursday 4'
    """
    return phrase("time.day", weekday=weekday_name(day), number=day.day)


def weekday_time_text(at: datetime, units: Units) -> str:
    """Return a time of a day of the coming week.

    Examples
    --------
    >>> weekday_time_text(datetime(2026, 6, 1, 16), Units.US)
    'Monday 4:00 pm'
    """
    return phrase("time.at", weekday=weekday_name(at), time=time_text(at, units))


def month_day_text(month: int, day: int) -> str:
    """Return a day of every year in words, whatever the language of the machine.

    Examples
    --------
    >>> month_day_text(6, 4)
    '4 June'
    """
    return phrase("time.month_day", number=day, month=phrase(f"months.{month}"))


def date_text(day: date) -> str:
    """Return a day of one year in words, whatever the language of the machine.

    >>> date_text(date(2026, 6, 4))
    '4 June 2026'
    """
    return phrase("time.date", number=day.day, month=phrase(f"months.{day.month}"), year=day.year)


def _amount_and_unit_key(hectares: float, units: Units) -> tuple[float, str]:
    """Return an area in the farm's unit, and the key of that."""
    return (hectares / HECTARES_PER_ACRE, "units.acres") if units is Units.US else (hectares, "units.hectares")


def _short_number_text(amount: float) -> str:
    return _localize_point(f"{amount:.1f}".removesuffix(".0"))


def _tenths_text(amount: float) -> str:
    return _localize_point(f"{amount:.1f}")


def _localize_point(digits: str) -> str:
    return digits.replace(".", phrase("units.point"))

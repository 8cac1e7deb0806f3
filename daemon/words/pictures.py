"""What the pictures of a field show, in words: beside each on the page, and for who does not see it in the email."""

from datetime import timedelta
from typing import Final

from daemon.domain.farm import Farm
from daemon.domain.prospect import Band, DryingPicture, FieldProspect, best_fibre, drawn_day, water_by
from daemon.words.catalog import said
from daemon.words.numbers import clock_time, named_day, percents, risk

LITTLE: Final = 0.05  # share of the forecast in which an hour is wet, below which its rain is not told in tenths


def picture_words(farm: Farm, field: FieldProspect) -> str:
    """Return what the picture of a field's drying shows in two sentences, empty where there is none."""
    shown = field.drying_picture
    if shown is None:
        return ""
    day, units = drawn_day(field), farm.units
    told = {"field": field.name, "day": named_day(shown.date), "start": clock_time(shown.mown, units)}
    key, at = "picture.dries", shown.begins + timedelta(hours=len(shown.water))
    if day is not None and day.rake_from is not None:
        key, at = "picture.baled", day.rake_from
    band = water_by(shown, at)
    if band is None:
        return _rain(farm, shown)
    low, high = percents(band.low, band.high)
    return " ".join([said(key, low=low, high=high, time=clock_time(at, units), **told), _rain(farm, shown)])


def growth_words(farm: Farm, field: FieldProspect) -> str:
    """Return what the picture of a field's growth shows in two sentences, empty where there is none."""
    if not field.days or field.ndf_target is None:
        return ""
    first, last = field.days[0], field.days[-1]
    (low, high), (later_low, later_high) = _ends(first.ndf), _ends(last.ndf)
    best = best_fibre(field.ndf_target)
    return said(
        "picture.grows",
        field=field.name,
        day=named_day(first.date),
        low=low,
        high=high,
        later=named_day(last.date),
        later_low=later_low,
        later_high=later_high,
        best_low=f"{best[0]:.0f}",
        best_high=f"{best[1]:.0f}",
    )


def rain_words(share: float) -> str:
    """Return the odds of rain in an hour.

    >>> rain_words(0.0), rain_words(0.31)
    ('under 1 in 10', '4 in 10')
    """
    return said("picture.little") if share < LITTLE else risk(share)


def _rain(farm: Farm, shown: DryingPicture) -> str:
    most = max(shown.rain, default=0.0)
    if most < LITTLE:
        return said("picture.dry")
    ends = shown.begins + timedelta(hours=shown.rain.index(most) + 1)
    return said("picture.rain", odds=risk(most), time=clock_time(ends, farm.units))


def _ends(band: Band) -> tuple[str, str]:
    return f"{band.low:.0f}", f"{band.high:.0f}"

"""What the pictures of a field show, in words: beside each on the page, and for who does not see it in the email."""

from datetime import timedelta
from typing import Final

from daemon.domain.farm import Farm
from daemon.domain.prospect import Band, DryingPicture, FieldProspect, picture_day, ripe_fibre_range, water_at
from daemon.words.catalog import phrase
from daemon.words.numbers import day_text, risk_text, time_text, whole_percents

LITTLE_RAIN_SHARE: Final = (
    0.05  # share of the forecast in which an hour is wet, below which its rain is not told in tenths
)


def drying_picture_text(farm: Farm, field: FieldProspect) -> str:
    """Return what the picture of a field's drying shows in two sentences, empty where there is none."""
    shown = field.drying_picture
    if shown is None:
        return ""
    day, units = picture_day(field), farm.units
    told = {"field": field.name, "day": day_text(shown.date), "start": time_text(shown.mown, units)}
    key, at = "picture.dries", shown.begins + timedelta(hours=len(shown.water))
    if day is not None and day.plan is not None:
        key, at = "picture.baled", day.plan.rake_from
    band = water_at(shown, at)
    if band is None:
        return _rain_sentence(farm, shown)
    low, high = whole_percents(band.low, band.high)
    return " ".join([phrase(key, low=low, high=high, time=time_text(at, units), **told), _rain_sentence(farm, shown)])


def growth_picture_text(farm: Farm, field: FieldProspect) -> str:
    """Return what the picture of a field's growth shows in two sentences, empty where there is none."""
    if not field.days or field.stand is None:
        return ""
    first, last = field.days[0], field.days[-1]
    (low, high), (later_low, later_high) = _end_texts(first.ndf), _end_texts(last.ndf)
    best = ripe_fibre_range(field.stand.ndf_target)
    return phrase(
        "picture.grows",
        field=field.name,
        day=day_text(first.date),
        low=low,
        high=high,
        later=day_text(last.date),
        later_low=later_low,
        later_high=later_high,
        best_low=f"{best[0]:.0f}",
        best_high=f"{best[1]:.0f}",
    )


def rain_odds_text(share: float) -> str:
    """Return the odds of rain in an hour.

    >>> rain_odds_text(0.0), rain_odds_text(0.31)
    ('under 1 in 10', '4 in 10')
    """
    return phrase("picture.little") if share < LITTLE_RAIN_SHARE else risk_text(share)


def _rain_sentence(farm: Farm, picture: DryingPicture) -> str:
    most = max(picture.rain, default=0.0)
    if most < LITTLE_RAIN_SHARE:
        return phrase("picture.dry")
    ends = picture.begins + timedelta(hours=picture.rain.index(most) + 1)
    return phrase("picture.rain", odds=risk_text(most), time=time_text(ends, farm.units))


def _end_texts(band: Band) -> tuple[str, str]:
    return f"{band.low:.0f}", f"{band.high:.0f}"

"""The crop of a field as feed, and what one more day of waiting changes."""

from datetime import date

import numpy as np

from daemon.domain.farm import Farm
from daemon.domain.prospect import Quality, Ripeness, Waiting
from daemon.planning.drying import Crop, day_index
from daemon.planning.field_day import classify_ripeness
from models import coefficients as c
from models.growth import DECILE_Z, Growth, GrowthUnknown
from models.quality import BandSeries, Figure, field_quality, waiting_cost


def quality_on(crop: Crop, day: date) -> Quality | None:
    """Return what a standing crop is worth as feed on a day that its growth covers, None where that is not known."""
    growth, at = crop.growth, day_index(crop.growth, day)
    if not np.isfinite(growth.clock[at]):
        return None
    found = field_quality(growth, crop.field.purpose, yield_ratio=site_yield_ratio(crop, day))
    return Quality(*(_figure(band, at) for band in (found.ndf, found.digestibility, found.protein)))


def waiting_cost_on(farm: Farm, crop: Crop, day: date) -> Waiting | None:
    """Return what it changes to mow on the day after instead, None where either day is not known.

    Notes
    -----
    Weather that spoils a cut is not in it. Another cut follows, and comes later, where it falls into the farm's season.
    """
    growth = crop.growth
    try:
        found = waiting_cost(
            growth,
            np.datetime64(day, "D"),
            crop.field.purpose,
            yield_ratio=site_yield_ratio(crop, day),
            cut_again=_earliest_next_cut(growth, day).month in farm.season,
        )
    except GrowthUnknown:
        return None
    return Waiting(found.ndf, found.digestibility, found.dry_matter, found.worth)


def yield_on(crop: Crop, day: date) -> Figure:
    """Return the yield of a standing crop: once it is ripe as the settings expect it, else the growth model's."""
    said = crop.field.expected_yield
    if said is not None and not _is_unripe(crop, day):
        unsure = DECILE_Z * c.YIELD_SPREAD * said
        return Figure(said - unsure, said, said + unsure, "t/ha", "the settings; its spread: estimate")
    return _figure(field_quality(crop.growth, crop.field.purpose).dry_matter, day_index(crop.growth, day))


def site_yield_ratio(crop: Crop, day: date) -> float:
    """Return the field's own yield over the model's [1]: what the settings expect is what a ripe crop yields."""
    growth, at = crop.growth, day_index(crop.growth, day)
    if _is_unripe(crop, day) or crop.field.expected_yield is None:
        return 1.0
    return crop.field.expected_yield / max(float(growth.dry_matter[at]), c.MIN_DRY_MATTER)


def _is_unripe(crop: Crop, day: date) -> bool:
    growth, at = crop.growth, day_index(crop.growth, day)
    return classify_ripeness(float(growth.ndf_mid[at]), growth.ndf_target) is Ripeness.GROWING


def _earliest_next_cut(growth: Growth, day: date) -> date:
    """Return the earliest day on which what is cut on a day can be cut again."""
    leader = max(growth.species_shares, key=growth.species_shares.__getitem__)
    after: date = (np.datetime64(day, "D") + leader.regrowth_days[0]).astype(date)
    return after


def _figure(band: BandSeries, at: int) -> Figure:
    return Figure(float(band.low[at]), float(band.mid[at]), float(band.high[at]), band.unit, band.source)

"""Why the fields of a day come in their order, and what is said of those that hurry."""

from daemon.domain.advice import Advice, Kind, Morning
from daemon.domain.farm import Farm
from daemon.domain.prospect import Hurry, Reason
from daemon.words.catalog import said
from daemon.words.numbers import crop_weight, moment, two_digits


def order(farm: Farm, morning: Morning) -> list[str]:
    """Return why the fields to mow come in their order: those that hurry, or else what the first one of several loses.

    How a crop that lies flat is mown is told with it. Fields that the first one leaves no time for count too.
    """
    hurries, first = hurried(farm, morning), morning.mows[0].day if morning.mows else None
    if hurries or first is None or first.lost_by_waiting is None or not _several(morning):
        return hurries
    weight, unit = crop_weight(farm.units)
    lost, field = weight * first.lost_by_waiting, morning.mows[0].field
    if lost < 1.0:
        return [said("order.loses", field=field)]
    return [said("order.loses_much", field=field, weight=two_digits(lost), unit=unit)]


def hurried(farm: Farm, morning: Morning) -> list[str]:
    """Return what is said of each field to mow that lies flat or that a storm may lay flat."""
    flat = {field.name for field in morning.prospect.fields if field.lodged}
    several = _several(morning)
    told = (_hurry(farm, one, is_flat=one.field in flat, several=several) for one in morning.mows)
    return [words for words in told if words]


def _several(morning: Morning) -> bool:
    """Return whether a field to mow has others behind it."""
    return sum(one.kind is Kind.MOW or one.reason is Reason.DAY_IS_FULL for one in morning.advices) > 1


def _hurry(farm: Farm, advice: Advice, *, is_flat: bool, several: bool) -> str:
    day = advice.day
    if day is None:
        return ""
    first = several and day.hurry is not None and day.after is None
    if is_flat:
        return said("order.flat_first" if first else "order.flat", field=advice.field)
    if day.hurry is not Hurry.STORM or day.storm_at is None:
        return ""
    return said(
        "order.storm_first" if first else "order.storm", field=advice.field, at=moment(day.storm_at, farm.units)
    )

"""Why the fields of a day come in their order, and what is said of those that hurry."""

from daemon.domain.advice import Advice, AdviceKind, Morning
from daemon.domain.farm import Farm
from daemon.domain.prospect import Reason, Urgency
from daemon.words.catalog import phrase
from daemon.words.numbers import two_digit_text, weekday_time_text, yield_change_unit


def order_sentences(farm: Farm, morning: Morning) -> list[str]:
    """Return why the fields to mow come in their order: those that hurry, or else what the first one of several loses.

    How a crop that lies flat is mown is told with it. Fields that the first one leaves no time for count too.
    """
    hurries, first = urgency_sentences(farm, morning), morning.mows[0].day if morning.mows else None
    loss = None if first is None else first.place.lost_by_waiting
    if hurries or loss is None or not _has_several_to_mow(morning):
        return hurries
    weight, unit = yield_change_unit(farm.units)
    lost, field = weight * loss, morning.mows[0].field
    if lost < 1.0:
        return [phrase("order.loses", field=field)]
    return [phrase("order.loses_much", field=field, weight=two_digit_text(lost), unit=unit)]


def urgency_sentences(farm: Farm, morning: Morning) -> list[str]:
    """Return what is said of each field to mow that lies flat or that a storm may lay flat."""
    flat = {field.name for field in morning.prospect.fields if field.lodged}
    several = _has_several_to_mow(morning)
    told = (_urgency_sentence(farm, one, is_flat=one.field in flat, several=several) for one in morning.mows)
    return [words for words in told if words]


def _has_several_to_mow(morning: Morning) -> bool:
    """Return whether a field to mow has others behind it."""
    return sum(one.kind is AdviceKind.MOW or one.reason is Reason.DAY_IS_FULL for one in morning.advices) > 1


def _urgency_sentence(farm: Farm, advice: Advice, *, is_flat: bool, several: bool) -> str:
    if advice.day is None:
        return ""
    place = advice.day.place
    first = several and place.urgency is not None and place.after is None
    if is_flat:
        return phrase("order.flat_first" if first else "order.flat", field=advice.field)
    if place.urgency is not Urgency.STORM or place.storm_at is None:
        return ""
    return phrase(
        "order.storm_first" if first else "order.storm",
        field=advice.field,
        at=weekday_time_text(place.storm_at, farm.units),
    )

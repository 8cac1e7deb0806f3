"""How people were told that the fields under way stand, and what a newer look changes in that."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

from daemon.domain.advice import Advice, Morning, WatchedField, WatchState
from daemon.domain.farm import Farm
from daemon.domain.prospect import FieldDay

FAILING_ODDS: Final = 0.4  # odds under which mowing is to stop: failing is then clearly the likelier of the two
URGENT_WRAP_MOISTURE: Final = 0.60  # water up to which a crop that will not make it is still wrapped [wet basis]
MAX_WRAP_MOISTURE: Final = 0.61  # none at 62 % or over, and no rounding may say so [wet basis]


def start_watch(morning: Morning) -> Morning:
    """Return a morning whose watch begins with what it says of the fields to mow."""
    at = morning.prospect.at
    watched = (_watched_field(advice, advice.day, at) for advice in morning.mows if advice.day is not None)
    return replace(morning, watched=tuple(one for one in watched if one is not None))


def _watched_field(advice: Advice, day: FieldDay, at: datetime) -> WatchedField | None:
    """Return how a field stands as it is advised, None without its hours."""
    if day.plan is None:
        return None
    return WatchedField(
        field=advice.field,
        state=WatchState.ON_TRACK,
        at=at,
        start=day.plan.start,
        area=advice.area,
        odds=day.odds,
        rake_from=day.plan.rake_from,
        bale_from=day.plan.bale_from,
        wrapped_by=day.plan.wrapped_by,
    )


def changes(morning: Morning, told_morning: Morning | None) -> Iterator[WatchedField]:
    """Yield the fields whose state the newest look changes; a field that was called off has no more changes."""
    told = told_morning.watched if told_morning else ()
    called_off = {watched.field for watched in told if is_called_off(watched)}
    for watched in morning.watched:
        is_change = watched.state in (WatchState.BALE_SOONER, WatchState.WILL_NOT_MAKE_IT)
        is_new = watched.at == morning.prospect.at
        if is_change and is_new and watched.field not in called_off:
            yield watched


def with_changes_told(told_morning: Morning, changed: Sequence[WatchedField]) -> Morning:
    """Return the morning as people know it once they have been told of these changes."""
    fields = {watched.field for watched in changed}
    unchanged = (watched for watched in told_morning.watched if watched.field not in fields)
    return replace(told_morning, watched=(*unchanged, *changed))


def keep_last_watch(new_morning: Morning, *before: Morning | None) -> Morning:
    """Return a morning of which nothing could be known with its fields as they were last known to stand that day."""
    if new_morning.prospect.trouble is None:
        return new_morning
    same_day = [morning for morning in before if morning and morning.date == new_morning.date]
    last_by_field = {watched.field: watched for morning in same_day for watched in morning.watched}
    return replace(new_morning, watched=tuple(last_by_field.values()))


def wettest_when_urgent(farm: Farm) -> float:
    """Return the most water [wet basis] at which a crop that will not make it is still wrapped."""
    return min(max(URGENT_WRAP_MOISTURE, farm.baleage.wettest), MAX_WRAP_MOISTURE)


def is_failing(watched: WatchedField) -> bool:
    """Return whether the odds alone call it off; what was called off once stays so when they are better again."""
    return watched.odds is not None and watched.odds < FAILING_ODDS


def is_called_off(watched: WatchedField | None) -> bool:
    """Return whether a field was called off when it was last told of."""
    return watched is not None and watched.state is WatchState.WILL_NOT_MAKE_IT

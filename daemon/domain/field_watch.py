"""What was said of the fields under way, and what a newer look changes in it."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from daemon.domain.advice import Morning, WatchedField, WatchState
from daemon.domain.farm import Farm

FAILING_ODDS: Final = 0.4  # odds under which mowing is to stop: failing is then clearly the likelier of the two
URGENT_WRAP_MOISTURE: Final = 0.60  # water up to which a crop that will not make it is still wrapped [wet basis]
MAX_WRAP_MOISTURE: Final = 0.61  # none at 62 % or over, and no rounding may say so [wet basis]


def start_watch(morning: Morning) -> Morning:
    """Return a morning whose watch begins with what it says of the fields to mow."""
    watched = (
        WatchedField(
            field=advice.field,
            state=WatchState.ON_TRACK,
            at=morning.prospect.at,
            start=advice.day.start,
            area=advice.area,
            odds=advice.day.odds,
            rake_from=advice.day.rake_from,
            bale_from=advice.day.bale_from,
            wrapped_by=advice.day.wrapped_by,
        )
        for advice in morning.mows
        if advice.day is not None and advice.day.start is not None
    )
    return replace(morning, watched=tuple(watched))


def changes(morning: Morning, told_morning: Morning | None) -> Iterator[WatchedField]:
    """Yield what the look of a morning changes in what was said; of what was called off there is no more news."""
    off = {one.field for one in told_morning.watched if is_called_off(one)} if told_morning else set()
    for one in morning.watched:
        changed = one.state in (WatchState.BALE_SOONER, WatchState.WILL_NOT_MAKE_IT)
        if changed and one.at == morning.prospect.at and one.field not in off:
            yield one


def with_changes_told(told_morning: Morning, changed: Sequence[WatchedField]) -> Morning:
    """Return what was said, after messages that told of these changes."""
    fields = {one.field for one in changed}
    return replace(told_morning, watched=(*(one for one in told_morning.watched if one.field not in fields), *changed))


def keep_last_watch(new_morning: Morning, *before: Morning | None) -> Morning:
    """Return a morning of which nothing could be known with its fields as they were known to stand last that day."""
    if new_morning.prospect.trouble is None:
        return new_morning
    known = {
        one.field: one for morning in before if morning and morning.date == new_morning.date for one in morning.watched
    }
    return replace(new_morning, watched=tuple(known.values()))


def wettest_when_urgent(farm: Farm) -> float:
    """Return the most water [wet basis] at which a crop that will not make it is still wrapped."""
    return min(max(URGENT_WRAP_MOISTURE, farm.baleage.wettest), MAX_WRAP_MOISTURE)


def is_failing(watched: WatchedField) -> bool:
    """Return whether the odds alone call it off; what was called off once stays so when they are better again."""
    return watched.odds is not None and watched.odds < FAILING_ODDS


def is_called_off(watched: WatchedField | None) -> bool:
    """Return whether a field was called off when it was last told of."""
    return watched is not None and watched.state is WatchState.WILL_NOT_MAKE_IT

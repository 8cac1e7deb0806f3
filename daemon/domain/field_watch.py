"""What was said of the fields under way, and what a newer look changes in it."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from daemon.domain.advice import Morning, Watched, WatchState
from daemon.domain.farm import Farm

NOT_MAKING_IT: Final = 0.4  # odds under which mowing is to stop: failing is then clearly the likelier of the two
WRAPPED_AT_A_PINCH: Final = 0.60  # water up to which a crop that will not make it is still wrapped [wet basis]
WETTEST_EVER: Final = 0.61  # none at 62 % or over, and no rounding may say so [wet basis]


def as_said(morning: Morning) -> Morning:
    """Return a morning whose watch begins with what it says of the fields to mow."""
    watched = (
        Watched(
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


def news(morning: Morning, said: Morning | None) -> Iterator[Watched]:
    """Yield what the look of a morning changes in what was said; of what was called off there is no more news."""
    off = {one.field for one in said.watched if _called_off(one)} if said else set()
    for one in morning.watched:
        changed = one.state in (WatchState.BALE_SOONER, WatchState.WILL_NOT_MAKE_IT)
        if changed and one.at == morning.prospect.at and one.field not in off:
            yield one


def told_since(said: Morning, changed: Sequence[Watched]) -> Morning:
    """Return what was said, after messages that told of these changes."""
    fields = {one.field for one in changed}
    return replace(said, watched=(*(one for one in said.watched if one.field not in fields), *changed))


def still_watched(found: Morning, *before: Morning | None) -> Morning:
    """Return a morning of which nothing could be known with its fields as they were known to stand last that day."""
    if found.prospect.trouble is None:
        return found
    known = {one.field: one for morning in before if morning and morning.date == found.date for one in morning.watched}
    return replace(found, watched=tuple(known.values()))


def pinch(farm: Farm) -> float:
    """Return the most water [wet basis] at which a crop that will not make it is still wrapped."""
    return min(max(WRAPPED_AT_A_PINCH, farm.baleage.wettest), WETTEST_EVER)


def is_failing(one: Watched) -> bool:
    """Return whether the odds alone call it off; what was called off once stays so when they are better again."""
    return one.odds is not None and one.odds < NOT_MAKING_IT


def _called_off(told: Watched | None) -> bool:
    return told is not None and told.state is WatchState.WILL_NOT_MAKE_IT

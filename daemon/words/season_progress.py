"""How the season goes, in words."""

from typing import Final

from daemon.domain.farm import Farm
from daemon.domain.season_progress import Progress
from daemon.words.catalog import counted, joined, said
from daemon.words.numbers import area, named_day

NAMED: Final = 3  # good days that are named


def progress_words(farm: Farm, found: Progress) -> str:
    """Return the progress in one or two sentences, empty where nothing is ripe or no day ahead is known."""
    if found.ripe <= 0.0 or found.ahead == 0:
        return ""
    much, days = area(found.ripe, farm.units), _good_days(found)
    if found.needed is None:
        told = said("progress.ripe", area=much, days=days)
    else:
        work = counted("progress.good_days", max(round(found.needed), 1))
        told = said("progress.ripe_work", area=much, work=work, days=days)
    return " ".join([told, *([said("progress.cut", area=area(found.cut, farm.units))] if found.cut > 0.0 else [])])


def _good_days(found: Progress) -> str:
    """Return which days of the forecast have the odds needed."""
    if found.ahead == 1:
        return said("progress.today_good" if found.good else "progress.today_not")
    if not found.good:
        return said("progress.none", ahead=found.ahead)
    names = joined(map(named_day, found.good[:NAMED]))
    names = said("progress.and_more", days=names) if len(found.good) > NAMED else names
    return counted("progress.some", len(found.good), ahead=found.ahead, days=names)

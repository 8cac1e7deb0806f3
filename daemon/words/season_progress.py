"""How the season goes, in words."""

from typing import Final

from daemon.domain.farm import Farm
from daemon.domain.season_progress import Progress
from daemon.words.catalog import join, phrase, plural
from daemon.words.numbers import area_text, day_text

MAX_NAMED_DAYS: Final = 3  # good days that are named


def progress_text(farm: Farm, progress: Progress) -> str:
    """Return the progress in one or two sentences, empty where nothing is ripe or no day ahead is known."""
    if progress.ripe_area <= 0.0 or progress.days_ahead == 0:
        return ""
    much, days = area_text(progress.ripe_area, farm.units), _good_days_text(progress)
    if progress.days_needed is None:
        told = phrase("progress.ripe", area=much, days=days)
    else:
        work = plural("progress.good_days", max(round(progress.days_needed), 1))
        told = phrase("progress.ripe_work", area=much, work=work, days=days)
    return " ".join(
        [
            told,
            *(
                [phrase("progress.cut", area=area_text(progress.cut_area, farm.units))]
                if progress.cut_area > 0.0
                else []
            ),
        ]
    )


def _good_days_text(progress: Progress) -> str:
    """Return which days of the forecast have the odds needed."""
    if progress.days_ahead == 1:
        return phrase("progress.today_good" if progress.good_days else "progress.today_not")
    if not progress.good_days:
        return phrase("progress.none", ahead=progress.days_ahead)
    names = join(map(day_text, progress.good_days[:MAX_NAMED_DAYS]))
    names = phrase("progress.and_more", days=names) if len(progress.good_days) > MAX_NAMED_DAYS else names
    return plural("progress.some", len(progress.good_days), ahead=progress.days_ahead, days=names)

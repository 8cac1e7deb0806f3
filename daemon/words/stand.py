"""How a stand is told of: its stage, what was seen there, how long it is at its best, and a field that was just cut."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from daemon.domain.farm import Farm
from daemon.domain.prospect import Band, FieldProspect, KindToday, Ripeness, days_left_band
from daemon.words.catalog import capital, counted, joined, said
from daemon.words.growth import seen_words, species_words, stage_words
from daemon.words.numbers import day_words, named_day
from models.coefficients import LEAST_DRY_MATTER

LONG: Final = 60.0  # [d] farther off than this nobody knows when a stand is past its best
LATELY: Final = timedelta(days=7)  # since a cut, after which a light crop is told of as any other
MOST_OF_THE_WAY: Final = 0.5


def ripeness_words(ripeness: Ripeness) -> str:
    """Return where a stand is against the fibre it should be cut at."""
    return said(f"ripeness.{ripeness.name.lower()}")


def ground(field: FieldProspect) -> str:
    """Return how the ground of a field is today and, where it is not firm, from when it should be."""
    if field.ground is None:
        return ""
    now = said(f"ground_today.{field.ground}")
    if field.ground == "firm":
        return now
    if field.carries_from is None:
        return said("ground.not_in_sight", ground=now)
    return said("ground.carries", ground=now, day=named_day(field.carries_from))


def stage_of(field: FieldProspect) -> str:
    """Return the stage of a stand, in a mix that of each kind of plant."""
    if len(field.kinds) < 2:
        return stage_words(field.stage or "")
    return joined(
        said("stand.of_kind", kind=species_words(one.kind), stage=stage_words(one.stage)) for one in field.kinds
    )


def looks_followed(farm: Farm, field: FieldProspect) -> Iterator[str]:
    """Yield what was seen last of each kind of plant, and what its clock makes of that."""
    for one in field.kinds:
        if one.look is not None:
            seen = seen_words(one.look.stage, one.look.height, farm.units)
            kind = species_words(one.kind)
            clock = said("stand.clock") if len(field.kinds) == 1 else said("stand.clock_of", kind=kind)
            yield _followed(one, seen=seen, day=day_words(one.look.on), clock=clock, reads=f"{one.clock:.0f}")


def _followed(one: KindToday, **told: str) -> str:
    if one.share is None:
        return said("stand.limited", **told)
    return said("stand.most" if one.share >= MOST_OF_THE_WAY else "stand.part", **told)


def just_cut(field: FieldProspect, today: date) -> str:
    """Return that a field was cut so lately that nothing is to be told of its crop yet, empty where there is."""
    grown = field.dry_matter if field.dry_matter_band is None else field.dry_matter_band.mid
    if field.last_cut is None or today - field.last_cut > LATELY or grown is None or grown >= LEAST_DRY_MATTER:
        return ""
    days = (today - field.last_cut).days
    near = {0: "stand.cut_today", 1: "stand.cut_yesterday"}.get(days)
    return said(near) if near else said("stand.cut_ago", count=days)


def days_left_row(field: FieldProspect) -> str:
    """Return the days until a stand is past its best, as three points or in words where they are many."""
    if field.days_left is None:
        return ""
    if field.days_left <= -LONG:
        return said("stand.long_past")
    if field.days_left > LONG:
        return said("stand.long_left")
    band, whole = days_left_band(field), int(field.days_left)  # as the sentence on the page counts them
    points = (whole,) if band is None else (min(round(band.low), whole), whole, max(round(band.high), whole))
    return said("stand.days_left", days=joined(map(str, points)))


def days_left_sentence(field: FieldProspect) -> str:
    """Return how long a stand is at its best, and how sure that is."""
    if field.days_left is None:
        return ""
    if abs(field.days_left) > LONG or field.days_left == -LONG:
        return said("stand.past_for_long" if field.days_left < 0.0 else "stand.best_for_long")
    likely, past = _likely(days_left_band(field)), field.days_left < 0.0
    whole = int(abs(field.days_left))
    if whole == 0:
        return capital(_turning(field) or said("stand.past_less" if past else "stand.left_less", likely=likely))
    return capital(counted("stand.past_days" if past else "stand.left_days", whole, likely=likely))


def _turning(field: FieldProspect) -> str:
    """Return that a stand is about to be past its best where nobody can tell whether it is; `days_left` is small."""
    band = days_left_band(field)
    either = 0 if band is None or not band.low < 0.0 < band.high else round(max(-band.low, band.high))
    return said("stand.turning", days=counted("time.days", either)) if either else ""


def _likely(band: Band | None) -> str:
    """Return the range of the days left, counted on the side on which they are."""
    if band is None or round(band.low) == round(band.high):
        return ""
    low, high = round(band.low), round(band.high)
    if low < 0 < high:
        return said("stand.either", past=counted("time.days", -low), left=counted("time.days", high))
    ends = sorted((abs(low), abs(high)))
    return said("stand.likely", low=ends[0], high=ends[1])

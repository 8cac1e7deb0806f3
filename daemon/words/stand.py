"""How a stand is told of: its stage, what was seen there, how long it is at its best, and a field that was just cut."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Final

from daemon.domain.farm import Farm
from daemon.domain.prospect import (
    Band,
    FieldProspect,
    PlantKindToday,
    Ripeness,
    StandToday,
    days_left_band,
    yield_today,
)
from daemon.words.catalog import capitalize_first, join, phrase, plural
from daemon.words.growth import look_text, species_text, stage_text
from daemon.words.numbers import date_text, day_text
from models.coefficients import MIN_DRY_MATTER

FAR_OFF_DAYS: Final = 60.0  # [d] farther off than this nobody knows when a stand is past its best
JUST_CUT_PERIOD: Final = timedelta(days=7)  # since a cut, after which a light crop is told of as any other
MOSTLY_FOLLOWED_SHARE: Final = 0.5


def ripeness_text(ripeness: Ripeness) -> str:
    """Return where a stand is against the fibre it should be cut at."""
    return phrase(f"ripeness.{ripeness.name.lower()}")


def ground_text(field: FieldProspect) -> str:
    """Return how the ground of a field is today and, where it is not firm, from when it should be."""
    if field.ground is None:
        return ""
    now = phrase(f"ground_today.{field.ground}")
    if field.ground == "firm":
        return now
    if field.firm_from is None:
        return phrase("ground.not_in_sight", ground=now)
    return phrase("ground.carries", ground=now, day=day_text(field.firm_from))


def stand_stage_text(stand: StandToday) -> str:
    """Return the stage of a stand, in a mix that of each kind of plant."""
    if len(stand.kinds) < 2:
        return stage_text(stand.stage)
    return join(
        phrase("stand.of_kind", kind=species_text(one.kind), stage=stage_text(one.stage)) for one in stand.kinds
    )


def look_sentences(farm: Farm, stand: StandToday) -> Iterator[str]:
    """Yield what was seen last of each kind of plant, and what its clock makes of that."""
    for one in stand.kinds:
        if one.look is not None:
            seen = look_text(one.look.stage, one.look.height, farm.units)
            kind = species_text(one.kind)
            clock = phrase("stand.clock") if len(stand.kinds) == 1 else phrase("stand.clock_of", kind=kind)
            yield _look_sentence(one, seen=seen, day=date_text(one.look.on), clock=clock, reads=f"{one.clock:.0f}")


def _look_sentence(plant_kind: PlantKindToday, **places: str) -> str:
    if plant_kind.share is None:
        return phrase("stand.limited", **places)
    return phrase("stand.most" if plant_kind.share >= MOSTLY_FOLLOWED_SHARE else "stand.part", **places)


def just_cut_text(field: FieldProspect, today: date) -> str:
    """Return that a field was cut so lately that nothing is to be told of its crop yet, empty where there is."""
    grown = yield_today(field)
    if field.last_cut is None or today - field.last_cut > JUST_CUT_PERIOD or grown is None or grown >= MIN_DRY_MATTER:
        return ""
    days = (today - field.last_cut).days
    near = {0: "stand.cut_today", 1: "stand.cut_yesterday"}.get(days)
    return phrase(near) if near else phrase("stand.cut_ago", count=days)


def days_left_row(stand: StandToday) -> str:
    """Return the days until a stand is past its best, as three points or in words where they are many."""
    if stand.days_left <= -FAR_OFF_DAYS:
        return phrase("stand.long_past")
    if stand.days_left > FAR_OFF_DAYS:
        return phrase("stand.long_left")
    band, whole = days_left_band(stand), int(stand.days_left)  # as the sentence on the page counts them
    points = (whole,) if band is None else (min(round(band.low), whole), whole, max(round(band.high), whole))
    return phrase("stand.days_left", days=join(map(str, points)))


def days_left_sentence(stand: StandToday) -> str:
    """Return how long a stand is at its best, and how sure that is."""
    if abs(stand.days_left) > FAR_OFF_DAYS or stand.days_left == -FAR_OFF_DAYS:
        return phrase("stand.past_for_long" if stand.days_left < 0.0 else "stand.best_for_long")
    likely, past = _likely_range_text(days_left_band(stand)), stand.days_left < 0.0
    whole = int(abs(stand.days_left))
    if whole == 0:
        return capitalize_first(
            _turning_text(stand) or phrase("stand.past_less" if past else "stand.left_less", likely=likely)
        )
    return capitalize_first(plural("stand.past_days" if past else "stand.left_days", whole, likely=likely))


def _turning_text(stand: StandToday) -> str:
    """Return that a stand is about to be past its best where nobody can tell whether it is; `days_left` is small."""
    band = days_left_band(stand)
    either = 0 if band is None or not band.low < 0.0 < band.high else round(max(-band.low, band.high))
    return phrase("stand.turning", days=plural("time.days", either)) if either else ""


def _likely_range_text(band: Band | None) -> str:
    """Return the range of the days left, counted on the side on which they are."""
    if band is None or round(band.low) == round(band.high):
        return ""
    low, high = round(band.low), round(band.high)
    if low < 0 < high:
        return phrase("stand.either", past=plural("time.days", -low), left=plural("time.days", high))
    ends = sorted((abs(low), abs(high)))
    return phrase("stand.likely", low=ends[0], high=ends[1])

"""What can be answered of each field on a day, so that little is asked and all of it is of use."""

from collections.abc import Iterator, Mapping
from typing import Final

from daemon.diary.cuts import CUT_WHOLE
from daemon.diary.store import LineKind
from daemon.domain.advice import Morning, WatchState
from daemon.domain.farm import Farm, Field, Units
from daemon.domain.prospect import FieldProspect, is_ripe_soon
from daemon.words.catalog import capitalize_first, phrase
from daemon.words.numbers import field_size_text
from models.firmness import Firmness
from models.stages import LEAFY_REGROWTH, NO_BUDS, NO_HEADS

Choice = tuple[LineKind, str]  # a kind of line, and the stage, the ground or the area [ha] that it tells of

# What is seen of a stand that is ripe within days, of grasses (False) and of legumes (True).
SEEN: Final[Mapping[bool, tuple[str, str]]] = {False: (NO_HEADS, "heads here and there"), True: (NO_BUDS, "buds")}


def choices(farm: Farm, morning: Morning, lying: Mapping[str, bool]) -> dict[str, tuple[Choice, ...]]:
    """Return what can be answered of each field: nothing where there is nothing to ask.

    Parameters
    ----------
    farm, morning
    lying : mapping
        Fields whose crop lies, and whether it was cut today: only then can that be taken back.
    """
    watched = {one.field: one.area for one in morning.watched if one.state is not WatchState.DONE}
    asked = watched | {advice.field: advice.area for advice in morning.mows}
    fields = {field.name: field for field in farm.fields}
    found: dict[str, tuple[Choice, ...]] = {}
    for known in morning.prospect.fields:
        name, own = known.name, list[Choice]()
        if name in lying:
            own += _of_lying(cut_today=lying[name])
        # What lies since an earlier day may be a part, and the rest of the field may be advised today.
        is_rest = name in asked and known.standing is not None and not lying.get(name, True)
        if name in fields and (name not in lying or is_rest):
            own += _of_standing(farm, fields[name], known, asked.get(name))
        found[name] = tuple(dict.fromkeys(own))
    return {name: told for name, told in found.items() if told}


def _of_lying(*, cut_today: bool) -> Iterator[Choice]:
    """Yield what can be answered of a field whose crop lies."""
    yield from ((LineKind.MOISTURE, ""), (LineKind.WRAPPED, ""))
    if cut_today:
        yield LineKind.UNCUT, ""


def _of_standing(farm: Farm, field: Field, known: FieldProspect, advised: float | None) -> Iterator[Choice]:
    """Yield what can be answered of a field that stands: whether it was cut as advised [ha], else how far it is.

    How wet it was is asked with the advice: who cuts by it measures in the afternoon, with that morning's email.
    """
    whole = known.area if known.standing is None else known.standing
    if advised is not None:
        # Who cuts as advised leaves the rest standing, and its growth must not begin anew.
        part = [(LineKind.CUT, f"{advised:.4f}")] if 0.0 < advised < CUT_WHOLE * whole else []
        yield from (*part, (LineKind.CUT, ""), (LineKind.UNCUT, ""), (LineKind.MOISTURE, ""))
    elif not is_ripe_soon(known):
        return
    else:
        for legume in sorted({farm.species[name].legume for name in field.stand}):
            if legume or not _is_leafy(known):
                yield from ((LineKind.STAGE, word) for word in SEEN[legume])
    yield from ((LineKind.GROUND, word) for word in (Firmness.FIRM, Firmness.SOFT))


def _is_leafy(known: FieldProspect) -> bool:
    """Return whether the grasses stand in a regrowth: they head no more, so that heads tell nothing of it."""
    return any(kind.stage == LEAFY_REGROWTH for kind in known.kinds)


def choice_words(choice: Choice, units: Units) -> str:
    """Return what a link says."""
    kind, word = choice
    match kind:
        case LineKind.CUT if word:
            return phrase("answers.cut_part", area=field_size_text(float(word), units))
        case LineKind.STAGE:
            return capitalize_first(word)
        case LineKind.GROUND:
            return phrase(f"answer_ground.{word}")
    return phrase(f"answer_kinds.{kind}")

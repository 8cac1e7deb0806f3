"""What can be answered of each field on a day, so that little is asked and all of it is of use."""

from collections.abc import Iterator, Mapping
from typing import Final

from daemon.diary.cuts import WHOLE_CUT_SHARE
from daemon.diary.store import NoteKind
from daemon.domain.advice import Morning, WatchState
from daemon.domain.farm import Farm, Field, Units
from daemon.domain.prospect import FieldProspect, is_ripe_soon
from daemon.words.catalog import capitalize_first, phrase
from daemon.words.numbers import field_size_text
from models.firmness import Firmness
from models.stages import LEAFY_REGROWTH, NO_BUDS, NO_HEADS

Choice = tuple[NoteKind, str]  # a kind of line, and the stage, the ground or the area [ha] that it tells of

# What is seen of a stand that is ripe within days, of grasses (False) and of legumes (True).
STAGE_CHOICES: Final[Mapping[bool, tuple[str, str]]] = {
    False: (NO_HEADS, "heads here and there"),
    True: (NO_BUDS, "buds"),
}


def answer_choices(farm: Farm, morning: Morning, lying: Mapping[str, bool]) -> dict[str, tuple[Choice, ...]]:
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
            own += _lying_choices(cut_today=lying[name])
        # What lies since an earlier day may be a part, and the rest of the field may be advised today.
        is_rest = name in asked and known.standing is not None and not lying.get(name, True)
        if name in fields and (name not in lying or is_rest):
            own += _standing_choices(farm, fields[name], known, asked.get(name))
        found[name] = tuple(dict.fromkeys(own))
    return {name: told for name, told in found.items() if told}


def _lying_choices(*, cut_today: bool) -> Iterator[Choice]:
    """Yield what can be answered of a field whose crop lies."""
    yield from ((NoteKind.MOISTURE, ""), (NoteKind.WRAPPED, ""))
    if cut_today:
        yield NoteKind.UNCUT, ""


def _standing_choices(
    farm: Farm, field: Field, prospect: FieldProspect, advised_area: float | None
) -> Iterator[Choice]:
    """Yield what can be answered of a field that stands: whether it was cut as advised [ha], else how far it is.

    How wet it was is asked with the advice: who cuts by it measures in the afternoon, with that morning's email.
    """
    whole = prospect.area if prospect.standing is None else prospect.standing
    if advised_area is not None:
        # Who cuts as advised leaves the rest standing, and its growth must not begin anew.
        part = [(NoteKind.CUT, f"{advised_area:.4f}")] if 0.0 < advised_area < WHOLE_CUT_SHARE * whole else []
        yield from (*part, (NoteKind.CUT, ""), (NoteKind.UNCUT, ""), (NoteKind.MOISTURE, ""))
    elif not is_ripe_soon(prospect):
        return
    else:
        for legume in sorted({farm.species[name].legume for name in field.stand}):
            if legume or not _is_regrowth(prospect):
                yield from ((NoteKind.STAGE, word) for word in STAGE_CHOICES[legume])
    yield from ((NoteKind.GROUND, word) for word in (Firmness.FIRM, Firmness.SOFT))


def _is_regrowth(prospect: FieldProspect) -> bool:
    """Return whether the grasses stand in a regrowth: they head no more, so that heads tell nothing of it."""
    return any(kind.stage == LEAFY_REGROWTH for kind in prospect.kinds)


def choice_text(choice: Choice, units: Units) -> str:
    """Return what a link says."""
    kind, word = choice
    match kind:
        case NoteKind.CUT if word:
            return phrase("answers.cut_part", area=field_size_text(float(word), units))
        case NoteKind.STAGE:
            return capitalize_first(word)
        case NoteKind.GROUND:
            return phrase(f"answer_ground.{word}")
    return phrase(f"answer_kinds.{kind}")

"""Chooses which answers are offered for each field on a day: only those that are of use."""

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

Choice = tuple[NoteKind, str]  # a kind of note, and its stage, ground or area [ha], if it has one

# Stages that may be seen in a stand that is ripe within days, of grasses (False) and of legumes (True).
STAGE_CHOICES: Final[Mapping[bool, tuple[str, str]]] = {
    False: (NO_HEADS, "heads here and there"),
    True: (NO_BUDS, "buds"),
}


def answer_choices(farm: Farm, morning: Morning, lying: Mapping[str, bool]) -> dict[str, tuple[Choice, ...]]:
    """Return the answers to offer for each field, leaving out fields without any.

    Parameters
    ----------
    farm, morning
    lying : mapping
        Fields whose crop lies, and whether it was cut today: only then can the cut be taken back.
    """
    areas_to_cut = _areas_to_cut(morning)
    fields = {field.name: field for field in farm.fields}
    choices_by_field: dict[str, tuple[Choice, ...]] = {}
    for prospect in morning.prospect.fields:
        name, area_to_cut = prospect.name, areas_to_cut.get(prospect.name)
        field_choices: list[Choice] = []
        if name in lying:
            field_choices += _lying_choices(cut_today=lying[name])
        if name in fields and (name not in lying or _is_rest(prospect, area_to_cut, cut_today=lying[name])):
            field_choices += _standing_choices(farm, fields[name], prospect, area_to_cut)
        if field_choices:
            choices_by_field[name] = tuple(dict.fromkeys(field_choices))
    return choices_by_field


def _areas_to_cut(morning: Morning) -> dict[str, float]:
    """Return the area [ha] that is advised today, or is still under way, by the name of its field."""
    under_way = {watched.field: watched.area for watched in morning.watched if watched.state is not WatchState.DONE}
    advised = {advice.field: advice.area for advice in morning.mows}
    return under_way | advised


def _is_rest(prospect: FieldProspect, area_to_cut: float | None, *, cut_today: bool) -> bool:
    """Return whether the rest of a field is advised while a part of it lies since an earlier day."""
    return area_to_cut is not None and prospect.standing is not None and not cut_today


def _lying_choices(*, cut_today: bool) -> Iterator[Choice]:
    """Yield the answers about a field whose crop lies."""
    yield NoteKind.MOISTURE, ""
    yield NoteKind.WRAPPED, ""
    if cut_today:
        yield NoteKind.UNCUT, ""


def _standing_choices(farm: Farm, field: Field, prospect: FieldProspect, area_to_cut: float | None) -> Iterator[Choice]:
    """Yield the answers about a field that stands: whether it was cut as advised, or else which stage it has."""
    if area_to_cut is not None:
        yield from _cut_choices(prospect, area_to_cut)
    elif is_ripe_soon(prospect):
        yield from _stage_choices(farm, field, prospect)
    else:
        return
    yield NoteKind.GROUND, Firmness.FIRM
    yield NoteKind.GROUND, Firmness.SOFT


def _cut_choices(prospect: FieldProspect, area_to_cut: float) -> Iterator[Choice]:
    """Yield the answers to the advice to cut an area [ha].

    The moisture is asked here too: who cuts as advised measures it in the afternoon, with this morning's email at hand.
    """
    standing = prospect.area if prospect.standing is None else prospect.standing
    if 0.0 < area_to_cut < WHOLE_CUT_SHARE * standing:  # the rest stays standing, and its growth must not begin anew
        yield NoteKind.CUT, f"{area_to_cut:.4f}"
    yield NoteKind.CUT, ""
    yield NoteKind.UNCUT, ""
    yield NoteKind.MOISTURE, ""


def _stage_choices(farm: Farm, field: Field, prospect: FieldProspect) -> Iterator[Choice]:
    """Yield the stages that may be seen in a stand that is ripe soon."""
    for legume in sorted({farm.species[name].legume for name in field.stand}):
        if legume or not _is_regrowth(prospect):
            for stage in STAGE_CHOICES[legume]:
                yield NoteKind.STAGE, stage


def _is_regrowth(prospect: FieldProspect) -> bool:
    """Return whether the grasses are a regrowth, which has no heads by which to tell its stage."""
    kinds = prospect.stand.kinds if prospect.stand else ()
    return any(kind.stage == LEAFY_REGROWTH for kind in kinds)


def choice_text(choice: Choice, units: Units) -> str:
    """Return the text of the link for an answer."""
    kind, word = choice
    match kind:
        case NoteKind.CUT if word:
            return phrase("answers.cut_part", area=field_size_text(float(word), units))
        case NoteKind.STAGE:
            return capitalize_first(word)
        case NoteKind.GROUND:
            return phrase(f"answer_ground.{word}")
    return phrase(f"answer_kinds.{kind}")

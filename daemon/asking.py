"""What can be answered of each field on a day, so that little is asked and all of it is of use."""

from collections.abc import Iterator, Mapping
from typing import Final

from daemon.diary import LineKind
from daemon.farm import Farm, Field, Units
from daemon.mowings import CUT_WHOLE
from daemon.outlook import FieldProspect, Morning, WatchState
from daemon.sentences import capital, said
from daemon.units import size
from daemon.wording import ripe_soon
from models.ground import Firmness
from models.stages import NO_BUDS, NO_HEADS

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
    for field in morning.prospect.fields:
        if field.name in lying:
            kinds = (LineKind.MOISTURE, LineKind.WRAPPED, *((LineKind.UNCUT,) if lying[field.name] else ()))
            found[field.name] = tuple((kind, "") for kind in kinds)
        elif field.name in fields:
            found[field.name] = tuple(_of_standing(farm, fields[field.name], field, asked.get(field.name)))
    return {name: told for name, told in found.items() if told}


def _of_standing(farm: Farm, field: Field, known: FieldProspect, advised: float | None) -> Iterator[Choice]:
    """Yield what can be answered of a field that stands: whether it was cut as advised [ha], else how far it is."""
    whole = known.area if known.standing is None else known.standing
    if advised is not None:
        # Who cuts as advised leaves the rest standing, and its growth must not begin anew.
        part = [(LineKind.CUT, f"{advised:.4f}")] if 0.0 < advised < CUT_WHOLE * whole else []
        yield from (*part, (LineKind.CUT, ""), (LineKind.UNCUT, ""))
    elif not ripe_soon(known):
        return
    else:
        for legume in sorted({farm.species[name].legume for name in field.stand}):
            yield from ((LineKind.STAGE, word) for word in SEEN[legume])
    yield from ((LineKind.GROUND, word) for word in (Firmness.FIRM, Firmness.SOFT))


def choice_words(choice: Choice, units: Units) -> str:
    """Return what a link says."""
    kind, word = choice
    match kind:
        case LineKind.CUT if word:
            return said("answers.cut_part", area=size(float(word), units))
        case LineKind.STAGE:
            return capital(word)
        case LineKind.GROUND:
            return said(f"answer_ground.{word}")
    return said(f"answer_kinds.{kind}")

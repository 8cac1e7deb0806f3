"""The sections [[species]] and [[field]]: what grows where, and the looks that the file gives of it."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from types import MappingProxyType
from typing import Annotated, ClassVar, Final

from pydantic import Field

from daemon.domain.farm import Units
from daemon.domain.units import HECTARES_PER_ACRE
from daemon.settings.problems import nearest_word
from daemon.settings.sections.base import Conflict, Section
from daemon.settings.sections.work import FOOT, SHORT_TON
from daemon.settings.text.literals import toml_literal
from daemon.settings.values.kinds import Choice, Day, FreeText, Number, OptionUnit, Text
from daemon.settings.values.stand import Stand
from models.looks import LOOK_STAGES, ordered_stages
from models.species import Species, make_variety, species_table
from models.stages import Purpose

SOILS: Final = ("sand", "sandy loam", "loam", "silt loam", "clay loam", "clay")
DRAINAGES: Final = ("well", "moderate", "poor")

_LOW_LENGTH: Final = (OptionUnit("in", FOOT / 12.0), OptionUnit("cm", 0.01))
_AREA: Final = (OptionUnit("acres", HECTARES_PER_ACRE), OptionUnit("ha"))
_WARMTH: Final = OptionUnit("degC days")  # in both systems, as in the program's messages
_STAND: Final = "the species that stands in it, or the shares of a mix"


class SpeciesSection(Section):
    """The options of [[species]]."""

    name: Annotated[str, Text(max_length=40)] = Field(
        description="what stands call a species or variety of the farm's own", examples=['"late timothy"']
    )
    like: Annotated[str, Choice({name: name for name in species_table()})] = Field(
        description="the known species that it is like in all that is not given", examples=['"timothy"']
    )
    fibre_mark: Annotated[float | None, Number(150.0, 1200.0, _WARMTH)] = Field(
        None,
        description="warmth of the season at which the fibre (NDF) of the first growth is 50 % (legumes: 40 %); "
        "left out: as what it is like",
    )
    fibre_mark_regrowth: Annotated[float | None, Number(150.0, 1200.0, _WARMTH)] = Field(
        None, description="warmth since the last cut at which that of a regrowth is; left out: as what it is like"
    )
    stages_later: Annotated[float, Number(-200.0, 400.0, _WARMTH)] = Field(
        0.0, description="how much later than in what it is like the stages come; below 0 sooner"
    )
    drying_factor: Annotated[float | None, Number(0.5, 1.5, OptionUnit(""))] = Field(
        None, description="how fast it dries, in terms of a mixed sward; left out: as what it is like"
    )

    def as_species(self) -> Species:
        """Return the species; raises ValueError if a stage would begin before its growth does."""
        return make_variety(
            species_table()[self.like],
            self.name,
            ndf_mark=self.fibre_mark,
            ndf_mark_regrowth=self.fibre_mark_regrowth,
            stages_later=self.stages_later,
            drying_factor=self.drying_factor,
        )

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield conflicts if the name is a known species', or if a stage would begin before its growth does."""
        if self.name.casefold() in species_table():
            given = f"{toml_literal(self.name)}, a known species"
            fix = f"write name = {toml_literal(f'own {self.name}')}, and that in the stands"
            yield Conflict(("name",), given, "a name that is not known yet", fix)
        try:
            self.as_species()
        except ValueError:
            given = f"{self.stages_later:g} for what is like {self.like}"
            allowed = "stages that begin after their growth does, in a regrowth too"
            other_keys = ("like", "fibre_mark", "fibre_mark_regrowth")
            yield Conflict(("stages_later",), given, allowed, "write more, or mend the fibre marks", other_keys)


def species_by_name(sections: Sequence[SpeciesSection]) -> Mapping[str, Species]:
    """Return every species that a stand may name: the known ones and the farm's own."""
    own_species = {section.name: section.as_species() for section in sections}
    return MappingProxyType({**species_table(), **own_species})


class SeenStage(Choice[str]):
    """A stage seen in a stand, as a word or as the code of a scale."""

    def __init__(self) -> None:
        super().__init__({stage: stage for stages in LOOK_STAGES.values() for stage in stages})

    def allowed(self, units: Units) -> str:
        """Return the words."""
        return "one of " + _stages_text(*LOOK_STAGES)


def _stages_text(*legumes: bool) -> str:
    """Return the stages that may be seen in grasses (False), legumes (True) or both."""
    words = [toml_literal(stage) for legume in legumes for stage in ordered_stages(legume=legume)]
    return ", ".join(words) + ", or a code of Moore et al. or Kalu & Fick"


class LookSection(Section):
    """The options of an item of looks."""

    on: Annotated[date, Day()] = Field(description="the day", examples=["2026-05-20"])
    stage: Annotated[str | None, SeenStage()] = Field(
        None, description="the stage seen; give this, height or both", examples=['"boot"']
    )
    height: Annotated[float | None, Number(0.02, 2.5, *_LOW_LENGTH)] = Field(
        None, description="height of the tallest stems"
    )


class FieldSection(Section):
    """The options of [[field]]."""

    stand_species: ClassVar[Mapping[str, Species]] = species_table()  # that its stand may name

    name: Annotated[str, Text(max_length=40)] = Field(
        description="what the messages call the field, each name once", examples=['"North meadow"']
    )
    area: Annotated[float, Number(0.04, 400.0, *_AREA)] = Field(description="its size", examples=["10"])
    stand: Annotated[Mapping[str, float], Stand(tuple(species_table()))] = Field(
        description=_STAND, examples=['"orchardgrass"']
    )
    soil: Annotated[str, Choice({soil: soil for soil in SOILS})] = Field(
        "loam", description="the topsoil; with drainage it says how wet the ground is, and whether it carries the baler"
    )
    drainage: Annotated[str, Choice({word: word for word in DRAINAGES})] = Field(
        "moderate", description="how fast water leaves the topsoil"
    )
    expected_yield: Annotated[
        float | None, Number(0.5, 10.0, OptionUnit("tons/acre", SHORT_TON / HECTARES_PER_ACRE), OptionUnit("t/ha"))
    ] = Field(None, description="dry matter of the next cut; left out: the growth model's at the day's stage")
    forage_for: Annotated[Purpose, Choice({purpose.value: purpose for purpose in Purpose})] = Field(
        Purpose.MILK,
        description="what the forage is for; dry cows and working horses may have it 8 units of fibre later (estimate)",
    )
    cut_at_fibre: Annotated[float | None, Number(30.0, 70.0, OptionUnit("%"))] = Field(
        None, description="fibre (NDF) of the dry matter to cut at; left out: by the stand and forage_for"
    )
    last_cut: Annotated[date | None, Day()] = Field(
        None, description="day of the last cut this year; left out: none yet"
    )
    looks: list[LookSection] = Field([], description="what was seen in it, each a table of on with stage or height")
    notes: Annotated[str, FreeText()] = Field("", description="anything worth keeping; shown on the page")

    def conflicts(self, units: Units) -> Iterator[Conflict]:
        """Yield conflicts if a look says nothing, or names a stage that the stand does not go through."""
        legumes = sorted({self.stand_species[name].legume for name in self.stand})
        stages = [stage for legume in legumes for stage in LOOK_STAGES[legume]]
        for index, look in enumerate(self.looks):
            if look.stage is None and look.height is None:
                fix = f'add stage = "{stages[0]}" or a height'
                yield Conflict(("looks", index), "only the day", "stage, height or both", fix)
            elif look.stage is not None and look.stage not in stages:
                allowed = "for this stand one of " + _stages_text(*legumes)
                fix = f'write stage = "{nearest_word(look.stage, stages) or stages[0]}"'
                yield Conflict(("looks", index, "stage"), f'"{look.stage}"', allowed, fix)


def field_section(like_by_name: Mapping[str, str]) -> type[FieldSection]:
    """Return the section of a field whose stand may also name species of the farm's own.

    Parameters
    ----------
    like_by_name : Mapping[str, str]
        The farm's own species, each with the known species that it is like.
    """
    if not like_by_name:
        return FieldSection
    own_species = {name: species_table()[like] for name, like in like_by_name.items()}
    all_species = {**species_table(), **own_species}

    class FieldHere(FieldSection):
        stand_species: ClassVar[Mapping[str, Species]] = all_species
        stand: Annotated[Mapping[str, float], Stand(tuple(all_species))] = Field(
            description=_STAND, examples=['"orchardgrass"']
        )

    return FieldHere

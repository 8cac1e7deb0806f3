"""The growth of a field over the days of the farm's clock."""

from collections.abc import Mapping
from datetime import date

import numpy as np
import pandas as pd

from daemon.domain.causes import GrowthCause, GrowthGap, ImpossibleLook
from daemon.domain.farm import Farm, Field, FieldState, Look
from daemon.domain.prospect import PlantKindToday, StandDoubt
from daemon.planning.ground import Ground
from models.growth import Growth, GrowthContext, GrowthUnknown, StageLook, field_growth
from models.look_misfit import LookMisfit
from models.species import Species, stand_grass_share
from models.stages import ndf_target, stage_words


def field_growth_on(farm: Farm, state: FieldState, days: pd.DataFrame, ground: Ground) -> Growth:
    """Return the growth of a field over days with their extremes, on its ground.

    Raises
    ------
    GrowthUnknown
        As `models.growth.field_growth`.
    """
    day = np.array(days.index.to_numpy(), dtype="datetime64[D]")
    return field_growth(
        state.field.stand,
        day,
        days["high"].to_numpy(),
        days["low"].to_numpy(),
        last_cut=None if state.last_cut is None else np.datetime64(state.last_cut, "D"),
        looks=[StageLook(np.datetime64(look.on, "D"), look.stage, look.height) for look in state.looks],
        southern=farm.place.is_southern,
        latitude=farm.place.latitude,
        context=GrowthContext(
            target=fibre_target(state.field, farm.species),
            stress=ground.water_stress_on(day),
            priors=state.priors,
        ),
        species_by_name=farm.species,
    )


def growth_cause(unknown: GrowthUnknown) -> GrowthCause:
    """Return what keeps a growth from being known."""
    day = as_date(unknown.day)
    if not isinstance(unknown, LookMisfit):
        return GrowthGap(unknown.cause, day)
    first, last = (None if end is None else as_date(end) for end in (unknown.first, unknown.last))
    return ImpossibleLook(day, unknown.look.stage, unknown.look.height, unknown.by_height, first, last)


def stand_doubts(growth: Growth) -> tuple[StandDoubt, ...]:
    """Return what must be doubted of a growth."""
    return tuple(
        StandDoubt(one.kind, one.species, None if one.day is None else as_date(one.day), one.days)
        for one in growth.doubts
    )


def as_date(day: np.datetime64) -> date:
    """Return a day as a date."""
    plain: date = day.astype("datetime64[D]").astype(date)
    return plain


def kinds_on(growth: Growth, at: int) -> tuple[PlantKindToday, ...]:
    """Return the kinds of plant in a stand on a day of its growth, the grasses first.

    Parameters
    ----------
    growth : Growth
    at : int
        Where the day stands in the arrays of the growth, on or after its first day.
    """
    return tuple(_kind_on(growth, legume, at) for legume in sorted(growth.clocks))


def _kind_on(growth: Growth, legume: bool, at: int) -> PlantKindToday:
    run = growth.clocks[legume]
    clock = float(run.clock[at - growth.day.size])  # a clock holds the days of this growth only, the last ones
    (stage,) = stage_words(np.array([clock]), run.plant_kind.onsets)
    used = [one for one in run.applied_looks if one.look.on <= growth.day[at]]
    if not used:
        return PlantKindToday(run.plant_kind.name, stage, clock)
    seen = used[-1].look
    return PlantKindToday(
        run.plant_kind.name, stage, clock, Look(seen.on.astype(date), seen.stage, seen.height), used[-1].share
    )


def fibre_target(field: Field, species: Mapping[str, Species]) -> float:
    """Return the fibre at which a field should be cut [% of DM]: as the settings say, else by its stand and purpose.

    Raises
    ------
    ValueError
        If the stand is malformed.
    """
    return field.cut_at_fibre or ndf_target(stand_grass_share(field.stand, species), field.purpose)

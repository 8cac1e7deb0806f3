"""The growth of a field over the days of the farm's clock."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from daemon.farm import Farm, Field
from daemon.soil import Ground
from models.growth import Growth, Known, StageLook, field_growth
from models.stages import Species, grass_share, ndf_target


def field_growth_on(farm: Farm, field: Field, days: pd.DataFrame, ground: Ground) -> Growth:
    """Return the growth of a field over days with their extremes, on its ground.

    Raises
    ------
    GrowthUnknown
        As `models.growth.field_growth`.
    """
    day = np.array(days.index.to_numpy(), dtype="datetime64[D]")
    return field_growth(
        field.stand,
        day,
        days["high"].to_numpy(),
        days["low"].to_numpy(),
        last_cut=None if field.last_cut is None else np.datetime64(field.last_cut, "D"),
        looks=[StageLook(np.datetime64(look.on, "D"), look.stage, look.height) for look in field.looks],
        southern=farm.place.southern,
        latitude=farm.place.latitude,
        known=Known(target=fibre_target(field, farm.species), stress=ground.stress_on(day), priors=field.priors),
        kinds=farm.species,
    )


def fibre_target(field: Field, species: Mapping[str, Species]) -> float:
    """Return the fibre at which a field should be cut [% of DM]: as the settings say, else by its stand and purpose.

    Raises
    ------
    ValueError
        If the stand is malformed.
    """
    return field.cut_at_fibre or ndf_target(grass_share(field.stand, species), field.purpose)

"""Stages as numbers: the scale of Moore et al. for grasses and the classes of Kalu & Fick for alfalfa."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import numpy as np

from models import coefficients as c
from models.species import LEGUME_STAGES, Array, species_table

# Codes and indices of Moore et al. 1991, Agron. J. 83:1073-1077, doi 10.2134/agronj1991.00021962008300060027x, the
# structure published, the numbers remembered. With leaves (V) or nodes (E) a tiller goes up by its share of them all.
MOORE: Final[Mapping[str, float]] = MappingProxyType(
    {"V": 1.0, "E": 2.0, "R0": 3.0, "R1": 3.1, "R2": 3.3, "R3": 3.5, "R4": 3.7, "R5": 3.9}
    | {"S0": 4.0, "S1": 4.1, "S2": 4.3, "S3": 4.5, "S4": 4.7, "S5": 4.9}
)
MOORE_AT_ONSETS: Final = tuple(MOORE[code] for code in ("V", "E", "R0", "R1", "R3", "R4"))  # of GRASS_STAGES

# Classes of Kalu & Fick 1981, Crop Sci. 21:267-271: 0-2 by height, 3 and 4 buds, 5 and 6 flowers, 7-9 pods.
KALU_FICK: Final[Mapping[str, float]] = MappingProxyType({f"KF{number}": float(number) for number in range(10)})
VEGETATIVE_HEIGHTS: Final = (0.16, 0.31)  # [m] from which a stem without buds is in class 1 and in class 2, the same


def mean_stage_count(clock: Array, onsets: Mapping[str, float]) -> Array:
    """Return the mean stage of a grass (MSC, 1 to 3.7) by linear interpolation between the onsets.

    Notes
    -----
    The index is that of Moore et al. (1991); a clock past bloom stays at 3.7.
    """
    return np.interp(clock, list(onsets.values()), MOORE_AT_ONSETS)


def kalu_fick_stage(clock: Array, onsets: Mapping[str, float]) -> Array:
    """Return the mean stage of alfalfa (0 to 6) by linear interpolation between the onsets of its classes.

    Notes
    -----
    Classes 1 and 2 begin at the heights that Kalu & Fick (1981) give, placed on the clock by `alfalfa_height` and moved
    with the onsets in a regrowth; class 3 begins with the buds, 5 with the first flower and 6 with full flower. A clock
    past full flower stays at 6.
    """
    moved = onsets["buds"] - species_table()["alfalfa"].stages["buds"]
    short = [c.ALFALFA_HEIGHT_START + height / c.ALFALFA_HEIGHT_RATE + moved for height in VEGETATIVE_HEIGHTS]
    at = [0.0, *short, *(onsets[word] for word in LEGUME_STAGES[1:])]
    # A variety far earlier than the row has its buds before the heights of the classes below.
    return np.interp(clock, np.maximum.accumulate(at), [0.0, 1.0, 2.0, 3.0, 5.0, 6.0])


def scale_code(number: float, scale: Mapping[str, float]) -> str:
    """Return the code of a scale, `MOORE` or `KALU_FICK`, that a mean stage has reached.

    Examples
    --------
    >>> scale_code(3.2, MOORE), scale_code(4.9, KALU_FICK)
    ('R1', 'KF4')
    """
    return max((code for code in scale if scale[code] <= number), key=scale.__getitem__)

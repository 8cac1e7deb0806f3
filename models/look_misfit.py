"""Looks that cannot be true on their day, and the days that they would fit."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from models.degree_days import Days, GrowthUnknown, UnknownCause
from models.looks import PlantKind, StageLook, fits, uses_height
from models.species import Array


class LookMisfit(GrowthUnknown):
    """A look that cannot be true on its day.

    Attributes
    ----------
    look : StageLook
        The look.
    first, last : datetime64 or None
        Days between which it would fit, None where an end is unknown; both None where no day so far fits.
    by_height : bool
        Whether its height is what does not fit, else its stage.
    """

    def __init__(
        self, look: StageLook, first: np.datetime64 | None, last: np.datetime64 | None, *, by_height: bool
    ) -> None:
        super().__init__(UnknownCause.LOOK_WRONG, look.on)
        self.look, self.first, self.last, self.by_height = look, first, last, by_height


def misfit_error(look: StageLook, plant_kind: PlantKind, day: Days, clock: Array, spread: Array) -> LookMisfit:
    """Return the error that a relevant look does not fit its day, with the days that it would fit.

    Parameters
    ----------
    look : StageLook
        The look.
    plant_kind : PlantKind
        The kind of plant the clocks belong to.
    day : NDArray[datetime64[D]]
        The days of this growth, shape (days,).
    clock, spread : Array
        The clock of each day before the look and its standard deviation [degC d], shape (days,).

    Notes
    -----
    Of several runs of such days the nearest is named. It may lie ahead: then the stage was seen sooner than the warmth
    allows.
    """
    first, last = None, None
    # From the second day on: a look on the first would be at the growth before the cut.
    fitting = [at for at in range(1, day.size) if fits(look, plant_kind, float(clock[at]), float(spread[at]))]
    if fitting:
        first, last = _run_ends(day, _nearest_run(fitting, day, look.on))
    return LookMisfit(look, first, last, by_height=uses_height(look, plant_kind))


def _nearest_run(indices: Sequence[int], day: Days, on: np.datetime64) -> NDArray[np.int_]:
    """Return the run of consecutive days that lies nearest to a day."""
    runs = np.split(np.array(indices), np.flatnonzero(np.diff(indices) > 1) + 1)
    return min(runs, key=lambda run: np.abs(day[run] - on).min())


def _run_ends(day: Days, run: NDArray[np.int_]) -> tuple[np.datetime64 | None, np.datetime64 | None]:
    """Return the ends of a run of days, None for an end that may lie before the second day or after the last."""
    has_begin = run[0] > 1
    has_end = run[0] == 1 or run[-1] < day.size - 1
    return day[run[0]] if has_begin else None, day[run[-1]] if has_end else None

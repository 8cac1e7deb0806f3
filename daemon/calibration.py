"""Learns from a farm's own record of odds against outcome how far to believe the odds."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c
from models.odds import Correction, logit

Array = NDArray[np.float64]

# Open forecasts reach sixteen days; more is a lead that was counted in hours.
LONGEST_LEAD = 16.0


@dataclass(frozen=True, eq=False)
class Record:
    """What was forecast and what came of it, an element a case; empty to begin with.

    `odds` are those of odds_from_share, before any correction. `lead` [day] runs from the forecast to the day it was
    for, `rain` [mm1/2] is root_rain of what it held for that day. `outcome` [1] is the share of the crop's draws with
    which the same work, done in the hours that came, was wrapped in time: 1 or 0 where the crop is known too. It is
    known for every day with a forecast and not only for those that were mown, or the record would flatter itself.
    `day` (datetime64) is the day that the outcome belongs to.
    """

    odds: Array
    lead: Array
    rain: Array
    outcome: Array
    day: NDArray[np.datetime64]

    def __post_init__(self) -> None:
        columns = {name: getattr(self, name) for name in self.__dataclass_fields__}
        shapes = {name: column.shape for name, column in columns.items()}
        if len(set(shapes.values())) > 1 or self.odds.ndim != 1:
            raise ValueError(f"record: the shapes are {shapes}; give each case one of each, in one row of numbers")
        _refuse("odds", self.odds, (self.odds > 0.0) & (self.odds < 1.0), "above 0 and below 1")
        _refuse("lead", self.lead, (self.lead >= 0.0) & (self.lead <= LONGEST_LEAD), "0 to 16 days")
        _refuse("rain", self.rain, (self.rain >= 0.0) & np.isfinite(self.rain), "0 or more")
        _refuse("outcome", self.outcome, (self.outcome >= 0.0) & (self.outcome <= 1.0), "0 (not in time) to 1")
        _refuse("day", self.day, ~np.isnat(self.day), "a date")

    def weight(self) -> Array:
        """Return what each case counts for: a day's fields and leads share its weather, so a day counts once."""
        _, at, cases = np.unique(self.day.astype("datetime64[D]"), return_inverse=True, return_counts=True)
        return np.asarray(1.0 / cases[at], dtype=np.float64)


def _refuse(name: str, column: NDArray[np.generic], right: NDArray[np.bool_], allowed: str) -> None:
    wrong = np.flatnonzero(~right)
    if wrong.size:
        at = int(wrong[0])
        raise ValueError(f"record: {name} is {column[at]} in case {at}; allowed is {allowed}; mend or drop the case")


def fit_correction(
    record: Record,
    *,
    prior_chance: float = c.PRIOR_CHANCE,
    bias_sd: float = c.BIAS_SD,
    slope_sd: float = c.SLOPE_SD,
    lead_sd: float = c.LEAD_SD,
    rain_sd: float = c.RAIN_SD,
    most_steps: int = 50,
) -> Correction:
    """Return the correction that a record speaks for, shrunk towards none.

    Parameters
    ----------
    record : Record
        Odds held against what came of them.
    prior_chance : float [1]
        As the odds were made with.
    bias_sd, slope_sd, lead_sd, rain_sd : float [logit], [1], [logit day-1], [logit mm-1/2]
        How far each number of the correction is expected to lie from no correction.
    most_steps : int
        Of Newton's method; six or so are usual.

    Raises
    ------
    ArithmeticError
        The fit has not settled in that many steps.

    Notes
    -----
    Ridge logistic regression of outcome on the odds' distance from what is usual, on lead and on rain, with the odds
    themselves as offset: the penalty pulls to the prior's odds and not to nought, and an empty record gives them back.
    Where the record speaks for a slope below 0 the slope is held at 0 and the rest fitted again, which is the
    constrained optimum because the penalised likelihood is concave. Of an outcome between 0 and 1 it is the likelihood
    to be expected over its draws. Days are taken as independent of each other; spells of weather make a record worth
    somewhat less than that.

    References
    ----------
    le Cessie, S. and van Houwelingen, J. C. (1992), Applied Statistics 41, 191-201, doi:10.2307/2347628 (as
    remembered).
    """
    usual = logit(np.array(prior_chance))
    distance = logit(record.odds) - usual
    columns = np.stack([np.ones_like(distance), distance, record.lead, record.rain], axis=1)
    precision = np.array([bias_sd, slope_sd, lead_sd, rain_sd]) ** -2.0
    bias, stretch, lead, rain = _most_likely(record, usual + distance, columns, precision, most_steps).tolist()
    if stretch >= -1.0:
        return Correction(bias, 1.0 + stretch, lead, rain)
    flat, rest = np.full_like(distance, usual), [0, 2, 3]
    bias, lead, rain = _most_likely(record, flat, columns[:, rest], precision[rest], most_steps).tolist()
    return Correction(bias, 0.0, lead, rain)


def _most_likely(record: Record, offset: Array, columns: Array, precision: Array, most_steps: int) -> Array:
    """Return the peak of the penalised likelihood by Newton's method, halving each step that goes downhill."""
    weight = record.weight()

    def support(at: Array) -> float:
        bent = offset + columns @ at
        return float(weight @ (record.outcome * bent - np.logaddexp(0.0, bent)) - precision @ at**2 / 2.0)

    move = np.zeros(precision.size)
    for _ in range(most_steps):
        chance = 0.5 + 0.5 * np.tanh((offset + columns @ move) / 2.0)
        uphill = columns.T @ (weight * (record.outcome - chance)) - precision * move
        curvature = (columns.T * (weight * chance * (1.0 - chance))) @ columns + np.diag(precision)
        step = np.linalg.solve(curvature, uphill)
        # Tighter than this, rounding hides which way is uphill; the step itself leaves an error of about its square.
        if np.abs(step).max() < 1e-6:
            return move + step
        while support(move + step) < support(move):
            step /= 2.0
        move = move + step
    raise ArithmeticError(f"calibration: not settled in {most_steps} steps; use the odds uncorrected")

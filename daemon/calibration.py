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
    for. `outcome` is 1 where the same work, done in the hours that came, was wrapped in time, and 0 where not. It is
    known for every day with a forecast and not only for those that were mown, or the record would flatter itself.
    `day` (datetime64) is the day that the outcome belongs to.
    """

    odds: Array
    lead: Array
    outcome: Array
    day: NDArray[np.datetime64]

    def __post_init__(self) -> None:
        columns = {"odds": self.odds, "lead": self.lead, "outcome": self.outcome, "day": self.day}
        shapes = {name: column.shape for name, column in columns.items()}
        if len(set(shapes.values())) > 1 or self.odds.ndim != 1:
            raise ValueError(f"record: the shapes are {shapes}; give each case one of each, in one row of numbers")
        _refuse("odds", self.odds, (self.odds > 0.0) & (self.odds < 1.0), "above 0 and below 1")
        _refuse("lead", self.lead, (self.lead >= 0.0) & (self.lead <= LONGEST_LEAD), "0 to 16 days")
        _refuse("outcome", self.outcome, np.isin(self.outcome, (0.0, 1.0)), "0 (not in time) or 1 (in time)")
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
    most_steps: int = 50,
) -> Correction:
    """Return the correction that a record speaks for, shrunk towards none.

    Parameters
    ----------
    record : Record
        Odds held against what came of them.
    prior_chance : float [1]
        As the odds were made with.
    bias_sd, slope_sd, lead_sd : float [logit], [1], [logit day-1]
        How far each number of the correction is expected to lie from no correction.
    most_steps : int
        Of Newton's method; six or so are usual.

    Raises
    ------
    ArithmeticError
        The fit has not settled in that many steps.

    Notes
    -----
    Ridge logistic regression of outcome on the odds' distance from what is usual and on lead, with the odds themselves
    as offset: the penalty pulls to the prior's odds and not to nought, and an empty record gives them back. Where the
    record speaks for a slope below 0 the slope is held at 0 and the rest fitted again, which is the constrained
    optimum because the penalised likelihood is concave. Days are taken as independent of each other; spells of
    weather make a record worth somewhat less than that.

    References
    ----------
    le Cessie, S. and van Houwelingen, J. C. (1992), Applied Statistics 41, 191-201, doi:10.2307/2347628 (as
    remembered).
    """
    usual = logit(np.array(prior_chance))
    distance = logit(record.odds) - usual
    columns = np.stack([np.ones_like(distance), distance, record.lead], axis=1)
    precision = np.array([bias_sd, slope_sd, lead_sd]) ** -2.0
    bias, stretch, lead = _most_likely(record, usual + distance, columns, precision, most_steps)
    if stretch >= -1.0:
        return Correction(float(bias), float(1.0 + stretch), float(lead))
    flat = np.full_like(distance, usual)
    bias, lead = _most_likely(record, flat, columns[:, [0, 2]], precision[[0, 2]], most_steps)
    return Correction(float(bias), 0.0, float(lead))


def _most_likely(record: Record, offset: Array, columns: Array, precision: Array, most_steps: int) -> Array:
    """Return the peak of the penalised likelihood by Newton's method, halving each step that goes downhill."""
    weight, sign = record.weight(), 2.0 * record.outcome - 1.0

    def support(at: Array) -> float:
        return float(-weight @ np.logaddexp(0.0, -sign * (offset + columns @ at)) - precision @ at**2 / 2.0)

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

"""Fit a correction of the odds to a farm's own record of odds and outcomes."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c
from models.odds import UNCORRECTED, Correction, logit

Array = NDArray[np.float64]

# The least and the greatest value of each column of a record.
COLUMN_LIMITS: Final = {
    "odds": (c.MIN_ODDS, c.MAX_ODDS),
    "lead": (0.0, 16.0),  # open forecasts reach sixteen days; more is a lead that was counted in hours
    "rain": (0.0, 500.0**0.5),  # of a day; more is rain in a wrong unit, or no root of it
    "outcome": (0.0, 1.0),
}
# Which of bias, slope, lead and rain are fitted; the others stay at their bounds.
FIT_SUBSETS: Final = ([0, 1, 2, 3], [0, 2, 3], [0, 1, 2], [0, 2])


@dataclass(frozen=True, eq=False)
class VerificationRecord:
    """Forecasts and their outcomes, one element per case; empty at first.

    `odds` are those of odds_from_share, before any correction and so within its ends. `lead` [day] runs from the
    forecast to the day it was for, `rain` [mm1/2] is root_rain of what it held for that day. `outcome` [1] is the share
    of the crop's draws with which the same work, done in the hours that came, was wrapped in time: 1 or 0 where the
    crop is known too. It is known for every day with a forecast and not only for those that were mown, or the record
    would flatter itself. `day` (datetime64) is the day that the outcome belongs to.
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
        for name, (least, most) in COLUMN_LIMITS.items():
            _check_column(name, columns[name], within_limits(name, columns[name]), f"{least:g} to {most:g}")
        _check_column("day", self.day, ~np.isnat(self.day), "a date")

    def case_weights(self) -> Array:
        """Return the weight of each case: the fields and leads of a day share its weather, so a day counts once."""
        _, at, cases = np.unique(self.day.astype("datetime64[D]"), return_inverse=True, return_counts=True)
        return np.asarray(1.0 / cases[at], dtype=np.float64)


def within_limits(name: str, column: Array) -> NDArray[np.bool_]:
    """Return which numbers of a column lie within its limits; a missing one does not."""
    least, most = COLUMN_LIMITS[name]
    return np.asarray((column >= least) & (column <= most))


def _check_column(name: str, column: NDArray[np.generic], valid: NDArray[np.bool_], allowed: str) -> None:
    """Refuse a column with a value that is not valid."""
    invalid = np.flatnonzero(~valid)
    if invalid.size:
        at = int(invalid[0])
        raise ValueError(f"record: {name} is {column[at]} in case {at}; allowed is {allowed}; mend or drop the case")


def fit_correction(
    record: VerificationRecord,
    *,
    prior_chance: float = c.PRIOR_CHANCE,
    bias_sd: float = c.BIAS_SD,
    slope_sd: float = c.SLOPE_SD,
    lead_sd: float = c.LEAD_SD,
    rain_sd: float = c.RAIN_SD,
    max_steps: int = 50,
) -> Correction:
    """Fit the correction of the odds to a record, shrunk towards none.

    Parameters
    ----------
    record : VerificationRecord
        Odds and their outcomes.
    prior_chance : float [1]
        As the odds were made with.
    bias_sd, slope_sd, lead_sd, rain_sd : float [logit], [1], [logit day-1], [logit mm-1/2]
        How far each number of the correction is expected to lie from no correction.
    max_steps : int
        Of Newton's method; six or so are usual.

    Raises
    ------
    ArithmeticError
        The fit has not settled in that many steps.

    Notes
    -----
    Ridge logistic regression of outcome on the odds' distance from what is usual, on lead and on rain, with the odds
    themselves as offset: the penalty pulls to the prior's odds and not to nought, and an empty record gives them back.
    The slope is at least 0 and the rain at most 0, because odds must rise neither with acres nor with rain. The record
    is fitted with each of them free and held at 0, and the likeliest fit within the bounds is taken, which is the
    constrained optimum because the penalised likelihood is concave. Of an outcome between 0 and 1 it is the likelihood
    to be expected over its draws. Days are taken as independent of each other; spells of weather make a record worth
    somewhat less than that.

    References
    ----------
    le Cessie, S. and van Houwelingen, J. C. (1992), Applied Statistics 41, 191-201, doi:10.2307/2347628 (as
    remembered).
    """
    if record.odds.size == 0:
        return UNCORRECTED
    usual = logit(np.array(prior_chance))
    distance = logit(record.odds) - usual
    likelihood = _Likelihood(
        usual + distance,
        np.stack([np.ones_like(distance), distance, record.lead, record.rain], axis=1),
        np.array([bias_sd, slope_sd, lead_sd, rain_sd]) ** -2.0,
        record.outcome,
        record.case_weights(),
    )
    maxima = [likelihood.peak(fitted, max_steps) for fitted in FIT_SUBSETS]
    within_bounds = [move for move in maxima if move[1] >= -1.0 and move[3] <= 0.0]
    bias, stretch, lead, rain = max(within_bounds, key=likelihood.value_at)
    rain_range = float(record.rain.min()), float(record.rain.max())
    return Correction(float(bias), 1.0 + float(stretch), float(lead), float(rain), *rain_range)


@dataclass(frozen=True, eq=False)
class _Likelihood:
    """The penalised likelihood of a move of bias, slope, lead and rain away from no correction."""

    offset: Array  # (case,)
    design: Array  # (case, move)
    precision: Array  # (move,)
    outcome: Array
    weight: Array

    def value_at(self, move: Array) -> float:
        """Return the log-likelihood less its penalty."""
        log_odds = self.offset + self.design @ move
        log_likelihood = self.weight @ (self.outcome * log_odds - np.logaddexp(0.0, log_odds))
        return float(log_likelihood - self.precision @ move**2 / 2.0)

    def peak(self, fitted: list[int], max_steps: int) -> Array:
        """Return its peak over some moves by Newton's method, halving each step that goes downhill."""
        move = np.array([0.0, -1.0, 0.0, 0.0])
        move[fitted] = 0.0
        step = np.zeros(move.size)
        for _ in range(max_steps):
            chance = 0.5 + 0.5 * np.tanh((self.offset + self.design @ move) / 2.0)
            uphill = self.design.T @ (self.weight * (self.outcome - chance)) - self.precision * move
            spread = self.weight * chance * (1.0 - chance)
            curvature = (self.design.T * spread) @ self.design + np.diag(self.precision)
            step[fitted] = np.linalg.solve(curvature[np.ix_(fitted, fitted)], uphill[fitted])
            # Tighter than this, rounding hides which way is uphill; the step leaves an error of about its square.
            if np.abs(step).max() < 1e-6:
                return move + step
            while self.value_at(move + step) < self.value_at(move):
                step /= 2.0
            move = move + step
        raise ArithmeticError(f"calibration: not settled in {max_steps} steps; use the odds uncorrected")

"""Turn counts of forecast members into odds that a farmer can trust."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c

Array = NDArray[np.float64]


def independent_members(members: int, *, correlation: float = c.MEMBER_CORRELATION) -> float:
    """Return the number of independent forecasts that an ensemble is worth.

    Parameters
    ----------
    members : int
        Forecast members, at least 1.
    correlation : float [1]
        How much they repeat each other: members share a model and its errors.

    Notes
    -----
    Kish's effective sample size for equally correlated members, m / (1 + (m - 1) r). The correlation is an estimate,
    to be replaced by a farm's own record of forecast against outcome.

    References
    ----------
    Kish, L. (1965), Survey Sampling (as remembered).

    Examples
    --------
    >>> round(independent_members(31), 2), independent_members(1)
    (7.75, 1.0)
    """
    return members / (1.0 + (members - 1) * correlation)


def odds_from_share(
    share: Array,
    independent: float,
    *,
    prior_chance: float = c.PRIOR_CHANCE,
    prior_weight: float = c.PRIOR_WEIGHT,
    min_odds: float = c.MIN_ODDS,
    max_odds: float = c.MAX_ODDS,
) -> Array:
    """Return honest odds from the share of forecast cases in which the day works out.

    Parameters
    ----------
    share : array [1]
        Share of cases; odds keep its order, so they never rise with acres if the share does not.
    independent : float
        Worth of the forecast in independent members; infinite for hours that are known, where only the crop is not.
    prior_chance, prior_weight : float
        What is expected without any forecast, and for how many independent members that counts.
    min_odds, max_odds : float [1]
        Nobody is told never, and nobody is told certain.

    Notes
    -----
    Mean of a beta posterior. Raw counts are over-confident: in a published eleven-member set they score worse than
    climatology.

    Examples
    --------
    >>> odds_from_share(np.array([0.0, 1.0]), independent_members(31)).round(2).tolist()
    [0.03, 0.92]
    """
    weight = prior_weight / (prior_weight + independent)
    return np.clip((1.0 - weight) * share + weight * prior_chance, min_odds, max_odds)


@dataclass(frozen=True)
class Correction:
    """The correction of the odds by a farm's verification record; the defaults correct nothing.

    `bias` [logit] is added to all odds, `slope` [1] stretches or pulls in their distance from what is usual, `lead`
    [logit day-1] is added for each day between forecast and outcome, `rain` [logit mm-1/2] for each unit of root_rain,
    of which the record has seen `least_rain` to `most_rain` [mm1/2] and tells nothing beyond. A slope below 0 is
    refused, and a rain above 0: odds would rise with acres or with rain.
    """

    bias: float = 0.0
    slope: float = 1.0
    lead: float = 0.0
    rain: float = 0.0
    least_rain: float = 0.0
    most_rain: float = np.inf

    def __post_init__(self) -> None:
        finite = np.isfinite([self.bias, self.slope, self.lead, self.rain]).all()
        if not (finite and self.slope >= 0.0 >= self.rain and 0.0 <= self.least_rain <= self.most_rain):
            raise ValueError(
                f"{self}: all are finite, the slope is at least 0, rain at most 0 and least_rain from 0 to most_rain; "
                "fit the record again"
            )


UNCORRECTED = Correction()


def logit(chance: Array) -> Array:
    """Return the log of the odds, for chances above 0 and below 1."""
    return np.log(chance) - np.log1p(-chance)


def root_rain(rain: Array) -> float:
    """Return how wet an ensemble forecasts a span of hours, as the mean of the root of each member's rain [mm1/2].

    Parameters
    ----------
    rain : array [mm], shape (member, hour)

    Notes
    -----
    Counts of members do not distinguish a drizzle from a downpour, nor a dry spell from one that stays just under the
    limit. The root keeps one wet member from dominating the mean.

    References
    ----------
    Messner, J. W. et al. (2014), Monthly Weather Review 142, 448-456, doi:10.1175/MWR-D-13-00271.1: means of
    root-transformed members as predictor (as remembered).

    Examples
    --------
    >>> root_rain(np.array([[0.0, 0.0], [1.0, 3.0]]))
    1.0
    """
    return float(np.sqrt(rain.sum(axis=1)).mean())


def corrected_odds(
    odds: Array,
    lead: float | Array,
    correction: Correction = UNCORRECTED,
    *,
    rain: float | Array = 0.0,
    max_lift: float = c.MAX_LIFT,
    free_lift_odds: float = c.FREE_LIFT_ODDS,
    prior_chance: float = c.PRIOR_CHANCE,
    min_odds: float = c.MIN_ODDS,
    max_odds: float = c.MAX_ODDS,
) -> Array:
    """Correct odds by the farm's own record.

    Parameters
    ----------
    odds : array [1]
        From odds_from_share; the answer keeps their order.
    lead : float or array [day]
        Between forecast and outcome, 0 for today.
    correction : Correction
        Fitted to the record.
    rain : float or array [mm1/2]
        root_rain of the ensemble from the first to the last hour of work.
    max_lift : float [logit]
        Above the forecast's own odds; there is no limit below them, nor up to `free_lift_odds`.
    free_lift_odds : float [1]
        Odds up to which a record may raise any: too low for a mow, whatever the settings.
    prior_chance : float [1]
        What is usual, as for odds_from_share: where over-confident odds are pulled to.
    min_odds, max_odds : float [1]
        Nobody is told never, and nobody is told certain.

    Raises
    ------
    ValueError
        Odds that are missing, 0 or less, or 1 or more, and a lead or rain that is missing or below 0.

    Notes
    -----
    Logistic recalibration, logit p' = logit(usual) + bias + slope (logit p - logit(usual)) + lead days + rain root(mm).
    Departures from Cox: the slope turns about what is usual and not about one half, so that a forecast without skill
    ends there; lead and rain of the day are added. They move all odds of a day alike, so odds keep falling with acres;
    the lead does not make far days less sharp than near ones.

    A record speaks of days like those it holds. That a slope near 0 makes days alike does not make acres alike, and
    days that came better than said do not make a wet one dry: so rain is clipped to what the record has seen, and above
    what is no mow anyway the lift is limited, at a small cost in skill where an ensemble is far too wet. At one logit,
    odds of 7 in 10 take 0.46 of the forecast alone, and no forecast that is clearly against it ends in mowing.

    References
    ----------
    Cox, D. R. (1958), Biometrika 45, 562-565, doi:10.1093/biomet/45.3-4.562 (as remembered).

    Examples
    --------
    >>> corrected_odds(np.array([0.1, 0.3, 0.9]), 0, Correction(slope=0.5)).round(2).tolist()
    [0.18, 0.3, 0.66]
    """
    if not np.all((odds > 0.0) & (odds < 1.0)):
        raise ValueError(f"odds {odds}: each lies above 0 and below 1; take them from odds_from_share")
    if not np.all(np.isfinite(lead) & (np.asarray(lead) >= 0.0)):
        raise ValueError(f"lead {lead}: a number of days, at least 0; count from the day of the forecast")
    if not np.all(np.isfinite(rain) & (np.asarray(rain) >= 0.0)):
        raise ValueError(f"rain {rain}: a number, at least 0; take it from root_rain")
    usual = logit(np.array(prior_chance))
    clipped_rain = np.clip(rain, correction.least_rain, correction.most_rain)
    shift = correction.bias + correction.lead * np.asarray(lead) + correction.rain * clipped_rain
    corrected = usual + shift + correction.slope * (logit(odds) - usual)
    limited = np.minimum(corrected, np.maximum(logit(odds) + max_lift, logit(np.array(free_lift_odds))))
    # By tanh, because exp overflows where the correction is strong.
    return np.clip(0.5 + 0.5 * np.tanh(limited / 2.0), min_odds, max_odds)

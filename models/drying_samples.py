"""What measured samples tell of how fast the crop of a farm and of each of its fields dries."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c

Array = NDArray[np.float64]
Index = NDArray[np.int64]

SECTIONS: Final = 64  # parts into which a search cuts its range at each pass
PASSES: Final = 5  # 2.3 in the log of the factor over 64^5 is less than 1e-8


@dataclass(frozen=True)
class Samples:
    """Measured samples: arrays of shape (sample,).

    `log_factor` [1] is the log of the drying factor at which the model gives the reading, `field` the number of the
    sample's field and `mowing` that of its mowing, whatever numbers those are.
    """

    log_factor: Array
    field: Index
    mowing: Index


def drying_posterior(
    samples: Samples,
    fields: int,
    *,
    spread: float = c.K400_SPREAD,
    farm_share: float = c.FARM_SHARE,
    sample_error: float = c.SAMPLE_ERROR,
    mowing_share: float = c.MOWING_SHARE,
) -> tuple[Array, Array]:
    """Return what samples leave to be believed of the log of each field's drying factor.

    Parameters
    ----------
    samples : Samples
        None at all give back what was believed before: 0 and `spread`.
    fields : int
        Number of fields of the farm.
    spread : float [1]
        Standard deviation of the log of the drying factor of a field before any sample.
    farm_share, mowing_share : float [1]
        Shares of a variance: of the factor's that all fields have in common, and of a sample's error that the
        samples of one mowing have in common (the weather, the yield and the moisture at mowing).
    sample_error : float [1]
        Standard deviation of the log of the factor that a sample tells.

    Returns
    -------
    mean, deviation : array [1], shape (field,)

    Raises
    ------
    ValueError
        If a sample is not a number, or of a field that there is not.

    Notes
    -----
    log(factor) = farm part + field part, sample = log(factor) + error of the mowing + error of the sample, all normal:
    the posterior is exact. The first sample moves its own field by 0.22^2 / (0.22^2 + 0.12^2) = 0.77 of what it says
    (derived from the model's spread and a sample's error) and, with an even split, every other field by half of that.

    References
    ----------
    Kalman, R. E. (1960), J. Basic Eng. 82:35-45, doi 10.1115/1.3662552 (as remembered).

    Examples
    --------
    >>> one = Samples(np.log([0.8]), np.array([0]), np.array([0]))
    >>> mean, deviation = drying_posterior(one, 2)
    >>> (mean / np.log(0.8)).round(2), deviation.round(3)
    (array([0.77, 0.39]), array([0.105, 0.198]))
    """
    if not np.all(np.isfinite(samples.log_factor)):
        raise ValueError(f"given the log factors {samples.log_factor.tolist()}, allowed finite numbers")
    if np.any((samples.field < 0) | (samples.field >= fields)):
        raise ValueError(f"given samples of the fields {samples.field.tolist()}, allowed 0 to {fields - 1}")
    prior = spread**2 * (farm_share + (1.0 - farm_share) * np.eye(fields))
    same_mowing = samples.mowing[:, None] == samples.mowing
    error = sample_error**2 * (mowing_share * same_mowing + (1.0 - mowing_share) * np.eye(samples.mowing.size))
    of_sample = prior[samples.field]
    gain = np.linalg.solve(of_sample[:, samples.field] + error, of_sample).T
    return gain @ samples.log_factor, np.sqrt(np.diag(prior - gain @ of_sample))


def plausible_factor_range(
    *, spread: float = c.K400_SPREAD, sample_error: float = c.SAMPLE_ERROR, outlier_sds: float = c.OUTLIER_SDS
) -> tuple[float, float]:
    """Return the least and the most drying factor [1] at which one sample is believed by itself.

    Parameters
    ----------
    spread, sample_error : float [1]
        As of `drying_posterior`.
    outlier_sds : float [1]
        Standard deviations of both together.

    Examples
    --------
    >>> tuple(round(factor, 2) for factor in plausible_factor_range())
    (0.47, 2.12)
    """
    reach = outlier_sds * np.hypot(spread, sample_error)
    return float(np.exp(-reach)), float(np.exp(reach))


def is_plausible(
    samples: Samples,
    *,
    spread: float = c.K400_SPREAD,
    sample_error: float = c.SAMPLE_ERROR,
    outlier_sds: float = c.OUTLIER_SDS,
    agreement_sds: float = c.AGREEMENT_SDS,
) -> NDArray[np.bool_]:
    """Return which samples are believed, shape (sample,): those in the expected range and those that another confirms.

    Parameters
    ----------
    samples : Samples
    spread, sample_error, outlier_sds : float [1]
        As of `plausible_factor_range`.
    agreement_sds : float [1]
        Standard deviations of the difference of two samples, as far as their errors make it, up to which they agree.

    Notes
    -----
    All of `drying_posterior` is normal, so that one slip of the pen would outweigh any number of good samples. What is
    far off counts only together with a sample of another mowing: of one mowing, both may come from the same slip.

    Examples
    --------
    >>> far = Samples(np.log([2.6, 2.4, 2.6]), np.array([0, 0, 1]), np.array([0, 0, 1]))
    >>> is_plausible(far), is_plausible(Samples(far.log_factor[:2], far.field[:2], far.mowing[:2]))
    (array([ True,  True,  True]), array([False, False]))
    """
    near = np.abs(samples.log_factor) <= outlier_sds * np.hypot(spread, sample_error)
    apart = np.abs(samples.log_factor[:, None] - samples.log_factor)
    agree = (samples.mowing[:, None] != samples.mowing) & (apart <= agreement_sds * np.sqrt(2.0) * sample_error)
    return np.asarray(near | agree.any(axis=1))


def fit_drying_factor(
    water: Callable[[Array], Array],
    measured: float,
    *,
    min_factor: float = c.MIN_DRYING_FACTOR,
    max_factor: float = c.MAX_DRYING_FACTOR,
) -> float | None:
    """Return the drying factor at which a model gives a measured moisture, None where none in the range does.

    Parameters
    ----------
    water : callable
        The model: drying factors, shape (n,), to moistures, the same shape, which fall as the factor rises.
    measured : float
        In the model's unit.
    min_factor, max_factor : float [1]
        The range that is looked through.

    Raises
    ------
    ValueError
        If the measured moisture is not a number.

    Notes
    -----
    Bisection of the log of the factor, with 64 parts in place of two: the model dries all of them at once.

    Examples
    --------
    >>> round(fit_drying_factor(lambda factor: 4.0 * np.exp(-factor), 1.0), 6), round(np.log(4.0), 6)
    (1.386294, np.float64(1.386294))
    """
    if not np.isfinite(measured):
        raise ValueError(f"given the moisture {measured}, allowed a finite number")
    wettest, driest = water(np.array([min_factor, max_factor]))
    if not driest <= measured <= wettest:
        return None
    for _ in range(PASSES):
        factors = np.geomspace(min_factor, max_factor, SECTIONS + 1)
        # The ends are known to lie on either side: only what lies between them is asked for.
        wetter = int(np.count_nonzero(water(factors[1:-1]) > measured))
        min_factor, max_factor = factors[wetter], factors[wetter + 1]
    return float(np.sqrt(min_factor * max_factor))

"""Which field first, and whether a better day is worth waiting for: what mowing brings against what waiting brings."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Gain:
    """What it brings to mow today instead of waiting for the best day after it.

    `today` and `waiting` [t/ha of dry matter as good as at the target] are what may be expected of the two; `best` is
    the number of days until the day that waiting waits for, None where that lies beyond the forecast.
    """

    today: float
    waiting: float
    best: int | None

    @property
    def of_mowing(self) -> float:
        """What is lost by waiting [t/ha]; below 0 where waiting is worth more."""
        return self.today - self.waiting

    def worth_waiting(self, least: float = c.WAITING_LEAST) -> bool:
        """Return whether a day within the forecast is better by more than what is guessed here may be wrong by [1]."""
        return self.best is not None and self.of_mowing < -least * self.today


def gain(
    worth: Array,
    odds: Array,
    fit: NDArray[np.bool_],
    *,
    spoiled: float = c.SPOILED_LOSS,
    delay: float = c.NEXT_CUT_LATER[1] * c.SUMMER_GROWTH[1],
    window: float = c.NEXT_WINDOW,
) -> Gain:
    """Return what mowing on the first of some days brings, by backward recursion over the others.

    Parameters
    ----------
    worth : array [t/ha], shape (day,)
        Of the crop if mown on each day and wrapped the same day.
    odds : array [1], shape (day,)
        That it is wrapped the same day.
    fit : array of bool, shape (day,)
        Whether a day may be mown on at all: its odds are those needed. The first one is.
    spoiled : float [1]
        Of the worth that is lost where it is not wrapped in time.
    delay : float [t/ha per day]
        What the season lacks by a later next cut.
    window : float [day]
        From the end of the forecast to the next day that will do.

    Raises
    ------
    ValueError
        If something is not known.

    Notes
    -----
    V(t) = max(V_mow(t), V(t + 1)), V_mow = worth (1 - spoiled (1 - odds)) - delay t, after the cost-loss rule: act if
    the chance of loss is under cost over loss. Beyond the forecast the worth goes on as on its last day, at no better
    odds than the worst that will do. That a spoiled crop loses a quarter is derived: 20 % of its worth and 5 % of work.

    References
    ----------
    Thompson & Brier 1955, Mon. Wea. Rev. 83:249-254. Murphy 1977, Mon. Wea. Rev. 105:803-816 (both as remembered).

    Examples
    --------
    >>> sure_tomorrow = gain(np.array([1.0, 0.94]), np.array([0.7, 1.0]), np.array([True, True]), delay=0.0)
    >>> round(sure_tomorrow.of_mowing, 3), sure_tomorrow.worth_waiting()  # 0.3 of loss is more than 0.06 / 0.25
    (-0.015, False)
    """
    if not (np.isfinite(worth).all() and np.isfinite(odds).all()):
        raise ValueError(f"worth {worth}, odds {odds}: allowed are finite numbers; leave the field in its order")
    ahead = np.arange(worth.size)
    mown = worth * (1.0 - spoiled * (1.0 - odds)) - delay * ahead
    last_change = worth[-1] - worth[-2] if worth.size > 1 else 0.0
    least = float(odds[fit].min()) if fit.any() else 0.0
    beyond = (worth[-1] + window * last_change) * (1.0 - spoiled * (1.0 - least)) - delay * (worth.size - 1 + window)
    later = np.where(fit[1:], mown[1:], -np.inf)
    best = int(later.argmax()) + 1 if later.size else 0
    if best == 0 or later[best - 1] < beyond:
        return Gain(float(mown[0]), float(beyond), None)
    return Gain(float(mown[0]), float(later[best - 1]), best)

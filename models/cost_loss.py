"""The cost-loss decision: the expected worth of mowing today against that of waiting for a better day."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MowingGain:
    """The gain of mowing today over waiting for the best day after it.

    `today` and `waiting` [t/ha of dry matter as good as at the target] are what may be expected of the two;
    `best_in_days` is the number of days until the day that waiting waits for, None where that lies beyond the forecast.
    """

    today: float
    waiting: float
    best_in_days: int | None

    @property
    def lost_by_waiting(self) -> float:
        """What is lost by waiting [t/ha]; below 0 where waiting is worth more."""
        return self.today - self.waiting

    def is_waiting_better(self, min_gain: float = c.MIN_WAITING_GAIN) -> bool:
        """Return whether a day within the forecast is better by more than the error of these estimates [1]."""
        if self.best_in_days is None:
            return False
        return self.lost_by_waiting < -min_gain * self.today


def mowing_gain(
    worth: Array,
    odds: Array,
    mowable: NDArray[np.bool_],
    *,
    spoiled_loss: float = c.SPOILED_LOSS,
    delay: float = c.NEXT_CUT_DELAY[1] * c.SUMMER_GROWTH[1],
    next_window: float = c.NEXT_WINDOW,
) -> MowingGain:
    """Return the gain of mowing on the first of some days, by backward recursion over the others.

    Parameters
    ----------
    worth : array [t/ha], shape (day,)
        Of the crop if mown on each day and wrapped the same day.
    odds : array [1], shape (day,)
        That it is wrapped the same day.
    mowable : array of bool, shape (day,)
        Whether a day may be mown on at all: its odds are those needed. The first one is.
    spoiled_loss : float [1]
        Of the worth that is lost where it is not wrapped in time.
    delay : float [t/ha per day]
        What the season lacks by a later next cut.
    next_window : float [day]
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
    >>> sure_tomorrow = mowing_gain(np.array([1.0, 0.94]), np.array([0.7, 1.0]), np.array([True, True]), delay=0.0)
    >>> round(sure_tomorrow.lost_by_waiting, 3)
    -0.015
    >>> sure_tomorrow.is_waiting_better()  # 0.3 of loss is more than 0.06 / 0.25
    False
    """
    if not (np.isfinite(worth).all() and np.isfinite(odds).all()):
        raise ValueError(f"worth {worth}, odds {odds}: allowed are finite numbers; leave the field in its order")
    mown = worth * (1.0 - spoiled_loss * (1.0 - odds)) - delay * np.arange(worth.size)
    last_change = worth[-1] - worth[-2] if worth.size > 1 else 0.0
    least_odds = float(odds[mowable].min()) if mowable.any() else 0.0
    worth_beyond = worth[-1] + next_window * last_change
    days_beyond = worth.size - 1 + next_window
    beyond = worth_beyond * (1.0 - spoiled_loss * (1.0 - least_odds)) - delay * days_beyond
    later = np.where(mowable[1:], mown[1:], -np.inf)
    best = int(later.argmax()) + 1 if later.size else 0
    if best == 0 or later[best - 1] < beyond:
        return MowingGain(float(mown[0]), float(beyond), None)
    return MowingGain(float(mown[0]), float(later[best - 1]), best)

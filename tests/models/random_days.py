"""Random working days, told fast and slowly: `python -m tests.models.random_days --days 10000`."""

import argparse
from typing import Any

import numpy as np

from models.workday import NEVER, Crew, Strips, max_wrapped
from tests.models import slow_day

FIELDS = tuple(Strips.__annotations__)


def random_day(chance: np.random.Generator) -> tuple[Strips, Crew, int]:
    """Return one case: strips of one field or of several, a break or none, and a wall of rain or none."""
    count = int(chance.integers(1, 15))
    one_field = bool(chance.random() < 0.5)
    mown = chance.integers(0, 13) + np.cumsum(chance.choice([1, 1, 1, 3], count))
    ready = mown + chance.integers(0, 21) + chance.integers(0, 5, count)
    closes = chance.choice([35, 45, 55, *[NEVER] * 6], count)
    rows = 1 if one_field else count
    bales, baling = chance.uniform(0.3, 20.0, rows), chance.uniform(0.1, 8.0, rows)
    travel = np.zeros(rows) if one_field else chance.choice([0.0, 0.0, 0.0, 1.0, 2.5], rows)
    travel[0] = 0.0  # the machines begin where the first strip is
    crew = Crew(
        hands=int(chance.integers(1, 5)),
        raking_rate=float(chance.uniform(0.3, 3.0)),
        wrapping_rate=float(chance.uniform(1.0, 10.0)),
        rake_lead=int(chance.integers(0, 5)),
        wrap_within=int(chance.choice([2, 4, 8, 60])),
        finish_slot=int(chance.integers(30, 73)),
        rest_slots=frozenset(range(20, 24)) if chance.random() < 0.3 else frozenset(),
    )
    columns: list[Any] = [one[:, None] for one in (mown, ready, closes, bales, baling, travel)]
    return Strips(*columns), crew, int(chance.choice([25, 35, 45, NEVER, NEVER]))


def both_ways(day: Strips, crew: Crew, wall: int) -> tuple[int, int]:
    """Return the most strips that can be wrapped, by the model and by trying every count slowly."""
    told = zip(*(getattr(day.broadcast(), name)[:, 0].tolist() for name in FIELDS), strict=True)
    slow = slow_day.most_wrapped([slow_day.Strip(*strip) for strip in told], crew, wall)
    return int(max_wrapped(day, crew, np.array([wall]))[0]), slow


def main() -> None:
    """Compare as many days as asked for and print how many differ."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--days", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    chance = np.random.default_rng(given.seed)
    pairs = [both_ways(*random_day(chance)) for _ in range(given.days)]
    differ = sum(fast != slow for fast, slow in pairs)
    wrapped = sum(slow > 0 for _, slow in pairs)
    print(f"{given.days} random days, on {wrapped} of them something is wrapped; {differ} differ")


if __name__ == "__main__":
    main()

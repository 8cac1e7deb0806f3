"""The growth curve beside public grass trials: how far off is a curve of temperature alone?

``python -m tests.published.grass_trials FOLDER`` reads ``grass_growth_trials.csv`` and ``grass_growth_weekly.csv``: the
FAO lowland grassland trials of 1982-86 (Corrall 1984, 1988), dry matter grown since the winter, week by week. The files
are not part of this project.

What they lack is assumed here. There is no temperature, so each site has a year of sine form through the January and
July means of its district; no species, so all are a mixed meadow; no water, so nothing is said of drought. The mowing
dates are alike at all sites and so an assumption of somebody, not what was done. As far as is remembered, the growth
was measured on plots cut every four weeks and fertilised well; the curve is of a stand left alone until it is cut.
"""

import argparse
import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np

from models.degree_days import Days
from models.growth import field_growth
from models.species import Array

# Mean of January and of July [degC], remembered to about a degree: what is usual there, not what those years brought.
NORMALS: Final[Mapping[str, tuple[float, float]]] = {
    "BE1": (-0.5, 15.5),
    "DE1": (0.5, 17.5),
    "DE2": (1.0, 16.7),
    "ES1": (10.0, 18.5),
    "FR1": (1.0, 16.5),
    "FR2": (5.0, 18.2),
    "IE1": (4.5, 15.0),
    "IE2": (5.0, 15.3),
    "IT1": (0.5, 22.5),
    "IT2": (1.5, 24.0),
    "NL1": (2.2, 17.0),
    "NL2": (2.5, 16.8),
    "NO1": (1.0, 14.3),
    "RU1": (-4.0, 18.8),
    "RU2": (-4.5, 19.0),
    "SB1": (0.0, 21.0),
    "SW1": (1.0, 19.0),
    "UK1": (4.0, 15.3),
    "UK2": (4.0, 14.8),
    "UK3": (3.8, 14.6),
    "UK4": (2.8, 13.9),
}
COLDEST: Final = 20  # [d] after 1 January, estimate
SWING: Final = 5.0  # half of the difference of the day's extremes [degC]: their mean is all that counts
STAND: Final[Mapping[str, float]] = {"mixed meadow": 1.0}
OFF_BY: Final = (-1.0, 0.0, 1.0)  # [degC] what a wrong temperature would do


@dataclass(frozen=True, eq=False)
class Trial:
    """One trial: dry matter grown since the winter [t/ha] on some days of a year, and the days of its cuts."""

    site: str
    place: str
    year: int
    latitude: float
    treatment: str
    cuts: Days
    day: Days
    grown: Array


@dataclass(frozen=True)
class Score:
    """How far a model lies from what was measured: bias (model less measured) and RMSE [t/ha], and their number."""

    bias: float
    rmse: float
    measured: float  # mean [t/ha]
    count: int

    @property
    def relative(self) -> float:
        """RMSE in terms of the mean of what was measured [%]."""
        return 100.0 * self.rmse / self.measured

    def __str__(self) -> str:
        return f"{self.bias:+7.2f}{self.rmse:6.2f}{self.relative:6.0f}{self.count:6d}"


def read(folder: Path) -> list[Trial]:
    """Return the trials of a folder, each with at least one day measured."""
    with (folder / "grass_growth_weekly.csv").open(newline="", encoding="utf-8") as table:
        weekly: dict[str, list[tuple[str, float]]] = {}
        for row in csv.DictReader(table):
            weekly.setdefault(row["exp"], []).append((row["day"], float(row["cumulative_dry_kg_per_ha"]) / 1000.0))
    with (folder / "grass_growth_trials.csv").open(newline="", encoding="utf-8") as table:
        return [_trial(row, weekly[row["exp"]]) for row in csv.DictReader(table)]


def _trial(row: Mapping[str, str], measured: Sequence[tuple[str, float]]) -> Trial:
    return Trial(
        site=row["site"].split("_")[0],
        place=" ".join(row["location"].split()),
        year=int(row["year"]),
        latitude=float(row["lat"]),
        treatment=row["treatment"].split()[0].lower(),
        cuts=np.array(row["mowing_dates_in_file"].split(), dtype="datetime64[D]"),
        day=np.array([day for day, _ in measured], dtype="datetime64[D]"),
        grown=np.array([grown for _, grown in measured]),
    )


def usual_temperature(site: str, day: Days) -> Array:
    """Return the mean temperature that is usual at a site on each day [degC]."""
    january, july = NORMALS[site]
    since = (day - day.astype("datetime64[Y]").astype("datetime64[D]")).astype(float) - COLDEST
    return np.asarray((january + july) / 2.0 - (july - january) / 2.0 * np.cos(2.0 * np.pi * since / 365.25))


@cache
def modelled(trial: Trial, *, off_by: float = 0.0) -> Array:
    """Return what the growth curve says for the days of a trial [t/ha], a growth after each cut."""
    year = np.arange(f"{trial.year}-01-01", f"{trial.year + 1}-01-01", dtype="datetime64[D]")
    total, before = np.zeros(year.size), 0.0
    for begins, ends in zip([year[0], *trial.cuts], [*trial.cuts, year[-1] + 1], strict=True):
        of_it = (year >= begins) & (year < ends)
        total[of_it] = before + _one_growth(trial, year[of_it], off_by, first=bool(begins == year[0]))
        before = total[of_it][-1]
    return total[np.searchsorted(year, trial.day)]


def _one_growth(trial: Trial, day: Days, off_by: float, *, first: bool) -> Array:
    mean = usual_temperature(trial.site, day) + off_by
    cut = None if first else day[0]
    at = trial.latitude
    return field_growth(
        STAND, day, mean + SWING, mean - SWING, last_cut=cut, looks=[], southern=at < 0, latitude=at
    ).dry_matter


def score(trials: Sequence[Trial], *, first_growth: bool, off_by: float = 0.0, from_first: bool = False) -> Score:
    """Return the score over all days of some trials, or over those before the first cut.

    With `from_first` both are counted from the first day measured: some trials begin in May, when the curve has grown.

    Raises
    ------
    ValueError
        If there is no such day.
    """
    error, measured = [], []
    for trial in trials:
        counts = trial.day < trial.cuts[0] if first_growth else np.full(trial.day.shape, True)
        error_of_it = modelled(trial, off_by=off_by) - trial.grown
        error.append((error_of_it - error_of_it[0] * from_first)[counts])
        measured.append(trial.grown[counts])
    errors = np.concatenate(error)
    if not errors.size:
        raise ValueError("nothing was measured on these days: choose other trials")
    mean = float(np.concatenate(measured).mean())
    return Score(float(errors.mean()), float(np.sqrt((errors**2).mean())), mean, errors.size)


def lines(trials: Sequence[Trial]) -> Iterator[str]:
    """Yield the table: each trial, then each site, each treatment and all, then all at other temperatures."""
    known = [trial for trial in trials if trial.site in NORMALS]
    yield f"{'':<38}first growth: bias, RMSE t/ha, %, n     all year: the same"
    for trial in known:
        yield _line(f"{trial.place} {trial.year} {trial.treatment}", [trial])
    for place in sorted({trial.place for trial in known}):
        yield _line(f"all of {place}", [trial for trial in known if trial.place == place])
    for treatment in sorted({trial.treatment for trial in known}):
        yield _line(f"all {treatment}", [trial for trial in known if trial.treatment == treatment])
    for off_by in OFF_BY:
        yield _line("all" if not off_by else f"all, were it {off_by:+g} degC", known, off_by=off_by)
    yield _line("all, from the first day measured", known, from_first=True)
    for trial in trials:
        if trial not in known:
            yield f"left out: {trial.place} {trial.year}, no usual temperature is known here for {trial.site}"


def _line(what: str, trials: Sequence[Trial], *, off_by: float = 0.0, from_first: bool = False) -> str:
    has_first = any(trial.day[0] < trial.cuts[0] for trial in trials)
    first = f"{'none measured':>25}"
    if has_first:
        first = str(score(trials, first_growth=True, off_by=off_by, from_first=from_first))
    return f"{what:<42}{first}      {score(trials, first_growth=False, off_by=off_by, from_first=from_first)}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Print what each trial lacks and how far off the curve is."""
    parser = argparse.ArgumentParser(description="Hold the growth curve against public grass trials.")
    parser.add_argument("folder", type=Path, help="holds grass_growth_trials.csv and grass_growth_weekly.csv")
    trials = read(parser.parse_args(arguments).folder)
    print(
        "Given: place, day, dry matter, whether watered. Assumed: temperature (usual at the site), species (a meadow)"
    )
    print(
        "and cuts (the files'). Measured, it is remembered, on plots cut every four weeks, not on a stand left alone."
    )
    print(*lines(trials), sep="\n")


if __name__ == "__main__":
    main()

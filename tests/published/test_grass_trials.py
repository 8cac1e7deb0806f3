"""The reader and the scores of the grass trials, on made-up files in the true shape; no check of growth itself."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.published import grass_trials
from tests.published.grass_trials import Trial, modelled, read, score, usual_temperature

TRIALS = """\
exp,site,location,year,lat,lon,treatment,n_obs,last_kg_dm_per_ha,mowing_dates_in_file
007,NL1_1983,"Netherlands,  Nowhere",1983,51.97,5.67,Irrigated (potential),3,9000.0,1983-05-15 1983-06-14
008,XX1_1983,"Nowhere, Else",1983,51.97,5.67,Rainfed (water-limited),1,900.0,1983-05-15 1983-06-14
"""
WEEKLY = """\
exp,day,cumulative_dry_kg_per_ha
007,1983-04-15,500.0
007,1983-05-14,3100.0
007,1983-06-20,5000.0
008,1983-06-01,900.0
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "grass_growth_trials.csv").write_text(TRIALS, encoding="utf-8")
    (tmp_path / "grass_growth_weekly.csv").write_text(WEEKLY, encoding="utf-8")
    return tmp_path


def measured_as_modelled(folder: Path, more: Sequence[float]) -> Trial:
    trial = read(folder)[0]
    return replace(trial, grown=modelled(trial) + np.array(more))


def test_files_are_read_in_tonnes(folder: Path) -> None:
    trial = read(folder)[0]
    assert (trial.site, trial.place, trial.year) == ("NL1", "Netherlands, Nowhere", 1983)
    assert (trial.treatment, trial.latitude) == ("irrigated", 51.97)
    assert trial.cuts.tolist() == np.array(["1983-05-15", "1983-06-14"], dtype="datetime64[D]").tolist()
    np.testing.assert_allclose(trial.grown, [0.5, 3.1, 5.0])


def test_the_usual_year_has_the_means_it_was_given() -> None:
    year = np.arange("1983-01-01", "1984-01-01", dtype="datetime64[D]")
    temperature = usual_temperature("NL1", year)
    assert temperature[20] == pytest.approx(2.2)
    assert temperature[203] == pytest.approx(17.0, abs=0.01)
    assert temperature.mean() == pytest.approx(9.6, abs=0.05)


def test_growths_add_up_over_the_cuts(folder: Path) -> None:
    trial = replace(
        read(folder)[0], day=np.array(["1983-05-14", "1983-05-16", "1983-06-13", "1983-06-15"], dtype="datetime64[D]")
    )
    before, after, end, again = modelled(trial)
    assert 2.0 < before < after < before + 0.2
    assert end - before > 0.9
    assert 0.0 < again - end < 0.2


def test_a_score_by_hand(folder: Path) -> None:
    trial = measured_as_modelled(folder, [0.3, -0.4, 1.2])
    first, year = score([trial], first_growth=True), score([trial], first_growth=False)
    assert (first.count, year.count) == (2, 3)
    assert first.bias == pytest.approx(0.05)
    assert first.rmse == pytest.approx(0.125**0.5)
    assert year.bias == pytest.approx(-1.1 / 3)
    late = score([trial], first_growth=True, from_first=True)
    assert (late.bias, late.rmse) == pytest.approx((0.35, 0.245**0.5))
    assert year.relative == pytest.approx(100 * ((0.09 + 0.16 + 1.44) / 3) ** 0.5 / trial.grown.mean())


def test_nothing_measured_before_the_first_cut_is_said(folder: Path) -> None:
    with pytest.raises(ValueError, match="nothing was measured"):
        score([replace(trial, site="NL1") for trial in read(folder)[1:]], first_growth=True)


def test_a_trial_without_temperature_is_named_and_left_out(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    grass_trials.main([str(folder)])
    printed = capsys.readouterr().out.splitlines()
    assert printed[-1] == "left out: Nowhere, Else 1983, no usual temperature is known here for XX1"
    named = [line[:42].strip() for line in printed[3:-1]]
    assert named == [
        "Netherlands, Nowhere 1983 irrigated",
        "all of Netherlands, Nowhere",
        "all irrigated",
        "all, were it -1 degC",
        "all",
        "all, were it +1 degC",
        "all, from the first day measured",
    ]
    colder, usual, warmer = (float(line[42:49]) for line in printed[-5:-2])
    assert colder < usual < warmer

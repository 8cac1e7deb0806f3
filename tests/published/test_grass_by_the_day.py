"""What grass does from day to day, as printed for spring, Lapland and New Zealand, against the growth curves."""

from itertools import pairwise

import numpy as np
import pytest

from models import coefficients as c
from models.digestibility import grass_protein
from models.growth import DECILE_Z, species_table
from models.species import Species, stage_onsets
from models.stages import grass_ndf, species_dry_matter, species_ndf


def rise_in_a_day(mean: float) -> float:
    """Return what the fibre of a meadow rises in a day of this mean temperature, at its target."""
    mark = species_table()["mixed meadow"].ndf_mark
    return float(np.diff(grass_ndf([mark - mean / 2.0, mark + mean / 2.0], mark))[0])


@pytest.mark.published
def test_fibre_rises_slowly_in_a_cool_spell_and_faster_after_it() -> None:
    # Cornell Extension, Delaware County: +0.5 a day in a cool spell, then 0.75 to 1.0. Neither temperature is printed:
    # 8 degC and then 12 to 15 are assumed.
    assert rise_in_a_day(8.0) == pytest.approx(0.5, abs=0.1)
    assert all(0.75 <= rise_in_a_day(mean) <= 1.0 for mean in (12.0, 13.5, 15.0))


@pytest.mark.published
@pytest.mark.parametrize(("stage", "printed"), [("early heads", 2.77), ("full heads", 4.95)])
def test_dry_matter_of_timothy_in_lapland(stage: str, printed: float) -> None:
    # Nissinen (International Grassland Congress 19): 2.77 and 4.95 t/ha at early and at full heading. What timothy grew
    # in the ten days between, 218 kg a day, is more than the curve has at any warmth that is usual there.
    timothy = species_table()["timothy"]
    clock = np.array([stage_onsets(timothy, regrowth=False, latitude=66.0)[stage]])
    middle = float(species_dry_matter(timothy, clock, regrowth=False)[0])
    assert abs(printed - middle) <= DECILE_Z * c.YIELD_SPREAD * middle


@pytest.mark.published
@pytest.mark.parametrize(("yield_of_it", "printed", "index"), [(2.77, 16.6, 0.77), (4.95, 11.7, 0.65)])
def test_nitrogen_of_timothy_in_lapland_by_the_critical_curve(yield_of_it: float, printed: float, index: float) -> None:
    # Nissinen's protein over that of Lemaire & Salette's critical nitrogen (memory), 6.25 x 4.8 W^-0.32, by hand
    assert printed / float(grass_protein(yield_of_it, nutrition=1.0)) == pytest.approx(index, abs=0.005)


@pytest.mark.published
def test_fibre_of_a_ryegrass_regrowth_in_a_southern_spring() -> None:
    # Proc. NZ Soc. Anim. Prod. 2002: NDF 42.1 % on day 21 and 56.3 % on day 67 of a spring regrowth. The temperature is
    # not printed: 9 to 11 degC are assumed, and the later figure must lie between what the two give.
    ryegrass = species_table()["perennial ryegrass"]
    cool, mild = (species_ndf(ryegrass, mean * np.array([21.0, 67.0]), regrowth=True) for mean in (9.0, 11.0))
    assert cool[0] == pytest.approx(42.1, abs=1.5)
    assert mild[0] == pytest.approx(42.1, abs=1.5)
    assert cool[1] <= 56.3 <= mild[1]


def heads(kind: Species) -> float:
    return kind.stages["early heads"]


def test_fit_grasses_head_as_many_days_apart_as_at_eight_sites() -> None:
    # Hall et al. 2006 (meeting abstract), which the table was anchored on: tall fescue 2, perennial ryegrass 5 and
    # timothy 10 days after orchardgrass; days of 15 degC are assumed.
    first, *later = (species_table()[name] for name in ("orchardgrass", "tall fescue", "perennial ryegrass", "timothy"))
    assert [(heads(kind) - heads(first)) / 15.0 for kind in later] == pytest.approx([2.0, 5.0, 10.0], abs=0.5)
    assert all(heads(one) < heads(other) for one, other in pairwise([first, *later]))

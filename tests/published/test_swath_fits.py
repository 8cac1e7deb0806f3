"""Published drying that the swath's constants were fitted to. These are fits, not checks, and are not marked published.

The sources give pan evaporation; the model counts reference evaporation. Their ratio is taken as 0.8 and the crop as
80 % water when cut, neither of which the sources state. The relation behind rows 3 and 4, M / M0 = exp(-k E), knows no
equilibrium moisture.
"""

import numpy as np
import pytest

from models.swath import DryingHours, dry_basis, lay_swath, wilt

PAN = 0.8  # reference evaporation in terms of pan evaporation, estimate
STEP = 0.05  # [mm] of reference evaporation in each step
STEPS = 1200


def pan_millimetres(dry_matter: float, share: float, until: float, *, equilibrium: float = 0.0) -> float:
    """Return the pan evaporation [mm] that takes an unconditioned crop from 80 % water to `until` (wet basis)."""
    shape = (1, STEPS)
    dry_air = DryingHours(np.full(shape, STEP), np.zeros(shape), np.full(shape, equilibrium), np.zeros(shape))
    swath = lay_swath(np.full((1, 1), dry_matter), np.full((1, 1), 0.8), share)
    water = wilt(dry_air, swath, np.zeros(1), np.zeros((1, 1))).ravel()
    level = float(dry_basis(np.array(until)))
    assert water[-1] < level
    return float(np.interp(-level, -water, STEP * np.arange(STEPS + 1))) / PAN


@pytest.mark.parametrize("equilibrium", [0.0, 0.12])
@pytest.mark.parametrize(("dry_matter", "least", "most"), [(4.0, 1.8, 3.8), (8.0, 2.4, 5.1)])
def test_pan_evaporation_to_seventy_per_cent(dry_matter: float, least: float, most: float, equilibrium: float) -> None:
    # Savoie, Burgess, Knight & McGechan (1994), doi 10.1111/j.1365-2494.1994.tb01999.x: ryegrass and lucerne, open
    assert least <= pan_millimetres(dry_matter, 1.0, 0.7, equilibrium=equilibrium) <= most


@pytest.mark.parametrize(("share", "pan"), [(1.0, 12.4), (0.1, 48.5)])
def test_pan_evaporation_to_hay_in_a_wide_and_a_narrow_swath(share: float, pan: float) -> None:
    # A reader's rule (weak source) after Pitt (1985): alfalfa of 2 ton/acre to 20 % water, 0.49 and 1.91 in of pan
    assert pan_millimetres(4.5, share, 0.2) == pytest.approx(pan, rel=0.05)


def test_humid_air_makes_hay_slower_than_the_rule_without_an_equilibrium() -> None:
    # With air that lets hay come to 0.12 kg/kg the last points take a fifth more: the rule is no check of that part.
    assert pan_millimetres(4.5, 1.0, 0.2, equilibrium=0.12) == pytest.approx(15.2, rel=0.02)


def test_halving_the_swath_speeds_drying() -> None:
    # Wright, Frost, Patterson & Kilpatrick (1997), Grass Forage Sci. 52: x 1.47 from 6 to 3 kg fresh/m2, 84 % wet
    thick, thin = (lay_swath(np.full((1, 1), fresh * 1.6), np.full((1, 1), 0.84), 1.0) for fresh in (6.0, 3.0))
    assert thick.density[0, 0] == pytest.approx(960.0)
    assert thin.rate[0, 0] / thick.rate[0, 0] == pytest.approx(1.47, rel=0.05)

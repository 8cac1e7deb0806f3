"""What a crop is worth as feed, what it loses lying, and what a day of waiting does."""

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models import coefficients as c
from models.digestibility import fibre_digestibility, grass_digestibility, grass_protein, ndf_digestibility
from models.growth import NO_CONTEXT, Growth, GrowthContext, GrowthUnknown, StageLook, field_growth, species_table
from models.losses import rain_loss, respiration_loss
from models.quality import BandSeries, Figure, WaitingCost, field_quality, waiting_cost
from models.species import Array
from models.stages import Purpose, ndf_target

SPRING: Array = np.where(np.arange(181) < 90, 4.0, 14.0)  # green-up on 1 April, then 14 degC a day


def grow(
    stand: Mapping[str, float],
    mean: Array = SPRING,
    *,
    cut: str | None = None,
    looks: tuple[StageLook, ...] = (),
    known: GrowthContext = NO_CONTEXT,
) -> Growth:
    return field_growth(
        stand,
        np.datetime64("2026-01-01") + np.arange(mean.size),
        mean + 6,
        mean - 6,
        last_cut=None if cut is None else np.datetime64(cut),
        looks=looks,
        southern=False,
        latitude=43.0,
        context=known,
    )


def ripe(growth: Growth) -> int:
    return int(np.argmax(growth.ndf_mid >= growth.ndf_target))


# --- digestibility -------------------------------------------------------------------------------------------------


def test_grass_is_as_digestible_as_ever_until_it_heads() -> None:
    growth = grow({"orchardgrass": 1.0})
    mid = field_quality(growth).digestibility.mid
    heads = growth.stage.index("early heads")
    assert set(mid[:heads]) == {76.0}
    late = mid[heads + 2 : heads + 20]
    np.testing.assert_allclose(np.diff(late), -0.5)


@pytest.mark.parametrize(("mean", "fall"), [(4.0, 0.0), (9.0, 0.2), (14.0, 0.5), (20.0, 0.86)])
def test_digestibility_falls_faster_in_warmth(mean: float, fall: float) -> None:
    clock = 470.0 + mean * np.arange(11)
    digested = grass_digestibility(clock, 470.0, np.full(11, mean), np.full(11, mean))
    assert digested[0] - digested[-1] == pytest.approx(10 * fall)


def test_digestibility_has_a_floor() -> None:
    clock = 470.0 + 20.0 * np.arange(60)
    assert grass_digestibility(clock, 470.0, np.full(60, 20.0), np.full(60, 20.0))[-1] == 50.0


def test_a_look_moves_the_days_since_heading() -> None:
    plain = grow({"orchardgrass": 1.0})
    at = plain.stage.index("early heads") + 5
    look = StageLook(plain.day[at], "full heads")
    seen = grow({"orchardgrass": 1.0}, looks=(look,))
    moved = (seen.clock[at] - plain.clock[at]) / 14.0
    assert moved > 2
    before, after = (field_quality(growth).digestibility.mid[at] for growth in (plain, seen))
    assert before - after == pytest.approx(0.5 * moved)


def test_regrowth_and_legumes_go_by_their_fibre() -> None:
    np.testing.assert_allclose(fibre_digestibility([40.0, 45.0, 55.0], legume=False), [76.0, 76.0, 71.0])
    # 88.9 - 0.779 (28 + 0.667 x 12) = 60.85
    assert float(fibre_digestibility(50.0, legume=True)) == pytest.approx(60.85, abs=0.01)
    growth = grow({"orchardgrass": 1.0}, cut="2026-05-01")
    mid = field_quality(growth).digestibility.mid
    np.testing.assert_allclose(mid[150], 76.0 - 0.5 * max(growth.ndf_mid[150] - 45.0, 0.0))


def test_mix_is_digested_as_its_species_are() -> None:
    mix, grass, legume = (
        field_quality(grow(stand)).digestibility.mid[100:]
        for stand in ({"orchardgrass": 0.3, "alfalfa": 0.7}, {"orchardgrass": 1.0}, {"alfalfa": 1.0})
    )
    np.testing.assert_allclose(mix, 0.3 * grass + 0.7 * legume)


@given(ndf=st.floats(30, 70), digested=st.floats(0.3, 0.95))
def test_fibre_digestibility_solves_the_summative_equation(ndf: float, digested: float) -> None:
    whole = 0.98 * (100 - ndf) + digested * ndf - 12.9
    assert float(ndf_digestibility(whole, ndf)) == pytest.approx(100 * digested)


# --- protein and yield ---------------------------------------------------------------------------------------------


def test_protein_is_diluted_and_held_in_light_crops() -> None:
    np.testing.assert_allclose(grass_protein([2.0, 3.0, 4.0]), [18.0, 15.8, 14.4], atol=0.05)
    assert float(grass_protein(0.3)) == float(grass_protein(1.0)) == pytest.approx(22.5)
    assert float(grass_protein(3.0, nutrition=0.65)) == pytest.approx(13.7, abs=0.05)


def test_site_scales_the_yield_and_thereby_dilutes_protein() -> None:
    growth = grow({"orchardgrass": 1.0})
    usual, rich = field_quality(growth), field_quality(growth, yield_ratio=1.5)
    at = ripe(growth)
    assert rich.dry_matter.mid[at] == pytest.approx(1.5 * usual.dry_matter.mid[at])
    assert rich.protein.mid[at] == pytest.approx(usual.protein.mid[at] * 1.5**-0.32)
    np.testing.assert_array_equal(rich.ndf.mid, usual.ndf.mid)


def test_drought_takes_the_gain_of_waiting() -> None:
    stress = np.where(np.arange(181) < 115, 1.0, 0.1)
    day = np.datetime64("2026-01-01") + 118
    dry, wet = (
        waiting_cost(grow({"orchardgrass": 1.0}, known=known), day)
        for known in (GrowthContext(stress=stress), GrowthContext())
    )
    assert (dry.dry_matter.low, dry.dry_matter.mid, dry.dry_matter.high) == (0.0, 0.0, 0.0)
    assert wet.dry_matter.mid > 0.1
    assert dry.ndf == wet.ndf


# --- bands ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", list(species_table()))
@pytest.mark.parametrize("cut", [None, "2026-05-01"])
def test_bands_are_ordered_and_say_where_they_come_from(name: str, cut: str | None) -> None:
    growth = grow({name: 1.0}, cut=cut)
    quality = field_quality(growth)
    known = np.isfinite(growth.clock)
    for item in fields(quality)[1:]:
        band: BandSeries = getattr(quality, item.name)
        assert (band.low[known] <= band.mid[known]).all()
        assert (band.mid[known] <= band.high[known]).all()
        assert np.isnan(band.mid[~known]).all()
        assert band.source.startswith(("estimate", "published"))
    np.testing.assert_allclose(quality.ndf.mid, growth.ndf_mid)
    np.testing.assert_allclose(quality.ndf.low, growth.ndf_low)
    np.testing.assert_allclose(quality.ndf.high, growth.ndf_high)
    np.testing.assert_allclose(quality.dry_matter.mid, growth.dry_matter)


def test_worth_is_the_tonnage_until_the_target_and_less_past_it() -> None:
    growth = grow({"orchardgrass": 1.0})
    quality = field_quality(growth)
    at = ripe(growth)
    young, old = at - 5, at + 10
    assert quality.worth.mid[young] == pytest.approx(quality.dry_matter.mid[young])
    lost = 1 - 0.067 * (growth.ndf_mid[old] - 50.0)
    assert quality.worth.mid[old] == pytest.approx(lost * quality.dry_matter.mid[old])
    assert field_quality(growth, Purpose.HORSES).worth.mid[old] > quality.worth.mid[old]
    assert (quality.worth.mid >= c.MIN_WORTH * quality.dry_matter.mid - 1e-12).all()


# --- a day of waiting ----------------------------------------------------------------------------------------------


def figures(waiting: WaitingCost) -> list[Figure]:
    return [value for item in fields(waiting) if isinstance(value := getattr(waiting, item.name), Figure)]


def test_waiting_is_the_difference_of_two_days() -> None:
    growth = grow({"orchardgrass": 1.0})
    quality, at = field_quality(growth), ripe(growth) + 5
    waiting = waiting_cost(growth, growth.day[at])
    for name in ("ndf", "digestibility", "protein", "dry_matter"):
        mid = getattr(quality, name).mid
        assert getattr(waiting, name).mid == pytest.approx(mid[at + 1] - mid[at])
    assert waiting.digestibility.mid == pytest.approx(-0.5)
    assert waiting.milk is not None
    assert waiting.milk.mid == pytest.approx(-0.305)
    assert (waiting.next_cut.low, waiting.next_cut.mid, waiting.next_cut.high) == (0.7, 0.85, 1.0)
    gained = quality.worth.mid[at + 1] - quality.worth.mid[at]
    assert waiting.worth.mid == pytest.approx(gained - 0.85 * 0.045)


def test_waiting_pays_before_the_target_and_costs_after_it() -> None:
    growth = grow({"orchardgrass": 1.0})
    worth = [waiting_cost(growth, growth.day[ripe(growth) + days]).worth.mid for days in (-10, 5, 10)]
    assert worth[0] > 0 > worth[1] > worth[2]


def test_horses_lose_less_by_waiting_than_cows() -> None:
    growth = grow({"orchardgrass": 1.0})
    day = growth.day[ripe(growth) + 5]
    milk, horses = (waiting_cost(growth, day, purpose) for purpose in (Purpose.MILK, Purpose.HORSES))
    assert milk.worth.mid < horses.worth.mid
    assert horses.milk is None
    assert waiting_cost(grow({"orchardgrass": 1.0}, cut="2026-05-01"), np.datetime64("2026-06-01")).milk is None
    coarse = grow({"orchardgrass": 1.0}, known=GrowthContext(target=ndf_target(1.0, Purpose.HORSES)))
    assert waiting_cost(coarse, day, Purpose.HORSES).worth.mid > horses.worth.mid


def test_without_a_further_cut_nothing_comes_later() -> None:
    growth = grow({"orchardgrass": 1.0})
    day = growth.day[ripe(growth)]
    again, last = (waiting_cost(growth, day, cut_again=cut_again) for cut_again in (True, False))
    assert last.next_cut.high == 0.0
    assert last.worth.mid - again.worth.mid == pytest.approx(0.85 * 0.045)
    assert last.worth.high - last.worth.low < again.worth.high - again.worth.low


def test_a_look_narrows_what_waiting_costs() -> None:
    plain = grow({"orchardgrass": 1.0})
    at = plain.stage.index("early heads")
    seen = grow({"orchardgrass": 1.0}, looks=(StageLook(plain.day[at], "early heads"),))
    wide, narrow = (waiting_cost(growth, plain.day[at + 1]).protein for growth in (plain, seen))
    assert narrow.high - narrow.low < wide.high - wide.low


STANDS: list[dict[str, float]] = [{name: 1.0} for name in species_table()]
STANDS += [{"orchardgrass": 0.4, "alfalfa": 0.6}, {"timothy": 0.8, "red clover": 0.2}]


@settings(max_examples=60, deadline=None)
@given(
    stand=st.sampled_from(STANDS),
    at=st.integers(92, 179),
    cut=st.sampled_from([None, "2026-04-01"]),
    warmth=st.floats(-3, 12),
    purpose=st.sampled_from(list(Purpose)),
)
def test_what_waiting_costs_is_ordered_and_has_its_signs(
    stand: dict[str, float], at: int, cut: str | None, warmth: float, purpose: Purpose
) -> None:
    growth = grow(stand, SPRING + warmth * (np.arange(181) >= 90), cut=cut)
    waiting = waiting_cost(growth, growth.day[at], purpose)
    for figure in figures(waiting):
        assert figure.low <= figure.mid <= figure.high
        assert figure.source.startswith(("estimate", "published"))
    assert waiting.ndf.low >= 0.0
    assert waiting.dry_matter.low >= 0.0
    assert waiting.digestibility.high <= 0.0
    assert waiting.protein.high <= 0.0


@pytest.mark.parametrize("day", ["2025-12-31", "2026-06-30", "2026-07-05"])
def test_a_day_without_a_day_after_is_refused(day: str) -> None:
    with pytest.raises(GrowthUnknown, match="day after must be known") as refused:
        waiting_cost(grow({"timothy": 1.0}), np.datetime64(day))
    assert refused.value.day == np.datetime64(day)


def test_a_day_before_the_cut_is_refused() -> None:
    with pytest.raises(GrowthUnknown, match="day after must be known"):
        waiting_cost(grow({"timothy": 1.0}, cut="2026-05-20"), np.datetime64("2026-05-19"))


# --- what is lost lying --------------------------------------------------------------------------------------------


def test_respiration_by_hand() -> None:
    # 0.10 x 2^0.7 x 1, then the same at 56 % water: (0.56 - 0.37) / 0.38 = 0.5; dry hay breathes no more.
    mid = respiration_loss([0.80, 0.56, 0.30], 22.0).mid
    np.testing.assert_allclose(mid, [0.1625, 0.0812, 0.0], atol=1e-4)
    assert float(respiration_loss(0.8, 45.0).mid) == float(respiration_loss(0.8, 35.0).mid)
    band = respiration_loss(0.8, 15.0)
    assert (float(band.low), float(band.high)) == (0.05, 0.2)


def test_a_day_and_a_night_of_wilting() -> None:
    day = respiration_loss(np.linspace(0.80, 0.52, 9), 22.0).mid.sum()
    night = respiration_loss(np.full(12, 0.65), 12.0).mid.sum()
    assert (day, night) == pytest.approx((1.2, 0.7), abs=0.15)


def test_rain_takes_more_the_longer_it_lasts_and_less_of_grass_and_of_a_fresh_crop() -> None:
    hay = float(rain_loss(9.0, 3.0, 0.5, 0.0).mid)
    assert hay == pytest.approx(0.9 + 9 * 1.1 / 18 * 2.5)
    assert float(rain_loss(9.0, 3.0, 0.5, 1.0).mid) == pytest.approx(0.5 * hay)
    assert float(rain_loss(9.0, 3.0, 0.82, 0.0).mid) == pytest.approx(0.3 * hay)
    assert float(rain_loss(9.0, 3.0, 0.725, 0.5).mid) == pytest.approx(0.75 * 0.65 * hay)
    assert float(rain_loss(0.0, 3.0, 0.5, 0.0).mid) == 0.0
    # A cloudburst is no better than rain at 18 mm an hour.
    assert float(rain_loss(18.0, 0.2, 0.5, 0.0).mid) == pytest.approx(1.8)


def test_rain_never_takes_more_than_is_read() -> None:
    band: Any = rain_loss(80.0, 40.0, 0.5, 0.0)
    assert (float(band.low), float(band.mid), float(band.high)) == (12.5, 25.0, 50.0)

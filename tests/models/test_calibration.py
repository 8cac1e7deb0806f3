from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, seed, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.calibration import VerificationRecord, fit_correction
from models.odds import UNCORRECTED, Correction, corrected_odds, independent_members, logit, odds_from_share, root_rain

Array = NDArray[np.float64]

SHARES = np.linspace(0.0, 1.0, 32)
PRIOR = odds_from_share(SHARES, independent_members(31))


def days(cases: int) -> NDArray[np.datetime64]:
    return np.datetime64("2024-05-01") + np.arange(cases)


def record(odds: Array, outcome: Array, lead: float | Array = 0.0, rain: float | Array = 0.0) -> VerificationRecord:
    lead, rain = (np.broadcast_to(column, odds.shape).astype(float) for column in (lead, rain))
    return VerificationRecord(odds, lead, rain, outcome, days(odds.size))


def drawn(
    cases: int, *, slope: float, bias: float = 0.0, by_lead: float = 0.0, by_rain: float = 0.0
) -> VerificationRecord:
    """Return an invented record whose odds are bent as told."""
    random = np.random.default_rng(20240501)
    odds = odds_from_share(random.beta(0.5, 0.8, cases), independent_members(31))
    lead = random.integers(0, 6, cases).astype(float)
    usual = logit(np.array(0.3))
    chances = random.random(cases)
    rain = random.exponential(1.0, cases) if by_rain else np.zeros(cases)
    bent = usual + bias + slope * (logit(odds) - usual) + by_lead * lead + by_rain * rain
    return record(odds, (chances < 1.0 / (1.0 + np.exp(-bent))).astype(float), lead, rain)


NOTHING = record(np.array([]), np.array([]))


def test_no_record_gives_exactly_the_prior() -> None:
    assert fit_correction(NOTHING) == UNCORRECTED == Correction(0.0, 1.0, 0.0, 0.0)
    for lead in (0, 7):
        assert corrected_odds(PRIOR, lead, fit_correction(NOTHING), rain=2.0) == pytest.approx(PRIOR, rel=1e-12)


def test_an_over_confident_ensemble_is_pulled_in() -> None:
    found = fit_correction(drawn(2000, slope=0.3))
    assert found.slope == pytest.approx(0.3, abs=0.1)
    sure, unsure = corrected_odds(np.array([0.9, 0.05]), 0, found, max_lift=np.inf)
    # 0.3 bent about logit(0.3) by hand: 0.9 -> 0.517, 0.05 -> 0.186
    assert sure == pytest.approx(0.517, abs=0.06)
    assert unsure == pytest.approx(0.186, abs=0.06)


def test_odds_that_came_true_stay_as_they_are() -> None:
    found = fit_correction(drawn(2000, slope=1.0))
    assert corrected_odds(PRIOR, 2, found) == pytest.approx(PRIOR, abs=0.05)


def test_bias_and_lead_are_found() -> None:
    found = fit_correction(drawn(4000, slope=1.0, bias=0.8, by_lead=-0.3))
    assert found.bias == pytest.approx(0.8, abs=0.2)
    assert found.lead == pytest.approx(-0.3, abs=0.06)
    near, far = corrected_odds(np.full(2, 0.6), np.array([0.0, 5.0]), found)
    assert near - far > 0.2


def test_what_rain_tells_beyond_the_count_of_members_is_found() -> None:
    found = fit_correction(drawn(4000, slope=1.0, by_rain=-0.9))
    assert found.rain == pytest.approx(-0.9, abs=0.1)
    dry, wet = corrected_odds(np.full(2, 0.6), 0.0, found, rain=np.array([0.0, 2.0]))
    # 0.6 is 1.5 to 1; e^-1.8 = 0.165 of that is 0.25 to 1
    assert dry == pytest.approx(0.6, abs=0.05)
    assert wet == pytest.approx(0.2, abs=0.05)


def test_shares_of_draws_are_fitted_as_the_outcomes_they_stand_for() -> None:
    """Three draws in time out of four say what three days in time and one not say, at a quarter of the weight each."""
    shared = record(np.array([0.2, 0.6]), np.array([0.25, 0.75]))
    odds = np.repeat(shared.odds, 4)
    told = VerificationRecord(
        odds, np.zeros(8), np.zeros(8), np.array([1.0, 0, 0, 0, 1, 1, 1, 0]), np.repeat(shared.day, 4)
    )
    found, expected = fit_correction(shared), fit_correction(told)
    assert (found.bias, found.slope) == pytest.approx((expected.bias, expected.slope), abs=1e-9)
    assert found.bias > 0.01


def test_five_lucky_days_move_seven_in_ten_by_less_than_one_tenth() -> None:
    lucky = fit_correction(record(np.full(5, 0.7), np.ones(5)))
    (moved,) = corrected_odds(np.array([0.7]), 0, lucky)
    assert 0.75 < moved < 0.8


def test_root_rain_by_hand() -> None:
    # (root(0) + root(4) + root(9 x 1)) / 3
    assert root_rain(np.array([[0.0, 0.0], [4.0, 0.0], [3.0, 6.0]])) == pytest.approx(5.0 / 3.0)


def test_a_few_cases_stay_near_the_prior_and_many_leave_it() -> None:
    def after(cases: int) -> float:
        failed = record(np.full(cases, 0.8), np.zeros(cases))
        return float(corrected_odds(np.array([0.8]), 0, fit_correction(failed))[0])

    fallen = [after(cases) for cases in (0, 1, 3, 30, 300)]
    assert fallen == sorted(fallen, reverse=True)
    assert fallen[1] > 0.7
    assert fallen[2] > 0.55
    assert fallen[4] < 0.1


def test_bias_by_hand() -> None:
    """Odds at what is usual and no lead leave the bias alone: cases (came - chance) = bias / sd^2 at the optimum."""
    came = np.repeat([1.0, 0.0], [30, 20])
    found = fit_correction(record(np.full(50, 0.3), came))
    chance = 1.0 / (1.0 + np.exp(-(np.log(0.3 / 0.7) + found.bias)))
    assert 30 - 50 * chance == pytest.approx(found.bias / 0.5**2, abs=1e-6)
    assert (found.slope, found.lead) == (1.0, 0.0)


def penalised(given: VerificationRecord, at: Correction) -> float:
    chance = corrected_odds(given.odds, given.lead, at, rain=given.rain, max_lift=np.inf, min_odds=0.0, max_odds=1.0)
    said = np.where(given.outcome == 1.0, chance, 1.0 - chance)
    pull = (at.bias / 0.5) ** 2 + ((at.slope - 1.0) / 0.3) ** 2 + (at.lead / 0.1) ** 2 + (at.rain / 0.3) ** 2
    return float(np.log(said).sum() - pull / 2.0)


@pytest.mark.parametrize("slope", [0.6, -1.5])
@pytest.mark.parametrize("by_rain", [-0.3, 1.2])
def test_no_neighbour_is_likelier(slope: float, by_rain: float) -> None:
    given = drawn(300, slope=slope, bias=0.4, by_lead=-0.1, by_rain=by_rain)
    found = fit_correction(given)
    best = penalised(given, found)
    for by in (-0.02, 0.02):
        for name in ("bias", "slope", "lead", "rain"):
            if (name != "slope" or found.slope + by >= 0.0) and (name != "rain" or found.rain + by <= 0.0):
                assert penalised(given, replace(found, **{name: getattr(found, name) + by})) < best


def test_a_record_that_runs_backwards_leaves_odds_level_and_never_falling() -> None:
    found = fit_correction(drawn(2000, slope=-1.5))
    assert found.slope == 0.0
    assert np.ptp(corrected_odds(PRIOR, 1, found, max_lift=np.inf)) == 0.0
    # Days are alike by it, and yet acres are not where it would make a mow of them.
    better = corrected_odds(PRIOR, 1, replace(found, bias=2.0))
    assert (np.diff(better) > 0.0).any()


# --- What no record may do ---------------------------------------------------------------------------------------


def drizzles(cases: int) -> VerificationRecord:
    """Return days of which a little to a fair chance was said and drizzle forecast, and that nearly all came."""
    random = np.random.default_rng(3)
    return record(random.uniform(0.2, 0.7, cases), np.full(cases, 0.95), rain=random.uniform(0.2, 1.5, cases))


def test_rain_that_did_not_come_does_not_make_rain_a_good_sign() -> None:
    found = fit_correction(drawn(2000, slope=1.0, bias=-0.5, by_rain=0.9))
    assert found.rain == 0.0
    alone = fit_correction(drawn(2000, slope=1.0, bias=-0.5, by_rain=0.9), rain_sd=1e-9)
    assert (found.bias, found.slope, found.lead) == pytest.approx((alone.bias, alone.slope, alone.lead), abs=1e-6)


@pytest.mark.parametrize("cases", [20, 60, 365])
def test_a_run_of_good_days_does_not_turn_a_downpour_in_all_members_into_good_odds(cases: int) -> None:
    found, none = fit_correction(drizzles(cases)), 0.3 / 6.3  # ten members are worth 10 / 1.9 = 5.3
    wet = root_rain(np.full((10, 6), 5.0))  # 30 mm
    assert corrected_odds(np.array([none]), 0.0, found, rain=wet)[0] <= 0.45 + 1e-12


def test_a_record_tells_nothing_of_rain_that_it_has_not_seen() -> None:
    lower = drawn(1000, slope=1.0, by_rain=-0.9)
    found = fit_correction(replace(lower, rain=np.clip(lower.rain, 0.5, 2.0)))
    assert (found.least_rain, found.most_rain) == (0.5, 2.0)
    said = corrected_odds(np.full(5, 0.6), 0.0, found, rain=np.array([0.0, 0.5, 1.0, 2.0, 20.0]))
    assert said[0] == said[1] > said[2] > said[3] == said[4]


def test_a_lift_is_at_most_one_logit_or_to_what_is_no_mow_and_a_fall_has_no_limit() -> None:
    odds = np.array([0.05, 0.2, 0.4, 0.5])
    # 2/3 and 1 to 1, times e; 1/19 and 1/4 times e are less than 0.45
    for bias in (4.0, 9.0):
        assert corrected_odds(odds, 0, Correction(bias=bias)) == pytest.approx([0.45, 0.45, 0.6444, 0.7311], abs=1e-4)
    # e^0.5 is less than that
    assert corrected_odds(odds, 0, Correction(bias=0.5)) == pytest.approx([0.0798, 0.2919, 0.5236, 0.6225], abs=1e-4)
    assert corrected_odds(np.array([0.9]), 0, Correction(bias=-3.0))[0] == pytest.approx(0.3094, abs=1e-4)


def test_no_record_makes_seven_in_ten_of_a_forecast_that_is_mostly_against_it() -> None:
    sure = Correction(bias=5.0, slope=0.0)
    assert corrected_odds(np.array([0.45, 0.47]), 0, sure) == pytest.approx([0.69, 0.707], abs=1e-3)


def test_a_day_counts_once_however_many_fields_it_held() -> None:
    once = drawn(40, slope=0.2)
    odds, lead, rain, outcome = (np.repeat(one, 3) for one in (once.odds, once.lead, once.rain, once.outcome))
    thrice = VerificationRecord(odds, lead, rain, outcome, np.repeat(once.day, 3))
    alone = replace(thrice, day=days(120))
    assert fit_correction(thrice).slope == pytest.approx(fit_correction(once).slope, abs=1e-9)
    assert fit_correction(alone).slope < fit_correction(once).slope - 0.05


def test_hours_of_one_day_are_one_day() -> None:
    at = np.array(["2024-06-01T06", "2024-06-01T18", "2024-06-02T06"], dtype="datetime64[h]")
    assert VerificationRecord(np.full(3, 0.5), np.zeros(3), np.zeros(3), np.ones(3), at).case_weights().tolist() == [
        0.5,
        0.5,
        1.0,
    ]


@seed(7)
@settings(max_examples=60, deadline=None, database=None)
@given(data=st.data(), cases=st.integers(0, 60))
def test_any_record_settles_and_odds_rise_with_the_share_within_their_ends(data: st.DataObject, cases: int) -> None:
    def column(element: st.SearchStrategy[float]) -> Array:
        return np.array(data.draw(st.lists(element, min_size=cases, max_size=cases)), dtype=np.float64)

    leads, rains, lead = st.floats(0.0, 16.0), st.floats(0.0, 22.0), data.draw(st.floats(0.0, 16.0))
    given_ = record(column(st.floats(0.03, 0.97)), column(st.floats(0.0, 1.0)), column(leads), column(rains))
    found = fit_correction(given_)
    less, more = sorted((data.draw(rains), data.draw(rains)))
    said, wetter = (corrected_odds(PRIOR, lead, found, rain=rain) for rain in (less, more))
    assert (np.diff(said) >= 0.0).all()
    assert ((said >= 0.03) & (said <= 0.97)).all()
    assert (wetter <= said).all()
    assert (said <= np.maximum(0.45, 0.5 + 0.5 * np.tanh((logit(PRIOR) + 1.0) / 2.0)) + 1e-9).all()


@pytest.mark.parametrize(("bias", "end"), [(-50.0, 0.03), (50.0, 0.97), (-5000.0, 0.03)])
def test_nobody_is_told_never_or_certain(bias: float, end: float) -> None:
    assert corrected_odds(PRIOR, 0, Correction(bias), max_lift=np.inf).tolist() == [end] * PRIOR.size


def test_correction_by_hand() -> None:
    # odds 3 to 7 are usual and 1 to 1 is said: 3/7 (7/3)^0.5 e^(0.2 - 3 x 0.1) = 0.5923 to 1
    assert corrected_odds(np.array([0.5]), 3, Correction(0.2, 0.5, -0.1))[0] == pytest.approx(0.3720, abs=1e-4)
    # and e^(-0.4 x 1.5) = 0.5488 of that
    wet = corrected_odds(np.array([0.5]), 3, Correction(0.2, 0.5, -0.1, -0.4), rain=1.5)[0]
    assert wet == pytest.approx(0.24533, abs=1e-4)


def test_long_records_settle_where_rounding_hides_the_last_steps() -> None:
    whole = drawn(3000, slope=0.5, bias=1.0)
    for end in range(2000, 3000, 20):
        odds, lead, rain, outcome = (one[:end] for one in (whole.odds, whole.lead, whole.rain, whole.outcome))
        part = VerificationRecord(odds, lead, rain, outcome, whole.day[:end])
        assert fit_correction(part, max_steps=12).slope == pytest.approx(0.5, abs=0.1)


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"odds": np.array([0.5, np.nan])}, "odds is nan in case 1; allowed is 0.03 to 0.97"),
        ({"odds": np.array([0.0, 0.5])}, "odds is 0.0 in case 0"),
        ({"odds": np.array([0.5, 0.98])}, "odds is 0.98 in case 1"),
        ({"odds": np.array([0.5, 1e-300])}, "odds is 1e-300 in case 1"),
        ({"lead": np.array([0.0, np.nan])}, "lead is nan in case 1"),
        ({"lead": np.array([-1.0, 0.0])}, "lead is -1.0 in case 0"),
        ({"lead": np.array([24.0, 0.0])}, "lead is 24.0 in case 0; allowed is 0 to 16"),
        ({"outcome": np.array([0.0, np.nan])}, "outcome is nan in case 1"),
        ({"rain": np.array([0.5, -0.1])}, "rain is -0.1 in case 1; allowed is 0 to 22.36"),
        ({"rain": np.array([np.inf, 0.0])}, "rain is inf in case 0"),
        ({"rain": np.array([22.4, 22.3])}, "rain is 22.4 in case 0"),  # 502 mm
        ({"outcome": np.array([1.1, 1.0])}, "outcome is 1.1 in case 0; allowed is 0 to 1"),
        ({"day": np.array(["2024-06-01", "NaT"], dtype="datetime64[D]")}, "day is NaT in case 1"),
        ({"outcome": np.ones(3)}, r"shapes are .*'outcome': \(3,\)"),
        ({"day": days(1)}, r"shapes are .*'day': \(1,\)"),
    ],
)
def test_a_bad_record_is_refused(changed: dict[str, Any], why: str) -> None:
    good: dict[str, Any] = {
        "odds": np.full(2, 0.5), "lead": np.zeros(2), "rain": np.zeros(2), "outcome": np.ones(2), "day": days(2)
    }  # fmt: skip
    VerificationRecord(**good)
    with pytest.raises(ValueError, match=why):
        VerificationRecord(**(good | changed))


def test_a_table_is_no_record() -> None:
    square = np.full((2, 2), 0.5)
    with pytest.raises(ValueError, match="in one row"):
        VerificationRecord(square, square, square, np.ones((2, 2)), days(4).reshape(2, 2))


@pytest.mark.parametrize(
    "numbers",
    [
        (0.0, -0.01), (np.nan, 1.0), (0.0, np.inf), (0.0, 1.0, np.nan), (0, 1, 0, np.nan), (0, 1, 0, 0.01),
        (0, 1, 0, 0, 2.0, 1.0), (0, 1, 0, 0, -1.0, 1.0), (0, 1, 0, 0, 0.0, np.nan),
    ],
)  # fmt: skip
def test_a_bad_correction_is_refused(numbers: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="slope is at least 0"):
        Correction(*numbers)


@pytest.mark.parametrize(("odds", "lead", "why"), [(np.nan, 0.0, "odds"), (1.0, 0.0, "odds"), (0.5, -1.0, "lead")])
def test_nothing_is_corrected_that_is_not_known(odds: float, lead: float, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        corrected_odds(np.array([0.5, odds]), lead)
    with pytest.raises(ValueError, match="lead nan"):
        corrected_odds(PRIOR, np.nan)
    for rain in (np.nan, -0.1):
        with pytest.raises(ValueError, match="rain"):
            corrected_odds(PRIOR, 0.0, rain=rain)


def test_a_fit_that_has_not_settled_is_not_used() -> None:
    with pytest.raises(ArithmeticError, match="not settled in 1 steps"):
        fit_correction(drawn(50, slope=0.2), max_steps=1)

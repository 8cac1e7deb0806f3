from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from math import exp
from typing import Any, Final

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from pvlib.clearsky import haurwitz
from pvlib.solarposition import spa_python

from daemon.weather.contract import VARIABLES, Refused, build_dataset, validate
from daemon.weather.derive import (
    AIR,
    CLOUD,
    DEW,
    RAIN,
    SUN,
    Array,
    RainPeriods,
    draw_scenarios,
    interpolate_hourly,
    sun_from_cloud,
)
from models.humidity import relative_humidity
from tests.loopback.hours import HERE
from tests.support.hourly_records import greensboro
from tests.support.sun_stations import Station, score, stations

WET: Final = 0.25
DAYS: Final = np.arange(
    np.datetime64("2026-06-10T01", "ns"), np.datetime64("2026-06-13T01", "ns"), np.timedelta64(1, "h")
)


@pytest.fixture(scope="module")
def measured() -> dict[str, Station]:
    return {station.name: station for station in stations()}


class TestSunFromCloud:
    """Sun under a covered sky."""

    def test_a_clear_sky_is_that_of_another_program_hour_by_hour(self) -> None:
        minute = pd.date_range("2026-06-10T00:00:30", "2026-06-12T23:59:30", freq="min", tz="UTC")
        zenith = spa_python(minute, HERE.latitude, HERE.longitude)["zenith"]
        theirs = haurwitz(zenith)["ghi"].to_numpy().reshape(-1, 60).mean(axis=1)
        assert theirs.max() > 900.0
        np.testing.assert_allclose(sun_from_cloud(np.zeros(72), HERE, DAYS), theirs, atol=2.0)

    @pytest.mark.parametrize(
        ("cloud", "left"), [(0.0, 1.0), (0.25, 0.993), (0.5, 0.929), (0.75, 0.718), (0.9, 0.476), (1.0, 0.25)]
    )
    def test_cloud_leaves_the_share_worked_out_by_hand(self, cloud: float, left: float) -> None:
        for opaque in (False, True):
            clear, covered = (sun_from_cloud(np.full(72, c), HERE, DAYS, opaque=opaque) for c in (0.0, cloud))
            np.testing.assert_allclose(covered, left * clear, atol=0.5)

    def test_the_sky_above_opaque_cloud_is_the_hazier_one(self) -> None:
        # Declination 23.0 deg, hour angle 0.15 to 15.15 deg: the mean sine of the height is 0.932. 910 of it less 30.
        assert sun_from_cloud(np.zeros(72), HERE, DAYS, opaque=True)[17] == pytest.approx(818.0, abs=1.0)

    def test_nights_are_dark_and_a_day_has_the_energy_of_a_june_day(self) -> None:
        sun = sun_from_cloud(np.full(72, 0.3), HERE, DAYS)
        assert (sun[1:9] == 0.0).all()  # 20:00 to 4:00 of the sun's clock, labelled at the end
        assert sun[10] > 50.0
        day = sun[:24].sum() * 0.0036
        assert 28.0 < day < 32.0  # FAO-56: 0.75 of 41.7 MJ on top of the air

    def test_the_cloud_of_an_hour_is_that_of_its_two_ends(self) -> None:
        cloud = np.zeros(72)
        cloud[17] = 1.0
        share = sun_from_cloud(cloud, HERE, DAYS)[15:21] / sun_from_cloud(np.zeros(72), HERE, DAYS)[15:21]
        assert share == pytest.approx([1.0, 1.0, 0.929, 0.929, 1.0, 1.0], abs=0.001)

    def test_members_are_told_each_by_its_own_cloud_and_unknown_stays_unknown(self) -> None:
        cloud = np.stack([np.zeros(72), np.full(72, np.nan), np.ones(72)])
        sun = sun_from_cloud(cloud, HERE, DAYS)
        assert sun.shape == (3, 72)
        assert np.isnan(sun[1]).all()
        assert sun[2, 17] == pytest.approx(sun[0, 17] / 4.0)

    def test_percent_are_refused(self) -> None:
        with pytest.raises(Refused, match="cloud: given 37, allowed 0 to 1"):
            sun_from_cloud(np.array([0.0, 37.0]), HERE, DAYS[:2])

    @pytest.mark.parametrize("name", ["Greensboro", "Sand Point", "Miami"])
    def test_measured_sun_speaks_for_one_sky_with_all_cloud_and_for_the_other_with_opaque(
        self, measured: dict[str, Station], name: str
    ) -> None:
        station = measured[name]
        total, opaque = (score(station, kind, opaque=kind == "opaque") for kind in ("total", "opaque"))
        assert abs(total.day_bias) < 0.5
        assert -1.5 < opaque.day_bias < 0.0  # on the side of slow drying
        for found, other in ((total, ("total", True)), (opaque, ("opaque", False))):
            assert found.hour_error < 0.35 * found.hour_mean
            assert found.day_error < 0.19 * found.day_mean
            assert found.hour_error < score(station, other[0], opaque=other[1]).hour_error

    @pytest.mark.parametrize("slip", [-1, 1])
    def test_labels_that_slip_by_an_hour_are_worse(self, measured: dict[str, Station], slip: int) -> None:
        station = measured["Greensboro"]
        slipped = station._replace(
            table=station.table.set_index(pd.DatetimeIndex(station.time + np.timedelta64(slip, "h")))
        )
        here, there = (score(one, "total", opaque=False).hour_error for one in (station, slipped))
        assert there > here + 20.0


class TestHourlyInstants:
    """Coarse instants at every hour."""

    LABEL: Final = DAYS[:19:6]
    VALUES: Final = np.array([0.0, 6.0, 6.0, 12.0])

    def test_a_curve_worked_by_hand(self) -> None:
        found = interpolate_hourly(self.LABEL, self.VALUES, DAYS[:19])
        # From slope 1 to level: the straight 3 of the cubic with level ends, and 6 x 1/4 x 1/2 for the slope.
        assert found[3] == pytest.approx(3.75)
        assert found[6:13] == pytest.approx(6.0)
        assert found[[0, 6, 12, 18]].tolist() == [0.0, 6.0, 6.0, 12.0]

    def test_a_line_stays_a_line_also_where_the_steps_get_longer(self) -> None:
        label = DAYS[[0, 1, 2, 3, 6, 12, 24]]
        line = np.array([0.0, 1.0, 2.0, 3.0, 6.0, 12.0, 24.0])
        for peaks in (False, True):
            assert interpolate_hourly(label, line, DAYS[:25], allow_overshoot=peaks) == pytest.approx(np.arange(25.0))

    def test_hours_outside_and_beside_an_unknown_value_are_unknown(self) -> None:
        values = np.array([0.0, np.nan, 6.0, 12.0])
        for peaks in (False, True):
            found = interpolate_hourly(self.LABEL + np.timedelta64(1, "h"), values, DAYS[:24], allow_overshoot=peaks)
            assert np.flatnonzero(np.isfinite(found)).tolist() == [1, 13, 14, 15, 16, 17, 18, 19]
            assert found[13:20] == pytest.approx(np.arange(6.0, 13.0))

    def test_a_lone_instant_is_told_at_its_hour_only(self) -> None:
        found = interpolate_hourly(DAYS[3:4], np.array([5.0]), DAYS[:6])
        assert np.flatnonzero(found == 5.0).tolist() == [3]
        assert np.isnan(np.delete(found, 3)).all()

    @settings(max_examples=50, deadline=None)
    @given(
        st.lists(st.floats(0.0, 1.0, allow_subnormal=False), min_size=2, max_size=9),
        st.lists(st.integers(1, 6), min_size=8, max_size=8),
    )
    def test_no_hour_leaves_the_range_of_its_neighbours(self, values: list[float], steps: list[int]) -> None:
        at = np.cumsum([0, *steps])[: len(values)]
        found = interpolate_hourly(DAYS[at], np.array(values), DAYS[: at[-1] + 1])
        for (start, end), (one, other) in zip(pairwise(at), pairwise(values), strict=True):
            assert (found[start : end + 1] >= min(one, other) - 1e-12).all()
            assert (found[start : end + 1] <= max(one, other) + 1e-12).all()

    def test_six_hourly_temperatures_of_a_summer_are_met_better_than_by_lines(self) -> None:
        summer = greensboro().sort_index().loc["1990-05":"1990-09", "air_temperature"]
        time, true = summer.index.to_numpy("datetime64[ns]"), summer.to_numpy()
        told = time.astype("datetime64[h]").astype(np.int64) % 6 == 0
        label, coarse = time[told], true[told]
        inside = (time >= label[0]) & (time <= label[-1])
        lines = np.interp(time[inside].astype(float), label.astype(float), coarse)
        level, swung = (
            interpolate_hourly(label, coarse, time[inside], allow_overshoot=peaks) for peaks in (False, True)
        )
        error = [float(np.sqrt(((one - true[inside]) ** 2).mean())) for one in (lines, level, swung)]
        assert error == pytest.approx([1.24, 1.19, 1.06], abs=0.02)
        short = [float((_highest(one) - _highest(true[inside])).mean()) for one in (lines, level, swung)]
        assert short == pytest.approx([-0.96, -0.95, -0.75], abs=0.03)
        assert abs(float((swung - true[inside]).mean())) < 0.2

    def test_instants_out_of_order_are_refused(self) -> None:
        for label in (self.LABEL[::-1], self.LABEL[[0, 0, 1, 2]], self.LABEL[:0]):
            with pytest.raises(Refused, match="allowed one or more in order of time"):
                interpolate_hourly(label, self.VALUES[: label.size], DAYS)


class TestScenarios:
    """Members made of chances of rain."""

    def test_they_keep_the_contract_and_say_that_they_are_made_up(self) -> None:
        many = validate(draw_scenarios(single(), every(6, 0.4, 2.0), wet_threshold=WET))
        assert many.sizes == {"member": 20, "time": 72}
        assert many.attrs["synthetic"] == 1
        assert many["member"].values.tolist()[::19] == ["00", "19"]
        assert {name for name in many if many[name].attrs["origin"] == "derived"} == {RAIN, CLOUD, SUN, DEW}
        assert all(many[name].attrs["units"] == VARIABLES[str(name)].unit for name in many)

    def test_the_members_that_are_wet_are_as_many_as_the_chance_says_give_or_take_one(self) -> None:
        chance = np.linspace(0.0, 1.0, 12)
        found = rain_of(draw_scenarios(single(), every(6, chance, 3.0 * chance), wet_threshold=WET), 6)
        share = (found >= WET).mean(axis=0)
        assert (np.abs(share - chance) < 0.05).all()
        assert share[[0, -1]].tolist() == [0.0, 1.0]
        assert ((found == 0.0) | (found >= WET - 1e-9)).all()

    def test_small_chances_are_not_rounded_away(self) -> None:
        found = rain_of(draw_scenarios(single(), every(1, 0.03, 0.06), wet_threshold=WET), 1)
        assert (found > 0.0).mean() == pytest.approx(0.03, abs=0.007)

    @pytest.mark.parametrize("members", [20, 200])
    def test_the_mean_amount_is_the_one_expected(self, members: int) -> None:
        amount = np.linspace(0.5, 10.0, 12)
        found = rain_of(draw_scenarios(single(), every(6, 0.45, amount), wet_threshold=WET, members=members), 6)
        assert found.mean(axis=0) == pytest.approx(amount, rel=0.12)
        assert found.mean() == pytest.approx(amount.mean(), rel=0.01)

    def test_amounts_are_spread_as_an_exponential(self) -> None:
        # Chance 0.4 and 2 mm: 5 mm if wet. P(R > x) = 0.4 exp(-x / 5) is 0.327, 0.147 and 0.054 from 1, 5 and 10 mm.
        found = rain_of(draw_scenarios(single(), every(12, 0.4, 2.0), wet_threshold=0.01, members=1000), 12)
        for limit, share in ((1.0, 0.327), (5.0, 0.147), (10.0, 0.054)):
            assert (found > limit).mean() == pytest.approx(share, abs=0.004), limit
            assert share == pytest.approx(0.4 * exp(-limit / 5.0), abs=0.001)

    def test_a_plateau_of_twelve_hours_stays_one_event(self) -> None:
        rain = draw_scenarios(single(), periods([(24, 36)], 0.4, 2.0), wet_threshold=WET)[RAIN].values
        assert (rain > 0.0).any(axis=1).mean() == pytest.approx(0.4)
        assert (rain[:, :24] == 0.0).all()
        assert (rain[:, 36:] == 0.0).all()

    def test_it_rains_in_one_spell_whose_hours_are_wet_and_longer_the_more_it_is(self) -> None:
        rain = draw_scenarios(single(), periods([(24, 36)], 1.0, 4.0), wet_threshold=WET)[RAIN].values[:, 24:36]
        spells = [np.flatnonzero(member) for member in rain]
        for member, spell in zip(rain, spells, strict=True):
            assert (np.diff(spell) == 1).all()
            assert member[spell].min() >= WET - 1e-9
        hours, amount = np.array([spell.size for spell in spells]), rain.sum(axis=1)
        assert (np.diff(hours[amount.argsort()]) >= 0).all()
        assert hours[amount.argmin()] == 1
        assert 4 <= hours[amount.argmax()] <= 6  # about 15 mm

    def test_spells_lie_all_over_the_period_and_more_where_the_source_expects_rain(self) -> None:
        even = draw_scenarios(single(), periods([(24, 36)], 1.0, 4.0), wet_threshold=WET, members=200)[RAIN].values[
            :, 24:36
        ]
        share = (even > 0.0).mean(axis=0)
        assert share.min() > 0.05
        assert share[:6].sum() == pytest.approx(share[6:].sum(), rel=0.1)
        pointed = single(precipitation_amount=np.where(np.arange(72) == 26, 4.0, 0.0))
        found = draw_scenarios(pointed, periods([(24, 36)], 1.0, 4.0), wet_threshold=WET, members=200)[RAIN].values[
            :, 24:36
        ]
        early = (found > 0.0).mean(axis=0)
        assert early[2] > 0.6
        assert 0.05 < early[8:].max() < 0.4

    def test_the_sums_of_the_periods_do_not_depend_on_where_the_rain_is_put(self) -> None:
        shapes = (np.zeros(72), np.arange(72.0))
        one, other = (
            rain_of(draw_scenarios(single(precipitation_amount=s), every(6, 0.5, 3.0), wet_threshold=WET), 6)
            for s in shapes
        )
        np.testing.assert_allclose(one, other, rtol=1e-12)

    @pytest.mark.parametrize(("hours", "least", "most"), [(6, 0.35, 0.65), (12, 0.1, 0.42), (24, -0.2, 0.25)])
    def test_neighbours_are_alike_the_more_so_the_nearer(self, hours: int, least: float, most: float) -> None:
        found = rain_of(draw_scenarios(single(), every(hours, 0.5, 3.0), wet_threshold=WET, members=400), hours) > 0.0
        # The latent correlation r of two halves shows as sin(pi/2 x) of their own: P(both) = 1/4 + asin(r) / 2 pi.
        both = (found[:, 1:] & found[:, :-1]).mean()
        assert least < np.sin(2.0 * np.pi * (both - 0.25)) < most

    def test_the_same_question_has_the_same_answer(self) -> None:
        one, same, other = (
            draw_scenarios(single(), every(6, 0.4, 2.0), wet_threshold=WET, seed=seed) for seed in (1, 1, 2)
        )
        xr.testing.assert_identical(one, same)
        assert (one[RAIN] != other[RAIN]).any()

    def test_wet_hours_are_covered_and_humid_and_all_others_as_told(self) -> None:
        alone = single()
        many = draw_scenarios(alone, periods([(12, 18)], 0.5, 2.0), wet_threshold=WET)
        falls = many[RAIN].values > 0.0
        ends = falls.copy()
        ends[:, :-1] |= falls[:, 1:]
        assert (many[CLOUD].values[ends] == 1.0).all()
        humidity = np.asarray(relative_humidity(many[AIR].values, many[DEW].values))
        assert humidity[ends] == pytest.approx(0.9)
        assert humidity[~ends] == pytest.approx(float(relative_humidity(22.0, 12.0)))
        share = many[SUN].values[:, 12:18] / alone[SUN].values[0, 12:18]
        # 1 - 0.75 x 0.3^3.4 = 0.9875 was told; a covered sky leaves 0.25 of the clear one.
        assert share[falls[:, 12:18]] == pytest.approx(0.25 / 0.9875, abs=0.001)
        far = ~ends
        far[:, 1:] &= ~ends[:, :-1]
        np.testing.assert_array_equal(many[SUN].values[far], np.tile(alone[SUN].values, (20, 1))[far])
        np.testing.assert_array_equal(many[CLOUD].values[~ends], 0.3)
        np.testing.assert_array_equal(many["wind_speed"].values, np.full((20, 72), 2.0))

    def test_air_that_is_more_humid_already_stays_so(self) -> None:
        foggy = single(dew_point_temperature=np.full(72, 21.9))
        np.testing.assert_array_equal(draw_scenarios(foggy, every(6, 1.0, 3.0), wet_threshold=WET)[DEW].values, 21.9)

    def test_an_hour_in_no_period_keeps_its_rain_and_its_gap(self) -> None:
        own = np.zeros(72)
        own[[3, 40]] = 0.7, np.nan
        rain = draw_scenarios(single(precipitation_amount=own), periods([(12, 18)], 0.5, 2.0), wet_threshold=WET)[
            RAIN
        ].values
        np.testing.assert_array_equal(rain[:, 3], 0.7)
        assert np.isnan(rain[:, 40]).all()

    def test_rain_that_is_expected_without_a_chance_falls_in_some_member(self) -> None:
        found = rain_of(draw_scenarios(single(), every(12, 0.0, 1.0), wet_threshold=WET), 12)
        assert (found > 0.0).sum(axis=0).tolist() == [1] * 6
        assert found.max(axis=0) == pytest.approx(20.0)  # all of it, so that the mean is kept

    def test_much_rain_without_a_chance_leaves_no_member_with_a_flood(self) -> None:
        many = validate(draw_scenarios(single(), every(12, 0.02, 30.0), wet_threshold=WET))
        assert (rain_of(many, 12) > 0.0).mean() == pytest.approx(0.6)

    def test_a_chance_without_an_amount_is_wet_all_the_same(self) -> None:
        none, unknown = (
            rain_of(draw_scenarios(single(), every(12, 0.5, a), wet_threshold=WET), 12) for a in (0.0, np.nan)
        )
        for found, mean in ((none, 0.5), (unknown, 4.0)):
            assert (found >= WET - 1e-9).mean() == pytest.approx(0.5, abs=0.01)
            assert found[found > 0.0].mean() == pytest.approx(mean, rel=0.02)

    def test_a_drizzle_that_says_less_than_wet_is_called_wet_where_the_chance_says_so(self) -> None:
        found = rain_of(draw_scenarios(single(), every(12, 0.5, 0.05), wet_threshold=WET), 12)
        assert (found > 0.0).mean() == pytest.approx(0.5, abs=0.01)
        assert found[found > 0.0] == pytest.approx(WET)

    @pytest.mark.parametrize(
        ("changes", "said"),
        [
            ({"chance": np.array([0.4, 40.0])}, "chance of rain: given 40, allowed 0 to 1"),
            ({"chance": np.array([np.nan, 0.4])}, "chance of rain: given nan, allowed 0 to 1"),
            ({"amount": np.array([2.0, -1.0])}, "rain of a period: given -1, allowed 0 mm or more"),
            ({"end": np.array([13, 18])}, r"periods of rain: given \[0, 13, 12, 18\], allowed one after the other"),
            ({"end": np.array([12, 73])}, "in 72 hours"),
            ({"end": np.array([12, 12])}, "allowed one after the other"),
            ({"first": np.array([-1, 12])}, "allowed one after the other"),
        ],
    )
    def test_impossible_periods_are_refused(self, changes: dict[str, Any], said: str) -> None:
        wrong = replace(periods([(0, 12), (12, 18)], 0.4, 2.0), **changes)
        with pytest.raises(Refused, match=said):
            draw_scenarios(single(), wrong, wet_threshold=WET)

    def test_what_no_scenario_can_be_made_of_is_refused(self) -> None:
        some = every(6, 0.4, 2.0)
        with pytest.raises(Refused, match="rain that is called wet: given 0, allowed more than 0 mm"):
            draw_scenarios(single(), some, wet_threshold=0.0)
        with pytest.raises(Refused, match="need cloud_area_fraction, which the source did not give"):
            draw_scenarios(single().drop_vars(CLOUD), some, wet_threshold=WET)
        with pytest.raises(Refused, match="allowed one member at one place"):
            draw_scenarios(single().isel(member=[0, 0]), some, wet_threshold=WET)

    def test_no_period_at_all_is_twenty_times_the_same(self) -> None:
        many = draw_scenarios(single(), periods([], 0.0, 0.0), wet_threshold=WET)
        np.testing.assert_array_equal(many[SUN].values, np.tile(single()[SUN].values, (20, 1)))

    @settings(max_examples=40, deadline=None)
    @given(
        st.lists(st.tuples(st.integers(0, 3), st.integers(1, 12)), max_size=5),
        st.floats(0.0, 1.0),
        st.floats(0.0, 40.0) | st.just(np.nan),
        st.integers(1, 30),
        st.integers(0, 9),
    )
    def test_whatever_is_told_can_be_used(
        self, spans: list[tuple[int, int]], chance: float, amount: float, members: int, seed: int
    ) -> None:
        edges = np.cumsum(np.array(spans, dtype=np.int64).reshape(-1), dtype=np.int64)
        at = [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
        many = validate(
            draw_scenarios(single(), periods(at, chance, amount), wet_threshold=WET, members=members, seed=seed)
        )
        rain = many[RAIN].values
        assert ((rain == 0.0) | (rain >= WET - 1e-9)).all()
        for first, end in at:
            wet = (rain[:, first:end] > 0.0).any(axis=1).sum()
            assert wet >= np.floor(members * chance - 1e-6)
            if np.isnan(amount) or amount <= WET:
                assert wet <= np.ceil(members * chance + 1e-6)


def single(**changes: Array) -> xr.Dataset:
    """Three dry days with some cloud, one member."""
    cloud = changes.get(CLOUD, np.full(72, 0.3))
    values = {
        AIR: np.full(72, 22.0),
        DEW: np.full(72, 12.0),
        "wind_speed": np.full(72, 2.0),
        RAIN: np.zeros(72),
        CLOUD: cloud,
        SUN: sun_from_cloud(cloud, HERE, DAYS),
        **changes,
    }
    at = datetime(2026, 6, 10, tzinfo=UTC).isoformat()
    about = {"source": "x", "model": "x", "credit": "x", "issued_at": at, "fetched_at": at, "kind": "forecast"}
    whole = {name: array[np.newaxis, np.newaxis] for name, array in values.items()}
    return build_dataset(whole, DAYS, ["forecast"], [HERE], about)


def periods(at: list[tuple[int, int]], chance: Array | float, amount: Array | float) -> RainPeriods:
    edges = np.array(at, dtype=np.int64).reshape(-1, 2)
    each = (np.broadcast_to(np.asarray(one, dtype=np.float64), (len(at),)) for one in (chance, amount))
    return RainPeriods(edges[:, 0], edges[:, 1], *each)


def every(hours: int, chance: Array | float, amount: Array | float) -> RainPeriods:
    """Return periods of so many hours from the first hour to the last."""
    return periods([(first, first + hours) for first in range(0, 72, hours)], chance, amount)


def rain_of(many: xr.Dataset, hours: int) -> Array:
    """Return the rain of each member in each period of so many hours [mm]."""
    return np.asarray(many[RAIN].values.reshape(many.sizes["member"], -1, hours).sum(axis=-1))


def _highest(hourly: Array) -> Array:
    return np.asarray(hourly[: hourly.size // 24 * 24].reshape(-1, 24).max(axis=1))

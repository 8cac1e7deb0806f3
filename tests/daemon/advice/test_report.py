import json
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import Any

import pytest

from daemon.advice.decide import decide
from daemon.advice.explain.provenance import provenance_by_topic
from daemon.advice.explain.report import morning_report
from daemon.domain.advice import Morning, WatchState
from daemon.domain.farm import Units
from daemon.domain.field_watch import start_watch
from daemon.domain.prospect import AreaOdds, Band, LeftOvernight, Reason
from daemon.planning.prospect import unknown_prospect
from models.quality import Figure
from tests.support.farms import DAWN, farm, mow_morning, stated, wait_morning, with_day_changes
from tests.support.full_morning import drawn_morning, whole_morning

TOP = {"farm", "issued_at", "weather", "fields", "watched", "record", "about", "water_wanted", "season"}
FIELD = {
    "name", "area_ha", "ripeness", "stage", "ndf", "ndf_target", "days_left", "dry_matter_t_per_ha", "days", "advice",
    "drying_factor", "drying_spread", "soil_factor", "ground", "carries_from", "told", "clock", "days_left_band",
    "dry_matter", "quality", "waiting", "ndf_ripe", "ndf_target_source", "hours_ahead",
}  # fmt: skip
DAY = {
    "ripeness", "ndf", "days_left",
    "date", "area_ha", "odds", "start", "mow_until", "bale_from", "wrapped_by", "moisture_at_baling", "reason", "after",
    "curve", "raw_odds", "bales", "film_rolls", "hour_later", "if_left", "carried",
    "too_dry", "spoiled", "cautions", "better_in", "lost_by_waiting_t_per_ha", "hurry", "storm_at", "breathed",
}  # fmt: skip


def read_back(morning: Morning, units: Units = Units.US) -> dict[str, Any]:
    read: dict[str, Any] = json.loads(json.dumps(morning_report(farm(units=units), morning), allow_nan=False))
    return read


def nothing_known() -> Morning:
    return decide(farm(), unknown_prospect(farm(), DAWN, stated(Reason.DATA_STALE, "30 hours old")))


def test_the_keys_stay() -> None:
    said = read_back(mow_morning())
    assert said.keys() >= TOP
    assert said["weather"].keys() >= {"source", "model", "issued_at", "age_hours", "members", "credit"}
    for field in said["fields"]:
        assert field.keys() >= FIELD
        assert field["advice"].keys() >= {"kind", "area_ha", "reason", "detail"}
        assert all(day.keys() >= DAY for day in field["days"])


def test_the_ground_is_told() -> None:
    morning = wait_morning()
    (long,) = morning.prospect.fields
    day = replace(long.days[0], ground_firm_share=1 / 3)
    soft = replace(long, ground="soft", firm_from=date(2026, 6, 4), days=(day,))
    (field,) = read_back(replace(morning, prospect=replace(morning.prospect, fields=(soft,))))["fields"]
    assert (field["ground"], field["carries_from"], field["days"][0]["carried"]) == ("soft", "2026-06-04", 0.333)


def test_a_mow_is_told_in_si_units() -> None:
    long = read_back(mow_morning())["fields"][0]
    assert long["advice"] == {"kind": "mow", "area_ha": 8.0937, "reason": None, "detail": ""}
    assert long["area_ha"] == 8.9031  # 22 acres
    assert long["ndf"] == {"low": 46.0, "mid": 49.0, "high": 52.0}
    today = long["days"][0]
    assert today["moisture_at_baling"] == {"low": 0.46, "mid": 0.5, "high": 0.54}
    assert today["curve"] == [{"area_ha": 0.8094, "odds": 0.9}, {"area_ha": 8.0937, "odds": 0.79}]
    assert today["odds"] == 0.79
    assert (today["bales"], today["film_rolls"], today["hour_later"], today["if_left"]) == (40, 2, None, None)


def test_what_a_delay_costs_and_what_is_left_are_told_in_si_units() -> None:
    morning = mow_morning()
    field = morning.prospect.fields[0]
    taken = Figure(3.81, 7.6234, 15.2, "% of DM", "published: a test")
    later, left = AreaOdds(4.0, 0.55), LeftOvernight(Band(0.31, 0.4, 0.53), 0.42, taken)
    day = with_day_changes(field.days[0], hour_later=later, if_left=left, film_rolls=2)
    fields = (replace(field, days=(day, *field.days[1:])), *morning.prospect.fields[1:])
    said = read_back(replace(morning, prospect=replace(morning.prospect, fields=fields)))["fields"][0]["days"][0]
    assert said["hour_later"] == {"area_ha": 4.0, "odds": 0.55}
    assert said["if_left"] == {
        "moisture": {"low": 0.31, "mid": 0.4, "high": 0.53},
        "rain": 0.42,
        "rained_on": {"low": 3.81, "mid": 7.623, "high": 15.2, "unit": "% of DM", "source": "published: a test"},
    }
    assert said["film_rolls"] == 2


def test_why_a_field_comes_first_and_what_it_loses_are_told_in_si_units() -> None:
    said = read_back(whole_morning())["fields"][0]
    today = said["days"][0]
    assert (today["lost_by_waiting_t_per_ha"], today["hurry"]) == (0.0336, "storm")
    assert today["storm_at"] == "2026-06-01T16:00-04:00"
    assert today["breathed"] == {"low": 0.4, "mid": 0.8, "high": 1.6, "unit": "% of DM", "source": "estimate: breath"}
    assert said["dry_matter"]["high"] == 5.4


def test_stage_clock_and_days_left_have_their_range() -> None:
    said = read_back(whole_morning())["fields"][0]
    # 1.2816 standard deviations of 50 degC d on either side
    assert said["clock"] == {"low": 555.9, "mid": 620.0, "high": 684.1, "unit": "degC d", "from": "2026-04-14"}
    # 3 units of fibre on either side, at 0.75 a day
    assert said["days_left_band"] == {"low": 0.4, "mid": 4.4, "high": 8.4}
    (bare,) = read_back(wait_morning())["fields"]
    assert bare["days_left_band"] is None


def numbers(told: Any, under: str = "") -> set[str]:
    """The keys under which numbers stand, however deep."""
    if isinstance(told, dict):
        return set().union(*(numbers(value, key) for key, value in told.items()))
    if isinstance(told, list):
        return set().union(*(numbers(value, under) for value in told))
    return {under} if isinstance(told, int | float) and not isinstance(told, bool) else set()


def covered(told: Any, keys: set[str]) -> Any:
    """What is left of a report without what stands under these keys."""
    if isinstance(told, dict):
        return {key: covered(value, keys) for key, value in told.items() if key not in keys}
    return [covered(value, keys) for value in told] if isinstance(told, list) else told


def test_every_number_of_a_field_has_its_range_its_source_and_what_would_put_it_right() -> None:
    said = read_back(whole_morning())
    for one in said["about"].values():
        assert all(one[name] for name in ("keys", "range", "source", "put_right_by"))
    keys = {key for one in said["about"].values() for key in one["keys"]}
    assert len(keys) == sum(len(one["keys"]) for one in said["about"].values())
    assert numbers(covered(said["fields"], keys)) == {"area_ha"}  # a size, or what the odds beside it belong to
    assert keys >= {"start", "mow_until", "rake_from", "bale_from", "wrapped_by", "storm_at"}


def test_the_hours_of_a_record_are_not_said_to_be_drawn_to_a_prior() -> None:
    assert "pulled towards an ordinary day's 3 in 10" in provenance_by_topic(farm())["odds"].source
    assert "recorded" in provenance_by_topic(farm(), is_recorded=True)["odds"].source


def test_what_the_pictures_show_is_told_in_si_units() -> None:
    field = read_back(drawn_morning())["fields"][0]
    shown = field["hours_ahead"]
    assert shown["mown"] == "2026-06-01T08:00-04:00"
    assert len(shown["hours"]) == 13
    assert shown["hours"][0] == {
        "ends": "2026-06-01T08:00-04:00", "water": None, "rain": 0.0, "sun_w_per_m2": 300.0,
    }  # fmt: skip
    assert shown["hours"][10] == {
        "ends": "2026-06-01T18:00-04:00",
        "water": {"low": 0.331, "mid": 0.4, "high": 0.51},
        "rain": 0.4,
        "sun_w_per_m2": 400.0,
    }
    today = field["days"][0]
    assert (today["ripeness"], today["days_left"]) == ("ripe", 4.4)
    assert today["ndf"] == {"low": 46.0, "mid": 49.0, "high": 52.0}
    assert read_back(mow_morning())["fields"][0]["hours_ahead"] is None


def test_what_it_should_be_is_told_with_what_it_is() -> None:
    said = read_back(whole_morning())
    assert said["water_wanted"] == {"aim": 0.5, "wettest": 0.55, "driest": 0.45}
    (field,) = said["fields"]
    assert field["ndf_ripe"] == {"low": 47.0, "high": 53.0}
    assert field["ndf_target_source"] == "for milking cows (extension advice)"
    (bare, _) = read_back(nothing_known())["fields"]
    assert (bare["ndf_ripe"], bare["ndf_target_source"]) == (None, None)


def test_how_the_season_goes_is_told_in_si_units() -> None:
    # 20 acres on the first day, 12.7 and 9.35 on later ones: the middle one goes 22/12.7 times into the field.
    assert read_back(mow_morning())["season"] == {
        "cut_ha": 0.0,
        "ripe_ha": 8.9031,
        "growing_ha": 3.8445,
        "good_days_needed": 1.73,
        "good_days": ["2026-06-01", "2026-06-04", "2026-06-08"],
        "days_ahead": 6,
    }


def test_a_watched_field_is_told_in_si_units() -> None:
    morning = start_watch(mow_morning())
    (one,) = morning.watched
    said = read_back(morning)["watched"][0]
    assert (said["field"], said["state"], said["area_ha"], said["odds"]) == ("Long Meadow", "on track", 8.0937, 0.79)
    assert (said["at"], said["start"]) == ("2026-06-01T05:30-04:00", "2026-06-01T08:00-04:00")
    assert (said["moisture"], said["still"], said["left"], said["rain_at"]) == (None, None, None, None)
    failing = replace(
        one,
        state=WatchState.WILL_NOT_MAKE_IT,
        reason=Reason.RAIN,
        still_wrappable=AreaOdds(2.5, 0.71),
        left=LeftOvernight(Band(0.41, 0.5, 0.58), 0.84),
        rain_at=one.wrapped_by,
    )
    said = read_back(replace(morning, watched=(failing,)))["watched"][0]
    assert (said["state"], said["reason"], said["rain_at"]) == ("will not make it", "rain", "2026-06-01T19:00-04:00")
    assert said["still"] == {"area_ha": 2.5, "odds": 0.71}
    assert said["left"] == {"moisture": {"low": 0.41, "mid": 0.5, "high": 0.58}, "rain": 0.84, "rained_on": None}


def test_times_are_local_with_their_offset() -> None:
    said = read_back(mow_morning())
    assert said["issued_at"] == "2026-06-01T05:30-04:00"
    assert said["weather"]["issued_at"] == "2026-06-01T02:30-04:00"
    today = said["fields"][0]["days"][0]
    assert [today[name] for name in ("start", "mow_until", "bale_from", "wrapped_by")] == [
        "2026-06-01T08:00-04:00",
        "2026-06-01T10:30-04:00",
        "2026-06-01T15:30-04:00",
        "2026-06-01T19:00-04:00",
    ]


def test_the_offset_is_that_of_the_day_told() -> None:
    morning = mow_morning()
    autumn = replace(morning.prospect, at=datetime(2026, 11, 2, 10, tzinfo=UTC))
    assert read_back(replace(morning, prospect=autumn))["issued_at"] == "2026-11-02T05:00-05:00"


def test_the_farms_units_change_nothing() -> None:
    assert read_back(mow_morning(), Units.METRIC) == read_back(mow_morning(), Units.US)


def test_a_wait_says_why_and_has_no_times() -> None:
    (long,) = read_back(wait_morning())["fields"]
    assert (long["advice"]["kind"], long["advice"]["reason"], long["advice"]["area_ha"]) == ("wait", "rain", 0.0)
    today = long["days"][0]
    assert [today[name] for name in ("odds", "start", "mow_until", "bale_from", "wrapped_by")] == [None] * 5


def test_nothing_known_is_still_a_whole_report() -> None:
    said = read_back(nothing_known())
    assert said["weather"] is None
    assert [field["name"] for field in said["fields"]] == ["Long Meadow", "Creek & Bend"]
    for field in said["fields"]:
        assert field.keys() >= FIELD
        assert field["advice"] == {
            "kind": "none", "area_ha": 0.0, "reason": "weather data too old", "detail": "30 hours old",
        }  # fmt: skip
        assert (field["ripeness"], field["ndf"], field["days_left"], field["days"]) == (None, None, None, [])


@pytest.mark.parametrize("morning", [mow_morning(), wait_morning(), nothing_known()], ids=["mow", "wait", "none"])
def test_every_field_has_its_own_advice(morning: Morning) -> None:
    told = {field["name"]: field["advice"]["kind"] for field in read_back(morning)["fields"]}
    names = {field.name for field in morning.prospect.fields}
    assert told == {advice.field: advice.kind for advice in morning.advices if advice.field in names}

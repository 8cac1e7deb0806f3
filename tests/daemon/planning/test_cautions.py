import re
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.advice.decide import decide
from daemon.advice.explain.report import morning_report
from daemon.advice.explain.text import explanation_text
from daemon.domain.advice import Advice, AdviceKind, Morning
from daemon.domain.farm import Estimates, Farm, Traction, Units
from daemon.domain.prospect import FieldDay, OfficialWarning, TimedCaution
from daemon.messages.daily import morning_email, morning_text
from daemon.page.server import render_page
from daemon.planning.prospect import plan_fields
from daemon.service.health import take_snapshot
from daemon.settings import effective_settings_text, load
from daemon.weather.contract import Weather
from daemon.words.catalog import load_catalog, phrase
from daemon.words.cautions import (
    STOP_WORK_CAUTIONS,
    caution_sentence,
    day_cautions,
    official_warning_sentences,
    stop_work_sentences,
)
from daemon.words.sms import part_count, to_gsm_alphabet
from models import coefficients as c
from models.cautions import Caution, YearlySpan
from models.species import make_variety, species_table
from tests.loopback.hours import HERE
from tests.support.farms import (
    ACRE,
    DAWN,
    DAY,
    ZONE,
    farm,
    field_day,
    field_prospect,
    plan_of,
    prospect,
    with_day_changes,
)
from tests.support.plain_text import spaced
from tests.support.weather import NOW, farm_today, field, weather, working_farm

EXAMPLE = Path(__file__).parents[3] / "config.example.toml"
SENTENCES = {one: load_catalog()[f"cautions.{one.name.lower()}"] for one in Caution}
SAMPLE = phrase("care.sample")
NAMES = ("Long Meadow", "Creek & Bend", "Orchard")
MACHINE = TimedCaution(Caution.MACHINE)


def at(hour: int) -> datetime:
    return datetime(DAY.year, DAY.month, DAY.day, hour, tzinfo=ZONE)


THUNDER = TimedCaution(Caution.THUNDER, at(14), at(17))
HEAT = TimedCaution(Caution.HORSES_STOP, at(13), at(16), likely=True)


def passed(farm: Farm, hours: Weather) -> Morning:
    return decide(farm, plan_fields(farm_today(farm), hours, NOW))


def has_cautions(day: FieldDay) -> bool:
    return day.plan is not None and bool(day.plan.cautions)


def today(farm: Farm, hours: Weather) -> FieldDay:
    (advice,) = passed(farm, hours).mows
    assert advice.day is not None
    return advice.day


def keys(day: FieldDay) -> set[Caution]:
    return {care.caution for care in day.plan.cautions} if day.plan else set()


def hours_with(**changes: Any) -> Weather:
    """Return a good day with values at single hours of the farm's clock: `thunder` [1], `air` or `dew` [degC]."""
    given = weather(HERE, NOW, NOW + timedelta(hours=46))
    ahead = given.ahead.copy(deep=True)
    labels = ahead["time"].to_numpy()
    if "thunder" in changes:
        ahead["thunderstorm_probability"] = (("member", "time"), np.zeros((1, labels.size)))
    names = {"thunder": "thunderstorm_probability", "air": "air_temperature", "dew": "dew_point_temperature"}
    for what, values in changes.items():
        for hour, value in values.items():
            label = np.datetime64(f"2026-06-10T{hour + 4:02}")  # summer time is four hours behind
            ahead[names[what]][:, labels == label] = value
    return Weather(given.past, ahead)


def mowing(*cares: tuple[TimedCaution, ...]) -> Morning:
    """Return a morning with a field to mow for each of some cautions."""
    days = [with_day_changes(field_day(), cautions=own) for own in cares]
    fields = [field_prospect(name, 22, day) for name, day in zip(NAMES, days, strict=False)]
    advices = tuple(Advice(one.name, AdviceKind.MOW, 20 * ACRE, None, one.days[0]) for one in fields)
    return Morning(DAY, advices, prospect(*fields))


# --- From a pass to its cautions ---------------------------------------------------------------------------------


def test_a_mow_without_thunder_in_the_forecast_says_so() -> None:
    assert keys(today(working_farm(), hours_with())) >= {Caution.MACHINE, Caution.THUNDER_UNKNOWN, Caution.NESTS}
    told = keys(today(working_farm(), hours_with(thunder={})))
    assert Caution.MACHINE in told
    assert not told & {Caution.THUNDER, Caution.THUNDER_UNKNOWN}


def test_thunder_counts_in_the_hours_of_work_alone() -> None:
    given = working_farm()
    day = today(given, hours_with(thunder={15: 0.6}))
    assert plan_of(day).start.hour < 14
    assert plan_of(day).wrapped_by.hour >= 15
    (care,) = (one for one in plan_of(day).cautions if one.caution is Caution.THUNDER)
    # The value stands at the end of its hour.
    zone = given.place.timezone
    told = datetime(2026, 6, 10, 14, tzinfo=zone), datetime(2026, 6, 10, 15, tzinfo=zone)
    assert (care.begins, care.ends, care.likely) == (*told, True)
    for outside in (plan_of(day).start.hour, plan_of(day).wrapped_by.hour + 2):
        assert Caution.THUNDER not in keys(today(given, hours_with(thunder={outside: 0.6}))), outside
    edges = plan_of(day).start.hour + 1, plan_of(day).wrapped_by.hour + (plan_of(day).wrapped_by.minute > 0)
    for inside in edges:
        assert Caution.THUNDER in keys(today(given, hours_with(thunder={inside: 0.6}))), inside


def test_heat_stops_the_horses_of_a_farm_that_works_them_and_cows_suffer_where_they_are_kept() -> None:
    hot = hours_with(air={14: 37.0, 15: 37.0}, thunder={})
    horses = working_farm(work={"traction": Traction.HORSES}, cows_kept=True)
    assert keys(today(horses, hot)) >= {Caution.HORSES_STOP, Caution.COWS}
    assert not keys(today(working_farm(), hot)) & {Caution.HORSES_STOP, Caution.HORSES_REST, Caution.COWS}
    assert Caution.HORSES_STOP not in keys(today(horses, hours_with(thunder={})))


def test_the_farms_own_figures_are_heeded() -> None:
    def told(hours: Weather, **own: Any) -> set[Caution]:
        return keys(today(working_farm(work={"traction": Traction.HORSES}, estimates=Estimates(**own)), hours))

    calm, thunder = hours_with(thunder={}), hours_with(thunder={15: 0.15})
    assert told(calm) >= {Caution.FAWNS, Caution.NESTS}
    assert Caution.FAWNS not in told(calm, fawns=YearlySpan((6, 11), (6, 30)))
    assert Caution.NESTS not in told(calm, nests=YearlySpan((3, 1), (6, 9)))
    assert Caution.THUNDER_ON_TEAMS not in told(thunder)
    assert Caution.THUNDER_ON_TEAMS in told(thunder, thunder_from=0.15)
    hot = hours_with(air={14: 30.0, 15: 30.0}, dew={14: 26.0, 15: 26.0}, thunder={})  # 79 %: a sum of 165
    assert Caution.HORSES_STOP not in told(hot)
    assert Caution.HORSES_STOP in told(hot, horses_stop_at=160.0)
    assert Caution.HORSES_REST not in told(calm, horses_rest_at=150.0)
    assert Caution.HORSES_REST in told(calm, horses_rest_at=110.0)


@pytest.mark.parametrize(("name", "rests"), [("alfalfa", True), ("old alfalfa", True), ("red clover", False)])
def test_alfalfa_rests_before_the_frost_of_the_place(name: str, rests: bool) -> None:
    stand = replace(field("Long", 10), stand={name: 1.0})
    known = {**species_table(), "old alfalfa": make_variety(species_table()["alfalfa"], "old alfalfa")}
    late, early = (
        working_farm(stand, species=known, estimates=Estimates(killing_frost=frost)) for frost in (None, (7, 1))
    )
    assert Caution.FALL_REST not in keys(today(late, hours_with()))
    assert (Caution.FALL_REST in keys(today(early, hours_with()))) == rests


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (working_farm(), False),
        (working_farm(horses_fed=True), True),
        (working_farm(work={"traction": Traction.HORSES}), True),
    ],
)
def test_botulism_is_told_of_wherever_horses_are_worked_or_fed(given: Farm, told: bool) -> None:
    assert (Caution.BOTULISM in keys(today(given, hours_with()))) == told


def test_the_settings_of_film_and_moisture_are_heeded() -> None:
    late = working_farm(work={"wrap_within": 9.0})
    assert Caution.WRAPPED_LATE in keys(today(late, hours_with()))
    assert Caution.WRAPPED_LATE not in keys(today(working_farm(), hours_with()))
    day = today(working_farm(), hours_with())
    assert plan_of(day).moisture_at_baling.mid >= c.BALE_MOISTURE_DRY
    assert not keys(day) & {Caution.BALED_WET, Caution.BALED_DRY, Caution.HOT_BALES}


def test_only_a_day_that_is_advised_today_has_cautions() -> None:
    given = working_farm(field("Young", 10, last_cut=date(2026, 6, 1)), field("Long", 10))
    young, long = passed(given, hours_with()).prospect.fields
    assert [has_cautions(day) for day in young.days] == [False, False]
    assert [(day.area > 0.0, has_cautions(day)) for day in long.days] == [(True, True), (True, False)]


# --- In words ----------------------------------------------------------------------------------------------------


def test_every_caution_has_a_short_sentence_and_none_says_that_it_is_safe() -> None:
    for caution in Caution:
        for units in Units:
            words = caution_sentence(TimedCaution(caution, at(11), at(16)), units)
            assert len(words) <= 120, words
            assert words == to_gsm_alphabet(words)
            assert words.endswith(".") and "{" not in words
            assert not re.search("safe|harmless|all.clear|no danger|no risk", words, re.IGNORECASE), words


def test_no_message_of_the_program_says_that_it_is_safe() -> None:
    for folder in ("daemon", "models"):
        for path in (EXAMPLE.parent / folder).rglob("*.py"):
            quoted = re.findall(r'"[^"]*\bsafe\b[^"]*"', path.read_text(encoding="utf-8"), re.IGNORECASE)
            assert quoted == [], path
    assert "safe" not in (EXAMPLE.parent / "daemon/page/templates/page.html").read_text(encoding="utf-8").lower()


def test_what_can_kill_gives_way_to_rules_the_vet_or_the_eye() -> None:
    for caution in (Caution.BOTULISM, Caution.HORSES_STOP, Caution.HORSES_REST, Caution.COWS):
        assert "vet" in SENTENCES[caution]
    for caution in (Caution.FAWNS, Caution.NESTS, Caution.FALL_REST):
        assert re.search("local", SENTENCES[caution])
    assert "watch the sky" in SENTENCES[Caution.THUNDER_UNKNOWN]


def test_hours_and_measures_in_the_farms_units() -> None:
    assert caution_sentence(THUNDER, Units.US) == (
        "Thunder may come 2:00 pm to 5:00 pm: stop at the first rumble, go back 30 minutes after the last."
    )
    assert "is likely 13:00 to 16:00" in caution_sentence(HEAT, Units.METRIC)
    assert "keep people 300 ft from" in caution_sentence(MACHINE, Units.US)
    assert "keep people 100 m from" in caution_sentence(MACHINE, Units.METRIC)
    bales = [caution_sentence(TimedCaution(Caution.HOT_BALES), units) for units in Units]
    assert ["175 deg F" in bales[0], "80 deg C" in bales[1], "under 40%" in bales[0]] == [True, True, True]


def test_the_fields_of_a_day_are_told_together() -> None:
    early, late = (
        TimedCaution(Caution.THUNDER, at(12), at(14)),
        TimedCaution(Caution.THUNDER, at(13), at(18), likely=True),
    )
    six, eight = TimedCaution(Caution.SIX_LAYERS), TimedCaution(Caution.EIGHT_LAYERS)
    told = day_cautions(mowing((early, MACHINE, six), (late, MACHINE, eight)).mows, Units.METRIC)
    assert told[0].startswith("Thunder is likely 12:00 to 18:00")
    assert told[1] == caution_sentence(MACHINE, Units.METRIC)
    assert [told[2][:20], told[3][:16]] == ["Creek & Bend: Eight ", "Long Meadow: Six"]
    assert len(told) == 4


def test_no_more_than_are_read() -> None:
    everything = tuple(TimedCaution(caution, at(11), at(16)) for caution in Caution)
    told = day_cautions(mowing(everything).mows, Units.US)
    said_by_a_graver_one = {Caution.THUNDER_UNKNOWN, Caution.PEOPLE_REST, Caution.HORSES_REST}
    kept = [care for care in everything if care.caution not in said_by_a_graver_one]
    assert told == tuple(caution_sentence(care, Units.US) for care in kept[: c.MAX_CAUTIONS])
    assert any(words.startswith("Botulism") for words in told), "it is in on the worst of days"
    assert day_cautions((), Units.US) == ()


# --- Where they are shown ----------------------------------------------------------------------------------------


def test_a_text_says_what_stops_work_and_nothing_else() -> None:
    text = morning_text(farm(), mowing((THUNDER, MACHINE, TimedCaution(Caution.BOTULISM))))
    assert f"{caution_sentence(THUNDER, Units.US)} {SAMPLE}" in text
    assert "Botulism" not in text and "Drive off" not in text
    assert morning_text(farm(), mowing((MACHINE,))).endswith(f"9 in 10). {SAMPLE}")


def test_what_stops_work_is_kept_before_the_sample_and_dropped_before_a_field() -> None:
    stops = (THUNDER, HEAT)
    assert len(stop_work_sentences(mowing(stops).mows, Units.US)) == 2
    texts = [morning_text(farm(), mowing(*[stops] * count)) for count in (1, 2, 3)]
    assert all(part_count(text) <= 2 for text in texts)
    assert ["Thunder may come" in text for text in texts] == [True, False, False]
    assert [text.count("bale from") for text in texts] == [1, 2, 2]
    assert "working horse" not in texts[0] or SAMPLE not in texts[0]
    assert all(SAMPLE not in text or "Thunder" in text for text in texts)


def test_the_gravest_stop_comes_first() -> None:
    assert [words[:7] for words in stop_work_sentences(mowing((MACHINE, HEAT, THUNDER)).mows, Units.US)] == [
        "Thunder",
        "Heat th",
    ]
    assert set(STOP_WORK_CAUTIONS) <= set(list(Caution)[:5])


def test_email_page_explain_and_report_tell_them() -> None:
    shown = mowing((THUNDER, MACHINE))
    here = farm()
    email = morning_email(here, shown)
    page = spaced(render_page(take_snapshot(here, shown, (), DAWN)))
    for care in (THUNDER, MACHINE):
        words = caution_sentence(care, Units.US)
        assert f"- {words}\n" in email.body
        assert f"<li>{words}</li>" in spaced(str(email.html))
        assert f"<li>{words}</li>" in page
        assert words in " ".join(explanation_text(here, shown, NAMES[0]).split())  # over more than one line
    assert "Stop for thunder and for heat" in email.body  # the general caution stays
    (one,) = morning_report(here, shown)["fields"]
    assert one["days"][0]["cautions"] == [
        {
            "caution": "thunder",
            "begins": "2026-06-01T14:00-04:00",
            "ends": "2026-06-01T17:00-04:00",
            "likely": False,
        },
        {"caution": "machine", "begins": None, "ends": None, "likely": False},
    ]


def test_a_page_whose_pass_is_too_old_tells_none() -> None:
    shown = mowing((THUNDER,))
    assert "Thunder may come" not in render_page(take_snapshot(farm(), shown, (), DAWN + timedelta(days=1)))


# --- Settings ----------------------------------------------------------------------------------------------------


def test_whom_the_bales_and_the_heat_touch_is_read_and_shown(tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8").replace("cows_kept = false", "cows_kept = true")
    path = tmp_path / "config.toml"
    path.write_text(text, encoding="utf-8")
    farm = load(path)
    assert (farm.horses_fed, farm.cows_kept) == (True, True)
    assert "horses_fed = true\ncows_kept = true\n" in effective_settings_text(farm)
    path.write_text(text.replace("horses_fed = true", "").replace("cows_kept = true", ""), encoding="utf-8")
    assert (load(path).horses_fed, load(path).cows_kept) == (False, False)
    assert "horses_fed = false  # the default\n" in effective_settings_text(load(path))


# --- Official warnings -------------------------------------------------------------------------------------------


def warned(*warnings: OfficialWarning, mows: bool = True) -> Morning:
    found = mowing((MACHINE,))
    advices = found.advices if mows else ()
    return replace(found, advices=advices, prospect=replace(found.prospect, warnings=warnings))


def warning(begins: datetime, ends: datetime | None) -> OfficialWarning:
    return OfficialWarning("Flood Watch", "the invented weather office", begins, ends)


def test_official_warnings_in_the_hours_of_work_come_first_with_their_issuer() -> None:
    here, words = (
        farm(),
        "Official warning: Flood Watch, Monday 2:00 pm to Monday 9:00 pm, by the invented weather office.",
    )
    morning = warned(warning(at(14), at(21)))
    assert official_warning_sentences(here, morning) == (words,)
    assert words in morning_text(here, morning)
    assert morning_email(here, morning).body.index(words) < morning_email(here, morning).body.index(
        "Shut off the drive"
    )
    assert f"<li>{words}</li>" in spaced(render_page(take_snapshot(here, morning, (), DAWN)))
    assert morning_report(here, morning)["warnings"][0]["issuer"] == "the invented weather office"


@pytest.mark.parametrize(
    ("begins", "ends", "told"),
    [(at(2), at(6), False), (at(2), at(9), True), (at(23), None, False), (at(12), None, True)],
)
def test_a_warning_out_of_the_hours_of_work_is_not_told(begins: datetime, ends: datetime | None, told: bool) -> None:
    assert bool(official_warning_sentences(farm(), warned(warning(begins, ends)))) == told


def test_without_work_the_warnings_of_the_rest_of_the_day_are_told() -> None:
    assert official_warning_sentences(farm(), warned(warning(at(23), None), mows=False))
    assert not official_warning_sentences(farm(), warned(warning(at(1), at(2)), mows=False))

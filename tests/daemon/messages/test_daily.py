import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from html import unescape

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.advice.decide import decide
from daemon.domain.advice import Advice, AdviceKind, AnnouncedField, Morning
from daemon.domain.causes import WeatherRefused
from daemon.domain.farm import Channel, Person, Subscription, Units
from daemon.domain.message import PICTURE_PLACEHOLDER
from daemon.domain.prospect import AreaOdds, Band, FieldDay, FieldProspect, LeftOvernight, Reason, Ripeness, Unknown
from daemon.domain.refusal import Refusal, RefusalKind
from daemon.domain.schedule import TaskKind
from daemon.messages.daily import announcements, answer_sentence, compose_messages, morning_email, morning_text
from daemon.planning.prospect import unknown_prospect
from daemon.words.catalog import phrase
from daemon.words.reasons import reason_text
from daemon.words.sms import fit_pieces, part_count, to_gsm_alphabet
from daemon.words.stand import ground_text
from daemon.words.work import film_text, hour_later_sentence, left_overnight_sentence, odds_points_text
from tests.support.farms import (
    ACRE,
    DAWN,
    DAY,
    farm,
    field_day,
    field_prospect,
    mow_morning,
    person,
    plan_of,
    prospect,
    wait_morning,
    with_day_changes,
    work_hours,
)
from tests.support.full_morning import drawn_morning

FIXED = settings(derandomize=True, deadline=None, max_examples=120)
ANN = person("Ann")
BEN = Person("Ben", Channel.TEXT, "json://127.0.0.1:2", Subscription.RIPE_MORNINGS)
CAT = Person("Cat", Channel.EMAIL, "mailto://127.0.0.1:3", Subscription.RIPE_MORNINGS)
SAMPLE = phrase("care.sample")
DAN = Person("Dan", Channel.EMAIL, "mailto://127.0.0.1:4", Subscription.MOW_DAYS)
EVERYBODY = (ANN, BEN, CAT, DAN)
# The settings take names of 40 and 80 printable characters; these are as long and nastier than the rest.
LETTERS = st.characters(codec="utf-8", categories=("L", "N", "P", "S", "M"))
NAMES = st.text(LETTERS, min_size=1, max_size=60) | st.text("€[]~^…ßłéñ🐎 ", min_size=60, max_size=60)


def mowing(names: Sequence[str]) -> Morning:
    fields = [field_prospect(name, 22, field_day()) for name in names]
    advices = tuple(Advice(field.name, AdviceKind.MOW, 20 * ACRE, None, field.days[0]) for field in fields)
    return Morning(DAY, advices, prospect(*fields))


def waiting(names: Sequence[str], *reasons: Reason, kind: AdviceKind = AdviceKind.WAIT) -> Morning:
    given = [reasons[number % len(reasons)] for number in range(len(names))]
    fields = [field_prospect(name, 22, field_day(0, 0, 0.3, why)) for name, why in zip(names, given, strict=True)]
    advices = tuple(Advice(one.name, kind, 0.0, one.days[0].reason, one.days[0]) for one in fields)
    return Morning(DAY, advices, prospect(*fields))


def growing(ripe_in: int) -> Morning:
    """A field that is ripe so many days ahead, seen for a week."""
    days = [
        replace(
            field_day(ahead, 0, None, Reason.NOT_RIPE if ahead < ripe_in else Reason.RAIN),
            ripeness=Ripeness.GROWING if ahead < ripe_in else Ripeness.RIPE,
        )
        for ahead in range(8)
    ]
    field = field_prospect("Long Meadow", 22, *days, ripeness=days[0].ripeness)
    return Morning(DAY, (Advice("Long Meadow", AdviceKind.WAIT, 0.0, days[0].reason, days[0]),), prospect(field))


def hearers(morning: Morning, task: TaskKind = TaskKind.MORNING, people: Sequence[Person] = EVERYBODY) -> set[str]:
    return {one.name for one in compose_messages(farm(*people), morning, task)}


def words_of(markup: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", markup)).split())


# --- The text ----------------------------------------------------------------------------------------------------


def test_the_text_of_a_mow() -> None:
    assert morning_text(farm(), mow_morning()) == (
        "Two Elms: Monday: mow 20 acres of Long Meadow, start 8:00 am, stop by 10:30 am, bale from 3:30 pm. "
        "Odds 7 in 10 (2 acres: 9 in 10). Check a sample before baling."
    )


def test_the_text_of_a_metric_farm() -> None:
    assert morning_text(farm(units=Units.METRIC), mow_morning()) == (
        "Two Elms: Monday: mow 8 hectares of Long Meadow, start 8:00, stop by 10:30, bale from 15:30. "
        "Odds 7 in 10 (0.8 hectares: 9 in 10). Check a sample before baling."
    )


@FIXED
@given(name=NAMES, names=st.lists(NAMES, min_size=1, max_size=4), units=st.sampled_from(Units))
def test_whatever_the_names_no_text_is_longer_than_two_parts(name: str, names: list[str], units: Units) -> None:
    named = replace(farm(ANN, units=units), name=name)
    mornings = [mowing(names), waiting(names, Reason.RAIN), waiting(names, Reason.OUT_OF_RANGE, kind=AdviceKind.NONE)]
    texts = [morning_text(named, morning) for morning in mornings]
    tomorrow = prospect(*(field_prospect(one, 22, field_day(1)) for one in names))
    texts += [one.body for one in compose_messages(named, Morning(DAY, (), tomorrow), TaskKind.EVENING).values()]
    assert len(texts) == 4
    for text in texts:
        assert part_count(text) <= 2  # refuses what is not in the alphabet, too
        assert text.startswith(f"{to_gsm_alphabet(name)}: ")  # it stands alone: whose farm, and the day
        assert "Monday" in text or "Tuesday" in text


@FIXED
@given(name=st.text(LETTERS, min_size=1, max_size=40), names=st.lists(st.text("aé", min_size=1, max_size=40)))
def test_the_field_and_its_odds_come_first_and_the_sample_is_dropped_first(name: str, names: list[str]) -> None:
    fields = ["Long Meadow", *names[:3]]
    text = morning_text(replace(farm(), name=name), mowing(fields))
    order = ["20 acres", "Long Meadow", "start 8:00 am", "stop by 10:30 am", "bale from 3:30 pm", "Odds 7 in 10"]
    at = [text.find(word) for word in order]
    assert -1 not in at
    assert at == sorted(at)
    jobs = text.count("bale from")
    assert text.count("Odds") == jobs  # a job is told whole or not at all
    if SAMPLE in text:
        assert jobs == len(fields) or f"And {len(fields) - jobs} more: see the page." in text
        assert text.endswith(SAMPLE)


def test_the_later_fields_go_before_the_first() -> None:
    names = ["Upper Bottom Meadow", "Lower Bottom Meadow", "Hill Field behind the Barn", "Orchard"]
    text = morning_text(farm(), mowing(names))
    assert [name in text for name in names] == [True, True, False, False]
    assert SAMPLE not in text
    assert SAMPLE in morning_text(farm(), mowing(names[:1]))


def test_fit_keeps_the_first_piece_though_cut() -> None:
    assert fit_pieces("Farm", ["a" * 400, "b"]) == "Farm: " + "a" * 300


def test_waiting_says_why_ripe_fields_first() -> None:
    assert answer_sentence(waiting(["Creek", "Long"], Reason.NOT_RIPE, Reason.DAY_OFF)) == (
        "Monday: do not mow. Long: a day off; Creek: not ripe yet."
    )


def test_no_advice_says_why() -> None:
    assert answer_sentence(waiting(["Creek", "Long"], Reason.DATA_STALE, kind=AdviceKind.NONE)) == (
        "Monday: no advice, because the forecast is too old. Go by your own eye and forecast."
    )


def test_one_unknown_field_is_named_beside_the_others() -> None:
    known, unknown = waiting(["Long"], Reason.RAIN), waiting(["Creek"], Reason.OUT_OF_RANGE, kind=AdviceKind.NONE)
    both = Morning(DAY, known.advices + unknown.advices, known.prospect)
    assert "Creek: no advice, because it is outside" in answer_sentence(both)


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_its_words(reason: Reason) -> None:
    assert reason_text(reason) in morning_text(farm(), waiting(["Long"], reason))


def test_a_near_miss_is_told_with_its_odds() -> None:
    near = field_prospect("Long", 22, field_day(0, 0, 0.55, Reason.RAIN))
    morning = Morning(DAY, (Advice("Long", AdviceKind.WAIT, 0.0, Reason.RAIN, near.days[0]),), prospect(near))
    assert answer_sentence(morning) == "Monday: do not mow. Long: rain may catch it, only 5 in 10."


# --- The odds ----------------------------------------------------------------------------------------------------


@FIXED
@given(chance=st.floats(0.0, 1.0), surer=st.floats(0.0, 1.0))
def test_odds_are_one_to_nine_in_ten_and_never_per_cent(chance: float, surer: float) -> None:
    day = replace(field_day(), odds=chance, curve=(AreaOdds(2 * ACRE, max(surer, chance)), AreaOdds(20 * ACRE, chance)))
    field = field_prospect("Long Meadow", 22, day)
    morning = Morning(DAY, (Advice("Long Meadow", AdviceKind.MOW, 20 * ACRE, None, day),), prospect(field))
    text, email = morning_text(farm(), morning), morning_email(farm(), morning).body
    said = [int(tenths) for tenths in re.findall(r"(\d+) in 10", text + email)]
    assert said
    assert all(1 <= tenths <= 9 for tenths in said)
    assert max(said) <= max(1, int(10 * max(surer, chance) + 0.01))  # rounded down, never up
    assert "%" not in text
    assert not re.search(r"odds[^.]*%", email, re.IGNORECASE)


@pytest.mark.parametrize(
    ("curve", "said"),
    [
        ((AreaOdds(2 * ACRE, 0.95), AreaOdds(5 * ACRE, 0.9), AreaOdds(20 * ACRE, 0.79)), ", 9 in 10 for 5 acres"),
        ((AreaOdds(2 * ACRE, 0.89), AreaOdds(4 * ACRE, 0.81), AreaOdds(20 * ACRE, 0.79)), ", 8 in 10 for 4 acres"),
        ((AreaOdds(2 * ACRE, 0.799), AreaOdds(20 * ACRE, 0.79)), ""),
    ],
)
def test_odds_are_said_at_two_points_where_a_smaller_area_is_surer(curve: tuple[AreaOdds, ...], said: str) -> None:
    day = replace(field_day(), curve=curve)
    assert odds_points_text(day, farm()) == f"7 in 10 that all is wrapped tonight{said}"


def test_the_same_odds_are_not_said_twice() -> None:
    day: FieldDay = replace(field_day(odds=0.92), curve=(AreaOdds(20 * ACRE, 0.92),))
    assert odds_points_text(day, farm()) == "9 in 10 that all is wrapped tonight"


# --- The email ---------------------------------------------------------------------------------------------------


def test_the_email_of_a_mow() -> None:
    message = morning_email(farm(), mow_morning())
    assert message.title == "Mow 20 acres: Long Meadow"
    assert message.body.startswith(
        "Monday: mow 20 acres of Long Meadow this forenoon.\n\nLong Meadow: 20 acres. Start "
    )
    assert "Rake from 3:30 pm, and bale from 3:30 pm once a sample is at 55% or less; all wrapped by" in message.body
    assert "next chance Thursday 4, 12 acres, 7 in 10" in message.body
    assert "Aim at 50% water, none over 55%." in message.body
    assert "Invented forecasts, CC BY 4.0" in message.body


def test_the_email_tells_the_water_when_it_is_to_be_raked_as_the_picture_does() -> None:
    body = morning_email(farm(), drawn_morning()).body
    # By hand: 45.3 to 57% at 2 pm and 40.7 to 54% at 3 pm.
    assert "Rake from 2:45 pm (by then likely 42 to 55% water), and bale from 3:30 pm once a sample is at 55%" in body


def test_the_wettest_is_never_rounded_up() -> None:
    wet = farm()
    wet = replace(wet, baleage=replace(wet.baleage, wettest=0.619))
    assert "once a sample is at 61% or less" in morning_email(wet, mow_morning()).body
    assert "none over 61%" in morning_email(wet, mow_morning()).body


def test_several_fields_are_told_one_after_the_other() -> None:
    lead = morning_email(farm(), mowing(["Hill", "Creek"])).body.split("\n")[0]
    assert lead == "Monday: mow 20 acres of Hill, then 20 acres of Creek this forenoon."


@FIXED
@given(names=st.lists(NAMES, min_size=1, max_size=4))
def test_the_subject_fits_and_html_says_the_same(names: list[str]) -> None:
    for morning in (
        mowing(names),
        waiting(names, Reason.RAIN),
        waiting(names, Reason.FEW_MEMBERS, kind=AdviceKind.NONE),
    ):
        message = morning_email(farm(), morning)
        assert 0 < len(message.title) <= 40
        assert message.html is not None
        assert words_of(message.html) == " ".join(re.sub(r"^- ", "", message.body, flags=re.MULTILINE).split())


def test_why_there_is_no_weather_stands_once_in_an_email() -> None:
    detail = "open-meteo: forecast was refused: api.example.org could not be reached"
    refusals = (Refusal(RefusalKind.UNREACHABLE, detail),)
    lost = unknown_prospect(farm(CAT), DAWN, Unknown(Reason.DATA_MISSING, WeatherRefused(refusals)))
    mail = morning_email(farm(CAT), decide(farm(CAT), lost))
    assert mail.body.startswith(
        "Monday: no advice, because weather data is missing. Go by your own eye and forecast.\n\n"
        f"The weather service could not be reached ({detail}).\n\n"
    )
    for words in (mail.body, mail.html or ""):
        assert words.count(detail) == 1
        assert "Fields" not in words


def test_an_email_heads_its_lists_and_leaves_the_pictures_place_before_the_fields() -> None:
    mail = morning_email(farm(CAT), mow_morning())
    assert "\n\nFields\n- Long Meadow: ripe" in mail.body
    assert mail.html is not None
    assert mail.html.index(PICTURE_PLACEHOLDER) < mail.html.index("<h3>Fields</h3><ul><li>Long Meadow: ripe")
    assert "\N{NO-BREAK SPACE}am" in mail.html
    assert "\N{NO-BREAK SPACE}" not in mail.body


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "a & b", "\"><img src=x onerror='y'>", "&lt;b&gt;"])
def test_hostile_names_are_escaped(name: str) -> None:
    tomorrow = Morning(DAY, (), prospect(field_prospect(name, 22, field_day(1))))
    named = replace(farm(CAT), name=name)
    messages = [
        morning_email(named, mowing([name])),
        compose_messages(named, tomorrow, TaskKind.EVENING)[CAT],
        compose_messages(named, tomorrow, TaskKind.SIGN_OF_LIFE)[CAT],
    ]
    for message in messages:
        assert message.html is not None
        assert set(re.findall(r"<(/?\w+)", message.html)) <= {
            *("p", "/p", "ul", "/ul", "li", "/li", "small", "/small", "h3", "/h3")
        }
        assert name in words_of(message.html).replace("  ", " ")


def test_nothing_is_called_safe() -> None:
    for morning in (mow_morning(), wait_morning(), waiting(["a"], Reason.DATA_MISSING, kind=AdviceKind.NONE)):
        assert "safe" not in (morning_text(farm(), morning) + morning_email(farm(), morning).body).lower()


# --- Who hears what ----------------------------------------------------------------------------------------------


def test_a_mow_is_told_to_all_each_in_their_way() -> None:
    said = compose_messages(farm(*EVERYBODY), mow_morning(), TaskKind.MORNING)
    assert set(said) == set(EVERYBODY)
    for one, message in said.items():
        is_text = one.channel is Channel.TEXT
        assert (message.title == "") == is_text
        assert (message.html is None) == is_text


@pytest.mark.parametrize("ripe_in", [0, 1, 5])
def test_waiting_is_told_to_who_asked_while_a_field_is_ripe_or_nearly(ripe_in: int) -> None:
    assert hearers(growing(ripe_in)) == {"Ben", "Cat"}


def test_waiting_for_a_field_that_is_far_from_ripe_is_told_to_nobody() -> None:
    assert hearers(growing(6)) == set()


@pytest.mark.parametrize(
    ("word", "from_", "said"),
    [
        (None, None, ""),
        ("firm", DAY, "ground firm enough for the baler"),
        ("soft", date(2026, 6, 4), "ground soft, should carry by Thursday 4"),
        ("ruts", None, "ground so wet that wheels leave ruts, no day in sight on which it should carry"),
    ],
)
def test_the_ground_in_words(word: str | None, from_: date | None, said: str) -> None:
    field = replace(field_prospect("Long Meadow", 22.0, field_day()), ground=word, firm_from=from_)
    assert ground_text(field) == said
    body = morning_email(farm(), Morning(DAY, (), prospect(field))).body
    assert ("ground" in body) == (word in ("soft", "ruts"))
    assert said in body or word == "firm"


def test_ripe_but_out_of_season_is_told_to_nobody() -> None:
    assert hearers(waiting(["Long"], Reason.OUT_OF_SEASON)) == set()


@pytest.mark.parametrize("reason", [Reason.DATA_MISSING, Reason.DATA_STALE, Reason.FEW_MEMBERS, Reason.OUT_OF_RANGE])
def test_no_advice_is_told_to_everybody(reason: Reason) -> None:
    assert hearers(waiting(["Long"], reason, kind=AdviceKind.NONE)) == {"Ann", "Ben", "Cat", "Dan"}


def tomorrow(*found: FieldProspect) -> Morning:
    return Morning(DAY, (), prospect(*found))


def test_the_evening_speaks_only_when_tomorrow_has_a_mow() -> None:
    today = field_prospect("Long", 22, field_day(0), field_day(1, 0, 0.4, Reason.RAIN), field_day(2))
    assert hearers(tomorrow(today), TaskKind.EVENING) == set()
    assert hearers(tomorrow(field_prospect("Long", 22, field_day(1))), TaskKind.EVENING) == {"Ann", "Ben", "Cat", "Dan"}


def test_the_evening_names_the_day_the_acres_the_odds_and_the_start() -> None:
    late = with_day_changes(field_day(1, 9), start=plan_of(field_day(1)).start + timedelta(hours=2))
    found = tomorrow(field_prospect("Creek", 9, late), field_prospect("Long", 22, field_day(1)))
    assert compose_messages(farm(ANN), found, TaskKind.EVENING)[ANN].body == (
        "Two Elms: Likely tomorrow, Tuesday: mow 20 acres of Long (7 in 10), then 9 acres of Creek (7 in 10). "
        "Start 8:00 am. The morning's message decides."
    )


def test_the_evening_subject_fits() -> None:
    found = tomorrow(field_prospect("L" * 60, 22, field_day(1)))
    title = compose_messages(farm(CAT), found, TaskKind.EVENING)[CAT].title
    assert len(title) <= 40
    assert title.startswith("Likely tomorrow: 20 acres of L")


def test_what_looked_likely_and_is_not_is_told_to_all_who_were_told_of_it() -> None:
    found = replace(wait_morning(), announced=(AnnouncedField("Long", 8.0, 0.7), AnnouncedField("Creek", 3.0, 0.7)))
    assert hearers(found, TaskKind.MORNING) == {"Ann", "Ben", "Cat", "Dan"}
    words = "Long and Creek looked likely last evening, not now."
    told = compose_messages(farm(ANN, CAT), found, TaskKind.MORNING)
    assert told[ANN].body.endswith(words)
    assert words in told[CAT].body


@pytest.mark.parametrize(
    ("acres", "words"), [(20.0, ""), (17.0, ""), (10.0, "Last evening it was 10 acres of Long Meadow.")]
)
def test_another_area_than_the_evenings_is_told(acres: float, words: str) -> None:
    found = replace(mow_morning(), announced=(AnnouncedField("Long Meadow", acres * ACRE, 0.7),))
    assert ("Last evening" in morning_text(farm(ANN), found)) == bool(words)
    assert words in morning_text(farm(ANN), found)
    assert words in morning_email(farm(CAT), found).body


def test_a_heads_up_and_what_is_kept_of_it_are_the_same() -> None:
    found = tomorrow(
        field_prospect("Creek", 9, field_day(1, 9)), field_prospect("Hill", 9, field_day(1, 0, 0.4, Reason.RAIN))
    )
    [kept] = announcements(found)
    assert (kept.field, kept.odds) == ("Creek", 0.79)
    assert kept.area == pytest.approx(9 * ACRE)


@pytest.mark.parametrize(
    ("people", "told"), [(EVERYBODY, ["Cat"]), ((ANN, DAN), ["Dan"]), ((BEN, ANN), ["Ben"]), ((), [])]
)
def test_the_sign_of_life_goes_to_one_address_an_email_if_there_is_one(
    people: Sequence[Person], told: list[str]
) -> None:
    said = compose_messages(farm(*people), mow_morning(), TaskKind.SIGN_OF_LIFE)
    assert [one.name for one in said] == told


def test_a_sign_of_life_by_text_is_a_text() -> None:
    message = compose_messages(replace(farm(ANN), name="Łąka 🐎"), mow_morning(), TaskKind.SIGN_OF_LIFE)[ANN]
    assert (message.title, message.html) == ("", None)
    assert part_count(message.body) == 1


def test_the_weekday_is_that_of_the_advice() -> None:
    assert "Sunday" in answer_sentence(replace(wait_morning(), date=date(2026, 6, 7)))


@pytest.mark.parametrize(
    ("acres", "words"),
    [
        (None, ""),
        (20.0, "Starting at 9:00 am would still do."),
        (12.0, "If you start at 9:00 am, mow 12 acres at most."),
        (1.0, "Starting at 9:00 am would be too late."),
        (0.0, "Starting at 9:00 am would be too late."),
    ],
)
def test_what_an_hours_delay_costs(acres: float | None, words: str) -> None:
    later = None if acres is None else AreaOdds(acres * ACRE, 0.5)
    assert hour_later_sentence(with_day_changes(field_day(), hour_later=later), farm()) == words


def test_what_is_left_lying_is_told_with_its_rain() -> None:
    left = LeftOvernight(Band(0.31, 0.4, 0.53), 0.42)
    assert left_overnight_sentence(replace(work_hours(), if_left=left), farm()) == (
        "What is left for tomorrow: likely too dry for baleage by noon (31 to 53% water); rain before that: 5 in 10."
    )
    for middle, words in ((0.5, "fit to bale by noon if dry (40"), (0.6, "still too wet to bale by noon (40")):
        lying = replace(left, moisture=Band(0.4, middle, 0.65))
        assert words in left_overnight_sentence(replace(work_hours(), if_left=lying), farm())
    sure = replace(left, rain=0.97)  # no member tells how moist it would be without
    assert left_overnight_sentence(replace(work_hours(), if_left=sure), farm()) == (
        "What is left for tomorrow: rain before noon: 9 in 10."
    )
    assert left_overnight_sentence(work_hours(), farm()) == ""


def test_film_is_counted_in_rolls() -> None:
    rolls = [film_text(replace(work_hours(), film_rolls=count)) for count in (1, 3)]
    assert rolls == [", 1 roll of film", ", 3 rolls of film"]

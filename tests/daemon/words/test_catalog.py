"""The table of words: every key is said somewhere, every sentence has its places, and a language is a file."""

import ast
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from html import unescape
from itertools import product
from pathlib import Path
from string import Formatter
from typing import Any

import pytest

from daemon.domain.advice import AdviceKind, AnnouncedField, Morning, WatchedField, WatchState
from daemon.domain.causes import StatedCause
from daemon.domain.farm import Channel, Farm, Person, Subscription, Units
from daemon.domain.field_history import SampleFlawKind
from daemon.domain.field_watch import start_watch
from daemon.domain.message import MessageState, QueuedMessage
from daemon.domain.message_kind import MessageKind, Topic
from daemon.domain.prospect import (
    Band,
    LeftOvernight,
    OfficialWarning,
    PlantKindToday,
    Reason,
    Ripeness,
    TimedCaution,
    Urgency,
)
from daemon.domain.schedule import TaskKind
from daemon.messages.change import compose_change
from daemon.messages.daily import compose_messages, morning_text
from daemon.messages.outbox.enqueue import mark_late
from daemon.page.server import render_page
from daemon.service.health import take_snapshot
from daemon.words.catalog import Catalog, join, load_catalog, phrase, plural, use_catalog
from daemon.words.cautions import day_cautions, stop_work_sentences
from daemon.words.reasons import NEAR_MISS_REASONS
from daemon.words.sms import to_gsm_alphabet
from daemon.words.watch import watch_text
from models.cautions import Caution
from models.degree_days import UnknownCause
from models.firmness import Firmness
from models.growth import DoubtKind, species_table
from models.looks import LOOK_STAGES
from models.stages import LEAFY_REGROWTH
from tests.support.farms import (
    DAWN,
    DAY,
    farm,
    field_day,
    field_prospect,
    mow_morning,
    unknown_morning,
    wait_morning,
    with_day_changes,
    with_field_changes,
)
from tests.support.full_morning import figure, whole_morning
from tests.support.second_language import in_capitals

DAEMON = Path(__file__).parents[3] / "daemon"
WORDS = DAEMON / "words"
ENGLISH = load_catalog()
TRADE_STAGES = [one for seen in LOOK_STAGES.values() for one in seen if one.islower()]  # the others are codes
KEY = re.compile(r"[a-z_]+(\.[a-z_0-9]+)+")
SPEAKERS = ("phrase", "plural", "join", "name_of")
# What holds no word of its own: all that is read there stands in the table.
WORDLESS = (
    *("messages/daily", "messages/layout", "messages/change", "messages/settings_mistakes", "messages/outbox/enqueue"),
    *("words/work", "words/field_order", "words/reasons", "words/stand", "words/watch", "words/cautions"),
    *("words/growth", "words/field_history", "words/record_summary", "words/today", "words/messages"),
    *("words/numbers", "words/pictures", "words/season_progress", "words/sms", "words/weather"),
    *("diary/phrases", "diary/overlay", "domain/season_progress", "domain/underway", "domain/field_watch"),
    *("page/today", "page/field", "page/message_rows", "page/pictures/sheets", "service/health"),
)


@dataclass(frozen=True)
class Call:
    """A call for a sentence: the keys it may have, the places it fills, and whether it fills others too."""

    where: str
    speaker: str
    keys: frozenset[str]
    pattern: str | None  # where the key is put together
    places: frozenset[str]
    more: bool


def places(template: str) -> frozenset[str]:
    return frozenset(name for _, name, _, _ in Formatter().parse(template) if name is not None)


def keys_in(node: ast.AST) -> frozenset[str]:
    """Return the keys that stand written out in a piece of a program."""
    words = (one.value for one in ast.walk(node) if isinstance(one, ast.Constant) and isinstance(one.value, str))
    return frozenset(word for word in words if KEY.fullmatch(word) and word.split(".")[0] in SECTIONS)


SECTIONS = {key.split(".")[0] for key in ENGLISH}


def pattern_of(node: ast.expr) -> str | None:
    if not isinstance(node, ast.JoinedStr):
        return None
    return "".join(re.escape(str(one.value)) if isinstance(one, ast.Constant) else r"\w+" for one in node.values)


def calls_of(path: Path) -> Iterator[Call]:
    """Yield the calls for sentences in a module.

    A key in a variable is one of those written out in its function, or else of those of the module.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    asked = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and speaker(node) in SPEAKERS]
    direct = frozenset[str]().union(*map(keys_in, asked))
    for function in (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)):
        calls = [node for node in ast.walk(function) if isinstance(node, ast.Call) and speaker(node) in SPEAKERS]
        for call in calls:
            if speaker(call) == "join":
                continue
            if speaker(call) == "name_of":
                yield named_by(call, f"{path.name}:{call.lineno}")
                continue
            first, beside = call.args[0], keys_in(function) - direct or keys_in(tree) - direct
            yield Call(
                f"{path.name}:{call.lineno}",
                speaker(call),
                beside if isinstance(first, ast.Name) else keys_in(first),
                pattern_of(first),
                frozenset(word.arg for word in call.keywords if word.arg),
                any(word.arg is None for word in call.keywords),
            )


def named_by(call: ast.Call, where: str) -> Call:
    """Return the call for the name of a thing: any of a section."""
    section = ast.literal_eval(call.args[0])
    return Call(where, "name_of", frozenset(), rf"{section}\.\w+", frozenset(), False)


def speaker(node: ast.Call) -> str:
    return node.func.id if isinstance(node.func, ast.Name) else ""


def page_calls() -> Iterator[Call]:
    """Yield the calls for sentences in the page's templates."""
    for path in (DAEMON / "page" / "templates").iterdir():
        for words in re.findall(r"phrase\([^()]*\)", path.read_text(encoding="utf-8")):
            call = ast.parse(words, mode="eval").body
            assert isinstance(call, ast.Call)
            filled = frozenset(word.arg or "" for word in call.keywords)
            yield Call(f"{path.name}: {words}", "phrase", keys_in(call.args[0]), None, filled, False)


MODULES = [path for path in sorted(DAEMON.rglob("*.py")) if path.name != "catalog.py"]
CALLS = [*(call for path in MODULES for call in calls_of(path)), *page_calls()]


def meant(call: Call, table: Catalog) -> set[str]:
    """Return the entries of the table that a call may say."""
    asked = {key for key in table if call.pattern and re.fullmatch(call.pattern, key)}
    ends = (".one", ".many") if call.speaker == "plural" else ("",)
    return asked | {f"{key}{end}" for key, end in product(call.keys, ends)}


def key(name: str) -> str:
    """Return the key of a thing by its name."""
    return name.replace(" ", "_")


# --- The keys and the places -------------------------------------------------------------------------------------


def test_every_sentence_that_is_said_stands_in_the_table() -> None:
    assert len(CALLS) > 150
    for call in CALLS:
        assert meant(call, ENGLISH), call
        assert meant(call, ENGLISH) <= set(ENGLISH), call


def test_every_sentence_of_the_table_is_said() -> None:
    links = {key for path in MODULES for key in keys_in(ast.parse(path.read_text(encoding="utf-8")))}
    lists = {"lists.comma", "lists.beside", "lists.sentence"} | {key for key in links if key.startswith("lists.")}
    assert set(ENGLISH) - lists - {key for call in CALLS for key in meant(call, ENGLISH)} == set()


def test_every_place_is_filled_and_nothing_is_said_for_nothing() -> None:
    for call in (call for call in CALLS if not call.more):
        filled = call.places | ({"count"} if call.speaker == "plural" else set())
        for key in meant(call, ENGLISH):
            assert places(ENGLISH[key]) <= filled, (key, call)
            may_lack = {"count"} if call.speaker == "plural" else call.places if call.pattern else set()
            assert filled - places(ENGLISH[key]) <= may_lack, (key, call)


@pytest.mark.parametrize(
    ("section", "names"),
    [
        ("reasons", [one.name for one in Reason]),
        ("reasons_nearly", [one.name for one in NEAR_MISS_REASONS]),
        ("ripeness", [one.name for one in Ripeness]),
        ("cautions", [one.name for one in Caution]),
        ("ground_today", [one.value for one in Firmness]),
        ("ground_seen", [one.value for one in Firmness]),
        (
            "growth_unknown",
            [
                *(one.name for one in UnknownCause if one is not UnknownCause.LOOK_WRONG),
                "not_ahead",
                "not_covered",
                "not_begun",
            ],
        ),
        ("growth_doubts", [one.name for one in DoubtKind]),
        ("sample_flaws", [one.name for one in SampleFlawKind]),
        ("species", [key(one) for one in (*species_table(), "grasses", "legumes")]),
        ("stages", [key(one) for one in (*TRADE_STAGES, LEAFY_REGROWTH)]),
        ("message_states", [one.name for one in MessageState]),
        ("message_kinds", [one.name for one in Topic if one not in (Topic.TEST, Topic.OTHER)]),
        ("channels", [one.name for one in Channel]),
        ("weekdays", [str(day) for day in range(1, 8)]),
        ("months", [str(month) for month in range(1, 13)]),
        (
            "caution_figures",
            ["hours", *(f"{name}_{one.name}" for name in ("throw", "apart", "fire") for one in Units)],
        ),
    ],
)
def test_a_family_of_sentences_is_whole(section: str, names: list[str]) -> None:
    found = {key.split(".")[1] for key in ENGLISH if key.startswith(f"{section}.")}
    assert found == {name.lower() for name in names}


@pytest.mark.parametrize("path", sorted(WORDS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_language_has_the_same_keys_and_places(path: Path) -> None:
    table = load_catalog(path.stem)
    assert table.keys() == ENGLISH.keys()
    for key, template in table.items():
        assert places(template) == places(ENGLISH[key]), key


@pytest.mark.parametrize("name", WORDLESS)
def test_no_sentence_stands_in_the_program(name: str) -> None:
    tree = ast.parse((DAEMON / f"{name}.py").read_text(encoding="utf-8"))
    raised = {id(part) for node in ast.walk(tree) if isinstance(node, ast.Raise) for part in ast.walk(node)}
    told = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}  # docstrings
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in raised | told:
            assert not re.search("[a-z,.:] ?[a-z]* [a-z]", node.value, re.IGNORECASE), node.value


# --- The words ---------------------------------------------------------------------------------------------------


def test_nothing_is_called_safe_and_nobody_is_shouted_at() -> None:
    for key, template in ENGLISH.items():
        assert not re.search("safe|harmless|no danger|no risk|!", template, re.IGNORECASE), key
        assert to_gsm_alphabet(template) == template, f"{key}: a text cannot carry it"


def test_no_word_of_forecasting_or_statistics() -> None:
    jargon = (
        r"members?|ensembles?|percentiles?|quantiles?|probabilit\w+|(model|forecast) runs?|medians?|deviations?|"
        r"distributions?|confidence|calibrat\w+|simulat\w+|synthetic|parameters?|thresholds?|passe?s?( over)?"
    )
    for key, template in ENGLISH.items():
        assert not re.search(rf"\b({jargon})\b", template, re.IGNORECASE), key


def test_sentences_are_short() -> None:
    for key, template in ENGLISH.items():
        for one in re.split(r"(?<=[.;:]) ", template):
            assert len(one.split()) <= 24, f"{key}: {one}"


def test_measures_stand_where_the_farms_units_choose_them() -> None:
    for key, template in ENGLISH.items():
        if key.split(".")[0] not in ("units", "caution_figures"):
            assert not re.search(r"\b(acres?|hectares?|inch(es)?|feet|tons?|tonnes?|lb|kg|deg)\b", template), key


# --- Putting together --------------------------------------------------------------------------------------------


def test_what_is_missing_is_a_mistake_of_the_program() -> None:
    with pytest.raises(KeyError, match="no_such"):
        phrase("text.no_such")
    with pytest.raises(KeyError, match="job"):
        phrase("text.then")


def test_braces_in_a_name_are_no_places() -> None:
    assert phrase("text.then", job="{job} of {0}") == "Then {job} of {0}"


def test_one_is_not_many() -> None:
    assert [plural("units.acres", one) for one in ("1", "1.5", "0")] == ["1 acre", "1.5 acres", "0 acres"]


@pytest.mark.parametrize(
    ("pieces", "words"),
    [([], ""), (["A"], "A"), (["A", "B"], "A and B"), (["A", "", "B", "C"], "A, B and C")],
)
def test_lists(pieces: list[str], words: str) -> None:
    assert join(pieces, last="lists.and") == words


def test_what_is_no_sentence_is_refused(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("[text]\nwhole = 3\n", encoding="utf-8")
    with pytest.raises(ValueError, match=r"text\.whole: 3 is no sentence"):
        load_catalog("broken", tmp_path)


# --- Another language --------------------------------------------------------------------------------------------


@pytest.fixture
def capitals(tmp_path: Path) -> Iterator[None]:
    """A language that is all in capitals, spoken while the test runs."""
    lines = (f"{key} = {json.dumps(in_capitals(template))}" for key, template in ENGLISH.items())
    (tmp_path / "capitals.toml").write_text("\n".join(lines), encoding="utf-8")
    with use_catalog(load_catalog("capitals", tmp_path)):
        yield


def loud_farm(units: Units) -> Farm:
    people = (
        Person("ANN", Channel.TEXT, "json://127.0.0.1:1", Subscription.RIPE_MORNINGS),
        Person("CAT", Channel.EMAIL, "mailto://127.0.0.1:2", Subscription.RIPE_MORNINGS),
    )
    given = farm(*people, units=units)
    return replace(given, name="TWO ELMS", fields=tuple(replace(one, name=one.name.upper()) for one in given.fields))


def loud_morning(morning: Morning) -> Morning:
    """Return a morning in which all that comes from outside the table is in capitals."""

    def louder(found: Any) -> Any:
        return replace(found, name=found.name.upper())

    given = morning.prospect
    facts = given.weather and replace(given.weather, source="SOURCE", model="MODEL", credit="CREDIT", note="")
    warnings = (OfficialWarning("FLOOD", "THE OFFICE", DAWN, DAWN + timedelta(hours=9)),)
    fields = tuple(map(louder, given.fields))
    advices = tuple(replace(one, field=one.field.upper(), cause=StatedCause("WHY")) for one in morning.advices)
    found = replace(given, fields=fields, weather=facts, warnings=warnings)
    return replace(morning, advices=advices, prospect=found)


def mornings() -> list[Morning]:
    """Mornings in which nearly all is said that can be said of one."""
    mow, every = mow_morning(), whole_morning()
    cares = tuple(TimedCaution(one, DAWN, DAWN + timedelta(hours=5), likely=one is Caution.COWS) for one in Caution)
    (advice, *_), (stand, *_) = mow.advices, mow.prospect.fields
    assert advice.day is not None
    flat_day = with_day_changes(advice.day, cautions=cares, urgency=Urgency.LODGED, lost_by_waiting=0.05)
    careful = replace(advice, day=flat_day)
    kinds = (PlantKindToday("grasses", "boot", 1.0), PlantKindToday("legumes", "buds", 1.0))
    flat = with_field_changes(stand, lodged=DAY, ground="soft", kinds=kinds, days_left=-0.5)
    ruts = with_field_changes(stand, name="Other", ground="ruts", firm_from=DAY, days_left=90.0)
    cut = with_field_changes(
        stand, name="Cut", last_cut=DAY - timedelta(days=3), dry_matter=figure(0.1, 0.1, 0.1, "t/ha", "yield")
    )
    second = replace(advice, field="Second")
    fields = replace(mow.prospect, fields=(flat, ruts, cut))
    off = (AnnouncedField("GONE", 1.0, 0.7), AnnouncedField("LONG MEADOW", 1.0, 0.7))
    waits = [
        replace(wait_morning(), advices=(replace(wait_morning().advices[0], kind=kind, reason=reason, day=day),))
        for kind, reason, day in product(
            (AdviceKind.WAIT, AdviceKind.NONE),
            Reason,
            (None, field_day(0, 0, 0.55), with_day_changes(field_day(0, 0), better_in_days=2)),
        )
    ]
    return [
        *(mow, every, wait_morning(), unknown_morning(), *waits),
        replace(mow, advices=(careful, second), prospect=fields, announced=off),
        replace(
            mow,
            advices=(replace(careful, day=with_day_changes(advice.day, lost_by_waiting=0.05)), second),
            announced=off[:1],
        ),
        Morning(DAY - timedelta(days=1), (), replace(mow.prospect, fields=(field_prospect("Long", 22, field_day(0)),))),
    ]


def watched() -> Iterator[WatchedField]:
    (one,) = start_watch(loud_morning(mow_morning())).watched
    left, late = LeftOvernight(Band(0.31, 0.4, 0.53), 0.42), DAWN + timedelta(hours=15)
    for state in WatchState:
        stands = replace(one, state=state, reason=None, odds=0.8)
        rain = replace(
            stands, reason=Reason.RAIN, rain_at=late, last_told_bale_from=late, left=left, odds=0.3, last_told_odds=0.7
        )
        yield from (stands, rain, replace(stands, noted=True), replace(rain, noted=True, timed=True))
        yield from (replace(rain, bale_from=None), replace(rain, start=late, moisture=left.moisture))


def letters(state: MessageState, kind: str) -> QueuedMessage:
    sent = DAWN if state is MessageState.SENT else None
    message = replace(
        compose_messages(loud_farm(Units.US), mow_morning(), TaskKind.SIGN_OF_LIFE).popitem()[1], title="TITLE"
    )
    return QueuedMessage(
        *(
            1,
            DAY,
            MessageKind.parse(kind),
            "ANN",
            Channel.TEXT,
            message,
            state,
            0,
            0,
            DAWN,
            DAWN,
            None,
            DAWN,
            sent,
            "json://****",
            "WHY",
        )
    )


def heard(markup: str) -> str:
    """Return what is read of a page: no tags, no style."""
    return unescape(re.sub(r"<style>.*?</style>|<[^>]*>", " ", markup, flags=re.DOTALL))


@pytest.mark.parametrize("units", Units)
@pytest.mark.usefixtures("capitals")
def test_another_language_is_spoken_in_every_message_and_on_the_page(units: Units) -> None:
    given, told = loud_farm(units), list[str]()
    for morning in map(loud_morning, mornings()):
        messages = [message for task in TaskKind for message in compose_messages(given, morning, task).values()]
        messages += [mark_late(message, phrase("late.written", time="5:30")) for message in messages]
        told += [part for one in messages for part in (one.title, one.body, heard(one.html or ""))]
        told += [
            morning_text(given, morning),
            *day_cautions(morning.mows, units),
            *stop_work_sentences(morning.mows, units),
        ]
        now = DAWN + timedelta(minutes=45)
        kinds = ("morning", "sign of life", "will not make it: LONG", "settings 1a")
        rows = [letters(state, kind) for state, kind in product(MessageState, kinds)]
        told += [heard(render_page(take_snapshot(given, one, rows, at))) for one, at in ((morning, now), (None, now))]
        told.append(heard(render_page(take_snapshot(given, morning, (), now + timedelta(hours=17)))))
        told.append(heard(render_page(take_snapshot(given, morning, (), now + timedelta(days=200)))))
    for one in watched():
        told += [watch_text(given, one, DAWN, known) for known in (DAWN, DAWN + timedelta(hours=2))]
        told += [part for message in compose_change(given, one).values() for part in (message.title, message.body)]
    assert [words for words in told if words != words.upper()] == []

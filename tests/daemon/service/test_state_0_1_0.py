"""A state folder that release 0.1.0 wrote: today's code opens it, reads what it holds and goes on from there."""

import json
import os
import re
import shutil
import sqlite3
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from pydantic import TypeAdapter

from daemon.advice.advise import Stores, advise
from daemon.cli.commands import main
from daemon.diary.answers.links import AnswerRejected, Answers, AnswerTrouble
from daemon.diary.store import Diary, NoteKind
from daemon.domain.advice import AdviceKind, Morning
from daemon.domain.farm import Farm
from daemon.domain.field_watch import start_watch
from daemon.domain.message import MessageState, QueuedMessage
from daemon.domain.schedule import Task, TaskKind
from daemon.learning.record import ForecastRecord
from daemon.messages.daily import compose_messages
from daemon.messages.outbox.store import Outbox
from daemon.service.rounds import Service
from daemon.service.state import ServiceState
from daemon.service.status import read_status
from daemon.settings import load
from daemon.weather import gather
from daemon.weather.archive import Archive
from daemon.weather.contract import FILLED, to_datetime64
from daemon.weather.http.client import open_session
from daemon.weather.sources import met_no
from daemon.words.record_summary import record_sentences
from models.looks import Prior
from tests.loopback.receivers import Gateway, MailServer
from tests.support.hand_clock import HandClock

WRITTEN: Final = Path(__file__).parents[2] / "state" / "0.1.0"
TODAY: Final = date(2026, 5, 7)  # a Thursday
KILLED: Final = datetime(2026, 5, 7, 9, 40, tzinfo=UTC)  # the service, ten minutes after its morning's message was due
NOBODY: Final = "http://127.0.0.1:1"  # where no server listens
SECOND: Final = "Ann, second way"
LEFT: Final = 6.474970275839999  # [ha] of Hill Piece, uncut
WHOLE: Final = 8.093712844799999  # [ha]
MEADOW: Final = 4.8562277068799995  # [ha]
BANK: Final = 2.4281138534399997  # [ha]
STRIP: Final = 1.0117141055999999  # [ha]


def local(day: int, hour: int = 0, minute: int = 0) -> datetime:
    """Return a time of May on the farm's clock, in UTC."""
    return datetime(2026, 5, day, hour + 4, minute, tzinfo=UTC)


@dataclass
class Copy:
    """A copy of the folder, with the farm of its settings and receivers for all of its people."""

    folder: Path
    farm: Farm
    gateways: Mapping[str, Gateway]
    mail: MailServer

    @property
    def settings(self) -> Path:
        return self.folder / "farm.toml"

    @property
    def state(self) -> Path:
        return self.folder / "state"

    @property
    def outbox(self) -> Outbox:
        return Outbox(self.state / "postbag.sqlite3")

    @property
    def diary(self) -> Diary:
        return Diary(self.state / "diary.sqlite3")

    @property
    def record(self) -> ForecastRecord:
        return ForecastRecord(self.state / "record.sqlite3")

    @property
    def archive(self) -> Archive:
        return Archive(self.state / "weather.sqlite3")

    @property
    def heard(self) -> dict[str, list[str]]:
        """The texts that came in, by the person."""
        texts = {name: [post["message"] for post in gateway.posted] for name, gateway in self.gateways.items()}
        return {name: bodies for name, bodies in texts.items() if bodies}

    def messages(self) -> dict[tuple[int, str, str], QueuedMessage]:
        """Return all messages by day of May, kind and person."""
        return {(row.day.day, str(row.kind), row.person): row for row in self.outbox.recent(1000)}

    def link(self, words: str) -> str:
        """Return the token of a link in Thursday's email."""
        body = self.messages()[7, "morning", "Ben"].message.body
        link = re.search(rf"- {words}: https://mowing\.example\.org/answer/(\S+)", body)
        assert link is not None
        return link[1]

    def rows(self) -> dict[tuple[str, str], int]:
        """Return how many rows each table of each file has."""
        counts = {}
        for path in sorted(self.state.glob("*.sqlite3")):
            with closing(sqlite3.connect(path)) as db:
                tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
                for name in tables:
                    (counts[path.name, name],) = db.execute(f"SELECT count(*) FROM {name}").fetchone()
        return counts


@pytest.fixture
def copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Copy]:
    folder = tmp_path / "copy"
    shutil.copytree(WRITTEN, folder)
    os.utime(folder / "state" / "alive", (KILLED.timestamp(), KILLED.timestamp()))  # git keeps no times
    with ExitStack() as stack:
        gateways = {name: stack.enter_context(Gateway()) for name in ("Ann", SECOND, "Cal", "Dot")}
        mail = stack.enter_context(MailServer())
        variables = {"Ann": "FARM_ANN", SECOND: "FARM_ANN_SECOND", "Cal": "FARM_CAL", "Dot": "FARM_DOT"}
        for name, variable in variables.items():
            monkeypatch.setenv(variable, gateways[name].address)
        monkeypatch.setenv("FARM_BEN", mail.address)
        farm = load(folder / "farm.toml")
        weather = replace(
            farm.weather,
            forecast_address=NOBODY,
            ensemble_address=NOBODY,
            history_address=NOBODY,
            met_no_address=NOBODY,
        )
        alerts = replace(farm.alerts, alive_address=None, trouble_address=None)
        yield Copy(folder, replace(farm, weather=weather, alerts=alerts), gateways, mail)


def test_the_diary_holds_every_note_and_the_number_of_the_deleted_line_stays_free(copy: Copy) -> None:
    lines = copy.diary.notes()
    assert [(line.id, line.kind, line.field, line.at, line.written_at, line.timed) for line in lines] == [
        (1, "cut", "Low Meadow", local(4), local(4, 7), False),
        (2, "stage", "Low Meadow", local(4), local(4, 7), False),
        (3, "ground", "Hill Piece", local(4), local(4, 7), False),
        (4, "moisture", "Low Meadow", local(4, 14, 30), local(4, 14, 30), True),
        (5, "wrapped", "Low Meadow", local(4, 17, 30), local(4, 18, 30), True),
        (6, "cut", "Hill Piece", local(5, 7, 40), local(5, 7, 50), True),
        (7, "cut", "Low Meadow", local(5), local(5, 7, 50), False),
        (8, "uncut", "Low Meadow", local(5), local(5, 7, 50), False),
        (9, "lodged", "Bank Field", local(5), local(5, 7, 50), False),
        (10, "height", "Bank Field", local(5), local(5, 7, 50), False),
        (11, "ground", "Low Meadow", local(5), local(5, 7, 50), False),
        (13, "wrapped", "Hill Piece", local(6, 8), local(6, 8, 30), True),
        (14, "ground", "Hill Piece", local(7), local(7, 5, 36), False),
    ]
    assert {line.kind for line in lines} == set(NoteKind)
    assert {line.id: line.area for line in lines if line.area} == {6: 1.61874256896}
    assert {line.id: (line.moisture, line.factor) for line in lines if line.moisture} == {
        4: (0.54, 0.7647687200398199),
        5: (0.49, 0.6214798746874364),
    }
    assert {line.id: line.stage for line in lines if line.stage} == {2: "boot"}
    assert {line.id: line.height for line in lines if line.height} == {10: 0.508}
    assert {line.id: line.ground for line in lines if line.ground} == {3: "firm", 11: "soft", 14: "firm"}
    assert copy.diary.add(NoteKind.STAGE, "Bank Field", KILLED, KILLED, stage="buds").id == 15


def test_the_outbox_holds_every_message_in_its_state(copy: Copy) -> None:
    rows = copy.messages()
    people = ("Ann", SECOND, "Ben", "Cal", "Dot")
    assert len(rows) == 58
    assert Counter(row.state for row in rows.values()) == {
        MessageState.SENT: 37,
        MessageState.NOT_NEEDED: 7,
        MessageState.WITHHELD: 8,
        MessageState.FAILED: 2,
        MessageState.UNKNOWN: 2,
        MessageState.NEW: 1,
        MessageState.SENDING: 1,
    }
    assert {(day, kind): [rows[day, kind, name].state.value for name in people if (day, kind, name) in rows]
            for day, kind, _ in rows} == {
        (4, "morning"): ["sent", "spared", "sent", "sent", "sent"],
        (4, "after all"): ["sent", "spared", "sent", "sent", "sent"],
        (4, "bale sooner: Low Meadow"): ["sent", "spared", "sent", "sent", "sent"],
        (4, "settings ba28f964"): ["withheld"] * 4,
        (4, "evening"): ["sent", "spared", "sent", "sent", "sent"],
        (5, "morning"): ["sent", "spared", "sent", "failed", "sent"],
        (5, "will not make it: Hill Piece"): ["sent", "spared", "sent", "sent", "sent"],
        (5, "test 15:00:00"): ["sent", "sent", "sent", "failed", "sent"],
        (5, "evening"): ["withheld"] * 4,
        (6, "morning"): ["sent", "sent", "sent", "sent", "unknown"],
        (6, "evening"): ["sent", "spared", "sent", "sent", "sent"],
        (7, "morning"): ["sent", "new", "sent", "sending", "unknown"],
    }  # fmt: skip
    assert Counter(row.channel.value for row in rows.values()) == {"text": 46, "email": 12}


def test_a_message_is_read_whole(copy: Copy) -> None:
    rows = copy.messages()
    email, text = rows[7, "morning", "Ben"], rows[4, "bale sooner: Low Meadow", "Ann"]
    assert (email.id, email.attempts, email.unknowns, email.address) == (56, 1, 0, "mailto://****")
    assert (email.made_at, email.due, email.expires_at) == (local(7, 5, 30), local(7, 5, 30), local(7, 9, 30))
    assert (email.sent_at, email.next_try, email.reason, email.stands_in_for) == (local(7, 5, 30), None, "", None)
    assert email.message.title == "Mow 16 acres: Hill Piece"
    assert email.message.html is not None
    assert email.message.picture is not None
    assert (email.message.picture[:8], len(email.message.picture)) == (b"\x89PNG\r\n\x1a\n", 11775)
    assert email.message.alt_text == (
        "Hill Piece, Thursday 7: mown from 7:00 am, likely 48 to 60% water when raking begins at 1:30 pm. Rain: "
        "under 1 in 10 in every hour."
    )
    assert text.message.body == (
        "Alder Hill: Low Meadow, 12 acres cut today: it dries faster than was said. Bale sooner: rake from 1:15 pm, "
        "bale from 2:00 pm (not 2:45 pm as said), all wrapped by about 5:45 pm. 12 acres: 8 in 10 that all is wrapped "
        "tonight. Check a sample before baling."
    )
    assert (text.message.title, text.message.html, text.message.picture) == ("", None, None)
    waiting, stuck = rows[7, "morning", SECOND], rows[7, "morning", "Cal"]
    assert (waiting.next_try, waiting.stands_in_for) == (local(7, 5, 50), rows[7, "morning", "Ann"].id)
    assert (stuck.attempts, stuck.reason[:31]) == (3, "Failed to send JSON POST notifi")
    assert rows[4, "settings ba28f964", "Dot"].reason == "3 messages went that day"
    assert rows[7, "morning", "Dot"].next_try == local(7, 5, 55)


def test_the_marks_and_kept_values_are_read(copy: Copy) -> None:
    outbox = copy.outbox
    assert outbox.tasks_done(date(2026, 5, 1)) == {
        Task(TaskKind.SIGN_OF_LIFE, date(2026, 5, 4)),
        *(Task(TaskKind.MORNING, date(2026, 5, day)) for day in (4, 5, 6, 7)),
        *(Task(TaskKind.EVENING, date(2026, 5, day)) for day in (4, 5, 6)),
    }
    assert outbox.load_value("began") == "2026-05-04T09:10:00+00:00"
    assert outbox.load_value("called outside") == "2026-05-06"
    assert json.loads(outbox.load_value("fetched") or "") == "2026-05-07T09:36:00Z"
    evening = {"field": "Hill Piece", "area": LEFT, "odds": 0.7965707098374969}
    assert json.loads(outbox.load_value("announced") or "") == ["2026-05-06", [evening]]
    for name, at in (("morning", "2026-05-07T09:36:00Z"), ("said", "2026-05-07T09:30:00Z")):
        morning = json.loads(outbox.load_value(name) or "")
        assert (morning["date"], morning["prospect"]["farm"]) == ("2026-05-07", "Alder Hill")
        assert morning["prospect"]["at"] == at
        [watched] = morning["watched"]
        assert (watched["field"], watched["state"], watched["area"], watched["odds"]) == (
            "Hill Piece", "on track", LEFT, 0.8118831716548164
        )  # fmt: skip
        assert watched["bale_from"] == "2026-05-07T14:15:00-04:00"
        assert [(each["field"], each["kind"], each["area"], each["reason"]) for each in morning["advices"]] == [
            ("Hill Piece", "mow", LEFT, None),
            ("Low Meadow", "wait", 0.0, "not ripe"),
            ("Bank Field", "wait", 0.0, "not ripe"),
        ]


def leaves(stored: object) -> list[str]:
    """Return every value that JSON holds, but for null and what lies in no field, as sorted text."""
    if isinstance(stored, Mapping):
        return sorted(leaf for value in stored.values() for leaf in leaves(value))
    if isinstance(stored, list):
        return sorted(leaf for value in stored for leaf in leaves(value))
    return [] if stored is None else [json.dumps(stored)]


# Of a field's stand, whose yield stood twice: alone and as the middle of its band.
OLD_STAND_KEYS = (
    *("ripeness", "stage", "ndf", "ndf_target", "days_left", "dry_matter_band", "clock", "clock_spread", "clock_from"),
    *("kinds", "quality", "waiting"),
)


@pytest.mark.parametrize("name", ["said", "morning"])
def test_no_number_of_a_kept_morning_is_lost(copy: Copy, name: str) -> None:
    stored = json.loads(copy.outbox.load_value(name) or "")
    state = ServiceState(copy.outbox)
    morning = state.sent_morning if name == "said" else state.morning
    assert morning is not None
    today = json.loads(TypeAdapter(Morning).dump_json(morning))
    assert leaves(today["watched"]) == leaves(stored["watched"])
    assert leaves(today["prospect"]["weather"]) == leaves(stored["prospect"]["weather"])
    for old, new in zip(stored["advices"], today["advices"], strict=True):
        assert leaves(new["day"]) == leaves(old["day"])
    for old, new in zip(stored["prospect"]["fields"], today["prospect"]["fields"], strict=True):
        assert leaves(new["days"]) == leaves(old["days"])
        assert leaves(new["drying_picture"]) == leaves(old["drying_picture"])
        assert leaves(new["stand"]) == leaves({key: old[key] for key in OLD_STAND_KEYS})


def test_the_record_holds_the_odds_with_their_outcomes_and_the_priors(copy: Copy) -> None:
    waiting = copy.record.unverified(date(2026, 5, 8))
    assert [(odds.field, odds.day, odds.lead, odds.odds, odds.area, odds.rain) for odds in waiting] == [
        (field, TODAY, lead, odds, area, 0.0)
        for field, lead, odds, area in (
            ("Bank Field", 0, 0.877319587628866, BANK),
            ("Bank Field", 1, 0.8644329896907217, BANK),
            ("Bank Field", 2, 0.877319587628866, BANK),
            ("Bank Field", 3, 0.877319587628866, BANK),
            ("Hill Piece", 0, 0.8515463917525773, LEFT),
            ("Hill Piece", 1, 0.8, LEFT),
            ("Hill Piece", 2, 0.7484536082474227, WHOLE),
            ("Hill Piece", 3, 0.7871134020618556, WHOLE),
            ("Low Meadow", 0, 0.45206185567010304, STRIP),
            ("Low Meadow", 1, 0.3103092783505154, STRIP),
            ("Low Meadow", 2, 0.49072164948453606, STRIP),
            ("Low Meadow", 3, 0.8128865979381443, MEADOW),
        )
    ]
    assert {(odds.start, odds.dry_matter) for odds in waiting if odds.field == "Hill Piece"} == {
        (local(7, 7), 2.2417023142687826)
    }
    judged = copy.record.load_record(TODAY)
    assert judged.day.astype(str).tolist() == ["2026-05-04"] * 3 + ["2026-05-05"] * 6 + ["2026-05-06"] * 9
    assert judged.lead.tolist() == [0, 0, 0, 0, 1, 0, 1, 0, 1, 0, 1, 2, 0, 1, 2, 0, 1, 2]
    assert judged.odds[:4].tolist() == [0.877319587628866, 0.7871134020618556, 0.8, 0.877319587628866]
    assert judged.outcome.tolist() == [
        *(1.0, 0.96875, 1.0),
        *(0.0, 0.046875, 0.0, 0.0, 0.0, 0.0),
        *(1.0, 1.0, 1.0, 0.921875, 0.796875, 0.921875, 0.328125, 0.578125, 0.953125),
    ]
    assert copy.record.load_priors(date(2026, 1, 1)) == {"hill piece": {"grasses": Prior(-114.15544041450778, 45.0)}}


def test_the_archive_holds_the_hours_the_forecasts_and_the_count_of_calls(copy: Copy) -> None:
    archive, place = copy.archive, copy.farm.place
    hours = archive.past_hours(place, datetime(2025, 12, 1, tzinfo=UTC), datetime(2026, 6, 1, tzinfo=UTC))
    assert hours is not None
    assert (hours.sizes["time"], int(hours[FILLED].sum())) == (3096, 38)
    assert (str(hours["time"].to_numpy()[0])[:13], str(hours["time"].to_numpy()[-1])[:13]) == (
        "2025-12-31T00", "2026-05-08T23"
    )  # fmt: skip
    afternoon = hours.sel(time=to_datetime64(datetime(2026, 5, 4, 19, tzinfo=UTC)))
    assert {name: value.item() for name, value in afternoon.data_vars.items()} == {
        "air_temperature": 27.0,
        "dew_point_temperature": 13.0,
        "wind_speed": 8.0,
        "surface_downwelling_shortwave_flux_in_air": 902.0,
        "precipitation_amount": 0.0,
    }
    assert float(hours["precipitation_amount"].sum()) == 354.0
    newest = archive.newest_forecast(place, local(7))
    assert newest is not None
    assert (newest.attrs["source"], newest.attrs["fetched_at"]) == ("open-meteo", "2026-05-07T00:30:00+00:00")
    assert newest.sizes["member"] == 8
    before = archive.forecast_before(place, "met.no", "Locationforecast 2.0", local(7))
    assert before is not None
    assert before.attrs["fetched_at"] == "2026-05-06T10:35:00+00:00"
    assert np.isfinite(before["air_temperature"].to_numpy()).all()
    assert archive.recent_calls("127.0.0.1:18211", KILLED)[1] > 0.0


def test_a_reply_of_a_weather_service_is_still_good_until_it_expires(copy: Copy) -> None:
    clock = HandClock(datetime(2026, 5, 6, 11, 50, tzinfo=UTC))  # it expires at 12:10
    with open_session(copy.farm.weather.contact, cache=copy.state / "replies", clock=clock) as session:
        # By this address it was asked for; no server listens there now.
        address = load(copy.settings).weather.met_no_address
        ahead = met_no.fetch(copy.farm.weather, copy.farm.place, clock.at, session, address=address)
    assert ahead.attrs["source"] == "met.no"
    assert float(ahead["air_temperature"].isel(time=0).mean()) == 14.0


def test_a_link_of_an_email_is_still_good_once_and_one_that_was_used_is_not(copy: Copy) -> None:
    answers = Answers(copy.state, HandClock(KILLED))
    answer = answers.read_answer(copy.farm, copy.link("Cut all of it"))
    assert (answer.kind, answer.field, answer.day, answer.person) == (NoteKind.CUT, "Hill Piece", TODAY, "Ben")
    with pytest.raises(AnswerRejected) as used:
        answers.read_answer(copy.farm, copy.link("Ground firm"))
    assert used.value.trouble is AnswerTrouble.USED
    with pytest.raises(AnswerRejected) as forged:
        answers.read_answer(copy.farm, copy.link("Cut all of it")[:-3] + "AAA")
    assert forged.value.trouble is AnswerTrouble.FORGED
    line, _ = answers.record(copy.farm, copy.link("Did not cut it"))
    assert copy.diary.notes()[-1] == line
    with pytest.raises(AnswerRejected) as again:
        answers.read_answer(copy.farm, copy.link("Did not cut it"))
    assert again.value.trouble is AnswerTrouble.USED


def test_the_service_goes_on_on_the_same_day_and_sends_nothing_twice(copy: Copy) -> None:
    clock, before = HandClock(KILLED + timedelta(minutes=1)), copy.messages()
    looks: list[Morning | None] = []

    def unchanged(farm: Farm, now: datetime, advice: Morning | None) -> Morning:
        looks.append(advice)
        morning = service.snapshot().morning
        assert morning is not None
        return replace(morning, prospect=replace(morning.prospect, at=now))

    service = Service(copy.farm, copy.outbox, clock, unchanged, compose_messages)
    assert [problem.partition(" (")[0] for problem in service.snapshot().problems] == [
        "The morning message to Dot by text: may not have arrived",
        "The morning message to Cal by text: may not have arrived",
        "The morning message to Dot by text: may not have arrived",
    ]
    while clock.at < local(7, 6, 30):
        service.round()
        clock.wait(1)
    assert looks == [], "the weather was fetched at 5:36"
    text = (
        "Late, written 5:30 am. Alder Hill: Thursday: mow 16 acres of Hill Piece, start 7:00 am, stop by 10:15 am, "
        "bale from 2:15 pm. Odds 8 in 10. Check a sample before baling."
    )
    assert copy.heard == {"Cal": [text], "Dot": [text]}, "only those who may not have it yet"
    while clock.at < local(7, 17, 55):
        service.round()
        clock.wait(5)
    assert copy.heard == {"Cal": [text], "Dot": [text]}
    assert copy.mail.mails == []
    assert len(looks) > 5
    assert {advice and [watched.field for watched in advice.watched] == ["Hill Piece"] for advice in looks} == {True}
    after = copy.messages()
    changed = {key: row.state for key, row in after.items() if row != before.get(key)}
    assert changed == {
        (7, "morning", SECOND): MessageState.NOT_NEEDED,
        (7, "morning", "Cal"): MessageState.SENT,
        (7, "morning", "Dot"): MessageState.SENT,
    }
    [problem] = service.health()
    assert (
        problem == f"The morning message to Dot by text: may not have arrived ({before[6, 'morning', 'Dot'].reason})."
    )


def test_a_look_without_any_weather_service_goes_by_what_the_folder_holds(
    copy: Copy, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gather, "open_session", partial(open_session, backoff=0.0))
    before = copy.rows()
    memory = Stores(copy.diary, copy.record, copy.archive, copy.state / "replies", is_recording=True)
    morning = advise(copy.farm, KILLED, stores=memory)
    assert [(advice.field, advice.kind) for advice in morning.advices] == [
        ("Hill Piece", AdviceKind.MOW),
        ("Low Meadow", AdviceKind.WAIT),
        ("Bank Field", AdviceKind.WAIT),
    ]
    [watched] = start_watch(morning).watched
    assert watched.area == pytest.approx(LEFT)
    assert watched.odds == pytest.approx(0.8118831716548164, abs=0.01)
    assert morning.prospect.weather is not None
    assert record_sentences(morning.prospect.record_summary)[0].startswith(
        "The farm's own record of odds holds 18 cases of 3 days."
    )
    after = copy.rows()
    assert set(after) >= set(before)
    assert all(after[table] >= count for table, count in before.items())


def test_nothing_is_lost_by_rounds_of_the_service(copy: Copy) -> None:
    before = copy.rows()
    assert before["postbag.sqlite3", "messages"] == 58
    assert before["weather.sqlite3", "hours"] == 3096
    clock = HandClock(KILLED)
    memory = Stores(copy.diary, copy.record, copy.archive, is_recording=True)
    service = Service(copy.farm, copy.outbox, clock, partial(advise, stores=memory), compose_messages)
    for _ in range(20):
        service.round()
        clock.wait(1)
    after = copy.rows()
    assert {table: after.get(table) for table in before} == before


def test_commands_read_the_folder(
    copy: Copy, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(copy.state))
    assert main(["note", "list", "-c", str(copy.settings)]) == 0
    printed = capsys.readouterr().out.splitlines()
    assert len(printed) == 13
    assert printed[5] == "   6  Hill Piece: 4 acres of it cut on 5 May 2026 at 7:40 am"
    stands = read_status(copy.settings, copy.state, KILLED + timedelta(minutes=1))
    assert (stands.on_disk.trouble, stands.on_disk.last_round, len(stands.on_disk.messages)) == ("", KILLED, 58)
    assert stands.advice == "Today: mow 16 acres of Hill Piece from 7:00 am (odds 8 in 10)."
    assert [(row.person, row.state) for row in stands.waiting] == [
        ("Dot", MessageState.UNKNOWN),
        ("Cal", MessageState.SENDING),
        (SECOND, MessageState.NEW),
    ]

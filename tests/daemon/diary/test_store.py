import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from hypothesis import given as supposed
from hypothesis import settings as supposed_settings
from hypothesis import strategies as st

from daemon.diary.cuts import fields_left_uncut, fields_lying
from daemon.diary.history import field_history
from daemon.diary.overlay import apply_diary
from daemon.diary.phrases import describe_note
from daemon.diary.store import Diary, DiaryError, Note, NoteKind
from daemon.domain.farm import Farm, FieldState, Look, Units
from daemon.words.field_history import history_sentences
from tests.support.farms import ACRE, ZONE, farm
from tests.support.processes import run_at_once

NOW = datetime(2026, 6, 20, 12, tzinfo=UTC)
FIELD = "Long Meadow"  # 22 acres
WRITES = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from daemon.diary.store import Diary, NoteKind
sys.stdin.readline()
now = datetime(2026, 6, 20, tzinfo=UTC)
for _ in range(25):
    Diary(Path(sys.argv[1])).add(NoteKind.CUT, sys.argv[2], now, now)
"""


@pytest.fixture
def diary(tmp_path: Path) -> Diary:
    return Diary(tmp_path / "state" / "diary.sqlite3")


def at(month: int, day: int, hour: int = 0, year: int = 2026) -> datetime:
    return datetime(year, month, day, hour, tzinfo=ZONE).astimezone(UTC)


class Lines:
    """Lines about one field, numbered from 1 as they come."""

    def __init__(self) -> None:
        self.all: list[Note] = []

    def _add(self, kind: NoteKind, moment: datetime, **parts: Any) -> "Lines":
        self.all.append(Note(len(self.all) + 1, kind, FIELD, moment, NOW, **parts))
        return self

    def cut(self, month: int, day: int, acres: float | None = None, year: int = 2026) -> "Lines":
        area = None if acres is None else acres * ACRE
        return self._add(NoteKind.CUT, at(month, day, year=year), timed=False, area=area)

    def uncut(self, month: int, day: int) -> "Lines":
        return self._add(NoteKind.UNCUT, at(month, day), timed=False)

    def stage(self, month: int, day: int, word: str, year: int = 2026) -> "Lines":
        return self._add(NoteKind.STAGE, at(month, day, year=year), timed=False, stage=word)

    def height(self, month: int, day: int, inches: float) -> "Lines":
        return self._add(NoteKind.HEIGHT, at(month, day), timed=False, height=inches * 0.0254)

    def ground(self, month: int, day: int, word: str) -> "Lines":
        return self._add(NoteKind.GROUND, at(month, day), timed=False, ground=word)

    def wrapped(self, month: int, day: int) -> "Lines":
        return self._add(NoteKind.WRAPPED, at(month, day, 19))


def settings(last_cut: date | None = None, **changes: Any) -> Farm:
    bare = farm(**changes)
    return replace(bare, fields=(replace(bare.fields[0], last_cut=last_cut), bare.fields[1]))


def describe(given: Farm, notes: Sequence[Note], now: datetime) -> list[str]:
    field = given.fields[0]
    return history_sentences(field_history(given, notes, field, now), field.area, given.units)


def told(lines: Lines, last_cut: date | None = None, now: datetime = NOW) -> tuple[FieldState, list[str]]:
    given = settings(last_cut)
    return apply_diary(given, lines.all, now).fields[0], describe(given, lines.all, now)


def test_a_line_comes_back_as_it_was_written(diary: Diary) -> None:
    moment = datetime(2026, 6, 10, 14, 30, tzinfo=ZONE)
    line = diary.add(NoteKind.MOISTURE, FIELD, moment, NOW, moisture=0.575)
    cut = diary.add(NoteKind.CUT, FIELD, moment, NOW, timed=False, area=1.25)
    assert line == Note(1, NoteKind.MOISTURE, FIELD, datetime(2026, 6, 10, 18, 30, tzinfo=UTC), NOW, True, None, 0.575)
    assert cut == Note(2, NoteKind.CUT, FIELD, datetime(2026, 6, 10, 18, 30, tzinfo=UTC), NOW, False, 1.25)
    tall = diary.add(NoteKind.HEIGHT, FIELD, moment, NOW, timed=False, height=0.55)
    stage = diary.add(NoteKind.STAGE, FIELD, moment, NOW, timed=False, stage="no heads yet")
    ground = diary.add(NoteKind.GROUND, FIELD, moment, NOW, timed=False, ground="ruts")
    assert (tall.height, stage.stage, ground.ground) == (0.55, "no heads yet", "ruts")
    assert diary.notes() == (line, cut, tall, stage, ground)


def test_reading_makes_no_diary(tmp_path: Path, diary: Diary) -> None:
    assert diary.notes() == ()
    assert diary.note(1) is None
    assert not diary.delete(1)
    assert list(tmp_path.iterdir()) == []


def test_striking_a_line_restores_what_was_before(diary: Diary) -> None:
    first = diary.add(NoteKind.CUT, FIELD, at(6, 4), NOW)
    diary.store_factors({first.id: 0.8})
    before = diary.notes()
    assert before[0].factor == 0.8
    second = diary.add(NoteKind.WRAPPED, FIELD, at(6, 5), NOW, moisture=0.5)
    assert diary.note(second.id) == second
    assert diary.delete(second.id)
    assert diary.notes() == before
    assert diary.note(second.id) is None
    assert not diary.delete(second.id)
    assert diary.add(NoteKind.CUT, FIELD, at(6, 6), NOW).id == 3, "a number never comes back"


def test_two_processes_at_once_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "new" / "diary.sqlite3"
    assert run_at_once(WRITES, *([str(path), each] for each in ("one", "two"))) == [(0, "")] * 2
    lines = Diary(path).notes()
    assert [line.id for line in lines] == list(range(1, 51))
    assert sorted(line.field for line in lines) == ["one"] * 25 + ["two"] * 25


@pytest.mark.parametrize("number", [0, -1, 2**63 - 1, 2**63, -(2**63) - 1])
def test_a_number_that_no_line_can_have(diary: Diary, number: int) -> None:
    diary.add(NoteKind.CUT, FIELD, at(6, 4), NOW)
    assert diary.note(number) is None
    assert not diary.delete(number)


def change(path: Path, *statements: str) -> None:
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA ignore_check_constraints = ON")
    for statement in statements:
        db.execute(statement)
    db.close()


@pytest.fixture
def shared() -> Iterator[Path]:
    """A folder that others may enter and read."""
    with TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder)


@contextmanager
def who_may_only_read(folder: Path) -> Iterator[None]:
    """Who writes the tests may be root, whom no mode of a file holds back."""
    is_root = os.geteuid() == 0
    folder.chmod(0o555)
    if is_root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if is_root:
            os.seteuid(0)
        folder.chmod(0o755)


@pytest.mark.parametrize("former", [False, True])
def test_who_may_only_read_can_read_the_diary(shared: Path, former: bool) -> None:
    path = shared / "diary.sqlite3"
    if former:  # as the file was once made
        change(path, "PRAGMA journal_mode = WAL")
    line = Diary(path).add(NoteKind.CUT, FIELD, at(6, 4), NOW)
    assert list(shared.iterdir()) == [path]
    with who_may_only_read(shared):
        assert Diary(path).notes() == (line,)
        with pytest.raises(DiaryError, match="make its folder writable"):
            Diary(path).add(NoteKind.CUT, FIELD, at(6, 5), NOW)
    assert Diary(path).notes() == (line,)


def test_a_diary_of_the_former_form_is_read_and_brought_up_by_the_next_note(tmp_path: Path, diary: Diary) -> None:
    path = tmp_path / "state" / "diary.sqlite3"
    line = diary.add(NoteKind.MOISTURE, FIELD, at(6, 4), NOW, moisture=0.5)
    change(path, "ALTER TABLE lines DROP COLUMN factor", "PRAGMA user_version = 0")
    assert diary.notes() == (line,)
    diary.store_factors({1: 0.8})
    assert diary.notes() == (replace(line, factor=0.8),)
    change(path, "ALTER TABLE lines DROP COLUMN factor", "PRAGMA user_version = 0")
    assert diary.add(NoteKind.CUT, FIELD, at(6, 5), NOW).id == 2
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (4,)
        assert db.execute("SELECT id, factor FROM lines").fetchall() == [(1, None), (2, None)]


def test_a_diary_of_the_first_form_learns_of_looks_by_the_next_note(tmp_path: Path, diary: Diary) -> None:
    path = tmp_path / "state" / "diary.sqlite3"
    line = diary.add(NoteKind.MOISTURE, FIELD, at(6, 4), NOW, moisture=0.5)
    diary.store_factors({1: 0.8})
    gone = [f"ALTER TABLE lines DROP COLUMN {name}" for name in ("stage", "height", "ground")]
    change(path, *gone, "PRAGMA user_version = 1")
    line = replace(line, factor=0.8)
    assert diary.notes() == (line,)
    ground = diary.add(NoteKind.GROUND, FIELD, at(6, 5), NOW, ground="soft")
    assert diary.notes() == (line, ground)
    with pytest.raises(DiaryError, match="CHECK constraint failed"):
        diary.add(NoteKind.HEIGHT, FIELD, at(6, 5), NOW, height=-0.1)


def test_a_file_that_is_still_empty_is_a_diary_without_lines(tmp_path: Path) -> None:
    path = tmp_path / "diary.sqlite3"
    path.touch()
    assert Diary(path).notes() == ()
    assert Diary(path).note(1) is None
    assert not Diary(path).delete(1)
    assert Diary(path).add(NoteKind.CUT, FIELD, at(6, 5), NOW).id == 1


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("PRAGMA user_version = 5", "given form 5 of a newer program, allowed up to 4; install that program again"),
        ("DROP TABLE lines", "given other tables than a diary's; move the file away"),
        ("ALTER TABLE lines DROP COLUMN timed", "given other tables than a diary's; move the file away"),
    ],
)
def test_a_file_of_another_form_is_refused_and_left_alone(tmp_path: Path, statement: str, said: str) -> None:
    path = tmp_path / "diary.sqlite3"
    Diary(path).add(NoteKind.CUT, FIELD, at(6, 4), NOW)
    change(path, "CREATE TABLE others (id INTEGER)", statement)
    before = path.read_bytes()
    for call in (
        Diary(path).notes,
        lambda: Diary(path).note(1),
        lambda: Diary(path).delete(1),
        lambda: Diary(path).store_factors({1: 0.8}),
        lambda: Diary(path).add(NoteKind.CUT, FIELD, at(6, 5), NOW),
    ):
        with pytest.raises(DiaryError) as error:
            call()
        assert str(error.value) == f"diary: {path} is none that can be used here: {said}"
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ("kind = 'weight'", "kind: given 'weight', allowed one of: moisture, cut, uncut, wrapped"),
        ("kind = x'00'", "kind: given b"),
        ("field = x'41'", "field: given b'A', allowed the name of a field"),
        ("field = ' '", "field: given ' '"),
        (
            "at = '2026-06-09T12:00:00'",
            "at: given '2026-06-09T12:00:00', allowed a time with its offset in the years 1900 to",
        ),
        ("at = '0001-01-01T00:00:00+00:00'", "at: given '0001-01-01T00:00:00+00:00', allowed"),
        ("at = '9999-12-31T23:59:00+00:00'", "at: given '9999-12-31T23:59:00+00:00'"),
        ("at = x'00ff'", "at: given b"),
        ("written_at = 'today'", "written_at: given 'today'"),
        ("timed = 2", "timed: given 2, allowed 0 or 1"),
        ("area = 'abc'", "area: given 'abc', allowed a number above 0 and up to 100000"),
        ("area = 9e999", "area: given inf"),
        ("area = -1", "area: given -1.0"),
        ("moisture = 'wet'", "moisture: given 'wet', allowed a number above 0 and up to 1"),
        ("moisture = NULL, kind = 'moisture'", "moisture: none is given"),
        ("moisture = 2", "moisture: given 2.0"),
        ("kind = 'stage'", "stage: none is given, allowed one of: no heads yet, leaf"),
        ("kind = 'height'", "height: none is given, allowed a number above 0 and up to 10"),
        ("kind = 'ground', ground = 'mud'", "ground: given 'mud', allowed one of: firm, soft, ruts"),
        ("stage = 3", "stage: given '3', allowed one of"),
        ("height = 11", "height: given 11.0"),
        ("factor = x'00'", "factor: given b"),
        ("factor = -1", "factor: given -1.0"),
    ],
)
def test_a_line_that_none_can_have_written_is_named_and_can_be_deleted(tmp_path: Path, changes: str, said: str) -> None:
    path = tmp_path / "diary.sqlite3"
    good = [Diary(path).add(NoteKind.CUT, FIELD, at(6, day), NOW) for day in (4, 5, 6)]
    change(path, f"UPDATE lines SET {changes} WHERE id = 2")
    for read in (Diary(path).notes, lambda: Diary(path).note(2)):
        with pytest.raises(DiaryError) as error:
            read()
        assert str(error.value).startswith(f"diary: line 2 of {path} cannot be read ({said}")
        assert str(error.value).endswith("; delete it with forenoon note undo 2")
    assert Diary(path).delete(2)
    assert Diary(path).notes() == (good[0], good[2])


@supposed_settings(max_examples=50, deadline=None)
@supposed(
    st.lists(
        st.builds(
            Note,
            id=st.integers(1, 9),
            kind=st.sampled_from(NoteKind),
            field=st.just(FIELD),
            at=st.datetimes(datetime(1900, 1, 1), datetime(2100, 12, 31), timezones=st.just(UTC)),  # noqa: DTZ001
            written_at=st.datetimes(datetime(1900, 1, 1), datetime(2100, 12, 31), timezones=st.just(UTC)),  # noqa: DTZ001
            timed=st.booleans(),
            area=st.none() | st.floats(5e-324, 1e5),
            moisture=st.floats(5e-324, 1.0),
            stage=st.just("boot"),
            height=st.floats(0.02, 2.5),
            ground=st.just("soft"),
        )
    )
)
def test_what_is_read_can_be_told(lines: list[Note]) -> None:
    given = settings()
    assert all(describe_note(given, line) for line in lines)
    for now in (NOW, at(12, 31, year=2100)):
        assert 1 <= len(describe(given, lines, now)) <= 4
        assert [state.field for state in apply_diary(given, lines, now).fields] == list(given.fields)
        assert set(fields_lying(given, lines, now)) <= {FIELD}


def no_diary(path: Path) -> None:
    path.write_bytes(b"not a database, but long enough to be looked at" * 30)


def folder(path: Path) -> None:
    path.mkdir()


@pytest.mark.parametrize(("spoil", "said"), [(no_diary, "not a database"), (folder, "unable to open")])
def test_a_diary_that_cannot_be_used_is_named(tmp_path: Path, spoil: Callable[[Path], None], said: str) -> None:
    path = tmp_path / "diary.sqlite3"
    spoil(path)
    with pytest.raises(DiaryError, match=said) as error:
        Diary(path).notes()
    assert str(error.value).startswith(f"diary: {path} cannot be used (")
    assert str(error.value).endswith("make its folder writable, or move the file away")


@pytest.mark.parametrize("parts", [{"area": 0.0}, {"moisture": 1.0}, {"moisture": -0.1}])
def test_what_cannot_be_is_not_kept(diary: Diary, parts: dict[str, float]) -> None:
    with pytest.raises(DiaryError, match="CHECK constraint failed"):
        diary.add(NoteKind.CUT, FIELD, at(6, 4), NOW, **parts)  # type: ignore[arg-type]
    assert diary.notes() == ()
    with pytest.raises(ValueError, match="without an offset"):
        diary.add(NoteKind.CUT, FIELD, datetime(2026, 6, 4), NOW)  # noqa: DTZ001


@pytest.mark.parametrize(
    ("settings_say", "diary_says", "last", "sentence"),
    [
        (None, None, None, "Last cut: none, neither in the settings nor in the diary."),
        (date(2026, 6, 1), None, date(2026, 6, 1), "Last cut 1 June 2026, from the settings."),
        (None, (6, 4), date(2026, 6, 4), "Last cut 4 June 2026, from the diary (line 1)."),
        (
            date(2026, 6, 1),
            (6, 4),
            date(2026, 6, 4),
            "Last cut 4 June 2026, from the diary (line 1); the settings have 1 June 2026.",
        ),
        (date(2026, 6, 5), (6, 4), date(2026, 6, 5), "Last cut 5 June 2026, from the settings."),
        (
            date(2026, 6, 4),
            (6, 4),
            date(2026, 6, 4),
            "Last cut 4 June 2026, from the diary (line 1); the settings have 4 June 2026.",
        ),
    ],
)
def test_the_newest_of_diary_and_settings_wins(
    settings_say: date | None, diary_says: tuple[int, int] | None, last: date | None, sentence: str
) -> None:
    lines = Lines() if diary_says is None else Lines().cut(*diary_says)
    field, sentences = told(lines, settings_say)
    assert (field.last_cut, field.standing) == (last, None)
    assert sentences == [sentence]


def test_a_part_leaves_the_rest_standing() -> None:
    field, sentences = told(Lines().cut(6, 4, 8).cut(6, 5, 3.5), date(2026, 5, 1))
    assert field.last_cut == date(2026, 5, 1)
    assert field.standing == pytest.approx(10.5 * ACRE)
    assert sentences == [
        "Last cut 1 May 2026, from the settings.",
        "Still standing: 10.5 acres of 22 acres; cut so far: 8 acres on 4 June 2026 (line 1), "
        "3.5 acres on 5 June 2026 (line 2).",
    ]


@pytest.mark.parametrize(("second", "whole"), [(11.7, False), (11.9, True)])  # 9 in 10 of 22 acres are 19.8
def test_parts_come_to_a_whole_at_nine_tenths(second: float, whole: bool) -> None:
    field, sentences = told(Lines().cut(6, 4, 8).cut(6, 7, second))
    assert field.last_cut == (date(2026, 6, 7) if whole else None)
    assert field.standing == (None if whole else pytest.approx((22 - 8 - second) * ACRE))
    assert ("Last cut 7 June 2026, from the diary (line 1, line 2)." in sentences) == whole


def test_parts_count_from_the_last_whole_cut() -> None:
    assert told(Lines().cut(6, 4, 15).cut(6, 5).cut(6, 18, 8))[0].standing == pytest.approx(14 * ACRE)
    # A part on the day of a whole cut, or before what the settings know of, is in it.
    assert told(Lines().cut(6, 4).cut(6, 4, 8))[0].standing is None
    field, _ = told(Lines().cut(6, 4, 8).cut(6, 9, 8), date(2026, 6, 9))
    assert (field.last_cut, field.standing) == (date(2026, 6, 9), None)
    # Told in another order than done.
    field, _ = told(Lines().cut(6, 18, 8).cut(6, 5))
    assert field.last_cut == date(2026, 6, 5)
    assert field.standing == pytest.approx(14 * ACRE)


def test_a_part_left_from_last_season_is_forgotten() -> None:
    assert told(Lines().cut(9, 20, 8, year=2025))[0].standing is None
    field, _ = told(Lines().cut(9, 20, 12, year=2025).cut(6, 10, 12))
    assert field.last_cut is None
    assert field.standing == pytest.approx(10 * ACRE)


@pytest.mark.parametrize(
    ("lines", "last"),
    [
        (Lines().wrapped(6, 10), date(2026, 6, 10)),
        (Lines().cut(6, 9).wrapped(6, 10), date(2026, 6, 9)),
        (Lines().cut(6, 8).wrapped(6, 10), date(2026, 6, 8)),
        (Lines().cut(6, 10, 8).wrapped(6, 10), None),
        (Lines().cut(6, 8, 8).wrapped(6, 10), None),
        (Lines().cut(6, 1, 8).wrapped(6, 11), None),
        (Lines().cut(5, 31, 8).wrapped(6, 11), date(2026, 6, 11)),
        (Lines().cut(6, 8, 8).wrapped(6, 8).wrapped(6, 10), date(2026, 6, 10)),
        (Lines().cut(6, 10, 8).wrapped(6, 10).wrapped(6, 10), None),
    ],
)
def test_what_was_wrapped_was_cut(lines: Lines, last: date | None) -> None:
    assert told(lines)[0].last_cut == last


def written(line: Note, hour: float) -> Note:
    return replace(line, written_at=at(6, 10) + timedelta(hours=hour))


def lying(*lines: Note, now: datetime = at(6, 10, 22)) -> tuple[str, ...]:  # noqa: B008
    return fields_lying(settings(), lines, now)


@pytest.mark.parametrize(
    ("lines", "lies"),
    [
        (Lines(), False),
        (Lines().cut(6, 10), True),
        (Lines().cut(6, 7, 8), True),
        (Lines().cut(6, 6), False),
        (Lines().cut(6, 9).wrapped(6, 10), False),
        (Lines().wrapped(6, 10), False),
        (Lines().cut(6, 9, 8).cut(6, 10, 8).wrapped(6, 10), True),
        (Lines().cut(6, 10, 8).cut(6, 10, 3).wrapped(6, 10), False),
        # A line `wrapped` is of what lies now, not of what nobody noted as wrapped a week ago.
        (Lines().cut(6, 2, 8).cut(6, 10).wrapped(6, 10), False),
        (Lines().cut(6, 11), False),
    ],
)
def test_a_cut_lies_until_it_is_noted_as_wrapped(lines: Lines, lies: bool) -> None:
    assert lying(*lines.all) == ((FIELD,) if lies else ())


def test_what_lies_is_told_in_the_order_of_cutting_and_by_the_names_of_the_settings() -> None:
    long = replace(Lines().cut(6, 9).all[0], at=at(6, 10, 11), timed=True)
    early = replace(long, id=2, field="CREEK & bend", at=at(6, 10, 9))
    assert lying(long, early) == ("Creek & Bend", FIELD)
    assert lying(long, early, now=at(6, 10, 10)) == ("Creek & Bend",)


def test_a_cut_without_its_hour_was_made_before_it_was_written_and_not_at_midnight() -> None:
    cut = Lines().cut(6, 10).all[0]
    wrapped = replace(Lines().wrapped(6, 10).all[0], id=2, at=at(6, 10, 9))
    yesterday = replace(Lines().cut(6, 9, 8).all[0], id=3)
    assert lying(yesterday, wrapped, written(cut, 12)) == (FIELD,)
    assert lying(yesterday, written(cut, 12)) == (FIELD,)
    assert lying(wrapped, written(cut, 12)) == (FIELD,)
    assert lying(wrapped, written(cut, 8)) == ()
    assert lying(wrapped, written(cut, 30)) == (), "noted on the day after"
    part = written(replace(cut, area=8 * ACRE), 12)
    field = apply_diary(settings(), [wrapped, part], NOW).fields[0]
    assert field.standing == pytest.approx(14 * ACRE), "what is noted of a day stands in place of what is guessed"


def test_looks_of_the_diary_stand_beside_those_of_the_settings() -> None:
    lines = (
        Lines().height(6, 12, 22).stage(6, 10, "boot").stage(6, 12, "stem").stage(6, 12, "boot").stage(6, 30, "bloom")
    )
    bare = settings()
    said = (Look(date(2026, 6, 12), "leaf"), Look(date(2026, 6, 15), height=0.7), Look(date(2026, 5, 1), "leaf"))
    given = replace(bare, fields=(replace(bare.fields[0], looks=said), bare.fields[1]))
    found = apply_diary(given, lines.all, NOW).fields
    assert found[0].looks == (
        Look(date(2026, 5, 1), "leaf"),
        Look(date(2026, 6, 10), "boot"),
        Look(date(2026, 6, 12), "boot", 22 * 0.0254),
        Look(date(2026, 6, 15), height=0.7),
    )
    assert (found[1].looks, found[0].ground_looks) == ((), ())


def test_looks_at_the_ground_reach_the_field() -> None:
    lines = Lines().ground(6, 18, "soft").ground(6, 10, "ruts").ground(6, 18, "firm")
    field, sentences = told(lines)
    assert field.ground_looks == ((date(2026, 6, 10), "ruts"), (date(2026, 6, 18), "firm"))
    assert field.looks == ()
    assert sentences[1:] == ["Seen last: ground firm on 18 June 2026 (line 3)."]


def test_what_was_seen_of_the_growth_that_stands_is_told() -> None:
    lines = Lines().stage(5, 20, "boot").cut(6, 1).stage(6, 15, "stem").height(6, 18, 22).stage(6, 10, "boot", 2025)
    _, sentences = told(lines)
    assert sentences[1:] == ["Seen: stem on 15 June 2026 (line 3), 22 inches tall on 18 June 2026 (line 4)."]
    assert told(lines, now=at(5, 25))[1][1:] == ["Seen: boot on 20 May 2026 (line 1)."]


def test_lines_ahead_of_the_time_say_nothing_yet() -> None:
    lines = Lines().cut(6, 4).cut(6, 18)
    assert told(lines, now=at(6, 10))[0].last_cut == date(2026, 6, 4)


def test_a_name_is_known_in_any_case_and_other_fields_stay() -> None:
    lines = [replace(Lines().cut(6, 4).all[0], field="LONG meadow")]
    found = apply_diary(settings(), lines, NOW)
    assert [field.last_cut for field in found.fields] == [date(2026, 6, 4), None]


def test_what_was_wrapped_on_an_earlier_day_was_so_after_it_was_cut_there() -> None:
    wrapped = replace(Lines().wrapped(6, 10).all[0], id=2, at=at(6, 10), timed=False)
    for cut in (replace(Lines().cut(6, 10).all[0], timed=True, at=at(6, 10, 8)), Lines().cut(6, 10).all[0]):
        assert lying(cut, wrapped) == ()
        field = apply_diary(settings(), [cut, wrapped], NOW).fields[0]
        assert (field.last_cut, field.standing) == (date(2026, 6, 10), None)
    later = replace(Lines().cut(6, 18).all[0], id=1)
    assert lying(later, replace(wrapped, at=at(6, 17)), now=NOW) == (FIELD,)


def test_parts_alone_are_no_cut_of_the_whole_field() -> None:
    _, sentences = told(Lines().cut(6, 15, 8).cut(6, 16, 3))
    assert sentences == [
        "No cut of the whole field yet this year.",
        "Still standing: 11 acres of 22 acres; cut so far: 8 acres on 15 June 2026 (line 1), 3 acres on 16 June 2026 "
        "(line 2).",
    ]


def test_lines_in_words() -> None:
    given = settings(units=Units.METRIC)
    line = Lines().cut(6, 4, 8).all[0]
    assert describe_note(given, line) == "Long Meadow: 3.2 hectares of it cut on 4 June 2026"
    timed = replace(line, area=None, timed=True, at=line.at + timedelta(hours=8))
    assert describe_note(given, timed) == "Long Meadow: cut on 4 June 2026 at 8:00"
    wrapped = replace(Lines().wrapped(6, 4).all[0], moisture=0.52)
    assert describe_note(settings(), wrapped) == "Long Meadow: wrapped on 4 June 2026 at 7:00 pm, 52% water"
    looks = Lines().stage(6, 4, "boot").height(6, 4, 22).ground(6, 4, "soft").all
    assert [describe_note(given, look) for look in looks] == [
        "Long Meadow: boot on 4 June 2026",
        "Long Meadow: 55.9 cm tall on 4 June 2026",
        "Long Meadow: ground soft on 4 June 2026",
    ]
    moisture = replace(wrapped, kind=NoteKind.MOISTURE)
    assert describe_note(settings(), moisture) == "Long Meadow: 52% water on 4 June 2026 at 7:00 pm"


def test_a_crop_that_lies_flat_does_so_until_it_is_cut(tmp_path: Path) -> None:
    diary, given = Diary(tmp_path / "diary.sqlite3"), farm()
    name, morning = given.fields[0].name, datetime(2026, 6, 8, 4, tzinfo=UTC)
    flat = diary.add(NoteKind.LODGED, name, morning, NOW, timed=False)
    assert describe_note(given, flat) == f"{name}: lying flat on 8 June 2026"
    assert apply_diary(given, diary.notes(), NOW).fields[0].lodged == date(2026, 6, 8)
    assert "Seen: lying flat on 8 June 2026 (line 1)." in describe(given, diary.notes(), NOW)
    diary.add(NoteKind.CUT, name, morning + timedelta(days=1), NOW, timed=False)
    assert apply_diary(given, diary.notes(), NOW).fields[0].lodged is None


def test_a_field_left_uncut_takes_back_what_was_noted_of_the_day_before_it() -> None:
    def last_cut(lines: Lines) -> date | None:
        return told(lines)[0].last_cut

    assert last_cut(Lines().cut(6, 1).cut(6, 4)) == date(2026, 6, 4)
    assert last_cut(Lines().cut(6, 1).cut(6, 4).uncut(6, 4)) == date(2026, 6, 1)
    assert last_cut(Lines().cut(6, 1).uncut(6, 4).cut(6, 4)) == date(2026, 6, 4), "cut after all"
    assert last_cut(Lines().cut(6, 4).uncut(6, 3)) == date(2026, 6, 4), "of another day"
    assert last_cut(Lines().cut(6, 4).wrapped(6, 4).uncut(6, 4)) == date(2026, 6, 4), "what was wrapped was cut"
    noted = Lines().cut(6, 4, 8).uncut(6, 4)
    assert told(noted)[0].standing is None
    assert describe_note(settings(), noted.all[1]) == "Long Meadow: not cut on 4 June 2026"


def test_which_fields_are_left_uncut_today() -> None:
    today = datetime(2026, 6, 4, 20, tzinfo=UTC)

    def left(lines: Lines) -> tuple[str, ...]:
        return fields_left_uncut(settings(), lines.all, today)

    assert left(Lines().uncut(6, 4)) == left(Lines().cut(6, 4).uncut(6, 4)) == ("Long Meadow",)
    assert left(Lines()) == left(Lines().uncut(6, 3)) == left(Lines().uncut(6, 4).cut(6, 4)) == ()


def test_soft_ground_seen_in_the_evening_is_soft_the_next_morning(tmp_path: Path) -> None:
    diary, given = Diary(tmp_path / "diary.sqlite3"), farm()
    name = given.fields[0].name
    for day, hour, word in ((15, 22, "soft"), (16, 12, "ruts"), (17, 22, "firm")):  # UTC: six in the evening, eight
        diary.add(NoteKind.GROUND, name, datetime(2026, 6, day, hour, tzinfo=UTC), NOW, ground=word)
    assert apply_diary(given, diary.notes(), NOW).fields[0].ground_looks == (
        (date(2026, 6, 15), "soft"),
        (date(2026, 6, 16), "soft"),
        (date(2026, 6, 16), "ruts"),
        (date(2026, 6, 17), "firm"),
    )

"""The pictures: what is drawn on them, how the process that draws is bounded, and the words beside them."""

import json
import re
import struct
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

import pytest

from daemon.domain.advice import Morning
from daemon.domain.farm import Units
from daemon.page.pictures.draw import PNG, SVG, DryingSheet, Sheet, draw_picture, sheet_json
from daemon.page.pictures.render import DrawingFailed, PictureCache, email_picture, run_drawing
from daemon.page.pictures.sheets import drying_sheet, growth_sheet
from daemon.words.pictures import drying_picture_text, growth_picture_text, rain_odds_text
from tests.support.farms import DAWN, DAY, farm, field_day, field_prospect, wait_morning
from tests.support.full_morning import drawn_field, drawn_morning
from tests.support.processes import run_python

SVG_TEXT = "{http://www.w3.org/2000/svg}text"
SMALL = DryingSheet(
    water=[(70.0, 75.0, 80.0), (40.0, 50.0, 60.0)],
    rain=[0.0, 0.5],
    sun=[400.0, 800.0],
    ticks=[(1.0, "noon")],
    mown=0.5,
    fit=(45.0, 55.0),
    raking=None,
    baling=None,
    words={name: name for name in ("water", "rain", "half", "sun", "mow", "rake", "bale", "fit")},
)


def program(path: Path, body: str) -> tuple[str, str]:
    """Return a command that runs a program in place of the one that draws."""
    (path / "drawer.py").write_text(body, encoding="utf-8")
    return sys.executable, str(path / "drawer.py")


def words_of(svg: bytes) -> list[str]:
    return [one.text or "" for one in ElementTree.fromstring(svg).iter(SVG_TEXT)]


def drying() -> DryingSheet:
    sheet = drying_sheet(farm(), drawn_field())
    assert sheet is not None
    return sheet


def test_a_drying_sheet_holds_the_day_in_hours_from_its_left_edge() -> None:
    sheet = drying()
    assert sheet.mown == 1.0
    assert sheet.water[:2] == [None, (78.0, 80.0, 82.0)]
    assert sheet.cut_with == pytest.approx((79.0, 81.0, 83.0))
    assert sheet.raking == pytest.approx(7.75)
    assert sheet.baling == (8.5, 12.0)
    assert sheet.fit == pytest.approx((45.0, 55.0))
    assert sheet.ticks == [(2.0, "9 am"), (5.0, "12 pm"), (8.0, "3 pm"), (11.0, "6 pm")]
    assert sheet.words["fit"] == "fit at 45 to 55%"


def test_a_growth_sheet_holds_the_days_as_far_apart_as_they_are() -> None:
    sheet = growth_sheet(drawn_field(), DAY)
    assert sheet is not None
    assert (sheet.days, sheet.good, sheet.best) == ([0.0, 1.0, 2.0, 3.0, 6.0, 7.0], [0.0, 3.0, 7.0], (47.0, 53.0))
    assert sheet.ticks == [(0.0, "Monday 1"), (3.0, "Thursday 4"), (6.0, "Sunday 7")]


def test_of_two_weeks_no_more_days_are_named_than_have_room() -> None:
    sheet = growth_sheet(replace(drawn_field(), days=tuple(field_day(ahead) for ahead in range(15))), DAY)
    assert sheet is not None
    assert [words for _, words in sheet.ticks] == ["Monday 1", "Saturday 6", "Thursday 11"]


def test_the_curve_begins_where_mowing_begins() -> None:
    drawn_at = {}
    for cut_with in (None, (80.0, 81.0, 82.0)):
        svg = draw_picture(sheet_json(replace(SMALL, mown=0.5, cut_with=cut_with), SVG)).decode()
        [begins] = re.findall(r'd="M (\d+\.\d) [^"]*"[^>]*stroke: var\(--water\); stroke-width: 2\.5', svg)
        [mow] = re.findall(r'd="M (\d+\.\d) [^"]*"[^>]*stroke-dasharray: [^>]*var\(--soft\)', svg)
        drawn_at[cut_with] = float(begins) - float(mow)
    assert drawn_at[80.0, 81.0, 82.0] == pytest.approx(0.0, abs=0.2)
    assert drawn_at[None] > 50.0, "half an hour of two"


def test_what_is_not_known_is_not_drawn() -> None:
    bare = field_prospect("Hill", 5.0)
    assert drying_sheet(farm(), bare) is None
    assert growth_sheet(bare, DAY) is None
    assert growth_sheet(replace(drawn_field(), stand=None), DAY) is None
    assert growth_sheet(drawn_field(), DAY + timedelta(days=7)) is None, "one day is no line"


@pytest.mark.parametrize("sheet", [drying(), growth_sheet(drawn_field(), DAY)], ids=["drying", "growth"])
def test_a_picture_has_its_words_as_text_and_is_small(sheet: Sheet) -> None:
    svg = draw_picture(sheet_json(sheet, SVG))
    assert len(svg) < 15_000
    assert set(sheet.words.values()) - set(words_of(svg)) == set()
    assert {words for _, words in sheet.ticks} <= set(words_of(svg))


def test_a_picture_has_the_two_dresses_of_the_page_and_no_colour_beside() -> None:
    svg = draw_picture(sheet_json(drying(), SVG)).decode()
    assert "prefers-color-scheme:dark" in svg
    drawn_in = re.sub(r"<style>:root.*?</style>", "", svg)
    assert set(re.findall(r"#[0-9a-f]{6}", drawn_in)) <= {"#000000"}
    assert "http" not in re.sub(r'xmlns(:xlink)?="[^"]*"', "", svg), "nothing is fetched"


def luminance(colour: str) -> float:
    parts = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("grounds", [("#faf8f2", "#dcd6c1"), ("#181a16", "#444a3c")], ids=["light", "dark"])
def test_words_and_lines_stand_out_from_the_paper_and_the_band(grounds: tuple[str, str]) -> None:
    dress = draw_picture(sheet_json(SMALL, SVG)).decode().split("@media")[grounds[0] == "#181a16"]
    inks = dict(re.findall(r"--(\w+):(#[0-9a-f]{6})", dress))
    assert inks["band"] == grounds[1]
    for ink, least in (("ink", 4.5), ("soft", 4.5), ("mark", 4.5), ("water", 3.0)):
        for ground in grounds:
            dark, light = sorted((luminance(inks[ink]), luminance(ground)))
            assert (light + 0.05) / (dark + 0.05) >= least, ink  # WCAG 2.2, 1.4.3 and 1.4.11 (memory)


def test_the_same_sheet_gives_the_same_picture() -> None:
    assert draw_picture(sheet_json(SMALL, SVG)) == draw_picture(sheet_json(SMALL, SVG))


def test_names_are_neither_markup_nor_mathematics() -> None:
    hostile = "<b>$x^2$</b> & \\frac"
    svg = draw_picture(sheet_json(replace(SMALL, words={**SMALL.words, "water": hostile}), SVG))
    assert hostile in words_of(svg)


def test_the_emails_picture_is_wide_enough_small_enough_and_has_words() -> None:
    made = email_picture(farm(), drawn_morning())
    assert made is not None
    png, words = made
    width, height = struct.unpack(">II", png[16:24])
    assert png.startswith(b"\x89PNG")
    assert (width, 400 < height < 550) == (600, True)
    assert len(png) < 40_000
    assert words == drying_picture_text(farm(), drawn_field())


@pytest.mark.parametrize("morning", [wait_morning(), Morning(DAY, (), drawn_morning().prospect)])
def test_an_email_has_no_picture_where_nothing_is_to_be_mown(morning: Morning) -> None:
    assert email_picture(farm(), morning) is None


# --- The words beside --------------------------------------------------------------------------------------------


def test_the_words_beside_say_when_it_is_baled_how_wet_and_whether_it_rains() -> None:
    assert drying_picture_text(farm(), drawn_field()) == (
        "Long Meadow, Monday 1: mown from 8:00 am, likely 42 to 55% water when raking begins at 2:45 pm. "
        "Rain: 4 in 10 at the most, in the hour to 6:00 pm."
    )
    assert "to 18:00" in drying_picture_text(farm(units=Units.METRIC), drawn_field())


def test_a_day_that_will_not_do_says_how_far_it_would_dry() -> None:
    field = drawn_field()
    assert field.drying_picture is not None
    dry = replace(field.drying_picture, rain=(0.04,) * 13)
    waits = replace(field, drying_picture=dry, days=(field_day(0, acres=0.0, odds=None),))
    assert drying_picture_text(farm(), waits) == (
        "Long Meadow, Monday 1: if mown at 8:00 am, likely 32 to 53% water by 8:00 pm. "
        "Rain: under 1 in 10 in every hour."
    )
    assert drying_picture_text(farm(), replace(field, drying_picture=None)) == ""


def test_growth_is_told_from_today_to_the_last_day() -> None:
    assert growth_picture_text(farm(), drawn_field()) == (
        "Long Meadow: 46 to 52% fibre (NDF) on Monday 1, 46 to 52% on Monday 8. It is ripe at 47 to 53%."
    )
    assert growth_picture_text(farm(), field_prospect("Hill", 5.0)) == ""


def test_no_rain_is_never_none_in_ten() -> None:
    assert [rain_odds_text(share) for share in (0.0, 0.049, 0.05, 0.99)] == ["under 1 in 10"] * 2 + [
        "1 in 10",
        "9 in 10",
    ]


# --- The process that draws --------------------------------------------------------------------------------------


def test_the_process_gives_what_the_function_gives() -> None:
    assert run_drawing(sheet_json(SMALL, SVG)) == draw_picture(sheet_json(SMALL, SVG))
    assert run_drawing(sheet_json(SMALL, PNG)).startswith(b"\x89PNG")


def test_the_service_never_loads_what_draws() -> None:
    loaded = "import sys, daemon.service.process, daemon.page.pictures.render"
    asks = f"{loaded}; print(*{{'matplotlib', 'PIL'}} & sys.modules.keys())"
    ran = run_python(asks)
    assert (ran.returncode, ran.stdout.split()) == (0, [])


def test_the_process_sees_no_secret_of_this_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORENOON_ADDRESS", "secret")
    shows = program(tmp_path, "import json, os; print(json.dumps(dict(os.environ)))")
    seen = json.loads(run_drawing("{}", shows))
    assert "secret" not in seen.values()
    assert seen["OPENBLAS_NUM_THREADS"] == "1"


@pytest.mark.parametrize(
    ("body", "why"),
    [
        ("raise SystemExit(3)", "it said nothing"),
        ("raise ValueError('no ink')", "ValueError: no ink"),
        ("import time; time.sleep(60)", "TimeoutExpired"),
    ],
)
def test_a_process_that_fails_or_hangs_is_ended_and_logged(
    body: str, why: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with pytest.raises(DrawingFailed):
        run_drawing("{}", program(tmp_path, body), time_limit=2.0 if "sleep" not in body else 0.3)
    assert why in caplog.text


def test_a_program_that_is_not_there_gives_no_picture(tmp_path: Path) -> None:
    with pytest.raises(DrawingFailed):
        run_drawing("{}", (str(tmp_path / "nothing"),))


def test_a_picture_is_drawn_once_and_what_failed_again_later(tmp_path: Path) -> None:
    tally = tmp_path / "tally"
    counts = f"open({str(tally)!r}, 'a').write('x'); print('picture')"
    pictures = PictureCache(program(tmp_path, counts))
    for _ in range(3):
        assert pictures.svg(SMALL, DAWN) == b"picture\n"
    assert tally.read_text() == "x"
    broken = PictureCache(program(tmp_path, f"{counts}; raise SystemExit(1)"))

    def fails(at: datetime) -> None:
        with pytest.raises(DrawingFailed):
            broken.svg(SMALL, at)

    for minutes, times in ((0, 2), (9, 2), (11, 3)):
        fails(DAWN + timedelta(minutes=minutes))
        assert tally.read_text() == "x" * times

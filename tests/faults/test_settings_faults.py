import tomllib
from dataclasses import replace

import pytest

from daemon.domain.farm import Farm
from daemon.settings import load
from tests.faults.option_limits import not_in_use, out_of_range
from tests.faults.settings import EXAMPLE, files

FARM = load(EXAMPLE)
TABLES = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
FIRST = FARM.fields[0]


def test_a_hundred_spoiled_settings_files_are_judged_rightly() -> None:
    found = files(100, seed=26)
    assert found.cases() == []
    assert all(count.of > 12 for count in found.counts())


@pytest.mark.parametrize(
    ("wrong", "out", "unused"),
    [
        (FARM, [], []),
        (replace(FARM, place=replace(FARM.place, latitude=67.0)), ["farm.latitude"], ["farm.latitude"]),
        (replace(FARM, work=replace(FARM.work, hands=3)), [], ["work.hands"]),
        (replace(FARM, work=replace(FARM.work, mown_per_hour=4.0)), [], ["1.765"]),  # 9 ft x 5 mph x 0.8
        (
            replace(FARM, work=replace(FARM.work, days_off=frozenset(), after_dark=True)),
            [],
            ["work.after_dark", "work.days_off"],
        ),
        (replace(FARM, fields=(replace(FIRST, area=12.0), *FARM.fields[1:])), [], ["field.area"]),
        (replace(FARM, fields=(replace(FIRST, area=float("nan")),)), ["field.area"], ["field.name", "field.area"]),
        (replace(FARM, alerts=replace(FARM.alerts, people=FARM.alerts.people[::-1])), [], ["person.name"]),
    ],
)
def test_a_farm_that_is_not_what_its_file_says_is_seen(wrong: Farm, out: list[str], unused: list[str]) -> None:
    assert [case[: len(begin)] for case, begin in zip(out_of_range(wrong), out, strict=True)] == out
    seen = not_in_use(TABLES, wrong)
    assert [case[: len(begin)] for case, begin in zip(seen, unused, strict=False)] == unused
    assert bool(seen) == bool(unused)

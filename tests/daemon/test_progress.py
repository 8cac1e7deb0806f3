from dataclasses import replace

import pytest

from daemon.outlook import Reason, Ripeness
from daemon.progress import Progress, progress, progress_words
from tests.samples import ACRE, farm, field_day, field_prospect, prospect


def test_what_is_ripe_what_it_takes_and_what_the_forecast_brings() -> None:
    days = [field_day(0, 11.0, 0.7), field_day(1, 0, 0.3, Reason.RAIN), field_day(2, 0, 0.8, Reason.DAY_OFF)]
    long = field_prospect("Long Meadow", 22, *days)
    creek = field_prospect("Creek & Bend", 9.5, *days[1:], ripeness=Ripeness.GROWING)
    found = progress(farm(), prospect(long, creek))
    assert (found.ripe, found.growing) == pytest.approx((22 * ACRE, 9.5 * ACRE))
    assert found.needed == pytest.approx(2.0)  # 22 acres at 11 a day
    assert found.expected == pytest.approx(0.7 + 0.3)  # nothing by the day off
    assert found.ahead == 3


def test_what_is_cut_in_part_counts_by_what_stands() -> None:
    bare = farm()
    part = replace(bare, fields=(replace(bare.fields[0], standing=5 * ACRE), *bare.fields[1:]))
    found = progress(part, prospect(field_prospect("Long Meadow", 22, field_day(0, 5.0))))
    assert found.ripe == pytest.approx(5 * ACRE)


def test_the_sentence() -> None:
    assert progress_words(farm(), Progress(22 * ACRE, 0.0, 2.2, 3.4, 8)) == (
        "Ripe and uncut: 22 acres, about 2 good days of work; the coming 8 days should bring about 3 good days for "
        "mowing."
    )
    assert progress_words(farm(), Progress(5 * ACRE, 0.0, None, 0.3, 8)) == (
        "Ripe and uncut: 5 acres; the coming 8 days should bring about no day for mowing."
    )
    assert progress_words(farm(), Progress(0.0, 9.0, None, 3.0, 8)) == ""

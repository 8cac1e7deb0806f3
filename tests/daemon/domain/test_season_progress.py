from dataclasses import replace
from datetime import date, timedelta

import pytest

from daemon.domain.advice import Advice, AdviceKind, Morning
from daemon.domain.prospect import FieldProspect, Reason, Ripeness
from daemon.domain.season_progress import Progress, crop_progress
from daemon.words.season_progress import progress_text
from tests.support.farms import ACRE, DAY, farm, field_day, field_prospect, prospect

DAYS = (field_day(0, 11.0, 0.7), field_day(1, 0, 0.3, Reason.RAIN), field_day(2, 0, 0.8, Reason.DAY_OFF))


def named(name: str, acres: float, last_cut: date | None = None, **changes: object) -> FieldProspect:
    return replace(field_prospect(name, acres, *DAYS, **changes), last_cut=last_cut)  # type: ignore[arg-type]


def morning(*fields: FieldProspect) -> Morning:
    """A morning on which the first field is to be mown if today has its odds."""
    today = fields[0].days[0]
    kind = AdviceKind.MOW if today.area > 0.0 else AdviceKind.WAIT
    return Morning(DAY, (Advice(fields[0].name, kind, today.area, today.reason, today),), prospect(*fields))


def test_what_is_ripe_what_it_takes_and_which_days_the_forecast_brings() -> None:
    creek = field_prospect("Creek & Bend", 9.5, *DAYS[1:], ripeness=Ripeness.GROWING)
    found = crop_progress(morning(named("Long Meadow", 22), creek))
    assert (found.ripe_area, found.growing_area, found.cut_area) == pytest.approx((22 * ACRE, 9.5 * ACRE, 0.0))
    assert found.days_needed == pytest.approx(2.0)  # 22 acres at 11 a day
    assert found.good_days == (DAY,), "neither rain nor a day off"
    assert found.days_ahead == 3


def test_what_is_cut_in_part_counts_by_its_parts() -> None:
    part = replace(named("Long Meadow", 22), standing=5 * ACRE)
    found = crop_progress(morning(part))
    assert (found.ripe_area, found.cut_area) == pytest.approx((5 * ACRE, 17 * ACRE))


def test_the_first_crop_is_cut_where_a_field_was_cut_this_season() -> None:
    found = crop_progress(morning(named("A", 10, date(2026, 6, 1)), named("B", 6), named("C", 4)))
    assert found.cut_area == pytest.approx(10 * ACRE)


def test_the_second_crop_begins_when_all_are_cut_once() -> None:
    first = date(2026, 6, 1)
    once = [named(name, acres, first + timedelta(days=days)) for name, acres, days in (("A", 10, 0), ("B", 6, 9))]
    assert crop_progress(morning(*once)).cut_area == 0.0
    again = [replace(once[0], last_cut=first + timedelta(days=35)), once[1]]
    assert crop_progress(morning(*again)).cut_area == pytest.approx(10 * ACRE)


def test_a_day_that_takes_all_of_a_small_field_does_not_say_what_a_day_takes() -> None:
    left = replace(field_prospect("A", 10, field_day(0, 2.5, 0.8), field_day(1, 2.5, 0.8)), standing=2.5 * ACRE)
    wet = field_prospect("B", 42, field_day(0, 0, 0.3, Reason.RAIN), field_day(1, 0, 0.3, Reason.RAIN))
    assert crop_progress(morning(left, wet)).days_needed is None, "44.5 acres are not 18 days of work"
    held = replace(wet, days=(wet.days[0], field_day(1, 14.75, 0.7)))
    assert crop_progress(morning(left, held)).days_needed == pytest.approx(44.5 / 17.25)
    assert crop_progress(morning(left)).days_needed == pytest.approx(1.0)


def test_today_is_no_good_day_where_it_is_not_advised() -> None:
    field = field_prospect("A", 22, field_day(0, 11.0, 0.7), field_day(1, 11.0, 0.7))
    waits = Morning(DAY, (Advice("A", AdviceKind.WAIT, 0.0, Reason.CROP_LIES, field.days[0]),), prospect(field))
    assert crop_progress(waits).good_days == (DAY + timedelta(days=1),)
    assert crop_progress(morning(field)).good_days == (DAY, DAY + timedelta(days=1))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (
            Progress(8 * ACRE, 22 * ACRE, 0.0, 2.2, (DAY, DAY + timedelta(days=3)), 8),
            "Ripe and uncut: 22 acres, about 2 good days of work; 2 of the coming 8 days have the odds asked for "
            "(Monday 1, Thursday 4). Cut of this crop: 8 acres.",
        ),
        (
            Progress(0.0, 22 * ACRE, 0.0, 0.4, tuple(DAY + timedelta(days=ahead) for ahead in range(5)), 8),
            "Ripe and uncut: 22 acres, about 1 good day of work; 5 of the coming 8 days have the odds asked for "
            "(Monday 1, Tuesday 2, Wednesday 3 and more).",
        ),
        (
            Progress(0.0, 5 * ACRE, 0.0, None, (), 8),
            "Ripe and uncut: 5 acres; none of the coming 8 days has the odds asked for.",
        ),
        (Progress(0.0, 5 * ACRE, 0.0, None, (), 1), "Ripe and uncut: 5 acres; today does not have the odds asked for."),
        (Progress(3.0, 0.0, 9.0, None, (), 8), ""),
    ],
)
def test_the_sentence(given: Progress, words: str) -> None:
    assert progress_text(farm(), given) == words


def test_where_no_day_ahead_is_known_nothing_is_promised() -> None:
    assert (
        progress_text(
            farm(),
            Progress(cut_area=0.0, ripe_area=4.0, growing_area=0.0, days_needed=None, good_days=(), days_ahead=0),
        )
        == ""
    )

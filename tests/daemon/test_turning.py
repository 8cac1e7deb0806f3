"""What would turn the advice: for every reason there is an answer, with the numbers that it hangs on."""

from dataclasses import replace

import pytest

from daemon.explain import explain
from daemon.farm import Units
from daemon.outlook import Advice, Band, Chance, FieldDay, Kind, Reason
from daemon.report import report_of_field
from daemon.turning import TURNED_BY, turned_by
from tests.samples import farm, mow_morning
from tests.told import whole_morning

FIELD = replace(whole_morning().prospect.fields[0], ndf=Band(40.0, 44.0, 48.0), ndf_target=50.0)
NAME = "Long Meadow"


def turned(reason: Reason, **of_day: object) -> str:
    day = replace(FieldDay(whole_morning().date, None, None, None), **of_day)  # type: ignore[arg-type]
    return turned_by(farm(), FIELD, Advice(NAME, Kind.WAIT, 0.0, reason, day))


def test_every_reason_has_its_answer() -> None:
    assert set(TURNED_BY) == set(Reason)
    for reason in Reason:
        assert turned(reason).strip(" .;") == turned(reason) != ""
        assert turned_by(farm(), FIELD, Advice(NAME, Kind.NONE, 0.0, reason, None)) != ""


def test_the_numbers_that_it_hangs_on_are_told() -> None:
    # Ripe is within three units of the target.
    assert turned(Reason.NOT_RIPE) == "fibre (NDF) of 47%; it is 44%. Or a look at the field, noted"
    assert "firm in 50% of the forecast; it is in 30%" in turned(Reason.GROUND_SOFT, carried=0.3)
    few = (Chance(0.5, 0.6), Chance(2.0234, 0.5))
    assert turned(Reason.RAIN, curve=few).startswith("odds of 7 in 10 for 5 acres; they are 5 in 10")
    assert turned(Reason.DATA_STALE) == "a forecast no older than 18 hours"


def test_the_text_and_the_data_say_it() -> None:
    assert "\nWould change it: odds under 7 in 10, with rain or slower drying" in explain(farm(), whole_morning(), NAME)
    told = report_of_field(farm(units=Units.METRIC), mow_morning(), NAME)
    assert told["fields"][0]["advice"]["would_change"].startswith("odds under 7 in 10")


def test_the_data_of_a_field_hold_no_other() -> None:
    told = report_of_field(farm(), mow_morning(), NAME)
    assert [one["name"] for one in told["fields"]] == [NAME]
    assert told["about"]["growth"]["put_right_by"].startswith(f'forenoon note stage "{NAME}" WORD')
    assert {"weather", "odds_needed", "record", "trouble"} <= told.keys()
    with pytest.raises(StopIteration):
        report_of_field(farm(), mow_morning(), "Hill")

"""What is told of a growth: dates by their month, heights in the farm's units, names as the table has them."""

from datetime import date

import pytest

from daemon.domain.causes import GrowthGap, ImpossibleLook
from daemon.domain.farm import Units
from daemon.domain.prospect import StandDoubt
from daemon.words.growth import growth_cause_text, growth_doubts_text, look_text, species_text, stage_text
from models.degree_days import UnknownCause
from models.growth import DoubtKind

MAY, JUNE = date(2026, 5, 3), date(2026, 6, 11)


@pytest.mark.parametrize(
    ("first", "last", "fits"),
    [
        (None, None, "no day so far fits; undo it or correct it"),
        (None, MAY, "it would fit up to 3 May 2026; undo it or correct its date"),
        (MAY, None, "it would fit from 3 May 2026 on; undo it or correct its date"),
        (MAY, JUNE, "it would fit from 3 May 2026 to 11 June 2026; undo it or correct its date"),
    ],
)
def test_a_look_that_cannot_be_true_names_the_days_that_would_fit(
    first: date | None, last: date | None, fits: str
) -> None:
    for units, by_height, seen in (
        (Units.US, False, "early heads"), (Units.US, True, "22 inches tall"), (Units.METRIC, True, "55.9 cm tall"),
    ):  # fmt: skip
        words = growth_cause_text(
            ImpossibleLook(date(2026, 4, 1), "early heads", 0.5588, by_height, first, last), units
        )
        assert words == f"{seen} on 1 April 2026 does not go with the warmth so far: {fits}"


def test_what_is_missing_is_told_with_its_day() -> None:
    assert growth_cause_text(GrowthGap(UnknownCause.PAST_SHORT, MAY), Units.US) == (
        "the weather of the past must reach back to 3 May 2026, but begins later"
    )
    assert (
        growth_cause_text(GrowthGap(UnknownCause.CUT_AHEAD, JUNE), Units.US)
        == "the last cut, 11 June 2026, has not been yet"
    )


def test_doubts_are_told_one_after_the_other() -> None:
    told = [
        StandDoubt(DoubtKind.FROST, "tall fescue", MAY),
        StandDoubt(DoubtKind.DROUGHT, "kentucky bluegrass", days=1),
        StandDoubt(DoubtKind.LOOK_UNUSED, day=JUNE),
    ]
    assert growth_doubts_text(told) == (
        "the frost of 3 May 2026 makes the stage of tall fescue doubtful: look at it; "
        "drought holds Kentucky bluegrass back, 1 day with those ahead: look at it; "
        "the look of 11 June 2026 says nothing of this growth and was not used"
    )
    assert growth_doubts_text([]) == ""


def test_what_the_table_does_not_name_keeps_its_own_name() -> None:
    assert species_text("Our own brome") == "Our own brome"
    assert [stage_text(stage) for stage in ("R2", "", "no heads yet")] == ["R2", "", "no heads yet"]
    assert look_text("buds", 0.56, Units.METRIC) == "buds, 56 cm tall"

"""A kept morning comes back as it was, and one of version 0.1.0 with its reasons."""

import json
from dataclasses import replace
from datetime import date, datetime
from typing import get_args

import pytest

from daemon.domain.advice import Advice, AdviceKind
from daemon.domain.causes import (
    Cause,
    DayNotCovered,
    GrowthGap,
    ImpossibleLook,
    PassFailure,
    SeasonNotBegun,
    StatedCause,
    TodayNotAhead,
    TooFewMembers,
    WeatherRefused,
    WeatherTooOld,
)
from daemon.domain.field_history import (
    CutHistory,
    DryingSummary,
    FieldHistory,
    KeptFactor,
    ModelWater,
    NotedCut,
    NotedLook,
    PriorReport,
    SampleBasis,
    SampleFlaw,
    SampleFlawKind,
    SampleReport,
    SamplesOfField,
)
from daemon.domain.prospect import Reason, StandDoubt, Unknown
from daemon.domain.record_summary import OddsBand, RecordSummary
from daemon.domain.refusal import Refusal, RefusalKind
from daemon.service.upgrade import MORNING_ADAPTER
from models.degree_days import UnknownCause
from models.growth import DoubtKind
from tests.support.farms import DAWN, DAY, ZONE, stated, with_field_changes
from tests.support.full_morning import whole_morning

AT = datetime(2026, 6, 1, 13, tzinfo=ZONE)
GAP = GrowthGap(UnknownCause.PAST_SHORT, DAY)
LOOK = ImpossibleLook(DAY, "boot", 0.5, is_height_wrong=True, first=DAY, last=None)
CAUSES: tuple[Cause, ...] = (
    *(StatedCause("why"), PassFailure("ValueError: why"), WeatherTooOld(30.0, 18.0), TooFewMembers(7, 8)),
    *(DayNotCovered(DAY), TodayNotAhead(), SeasonNotBegun(), GAP, LOOK),
    WeatherRefused((Refusal(RefusalKind.NO_ANSWER, "did not answer in time"),)),
)
BASES: tuple[SampleBasis, ...] = (
    ModelWater(0.5, AT, is_mown_day_before=True, is_hour_noted=False),
    *(KeptFactor(), SampleFlaw(SampleFlawKind.HOURS_GONE, AT, AT, DAY), GAP, LOOK, StatedCause("why")),
)


def test_every_kind_of_cause_is_tried() -> None:
    assert {type(one) for one in CAUSES} == set(get_args(Cause))
    assert {type(one) for one in BASES} == set(get_args(SampleBasis))


@pytest.mark.parametrize("cause", CAUSES, ids=lambda cause: cause.kind)
def test_a_reason_comes_back_with_its_cause(cause: Cause) -> None:
    morning, unknown = whole_morning(), Unknown(Reason.OUT_OF_RANGE, cause)
    fields = tuple(replace(one, unknown=unknown) for one in morning.prospect.fields)
    advices = tuple(replace(one, cause=cause) for one in morning.advices)
    kept = replace(morning, advices=advices, prospect=replace(morning.prospect, fields=fields, trouble=unknown))
    assert MORNING_ADAPTER.validate_json(MORNING_ADAPTER.dump_json(kept)) == kept


def test_what_is_told_of_a_field_comes_back() -> None:
    samples = tuple(
        SampleReport(number, 0.6, AT, basis, 0.8, (0.5, 2.0), (1.0, 0.9)) for number, basis in enumerate(BASES)
    )
    history = FieldHistory(
        CutHistory(DAY, (1, 2), date(2026, 5, 1), (NotedCut(2.0, DAY, 3),), 1.0),
        (NotedLook(DAY, 4, "boot", 0.5), NotedLook(DAY, 5, is_lodged=True)),
        NotedLook(DAY, 6, ground="soft"),
        (PriorReport("grasses", -12.0),),
        SamplesOfField(samples, DryingSummary(0.9, 0.1, 1, 2)),
    )
    morning = whole_morning()
    doubts = (StandDoubt(DoubtKind.FROST, "timothy", DAY), StandDoubt(DoubtKind.DROUGHT, "timothy", days=3))
    fields = tuple(with_field_changes(one, history=history, doubts=doubts) for one in morning.prospect.fields)
    record = RecordSummary(3, 2, (OddsBand(0.0, 0.4, 0.2, 0.3, 3),), 0.8, 0.6)
    kept = replace(morning, prospect=replace(morning.prospect, fields=fields, record_summary=record))
    assert MORNING_ADAPTER.validate_json(MORNING_ADAPTER.dump_json(kept)) == kept


def test_the_reasons_of_0_1_0_come_back_with_their_texts() -> None:
    morning = whole_morning()
    old = json.loads(MORNING_ADAPTER.dump_json(morning))
    old["prospect"] |= {"trouble": "weather data too old", "detail": "30 hours old", "record": ["A sentence."]}
    old["prospect"]["fields"][0] |= {"unknown": "weather data too old", "detail": "", "told": ["Cut."]}
    old["advices"] = [
        {"field": "Hill", "kind": "none", "area": 0.0, "reason": "weather data too old", "day": None, "detail": "30 h"}
    ]
    read = MORNING_ADAPTER.validate_python(old)
    assert read.prospect.trouble == stated(Reason.DATA_STALE, "30 hours old")
    assert read.prospect.fields[0].unknown == Unknown(Reason.DATA_STALE)
    assert read.advices == (Advice("Hill", AdviceKind.NONE, 0.0, Reason.DATA_STALE, None, StatedCause("30 h")),)
    assert read.prospect.at == DAWN

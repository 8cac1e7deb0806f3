"""Why there is no weather: the kinds of refusal decide the sentence, also once the morning was kept as JSON."""

import pytest
from pydantic import TypeAdapter

from daemon.domain.causes import WeatherRefused
from daemon.domain.farm import Units
from daemon.domain.prospect import Reason, Unknown
from daemon.domain.refusal import Refusal, RefusalKind
from daemon.words.reasons import trouble_sentence

AWAY = Refusal(RefusalKind.UNREACHABLE, "a.example.org could not be reached")
LATE = Refusal(RefusalKind.NO_ANSWER, "b.example.org did not answer in time")
BROKEN = Refusal(RefusalKind.ERROR_STATUS, "c.example.org answered 502: its source could not be reached")


@pytest.mark.parametrize(
    ("refusals", "sentence"),
    [
        ((AWAY, LATE), f"The weather service could not be reached ({AWAY.text}; {LATE.text})."),
        ((AWAY, BROKEN), f"No weather data came that can be used ({AWAY.text}; {BROKEN.text})."),
        ((), "No weather data came that can be used."),
    ],
)
def test_only_services_that_nobody_answers_for_could_not_be_reached(
    refusals: tuple[Refusal, ...], sentence: str
) -> None:
    unknown, adapter = Unknown(Reason.DATA_MISSING, WeatherRefused(refusals)), TypeAdapter(Unknown)
    assert adapter.validate_json(adapter.dump_json(unknown)) == unknown
    assert trouble_sentence(unknown, Units.METRIC) == sentence

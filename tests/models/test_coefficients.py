"""The constants whose source is printed: each under its own name, with the value that the models take."""

import pytest

from models import coefficients
from models.coefficients import CONSTANTS


@pytest.mark.parametrize("name", CONSTANTS)
def test_a_registered_constant_is_the_plain_number_of_its_name(name: str) -> None:
    value = getattr(coefficients, name)
    assert value == CONSTANTS[name].value
    assert type(value) is float


def test_provenance_is_the_mark_and_the_source_if_there_is_one() -> None:
    assert CONSTANTS["DEFICIT_FIRM"].provenance == "remembered: Schulte 2005"
    assert CONSTANTS["STORM_GUST"].provenance == "estimate"

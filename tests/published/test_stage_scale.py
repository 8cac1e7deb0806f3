"""The whole of the grass scale of Moore et al. 1991, Agron. J. 83:1073-1077."""

import pytest

from models.stage_scales import MOORE, scale_code

HEADING = {"R0": 3.0, "R1": 3.1, "R2": 3.3, "R3": 3.5, "R4": 3.7, "R5": 3.9}  # memory, as the next
SEED = {"S0": 4.0, "S1": 4.1, "S2": 4.3, "S3": 4.5, "S4": 4.7, "S5": 4.9}


@pytest.mark.published
@pytest.mark.parametrize(("code", "index"), (HEADING | SEED).items())
def test_every_code_has_the_index_printed(code: str, index: float) -> None:
    assert MOORE[code] == index
    assert scale_code(index, MOORE) == code

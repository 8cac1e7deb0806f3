import pytest

from daemon.diary.parse import UsageError, parse_stage
from models.species import make_variety, species_table
from tests.support.weather import field


def test_a_stage_is_one_of_what_a_species_of_the_farms_own_is_like() -> None:
    own = {**species_table(), "old clover": make_variety(species_table()["red clover"], "old clover")}
    clover = field("Creek", 5, stand={"old clover": 1.0})
    assert parse_stage("Buds", clover, own) == "buds"
    with pytest.raises(UsageError, match="given 'boot' for the stage, allowed for the stand of Creek \"no buds yet\""):
        parse_stage("boot", clover, own)

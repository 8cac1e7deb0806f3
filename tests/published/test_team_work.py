"""What a team mows in a day, as printed when teams were counted."""

import pytest

from daemon.domain.units import HECTARES_PER_ACRE
from daemon.settings.sections.work import FIELD_EFFICIENCY, FOOT, MILE, mowing_rate


@pytest.mark.published
@pytest.mark.parametrize(("efficiency", "least", "most"), [(1.0, 11.5, 12.5), (FIELD_EFFICIENCY, 9.0, 10.0)])
def test_a_five_foot_mower_cuts_twelve_acres_a_day_without_what_is_lost(
    efficiency: float, least: float, most: float
) -> None:
    # Dinsmore 1922, Agricultural Engineering: 20 miles of travel at 2.5 mph, 8 h of a day in motion; 12 acres gross and
    # 9 to 10 net by hand
    acres = 8.0 * mowing_rate(5.0 * FOOT, 2.5 * MILE, efficiency) / HECTARES_PER_ACRE
    assert least <= acres <= most

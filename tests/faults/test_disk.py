from tests.faults.disk import MOMENTS, Damaged, Limited, mornings
from tests.faults.forked_service import Nursery


def test_a_disk_that_takes_nothing_and_a_damaged_postbag_are_told_and_lose_nothing(nursery: Nursery) -> None:
    found = mornings(nursery, [(Limited, MOMENTS[2]), (Damaged, MOMENTS[0])], seed=1)
    assert found.trials == 2
    assert (found.down, found.untold, found.lost, found.doubled) == ([], [], [], [])

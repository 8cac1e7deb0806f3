from collections.abc import Iterator

import pytest

from tests.faults.forked_service import Nursery


@pytest.fixture(scope="session")
def nursery() -> Iterator[Nursery]:
    with Nursery() as found:
        yield found

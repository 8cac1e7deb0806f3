from collections.abc import Iterator

import pytest

from tests.faults.nursery import Nursery


@pytest.fixture(scope="session")
def nursery() -> Iterator[Nursery]:
    with Nursery() as found:
        yield found

"""What several files of this folder are tested with."""

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from daemon.weather import gather as gather_module
from daemon.weather.http.client import open_session
from tests.loopback.world import World, world


@pytest.fixture
def servers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[World]:
    """All weather services, on which no asking waits before it asks again."""
    monkeypatch.setattr(gather_module, "open_session", partial(open_session, backoff=0.0))
    with world(tmp_path) as servers:
        yield servers

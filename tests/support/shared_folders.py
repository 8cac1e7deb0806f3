"""Folders that other users can reach, for tests that act as one."""

import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

TEMPORARY = Path(tempfile.gettempdir())


def let_through(folder: Path) -> None:
    """Let everybody pass through the folders that the tests have made above a folder."""
    for above in folder.parents:
        if above != TEMPORARY and above.is_relative_to(TEMPORARY):
            above.chmod(above.stat().st_mode | stat.S_IXOTH)


@contextmanager
def shared_folder() -> Iterator[Path]:
    """Give a folder that everybody can pass through.

    Those that pytest makes are closed to others again whenever another run of it begins.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder

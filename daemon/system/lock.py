"""One service at a time for one state folder: two would tell everybody twice."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

LOCK_FILE: Final = "run.lock"


class AlreadyRunning(Exception):
    """Another service has the state folder; the text says what to do."""


@contextmanager
def single_instance(folder: Path) -> Iterator[None]:
    """Hold a state folder for this process, as long as it lives; the system lets go of it however the process ends.

    Raises
    ------
    AlreadyRuns
        Another process holds it.

    Notes
    -----
    Where a disk takes no file or knows no locks the service runs all the same: it is there to say what is wrong.
    """
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
    try:
        held = os.open(folder / LOCK_FILE, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o660)
    except OSError:
        yield
        return
    try:
        _take_lock(held, folder)
        yield
    finally:
        os.close(held)


def _take_lock(descriptor: int, folder: Path) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise AlreadyRunning(
            f"Forenoon runs already for {folder}: forenoon status tells how it stands. Stop that one first, or give "
            "this one a state folder of its own with STATE_DIRECTORY."
        ) from None
    except OSError:
        return

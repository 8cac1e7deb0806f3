"""A file lock that lets only one service use a state folder: two would send every message twice."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

LOCK_FILE: Final = "run.lock"


class AlreadyRunning(Exception):
    """Another service uses the state folder; the text says what to do."""


@contextmanager
def single_instance(folder: Path) -> Iterator[None]:
    """Lock a state folder while the context lasts; the system releases the lock however the process ends.

    Raises
    ------
    AlreadyRunning
        Another process holds the lock.

    Notes
    -----
    The service runs without a lock where the disk is full or has no locks, so that it can report what is wrong.
    """
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
    try:
        descriptor = os.open(folder / LOCK_FILE, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o660)
    except OSError:
        yield
        return
    try:
        _take_lock(descriptor, folder)
        yield
    finally:
        os.close(descriptor)


def _take_lock(descriptor: int, folder: Path) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise AlreadyRunning(
            f"Forenoon runs already for {folder}: forenoon status tells how it stands. Stop that one first, or give "
            "this one a state folder of its own with STATE_DIRECTORY."
        ) from None
    except OSError:
        return  # a disk without locks: see the notes of `single_instance`

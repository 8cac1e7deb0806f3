"""Gives freed memory back to the system."""

import ctypes
from contextlib import suppress


def trim_heap() -> None:
    """Return the heap's freed memory to the system, where the C library can do that.

    The C library keeps freed memory for the next allocation. A service that plans once in some hours would hold it
    in between for nothing.
    """
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)

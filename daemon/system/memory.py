"""What a pass has used, given back to the system."""

import ctypes
from contextlib import suppress


def trim_heap() -> None:
    """Hand freed memory back to the system.

    The C library keeps what a pass has freed for the next one, which a service that looks once in some hours holds for
    nothing. Where the library knows no such call nothing is done.
    """
    with suppress(AttributeError, OSError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)

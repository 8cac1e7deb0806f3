"""Notifies the service manager that the service is ready, reloads or is alive, and of its status.

References
----------
sd_notify(3) of systemd: the protocol is one datagram of NAME=value lines to the socket named in NOTIFY_SOCKET.
"""

import logging
import os
import socket
from time import monotonic_ns

log = logging.getLogger(__name__)


def sd_notify(**variables: str | int) -> bool:
    """Send one datagram to the service manager.

    Parameters
    ----------
    **variables
        Such as READY=1 or STATUS="...". A line break in a value becomes a space: it would begin another variable.

    Returns
    -------
    bool
        Whether it was sent; False where there is no manager or it cannot be reached.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    if address.startswith("@"):  # an abstract socket, whose address begins with a zero byte
        address = f"\0{address[1:]}"
    lines = "\n".join(f"{name}={' '.join(str(value).split())}" for name, value in variables.items())
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as manager:
            manager.sendto(lines.encode(), address)
    except OSError as error:
        log.warning("the service manager cannot be told anything: %s", error)
        return False
    return True


def sd_notify_reloading() -> bool:
    """Notify the service manager that the settings are being reloaded; READY=1 must follow when they are."""
    return sd_notify(RELOADING=1, MONOTONIC_USEC=monotonic_ns() // 1000)

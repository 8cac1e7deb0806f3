"""What the service manager is told: that the service is ready, how it stands, that it is alive.

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
    **said
        Such as READY=1 or STATUS="...". A line break in a value becomes a space: it would begin another line.

    Returns
    -------
    bool
        False where there is no manager or it cannot be reached: nothing else depends on it.

    Notes
    -----
    An address that begins with @ is an abstract one.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    lines = "\n".join(f"{name}={' '.join(str(value).split())}" for name, value in variables.items())
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as to:
            to.sendto(lines.encode(), f"\0{address[1:]}" if address.startswith("@") else address)
    except OSError as error:
        log.warning("the service manager cannot be told anything: %s", error)
        return False
    return True


def sd_notify_reloading() -> bool:
    """Tell that the settings are read anew; READY=1 follows when they are."""
    return sd_notify(RELOADING=1, MONOTONIC_USEC=monotonic_ns() // 1000)

"""The page on a server of its own, for a browser."""

from typing import Final

from daemon.domain.snapshot import Snapshot
from daemon.page.server import PageServer, create_app
from tests.browser.screens import SCREENS

PATIENCE: Final = 20_000  # [ms] of a browser with it


class Site:
    """The page on a server of its own, which shows what it is told to.

    Attributes
    ----------
    shown : Snapshot
    address : str
        Without a slash at its end.
    """

    def __init__(self) -> None:
        self.shown: Snapshot = SCREENS["mowing"]()
        self._server = PageServer(create_app(lambda: self.shown), "127.0.0.1", 0)
        self.address = self._server.address.rstrip("/")

    def close(self) -> None:
        """Serve no more."""
        self._server.close()

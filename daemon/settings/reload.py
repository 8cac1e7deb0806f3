"""The settings file while the service runs: read anew when it changes, and the old ones kept where it has mistakes."""

import logging
import threading
from pathlib import Path

from daemon.domain.farm import Farm
from daemon.settings import SettingsError, load

log = logging.getLogger(__name__)

FileStamp = tuple[int, int, int] | None


class SettingsFile:
    """A settings file and the farm that it described when it was last without mistakes.

    Parameters
    ----------
    path : Path

    Raises
    ------
    SettingsError
        If it has mistakes now.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._stamp_in_use = self._last_stamp = _file_stamp(path)
        self.farm: Farm = load(path, in_service=True)
        self.mistakes: tuple[str, ...] = ()
        self._reload_requested = threading.Event()

    def request_reload(self) -> None:
        """Have it read anew at the next round, changed or not; it may be called by a signal handler."""
        self._reload_requested.set()

    def reload_if_changed(self) -> bool:
        """Read the file anew if it has changed since the call before the last or that was asked for; return whether.

        Notes
        -----
        With mistakes in it the former farm stays, and `mistakes` names them, one a line.
        """
        mark = _file_stamp(self.path)
        # Only once it stays the same from call to call: an editor may be in the middle of it.
        settled, self._last_stamp = mark == self._last_stamp, mark
        if not self._reload_requested.is_set() and (mark == self._stamp_in_use or not settled):
            return False
        self._reload_requested.clear()
        self._stamp_in_use = mark
        try:
            self.farm, self.mistakes = load(self.path, in_service=True), ()
            log.info("the settings of %s are in use", self.path)
        except SettingsError as error:
            self.mistakes = tuple(str(problem) for problem in error.problems)
            log.error("the former settings stay in use, because of mistakes in the file: %s", "; ".join(self.mistakes))
        return True


def _file_stamp(path: Path) -> FileStamp:
    """Return what tells one state of a file from another, None where it cannot be had."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino

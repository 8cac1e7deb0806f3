"""Reloads the settings file while the service runs; while the file has mistakes the former settings stay in use."""

import logging
import threading
from pathlib import Path

from daemon.domain.farm import Farm
from daemon.settings import SettingsError, load

log = logging.getLogger(__name__)

FileStamp = tuple[int, int, int] | None


class SettingsFile:
    """A settings file, and the farm that it described when it last had no mistakes.

    Parameters
    ----------
    path : Path

    Raises
    ------
    SettingsError
        If the file has mistakes now.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._stamp_in_use = self._last_stamp = _file_stamp(path)
        self.farm: Farm = load(path, in_service=True)
        self.mistakes: tuple[str, ...] = ()
        self._reload_requested = threading.Event()

    def request_reload(self) -> None:
        """Have the next call of `reload_if_changed` reload the file, changed or not; a signal handler may call it."""
        self._reload_requested.set()

    def reload_if_changed(self) -> bool:
        """Reload the file if it changed or a reload was requested, and return whether it was reloaded.

        Notes
        -----
        A change counts once the file is the same at two calls, for an editor may be writing it at the first. If the
        file has mistakes the former farm stays in use, and `mistakes` names them.
        """
        stamp = _file_stamp(self.path)
        is_settled = stamp == self._last_stamp
        self._last_stamp = stamp
        has_changed = is_settled and stamp != self._stamp_in_use
        if not has_changed and not self._reload_requested.is_set():
            return False
        self._reload_requested.clear()
        self._stamp_in_use = stamp
        self._reload()
        return True

    def _reload(self) -> None:
        try:
            self.farm, self.mistakes = load(self.path, in_service=True), ()
            log.info("the settings of %s are in use", self.path)
        except SettingsError as error:
            self.mistakes = tuple(str(problem) for problem in error.problems)
            log.error("the former settings stay in use, because of mistakes in the file: %s", "; ".join(self.mistakes))


def _file_stamp(path: Path) -> FileStamp:
    """Return values that differ between two versions of a file, None if it cannot be read."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size, status.st_ino

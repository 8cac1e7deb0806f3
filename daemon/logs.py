"""How events are logged: one line each, with the priorities of the journal under the service manager, or as JSON.

References
----------
sd-daemon(3) of systemd: a line that begins with <N> has that priority, by the numbers of RFC 5424. systemd.exec(5):
JOURNAL_STREAM holds device and inode of the stream that is connected to the journal.
"""

import json
import logging
import os
import sys
from datetime import UTC, datetime
from typing import Final

PRIORITIES: Final = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}


def set_up(*, as_json: bool = False) -> None:
    """Log to standard error, all that is worth a line."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines() if as_json else PlainLines(journal=_is_journal()))
    logging.basicConfig(level=logging.INFO, handlers=[handler])


class PlainLines(logging.Formatter):
    """One line for an event: a line break in it would look like another event.

    Parameters
    ----------
    journal : bool
        Whether lines begin with their priority instead of naming their level.
    """

    def __init__(self, *, journal: bool) -> None:
        super().__init__("%(name)s: %(message)s" if journal else "%(levelname)s %(name)s: %(message)s")
        self._journal = journal

    def format(self, record: logging.LogRecord) -> str:
        """Return the event on one line, what broke down with it behind it."""
        line = super().format(record).replace("\r", "\\r").replace("\n", "\\n")
        return f"<{PRIORITIES.get(record.levelno, 6)}>{line}" if self._journal else line


class JsonLines(logging.Formatter):
    """One JSON object on one line for an event."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the event with its time in UTC."""
        said = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            said["trace"] = self.formatException(record.exc_info)
        return json.dumps(said, ensure_ascii=False)


def _is_journal() -> bool:
    """Return whether standard error goes to the journal, and not to a file that it was sent to since."""
    device, _, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
    try:
        found = os.fstat(sys.stderr.fileno())
        return (int(device), int(inode)) == (found.st_dev, found.st_ino)
    except (ValueError, OSError):
        return False

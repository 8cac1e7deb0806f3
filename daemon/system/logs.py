"""How events are logged: one line each, with the priorities of the journal under the service manager, or as JSON.

References
----------
sd-daemon(3) of systemd: a line that begins with <N> has that priority, by the numbers of RFC 5424. systemd.exec(5):
JOURNAL_STREAM holds device and inode of the stream that is connected to the journal.
"""

import json
import logging
import os
import re
import sys
import threading
from datetime import UTC, datetime
from types import TracebackType
from typing import Final

log = logging.getLogger(__name__)

# All that some reader may take for the end of a line or a terminal for an order.
UNPRINTABLE: Final = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
CHATTY_LOGGERS: Final = ("apscheduler", "daemon.weather")  # each round and each request: for who looks for a fault
PRINTED_LOGGERS: Final = ("daemon.messages.outbox.store",)  # says what a command prints too
PRIORITIES: Final = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}


def set_up_logging(*, as_json: bool = False, for_command: bool = False, verbose: bool = False) -> None:
    """Log to standard error what is worth a line.

    Parameters
    ----------
    as_json : bool
        Whether each line is a JSON object.
    for_command : bool
        Whether a command is typed that prints what it does: then only what is amiss is logged.
    verbose : bool
        Whether each step is logged, each round and each request too.
    """
    handler = logging.StreamHandler(sys.stderr)
    journal = _is_journal()
    handler.setFormatter(JsonFormatter() if as_json else PlainFormatter(journal=journal))
    if not verbose:
        handler.addFilter(lambda record: record.levelno >= _least_level(record.name, for_command=for_command))
    logging.basicConfig(level=logging.INFO, handlers=[handler])
    if as_json or journal:  # somebody at a terminal reads a breakdown better on many lines
        logging.captureWarnings(True)
        sys.excepthook = _log_uncaught
        threading.excepthook = lambda said: _log_uncaught(said.exc_type, said.exc_value, said.exc_traceback)


def _least_level(name: str, *, for_command: bool) -> int:
    """Return the least level at which a line of some part is worth it."""
    if for_command and name in PRINTED_LOGGERS:
        return logging.ERROR
    return logging.WARNING if for_command or name.startswith(CHATTY_LOGGERS) else logging.INFO


def _log_uncaught(kind: type[BaseException], error: BaseException | None, trace: TracebackType | None) -> None:
    """Log what nobody caught; Python itself would print it on many lines."""
    if error is not None:
        log.critical("broken down: %s", kind.__name__, exc_info=(kind, error, trace))


def report_problem(error: Exception, *, as_json: bool) -> None:
    """Say on standard error why a command ends, as the log is written."""
    if as_json:
        log.error("%s", error)
    else:
        print(error, file=sys.stderr)


class PlainFormatter(logging.Formatter):
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
        line = UNPRINTABLE.sub(lambda found: repr(found[0])[1:-1], super().format(record))
        return f"<{PRIORITIES.get(record.levelno, 6)}>{line}" if self._journal else line


class JsonFormatter(logging.Formatter):
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
        return json.dumps(said)  # in ASCII, where nothing else can end a line


def _is_journal() -> bool:
    """Return whether standard error goes to the journal, and not to a file that it was sent to since."""
    device, _, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
    try:
        found = os.fstat(sys.stderr.fileno())
        return (int(device), int(inode)) == (found.st_dev, found.st_ino)
    except (ValueError, OSError):
        return False

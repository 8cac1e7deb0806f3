"""Logging: one line for each event, as plain text, with the priorities of the journal, or as JSON.

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

# Characters that a reader may take for the end of a line, or a terminal for a command.
UNPRINTABLE: Final = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]")
CHATTY_LOGGERS: Final = ("apscheduler", "daemon.weather")  # log each round and each request, for finding a fault
PRINTED_LOGGERS: Final = ("daemon.messages.outbox.store",)  # log what a command prints too
PRIORITIES: Final = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}


def set_up_logging(*, as_json: bool = False, for_command: bool = False, verbose: bool = False) -> None:
    """Set up logging to standard error.

    Parameters
    ----------
    as_json : bool
        Whether each line is a JSON object.
    for_command : bool
        Whether a command runs that prints what it does: then only warnings and errors are logged.
    verbose : bool
        Whether everything is logged, down to each round and each request.
    """
    handler = logging.StreamHandler(sys.stderr)
    journal = _is_journal()
    handler.setFormatter(JsonFormatter() if as_json else PlainFormatter(journal=journal))
    if not verbose:
        handler.addFilter(lambda record: record.levelno >= _least_level(record.name, for_command=for_command))
    logging.basicConfig(level=logging.INFO, handlers=[handler])
    if as_json or journal:  # on a terminal a traceback is easier to read on many lines
        logging.captureWarnings(True)
        sys.excepthook = _log_uncaught
        threading.excepthook = lambda args: _log_uncaught(args.exc_type, args.exc_value, args.exc_traceback)


def _least_level(name: str, *, for_command: bool) -> int:
    """Return the lowest level at which a logger's events are logged."""
    if for_command and name in PRINTED_LOGGERS:
        return logging.ERROR
    if for_command or name.startswith(CHATTY_LOGGERS):
        return logging.WARNING
    return logging.INFO


def _log_uncaught(kind: type[BaseException], error: BaseException | None, trace: TracebackType | None) -> None:
    """Log an uncaught exception as one event; Python itself would print it on many lines."""
    if error is not None:
        log.critical("broken down: %s", kind.__name__, exc_info=(kind, error, trace))


def report_problem(error: Exception, *, as_json: bool) -> None:
    """Report on standard error why a command ends, in the form of the log."""
    if as_json:
        log.error("%s", error)
    else:
        print(error, file=sys.stderr)


class PlainFormatter(logging.Formatter):
    """Formats an event as one line: a line break in it would look like another event.

    Parameters
    ----------
    journal : bool
        Whether lines begin with their priority instead of naming their level.
    """

    def __init__(self, *, journal: bool) -> None:
        super().__init__("%(name)s: %(message)s" if journal else "%(levelname)s %(name)s: %(message)s")
        self._journal = journal

    def format(self, record: logging.LogRecord) -> str:
        """Return the event on one line, with its traceback at the end."""
        line = UNPRINTABLE.sub(lambda match: repr(match[0])[1:-1], super().format(record))
        if self._journal:
            return f"<{PRIORITIES.get(record.levelno, 6)}>{line}"
        return line


class JsonFormatter(logging.Formatter):
    """Formats an event as a JSON object on one line."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the event with its time in UTC."""
        event = {
            "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": record.getMessage(),
        }
        if record.exc_info:
            event["trace"] = self.formatException(record.exc_info)
        return json.dumps(event)  # in ASCII, which has no other line ends than those that JSON escapes


def _is_journal() -> bool:
    """Return whether standard error is the journal's stream, and was not redirected since."""
    device, _, inode = os.environ.get("JOURNAL_STREAM", "").partition(":")
    try:
        status = os.fstat(sys.stderr.fileno())
        return (int(device), int(inode)) == (status.st_dev, status.st_ino)
    except (ValueError, OSError):
        return False

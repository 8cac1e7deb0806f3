"""One SQLite file that is opened anew by every call, and what is said where it cannot be used."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from stat import S_IWGRP
from typing import ClassVar, Final

SHARED_MODE: Final = 0o660  # by the service and whoever is in its group; SQLite's files beside it are made alike
# What to do about an error of SQLite, where it is not the one or the other of the usual two.
_ERROR_ADVICE: Final = {
    sqlite3.SQLITE_FULL: "free some room on its disk",
    sqlite3.SQLITE_IOERR: "see whether its disk is full or broken",
    sqlite3.SQLITE_BUSY: "another program holds it: wait for that one to end",
    sqlite3.SQLITE_LOCKED: "another program holds it: wait for that one to end",
}


class SqliteStore:
    """A file of something kept, which is made with its folder when it is opened first.

    Every call opens it anew, so the service, the page's threads and a command may use it at once. It has no write-ahead
    log: who must not write in its folder can read it all the same.

    Parameters
    ----------
    path : Path
        The file.
    """

    contents: ClassVar[str]  # is kept, as errors name it
    error_class: ClassVar[type[Exception]]  # raised where the file cannot be used
    corrupt_errors: ClassVar[tuple[type[Exception], ...]]  # what reading a file that holds something else may raise
    file_mode: ClassVar[int] = 0o666  # but for the umask, in a folder that no group shares

    def __init__(self, path: Path) -> None:
        self._path = path

    def _exists(self) -> bool:
        try:
            return self._path.exists()
        except OSError as error:
            raise self._unusable_error(error) from error

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        unusable: tuple[type[Exception], ...] = (sqlite3.Error, OSError, *self.corrupt_errors)
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._create_file()
            with closing(sqlite3.connect(self._path, timeout=10.0, isolation_level=None)) as db:
                yield db
        except unusable as error:
            raise self._unusable_error(error) from error

    def _create_file(self) -> None:
        """Make an empty file that is shared as its folder is: SQLite's own could be written by none but who made it."""
        if not self._path.exists():
            self._path.touch(mode=self.file_mode)
            if self._path.parent.stat().st_mode & S_IWGRP:
                self._path.chmod(SHARED_MODE)

    def _unusable_error(self, error: Exception) -> Exception:
        code: int = getattr(error, "sqlite_errorcode", 0) & 0xFF  # without what is particular to it
        advice = _ERROR_ADVICE.get(code, "make its folder writable, or move the file away")
        return self.error_class(f"{self.contents}: {self._path} cannot be used ({error}); {advice}")

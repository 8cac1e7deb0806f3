"""Base class of the SQLite stores: each call opens the file, and an error says what to do about the file."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from stat import S_IWGRP
from typing import ClassVar, Final

SHARED_MODE: Final = 0o660  # for the service and its group; SQLite gives the same mode to its files beside it
# What to do about an error of SQLite, where the usual advice of `_unusable_error` would be wrong.
_ERROR_ADVICE: Final = {
    sqlite3.SQLITE_FULL: "free some room on its disk",
    sqlite3.SQLITE_IOERR: "see whether its disk is full or broken",
    sqlite3.SQLITE_BUSY: "another program holds it: wait for that one to end",
    sqlite3.SQLITE_LOCKED: "another program holds it: wait for that one to end",
}


class SqliteStore:
    """A SQLite file, which is created with its folder when it is first opened.

    Every call opens the file anew, so the service, the page's threads and a command may use it at once. It has no
    write-ahead log, so that it can be read without the right to write in its folder.

    Parameters
    ----------
    path : Path
        The file.
    """

    contents: ClassVar[str]  # name of what the file keeps, for error texts
    error_class: ClassVar[type[Exception]]  # raised where the file cannot be used
    corrupt_errors: ClassVar[tuple[type[Exception], ...]]  # what reading a file with other contents may raise
    file_mode: ClassVar[int] = 0o666  # before the umask, in a folder that no group shares

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
        """Create an empty file that the folder's group may write; SQLite would create it for its owner alone."""
        if not self._path.exists():
            self._path.touch(mode=self.file_mode)
            if self._path.parent.stat().st_mode & S_IWGRP:
                self._path.chmod(SHARED_MODE)

    def _unusable_error(self, error: Exception) -> Exception:
        code: int = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the primary code, without the extended part
        advice = _ERROR_ADVICE.get(code, "make its folder writable, or move the file away")
        return self.error_class(f"{self.contents}: {self._path} cannot be used ({error}); {advice}")

"""Problems in a settings file: each names the line, the key and the nearest fix."""

import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from daemon.settings.text.literals import MAX_INTEGER
from daemon.settings.text.mistakes import mend_line

MAX_FILE_SIZE: Final = 1_000_000  # [bytes] a settings file has a few kilobytes; one as large as this is another file
MAX_SLIPS: Final = 50  # most lines that are mended in one file
MAX_DEPTH: Final = 20  # of tables and arrays within each other; the options need five

Container = dict[str, Any] | list[Any]


@dataclass(frozen=True)
class Problem:
    """A mistake in a settings file, or something in it that may be one.

    Parameters
    ----------
    file : str
        Name of the file.
    line : int or None
        Line of the key [1 for the first], None if the file does not have the key.
    key : str
        The key with its section, as ``[work] hands``.
    given, allowed, fix : str
        What the file says, what is allowed there, and what to do; a secret is masked in `given`.
    """

    file: str
    line: int | None
    key: str
    given: str
    allowed: str
    fix: str

    def __str__(self) -> str:
        """Return the problem on one line."""
        where = self.file if self.line is None else f"{self.file} line {self.line}"
        return f"{where}: {self.key}: given {self.given}, allowed {self.allowed}; {self.fix}"


@dataclass(frozen=True)
class Report:
    """The result of a check of a settings file: problems stop the program, warnings do not."""

    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...] = ()

    def __str__(self) -> str:
        """Return one line for each problem, then for each warning."""
        problems = [str(problem) for problem in self.problems]
        warnings = [f"warning: {warning}" for warning in self.warnings]
        return "\n".join([*problems, *warnings])


class SettingsError(Exception):
    """The settings cannot be used; the text names every problem, one a line."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = tuple(problems)


def nearest_word(word: str, words: Sequence[str]) -> str | None:
    """Return the one of some words that a word resembles most, None if it resembles none.

    >>> nearest_word("Timothi", ["timothy", "orchardgrass"])
    'timothy'
    """
    folded = {name.casefold(): name for name in words}
    matches = get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.5)
    return folded[matches[0]] if matches else None


def read_text(path: Path) -> str:
    """Return the text of a settings file.

    Raises
    ------
    SettingsError
        The file is missing, a folder, unreadable, far too large or not UTF-8.
    """
    try:
        content = _read_bytes(path)
    except OSError as error:
        raise _file_error(path, *_read_failure(error)) from error
    try:
        return content.decode("utf-8-sig")  # some editors put a byte order mark in front
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise _file_error(path, "text that is not UTF-8", "save the file as UTF-8", line) from error


def _read_bytes(path: Path) -> bytes:
    if path.exists() and not (path.is_file() or path.is_dir()):  # reading a pipe or a device would block
        raise _file_error(path, "something that is no file", "give the path of the settings file")
    size = path.stat().st_size
    if size > MAX_FILE_SIZE:
        raise _file_error(path, f"{size} bytes", "give the path of the settings file")
    return path.read_bytes()


def _read_failure(error: OSError) -> tuple[str, str]:
    """Return what is wrong with a file and what to do, from the error alone: another call on the file may fail too."""
    if isinstance(error, IsADirectoryError):
        return "a folder", "give the path of the file in it"
    if isinstance(error, FileNotFoundError):
        return "a path where there is no file", "copy config.example.toml there and change it to suit the farm"
    if isinstance(error, PermissionError):
        return "a file that may not be read", "let the user who runs the program read it"
    return f"a file that cannot be read ({error.strerror})", "give the path of the settings file"


def _file_error(path: Path, given: str, fix: str, line: int | None = None) -> SettingsError:
    return SettingsError([Problem(str(path), line, "the file", given, "a TOML file in UTF-8", fix)])


@dataclass(frozen=True)
class ParsedFile:
    """The tables of a settings file, after mending the lines that are not TOML but clear in meaning.

    Parameters
    ----------
    tables : dict
    text : str
        The mended text, from which the tables were read.
    problems : sequence of Problem
        One for each mended line.
    """

    tables: dict[str, object]
    text: str
    problems: Sequence[Problem] = ()


def parse_toml(text: str, file: str) -> ParsedFile:
    """Return the tables of a TOML text; whole numbers beyond `MAX_INTEGER` are limited to it.

    Notes
    -----
    A line such as ``last_cut = 4.6.2026`` is reported and read as it is meant, so that it does not hide the other
    mistakes in the file.

    Raises
    ------
    SettingsError
        The text is not TOML, which names the line, or its tables are nested too deep.
    """
    problems: list[Problem] = []
    for _ in range(MAX_SLIPS):
        try:
            return ParsedFile(_limit_tables(tomllib.loads(text)), text, problems)
        except RecursionError as error:
            given, fix = "brackets nested too deep, or too many dots in a key", "take them out"
            raise SettingsError([Problem(file, None, "the file", given, "TOML", fix)]) from error
        except ValueError as error:  # not TOML, or a whole number with more digits than Python converts
            slip = mend_line(text, _error_line(str(error), text))
            if slip is None:
                raise SettingsError([*problems, _syntax_problem(str(error), text, file)]) from error
            problems.append(Problem(file, slip.line, slip.key, slip.given, slip.allowed, f"write {slip.mended_line}"))
            text = slip.text
    raise SettingsError(problems)


def _limit_tables(tables: dict[str, object]) -> dict[str, object]:
    """Limit the whole numbers in the tables, in place, and return them; raises RecursionError if they are too deep.

    TOML sets no limit to the digits of a hexadecimal number, nor to the dots of a key.
    """
    waiting: list[tuple[Container, int]] = [(tables, 1)]
    while waiting:
        container, depth = waiting.pop()
        if depth > MAX_DEPTH:
            raise RecursionError
        for key, value in _items_of(container):
            if isinstance(value, dict | list):
                waiting.append((value, depth + 1))
            elif isinstance(value, int) and abs(value) > MAX_INTEGER:
                container[key] = MAX_INTEGER if value > 0 else -MAX_INTEGER
    return tables


def _items_of(container: Container) -> Iterable[tuple[Any, object]]:
    """Return the values of a table with their keys, or those of an array with their indices."""
    return container.items() if isinstance(container, dict) else enumerate(container)


def _error_line(message: str, text: str) -> int:
    """Return the line that a message of the TOML parser is about [1 for the first], the last if it names none."""
    match = re.search(r"\(at line (\d+), column \d+\)", message)
    return int(match[1]) if match else len(text.splitlines()) or 1


def _syntax_problem(message: str, text: str, file: str) -> Problem:
    cause = re.sub(r"\s*\(at .*\)", "", message).rstrip(".")
    given = f"text that is not TOML{_error_position(message)} ({cause})"
    fix = "put words and times in quotes, and give each key and each section once"
    return Problem(file, _error_line(message, text), "the file", given, "TOML", fix)


def _error_position(message: str) -> str:
    """Return in words where in its line the mistake is that a message of the TOML parser is about."""
    if match := re.search(r"column (\d+)\)", message):
        return f" at column {match[1]}"
    return " at the end of the file" if "end of document" in message else ""

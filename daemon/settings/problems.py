"""What is wrong in a settings file, said so that it can be put right: the line, the key and the nearest fix."""

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from daemon.settings.text.literals import MAX_INTEGER
from daemon.settings.text.mistakes import mend_line

MAX_FILE_SIZE: Final = 1_000_000  # [bytes] a settings file is a few kilobytes; anything like this is another file
MAX_SLIPS: Final = 50  # lines that are mended in one file
MAX_DEPTH: Final = 20  # brackets and dots within each other; options need five


@dataclass(frozen=True)
class Problem:
    """One thing to put right, or to think about, in a settings file.

    Parameters
    ----------
    file : str
        Name of the file.
    line : int or None
        Line of the key [1 for the first], None where it has none.
    key : str
        The key with its section, as ``[work] hands``.
    given, allowed, fix : str
        What the file says, what may stand there, and the nearest thing to do; a secret is masked in `given`.
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
    """What a check of a settings file found: problems stop the program, warnings do not."""

    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...] = ()

    def __str__(self) -> str:
        """Return one line for each problem, then for each warning."""
        return "\n".join([str(problem) for problem in self.problems] + [f"warning: {w}" for w in self.warnings])


class SettingsError(Exception):
    """The settings cannot be used; the text names every problem, one a line."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = tuple(problems)


def nearest_word(word: str, words: Sequence[str]) -> str | None:
    """Return the known word most like the one given, None if none is like it.

    >>> nearest_word("Timothi", ["timothy", "orchardgrass"])
    'timothy'
    """
    folded = {name.casefold(): name for name in words}
    found = get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.5)
    return folded[found[0]] if found else None


def read_text(path: Path) -> str:
    """Return the text of a settings file.

    Raises
    ------
    SettingsError
        The file is missing, a folder, unreadable, far too large or not UTF-8.
    """
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise _file_error(path, "something that is no file", "give the path of the settings file")
        if path.stat().st_size > MAX_FILE_SIZE:
            raise _file_error(path, f"{path.stat().st_size} bytes", "give the path of the settings file")
        content = path.read_bytes()
    except OSError as error:
        raise _file_error(path, *_read_failure(error)) from error
    try:
        return content.decode("utf-8-sig")  # some editors put a byte order mark in front
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise _file_error(path, "text that is not UTF-8", "save the file as UTF-8", line) from error


def _read_failure(error: OSError) -> tuple[str, str]:
    """Return what a file that cannot be read is; it is asked nothing more, for that could fail in its turn."""
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
    """The tables of a settings file, with the lines mended that are not TOML but say what is meant.

    Parameters
    ----------
    tables : dict
    text : str
        What they were read from.
    problems : sequence of Problem
        One for each line that was mended.
    """

    tables: dict[str, object]
    text: str
    problems: Sequence[Problem] = ()


def parse_toml(text: str, file: str) -> ParsedFile:
    """Return the tables of a TOML text; a whole number of more than 18 digits becomes the largest that is written out.

    Notes
    -----
    A line such as ``last_cut = 4.6.2026`` is named with what to write, and read as that: it hides no other mistake.

    Raises
    ------
    SettingsError
        The text is not TOML; names the line. Or its brackets are nested too deep.
    """
    problems: list[Problem] = []
    for _ in range(MAX_SLIPS):
        try:
            return ParsedFile(_limit_tables(tomllib.loads(text)), text, problems)
        except RecursionError as error:
            given, fix = "brackets nested too deep, or too many dots in a key", "take them out"
            raise SettingsError([Problem(file, None, "the file", given, "TOML", fix)]) from error
        except ValueError as error:  # also a whole number of thousands of digits
            slip = mend_line(text, _error_line(str(error), text))
            if slip is None:
                raise SettingsError([*problems, _syntax_problem(str(error), text, file)]) from error
            problems.append(Problem(file, slip.line, slip.key, slip.given, slip.allowed, f"write {slip.mended_line}"))
            text = slip.text
    raise SettingsError(problems)


def _limit_tables(tables: dict[str, object]) -> dict[str, object]:
    """Return tables that can be walked and written out; raises RecursionError where they are too deep for that.

    TOML sets no bound to the digits of a hexadecimal number, nor to the dots of a key.
    """
    waiting: list[tuple[object, int]] = [(tables, 1)]
    while waiting:
        held, depth = waiting.pop()
        if depth > MAX_DEPTH:
            raise RecursionError
        items = held.items() if isinstance(held, dict) else enumerate(held) if isinstance(held, list) else ()
        for key, value in items:
            if isinstance(value, dict | list):
                waiting.append((value, depth + 1))
            elif isinstance(value, int) and abs(value) > MAX_INTEGER:
                held[key] = MAX_INTEGER if value > 0 else -MAX_INTEGER  # type: ignore[index]
    return tables


def _error_line(message: str, text: str) -> int:
    """Return the line that a message of the parser is about [1 for the first]."""
    at = re.search(r"\(at line (\d+), column \d+\)", message)
    return int(at[1]) if at else len(text.splitlines()) or 1


def _syntax_problem(message: str, text: str, file: str) -> Problem:
    at = re.search(r"column (\d+)\)", message)
    where = f" at column {at[1]}" if at else " at the end of the file" if "end of document" in message else ""
    said = re.sub(r"\s*\(at .*\)", "", message).rstrip(".")
    fix = "put words and times in quotes, and give each key and each section once"
    return Problem(file, _error_line(message, text), "the file", f"text that is not TOML{where} ({said})", "TOML", fix)

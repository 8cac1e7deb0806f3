"""Finds the line of each key in a TOML text, which the parser of the standard library does not report."""

import re
import tomllib
from collections.abc import Iterator
from typing import Final

KeyPath = tuple[str | int, ...]

_TOKEN: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'  # the text of a multi-line string may itself end with up to two quotes
    r"|'''.*?'{3,5}"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|\#[^\n]*"
    r"|\n"
    r"|[\[\]{},=.]"
    r"|[^\s\[\]{},=.\#\"']+",
    re.DOTALL,
)


def key_lines(text: str) -> dict[KeyPath, int]:
    r"""Return the line of each section, key and array item of a TOML text that has been parsed without error.

    Parameters
    ----------
    text : str
        The TOML text.

    Returns
    -------
    dict
        From the path, with the index where there is an array, to the line [1 for the first].

    Examples
    --------
    >>> key_lines("[work]\nhands = 2\n[[field]]\nname = 'a'")[("field", 0, "name")]
    4
    """
    return _KeyLineWalker(text).lines


class _KeyLineWalker:
    """Walks over the tokens of a TOML text and notes the line of each key."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._counts: dict[KeyPath, int] = {}  # how many tables each array of tables has so far
        self._tokens = list(_scan_tokens(text))
        self._position = 0
        section: KeyPath = ()
        while self._token() is not None:
            if self._token() == "[":
                section = self._read_header()
            elif self._token() == "\n":
                self._position += 1
            else:
                self._read_pair(section)

    def _token(self) -> str | None:
        return self._tokens[self._position][0] if self._position < len(self._tokens) else None

    def _line_number(self) -> int:
        return self._tokens[self._position][1]

    def _read_names(self, end: str) -> list[str]:
        """Return the names of a dotted key and stop at the token that ends it."""
        names = []
        while (token := self._token()) not in (end, None):
            if token not in (".", "\n"):
                names.append(_unquote(str(token)))
            self._position += 1
        return names

    def _read_header(self) -> KeyPath:
        """Return the path of the table that a header begins."""
        line = self._line_number()
        self._position += 1
        is_array = self._token() == "["
        self._position += is_array
        names = self._read_names("]")
        self._position += 1 + is_array
        path: KeyPath = (*self._current_path(names[:-1]), names[-1])
        if is_array:
            self._counts[path] = self._counts.get(path, 0) + 1
        path = self._with_index(path)
        self.lines.setdefault(path, line)
        return path

    def _current_path(self, names: list[str]) -> KeyPath:
        """Return the path of the table that the names mean here: of an array of tables the last one so far."""
        path: KeyPath = ()
        for name in names:
            path = self._with_index((*path, name))
        return path

    def _with_index(self, path: KeyPath) -> KeyPath:
        """Return a path with the index of the last table so far, where it is of an array of tables."""
        if path in self._counts:
            return (*path, self._counts[path] - 1)
        return path

    def _read_pair(self, section: KeyPath) -> None:
        line = self._line_number()
        path = section
        for name in self._read_names("="):
            path = (*path, name)
            self.lines.setdefault(path, line)
        self._position += 1
        self._read_value(path)

    def _read_value(self, path: KeyPath) -> None:
        opening = self._token()
        if opening == "[":
            self._read_items(path)
        elif opening == "{":
            self._read_inline_table(path)
        else:
            while self._token() not in (",", "]", "}", "\n", None):
                self._position += 1

    def _read_items(self, path: KeyPath) -> None:
        self._position += 1
        index = 0
        while (token := self._token()) not in ("]", None):
            if token in (",", "\n"):
                self._position += 1
                continue
            self.lines.setdefault((*path, index), self._line_number())
            self._read_value((*path, index))
            index += 1
        self._position += 1

    def _read_inline_table(self, path: KeyPath) -> None:
        self._position += 1
        while (token := self._token()) not in ("}", None):
            if token in (",", "\n"):
                self._position += 1
            else:
                self._read_pair(path)
        self._position += 1


def _scan_tokens(text: str) -> Iterator[tuple[str, int]]:
    """Yield the tokens of a TOML text with their lines, without the comments."""
    line, last = 1, 0
    for match in _TOKEN.finditer(text):
        line += text.count("\n", last, match.start())
        last = match.start()
        if not match[0].startswith("#"):
            yield match[0], line


def _unquote(key: str) -> str:
    """Return a key without its quotes, if it has any."""
    if key[0] in "\"'":
        return str(tomllib.loads(f"x = {key}")["x"])
    return key

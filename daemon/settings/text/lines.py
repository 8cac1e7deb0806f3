"""Finds the line on which each key of a TOML text stands, which the standard library's parser does not keep."""

import re
import tomllib
from collections.abc import Iterator
from typing import Final

KeyPath = tuple[str | int, ...]

_TOKEN: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}'  # a string of several lines may end with two quotes of its own
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
    """Walks over the tokens of a TOML text and notes where each key stands."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._counts: dict[KeyPath, int] = {}
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
        names = []
        while (token := self._token()) not in (end, None):
            if token not in (".", "\n"):
                names.append(_unquote(str(token)))
            self._position += 1
        return names

    def _read_header(self) -> KeyPath:
        line = self._line_number()
        self._position += 1
        many = self._token() == "["
        self._position += many
        names = self._read_names("]")
        self._position += 1 + many
        path: KeyPath = ()
        for depth, name in enumerate(names):
            path = (*path, name)
            if many and depth == len(names) - 1:
                self._counts[path] = self._counts.get(path, 0) + 1
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        self.lines.setdefault(path, line)
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
    line, last = 1, 0
    for match in _TOKEN.finditer(text):
        line += text.count("\n", last, match.start())
        last = match.start()
        if not match[0].startswith("#"):
            yield match[0], line


def _unquote(key: str) -> str:
    return str(tomllib.loads(f"x = {key}")["x"]) if key[0] in "\"'" else key

"""Every sentence that a farm is told, out of one table: `daemon/words/english.toml`, or a file beside it."""

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache, reduce
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Any, Final

ENGLISH: Final = "english"

Catalog = Mapping[str, str]  # from a key, "text.job", to a template with named places

# Each thread has its own, so that farms of several languages can live in one process.
_in_use: ContextVar[Catalog] = ContextVar("catalog")


def load_catalog(language: str = ENGLISH, folder: Traversable | None = None) -> Catalog:
    """Return the sentences of a language.

    Parameters
    ----------
    language : str
        The name of its file, without ``.toml``.
    folder : Traversable, optional
        Where the file lies, as a rule in the package.

    Raises
    ------
    ValueError
        If an entry is neither a sentence nor a table of them.
    """
    path = (folder or files("daemon") / "words") / f"{language}.toml"
    return dict(_entries(tomllib.loads(path.read_text(encoding="utf-8")), ""))


@cache
def english() -> Catalog:
    """Return the English sentences, read from disk once."""
    return load_catalog()


@contextmanager
def use_catalog(catalog: Catalog) -> Iterator[None]:
    """Take every sentence made inside the `with` block, in this thread, from a catalog.

    >>> with use_catalog({"odds.in_ten": "{count} sur 10"}):
    ...     phrase("odds.in_ten", count=7)
    '7 sur 10'
    """
    token = _in_use.set(catalog)
    try:
        yield
    finally:
        _in_use.reset(token)


def current_catalog() -> Catalog:
    """Return the catalog in use, the English one where none was chosen."""
    return _in_use.get(None) or english()


def phrase(key: str, /, **places: object) -> str:
    """Return a sentence with its places filled in.

    Raises
    ------
    KeyError
        For a key or a place that is missing: a mistake of the program, not of who uses it.

    Examples
    --------
    >>> phrase("odds.in_ten", count=7)
    '7 in 10'
    """
    return current_catalog()[key].format_map(places)


def plural(key: str, count: int | str, /, **places: object) -> str:
    """Return a sentence that is another for one than for many.

    Examples
    --------
    >>> plural("time.hours", 1), plural("time.hours", 3)
    ('1 hour', '3 hours')
    """
    return phrase(f"{key}.{'one' if str(count) == '1' else 'many'}", count=count, **places)


def join(pieces: Iterable[str], by: str = "lists.comma", last: str = "") -> str:
    """Return pieces one after the other, empty ones left out.

    Parameters
    ----------
    pieces : iterable of str
    by, last : str
        The keys by which two pieces are joined, and what is left with the last one.

    Examples
    --------
    >>> join(["Long Meadow", "", "Creek", "Hill"], last="lists.and")
    'Long Meadow, Creek and Hill'
    """
    *front, end = [piece for piece in pieces if piece] or [""]
    if not front:
        return end
    before = reduce(lambda one, other: phrase(by, first=one, last=other), front)
    return phrase(last or by, first=before, last=end)


def name_of(section: str, name: str) -> str:
    """Return what a language calls a thing, its own name where the language knows no other.

    Parameters
    ----------
    section : str
        Of the table.
    name : str
        As the program or the settings have it.

    Examples
    --------
    >>> name_of("stages", "early heads"), name_of("stages", "R2")
    ('early heads', 'R2')
    """
    key = f"{section}.{name.replace(' ', '_')}"
    return phrase(key) if key in current_catalog() else name


def with_aside(words: str, aside: str) -> str:
    """Return words with what is said beside them, if anything.

    >>> with_aside("20 acres", "7 in 10"), with_aside("20 acres", "")
    ('20 acres (7 in 10)', '20 acres')
    """
    return phrase("lists.beside", words=words, aside=aside) if aside else words


def capitalize_first(words: str) -> str:
    """Return words as they begin a sentence."""
    return words[:1].upper() + words[1:]


def as_sentence(words: str) -> str:
    """Return words as a sentence, nothing of nothing.

    >>> as_sentence("cut yesterday")
    'Cut yesterday.'
    """
    return phrase("lists.sentence", words=capitalize_first(words)) if words else ""


def _entries(tables: Mapping[str, Any], above: str) -> Iterator[tuple[str, str]]:
    for name, entry in tables.items():
        if isinstance(entry, Mapping):
            yield from _entries(entry, f"{above}{name}.")
        elif isinstance(entry, str):
            yield f"{above}{name}", entry
        else:
            raise ValueError(f"{above}{name}: {entry!r} is no sentence; write it in quotes")

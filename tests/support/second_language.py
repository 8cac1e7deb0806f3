"""A made-up second language: the English sentences in capitals."""

import re

from daemon.words.catalog import Catalog, english


def in_capitals(template: str) -> str:
    """Return a sentence in capitals, its places as they are."""
    parts = re.split(r"(\{\w+\})", template)
    return "".join(part if part.startswith("{") else part.upper() for part in parts)


def capitals() -> Catalog:
    """Return the whole second language."""
    return {key: in_capitals(template) for key, template in english().items()}

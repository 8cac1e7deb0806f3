"""How a page or a letter reads, for tests: the spaces that hold words together are spaces."""

from daemon.words.no_break import NO_BREAK


def spaced(html: str) -> str:
    """Return HTML with ordinary spaces alone."""
    return html.replace(NO_BREAK, " ")

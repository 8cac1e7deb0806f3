"""Whether a secret of the tests stands in anything that the whole suite wrote."""

import logging
from collections.abc import Iterator
from pathlib import Path

CANARY = "hush-canary-7f3a"  # the password of every gateway; the whole suite must leave it in no file
KEPT_OUT = ("*.toml", "*.py")  # settings files hold their secrets; programs that tests write hold addresses
LOG = "everything.log"


def keep_log(folder: Path) -> logging.Handler:
    """Keep all that is logged from now on in a file that is looked through with the others."""
    folder.mkdir(parents=True, exist_ok=True)
    handler = logging.FileHandler(folder / LOG, encoding="utf-8")
    handler.setFormatter(logging.Formatter("%(name)s %(message)s"))
    logging.getLogger().addHandler(handler)
    logging.getLogger().setLevel(logging.INFO)  # as the service logs
    return handler


def leaks(folder: Path) -> Iterator[Path]:
    """Yield the files under a folder in which the secret stands."""
    for path in sorted(folder.rglob("*")):
        if any(path.match(pattern) for pattern in KEPT_OUT) or path.is_symlink() or not path.is_file():
            continue
        try:
            found = CANARY.encode() in path.read_bytes()
        except OSError:
            continue  # another user's, made by a test that acts as two
        if found:
            yield path

"""Secrets that need not stand in the settings file: in a credential of the service, a file or the environment."""

import os
import re
from pathlib import Path
from typing import Final

REFERENCE: Final = re.compile(r"(credential|file|env):(?!//)(\S.*)")
LONGEST: Final = 4096  # [bytes]


class NotAtHand(ValueError):
    """A secret that is named and cannot be had: what was given, what is allowed and what to do."""

    def __init__(self, given: str, fix: str) -> None:
        super().__init__(given)
        self.given, self.fix = given, fix
        self.allowed = 'one line of text there, as "credential:NAME", "file:/PATH" or "env:NAME" names it'


def is_reference(value: object) -> bool:
    """Return whether a setting only names where its secret is."""
    return isinstance(value, str) and REFERENCE.fullmatch(value.strip()) is not None


def revealed(value: object) -> object:
    """Return the secret that a setting names, or the setting itself where it is the secret.

    Parameters
    ----------
    value : object
        As it stands in the settings file.

    Returns
    -------
    object
        A credential outside of the service stays a name: whoever types a command may not have it.

    Raises
    ------
    NotAtHand
        There is no such secret, or it is not one line.
    """
    match = REFERENCE.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        return value
    kind, name = match[1], match[2]
    if kind == "env":
        return _one_line(os.environ.get(name, ""), value, "set this variable where the service is started")
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if kind == "credential" and not folder:
        return value
    path = Path(str(folder), name) if kind == "credential" else Path(name)
    if kind == "credential" and path.parent != Path(str(folder)):
        raise NotAtHand(f"{value}, with a path in it", "give the name alone, as LoadCredential= has it")
    try:
        with path.open("rb") as file:
            text = file.read(LONGEST + 1).decode()
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else "no text in UTF-8"
        raise NotAtHand(
            f"{value}, which cannot be read ({why})", "let the service read it, or correct the name"
        ) from None
    return _one_line(text, value, "write the secret, and nothing else, on one line of it")


def open_to_others(value: object) -> Path | None:
    """Return the file that a setting names, if everybody on the machine may read it."""
    match = REFERENCE.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None or match[1] != "file":
        return None
    return Path(match[2]) if is_open(Path(match[2])) else None


def is_open(path: Path) -> bool:
    """Return whether everybody on the machine may read a file."""
    try:
        return bool(path.stat().st_mode & 0o004)
    except OSError:
        return False


def _one_line(text: str, value: object, fix: str) -> str:
    lines = text.strip().splitlines()
    if len(lines) != 1 or len(text) > LONGEST:
        what = (
            "nothing" if not lines else f"more than {LONGEST} bytes" if len(text) > LONGEST else f"{len(lines)} lines"
        )
        raise NotAtHand(f"{value}, which holds {what}", fix)
    return lines[0].strip()

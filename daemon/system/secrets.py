"""Secrets that need not stand in the settings file: in a credential of the service, a file or the environment."""

import os
import re
from pathlib import Path
from typing import Final

REFERENCE: Final = re.compile(r"(credential|file|env):(?!//)(\S.*)")
MAX_SECRET_BYTES: Final = 4096  # [bytes]


class SecretUnavailable(ValueError):
    """A secret that is named and cannot be had: what was given, what is allowed and what to do."""

    def __init__(self, given: str, fix: str) -> None:
        super().__init__(given)
        self.given, self.fix = given, fix
        self.allowed = 'one line of text there, as "credential:NAME", "file:/PATH" or "env:NAME" names it'


def is_reference(value: object) -> bool:
    """Return whether a setting only names where its secret is."""
    return _parse_reference(value) is not None


def resolve(value: object) -> object:
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
    found = _parse_reference(value)
    if found is None or is_only_in_service(value):
        return value
    kind, name = found
    if kind == "env":
        return _single_line(os.environ.get(name, ""), value, "set this variable where the service is started")
    if kind == "file":
        return _read_file(Path(name), value)
    folder = Path(os.environ["CREDENTIALS_DIRECTORY"])
    if (folder / name).parent != folder:
        raise SecretUnavailable(f"{value}, with a path in it", "give the name alone, as LoadCredential= has it")
    return _read_file(folder / name, value)


def is_only_in_service(value: object) -> bool:
    """Return whether a setting names a credential while none are given to this process."""
    found = _parse_reference(value)
    return found is not None and found[0] == "credential" and not os.environ.get("CREDENTIALS_DIRECTORY")


def world_readable_file(value: object) -> Path | None:
    """Return the file that a setting names, if everybody on the machine may read it."""
    found = _parse_reference(value)
    return Path(found[1]) if found and found[0] == "file" and is_world_readable(Path(found[1])) else None


def is_world_readable(path: Path) -> bool:
    """Return whether everybody on the machine may read a file."""
    try:
        return bool(path.stat().st_mode & 0o004)
    except OSError:
        return False


def _parse_reference(value: object) -> tuple[str, str] | None:
    # Names are told in problems, so that they have to stand on one line there.
    match = REFERENCE.fullmatch(value.strip()) if isinstance(value, str) and value.isprintable() else None
    return (match[1], match[2]) if match else None


def _read_file(path: Path, value: object) -> str:
    """Return what stands in a file of one line; a pipe would be waited for, so it is none."""
    if not path.is_absolute():
        raise SecretUnavailable(f"{value}, which depends on where the program is started", "give the path from / on")
    try:
        if path.exists() and not path.is_file():
            raise SecretUnavailable(f"{value}, which is no file", "give the path of a file that holds the secret")
        with path.open("rb") as file:
            text = file.read(MAX_SECRET_BYTES + 1).decode()
    except OSError as error:
        given = f"{value}, which cannot be read ({error.strerror})"
        raise SecretUnavailable(given, "let the service read it, or correct the name") from None
    except UnicodeDecodeError:
        raise SecretUnavailable(f"{value}, which holds no text in UTF-8", "write the secret there as text") from None
    return _single_line(text, value, "write the secret, and nothing else, on one line of it")


def _single_line(text: str, value: object, fix: str) -> str:
    lines = text.strip().splitlines()
    if len(text.encode(errors="replace")) > MAX_SECRET_BYTES:
        raise SecretUnavailable(f"{value}, which holds more than {MAX_SECRET_BYTES} bytes", fix)
    if len(lines) != 1:
        raise SecretUnavailable(f"{value}, which holds {f'{len(lines)} lines' if lines else 'nothing'}", fix)
    return lines[0].strip()

"""Looks up secrets that are kept outside the settings file: in a service credential, a file or the environment."""

import os
import re
from pathlib import Path
from typing import Final

REFERENCE: Final = re.compile(r"(credential|file|env):(?!//)(\S.*)")
MAX_SECRET_BYTES: Final = 4096  # [bytes]


class SecretUnavailable(ValueError):
    """A setting refers to a secret that cannot be read: what the setting says, what is allowed and what to do."""

    def __init__(self, given: str, fix: str) -> None:
        super().__init__(given)
        self.given, self.fix = given, fix
        self.allowed = 'one line of text there, as "credential:NAME", "file:/PATH" or "env:NAME" names it'


def is_reference(value: object) -> bool:
    """Return whether a setting refers to a secret that is kept elsewhere."""
    return _parse_reference(value) is not None


def resolve(value: object) -> object:
    """Return the secret that a setting refers to, or the setting itself where it is no reference.

    Parameters
    ----------
    value : object
        The setting as the settings file has it.

    Returns
    -------
    object
        Outside the service a credential stays a reference: who types a command may have no access to it.

    Raises
    ------
    SecretUnavailable
        There is no such secret, or it is not one line.
    """
    reference = _parse_reference(value)
    if reference is None or is_only_in_service(value):
        return value
    kind, name = reference
    if kind == "env":
        return _single_line(os.environ.get(name, ""), value, "set this variable where the service is started")
    if kind == "file":
        return _read_file(Path(name), value)
    folder = Path(os.environ["CREDENTIALS_DIRECTORY"])
    if (folder / name).parent != folder:
        raise SecretUnavailable(f"{value}, with a path in it", "give the name alone, as LoadCredential= has it")
    return _read_file(folder / name, value)


def is_only_in_service(value: object) -> bool:
    """Return whether a setting refers to a credential while this process has none."""
    reference = _parse_reference(value)
    return reference is not None and reference[0] == "credential" and not os.environ.get("CREDENTIALS_DIRECTORY")


def world_readable_file(value: object) -> Path | None:
    """Return the file that a setting refers to, if everybody on the machine may read it."""
    reference = _parse_reference(value)
    if reference is None or reference[0] != "file":
        return None
    file = Path(reference[1])
    return file if is_world_readable(file) else None


def is_world_readable(path: Path) -> bool:
    """Return whether everybody on the machine may read a file."""
    try:
        return bool(path.stat().st_mode & 0o004)
    except OSError:
        return False


def _parse_reference(value: object) -> tuple[str, str] | None:
    """Return the kind and the name of a reference to a secret, None for any other value."""
    if not isinstance(value, str) or not value.isprintable():  # a problem quotes the name on its one line
        return None
    match = REFERENCE.fullmatch(value.strip())
    return (match[1], match[2]) if match else None


def _read_file(path: Path, value: object) -> str:
    """Return the text of a file of one line; anything but a regular file is refused, as reading a pipe would block."""
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
        content = f"{len(lines)} lines" if lines else "nothing"
        raise SecretUnavailable(f"{value}, which holds {content}", fix)
    return lines[0].strip()

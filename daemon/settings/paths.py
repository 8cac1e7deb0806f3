"""Finds the settings file and the folder for the program's state."""

import os
from pathlib import Path
from stat import S_IWGRP
from typing import Final

import platformdirs

from daemon.settings.problems import Problem, SettingsError

SYSTEM_FILE: Final = Path("/etc/forenoon/config.toml")
SYSTEM_GROUP: Final = "forenoon"  # as systemd/forenoon.service has it
SYSTEM_STATE: Final = Path("/var/lib/forenoon")  # as systemd/forenoon.service has it


def find_settings_file(explicit: Path | None = None) -> Path:
    """Return the settings file to use.

    Parameters
    ----------
    explicit : Path, optional
        The file named on the command line; it comes before every other.

    Returns
    -------
    Path
        That file, else the one named in FORENOON_CONFIG, else ``config.toml`` in the user's configuration folder,
        else ``/etc/forenoon/config.toml``. The first two are returned whether or not there is such a file.

    Raises
    ------
    SettingsError
        There is no file in any of these places, or only the service's group may read it; says what to do.
    """
    named_file = _explicit_file(explicit)
    if named_file is not None:
        return named_file
    if _is_there(_user_file()):
        return _user_file()
    if not _is_there(SYSTEM_FILE):
        raise SettingsError([_missing_problem()])
    if not os.access(SYSTEM_FILE, os.R_OK):
        raise SettingsError([_unreadable_problem()])
    return SYSTEM_FILE


def _missing_problem() -> Problem:
    given = f"no --config and no FORENOON_CONFIG, and no file at {_user_file()} or {SYSTEM_FILE}"
    fix = f"type forenoon setup, or copy config.example.toml to {_user_file()} and change it to suit the farm"
    return Problem("config.toml", None, "the file", given, "a settings file", fix)


def _unreadable_problem() -> Problem:
    """Return what somebody can do who may not read the service's settings: most have only to log in anew."""
    allowed = f"a file that its group {SYSTEM_GROUP} may read, and somebody of that group"
    fix = (
        f"type sudo usermod --append --groups {SYSTEM_GROUP} YOU with your name and log in anew, or give the group the "
        f"file: sudo chgrp -R {SYSTEM_GROUP} {SYSTEM_FILE.parent} && sudo chmod 640 {SYSTEM_FILE}"
    )
    return Problem(str(SYSTEM_FILE), None, "the file", "a file that may not be read", allowed, fix)


def new_settings_file(explicit: Path | None = None) -> Path:
    """Return the path for a new settings file: the explicit one, else the one in the user's configuration folder."""
    return _explicit_file(explicit) or _user_file()


def _explicit_file(explicit: Path | None) -> Path | None:
    """Return the file named on the command line, else the one in FORENOON_CONFIG, None if neither is given."""
    from_environment = os.environ.get("FORENOON_CONFIG")
    if explicit:
        return explicit
    return Path(from_environment) if from_environment else None


def _user_file() -> Path:
    return platformdirs.user_config_path("forenoon") / "config.toml"


def state_folder() -> Path:
    """Return the folder for the program's state.

    Returns
    -------
    Path
        systemd's STATE_DIRECTORY; else the service's own folder, if its settings are in use and the user may enter it;
        else the user's state folder. So the commands of a user in the service's group see the state of the service.
    """
    from_systemd = os.environ.get("STATE_DIRECTORY", "").split(":")[0]  # systemd separates several by colons
    if from_systemd:
        return Path(from_systemd)
    if _uses_system_file() and os.access(SYSTEM_STATE, os.R_OK | os.X_OK):
        return SYSTEM_STATE
    return platformdirs.user_state_path("forenoon")


def share_with_group(folder: Path) -> None:
    """Let the group write all files that the process creates from now on, if it may write in a folder."""
    try:
        if folder.stat().st_mode & S_IWGRP:
            os.umask(0o007)
    except OSError:
        return  # the folder is not there yet, so that nobody shares it


def _uses_system_file() -> bool:
    from_environment = os.environ.get("FORENOON_CONFIG")
    if from_environment:
        return Path(from_environment) == SYSTEM_FILE
    return not _is_there(_user_file()) and _is_there(SYSTEM_FILE)


def _is_there(file: Path) -> bool:
    """Return whether a file exists; the service's file counts as existing in a folder that the user may not enter."""
    try:
        return file.is_file()
    except PermissionError:
        return file == SYSTEM_FILE

"""Where the settings file and the program's memory are."""

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
        The file named on the command line; it outranks every other.

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
    named = _explicit_file(explicit)
    if named is not None:
        return named
    places = (_user_file(), SYSTEM_FILE)
    found = next((place for place in places if _is_there(place)), None)
    if found == SYSTEM_FILE and not os.access(SYSTEM_FILE, os.R_OK):
        raise SettingsError([_unreadable_problem()])
    if found is not None:
        return found
    given = f"no --config and no FORENOON_CONFIG, and no file at {' or '.join(map(str, places))}"
    fix = f"type forenoon setup, or copy config.example.toml to {places[0]} and change it to suit the farm"
    raise SettingsError([Problem("config.toml", None, "the file", given, "a settings file", fix)])


def _unreadable_problem() -> Problem:
    """Return what whoever may not read the service's settings can do: mostly they have not logged in anew."""
    allowed = f"a file that its group {SYSTEM_GROUP} may read, and somebody of that group"
    fix = (
        f"type sudo usermod --append --groups {SYSTEM_GROUP} YOU with your name and log in anew, or give the group the "
        f"file: sudo chgrp -R {SYSTEM_GROUP} {SYSTEM_FILE.parent} && sudo chmod 640 {SYSTEM_FILE}"
    )
    return Problem(str(SYSTEM_FILE), None, "the file", "a file that may not be read", allowed, fix)


def new_settings_file(explicit: Path | None = None) -> Path:
    """Return where a new settings file belongs: the named one, else the user's own."""
    return _explicit_file(explicit) or _user_file()


def _explicit_file(explicit: Path | None) -> Path | None:
    said = os.environ.get("FORENOON_CONFIG")
    return explicit or (Path(said) if said else None)


def _user_file() -> Path:
    return platformdirs.user_config_path("forenoon") / "config.toml"


def state_folder() -> Path:
    """Return the folder for what the program remembers.

    Returns
    -------
    Path
        systemd's STATE_DIRECTORY, else the service's own where its settings are the ones in use and it may be entered,
        else the user's state folder. So who is in the service's group reaches with a command what the service knows.
    """
    given = os.environ.get("STATE_DIRECTORY", "").split(":")[0]  # systemd lists several with colons between
    if given:
        return Path(given)
    if _uses_system_file() and os.access(SYSTEM_STATE, os.R_OK | os.X_OK):
        return SYSTEM_STATE
    return platformdirs.user_state_path("forenoon")


def share_with_group(folder: Path) -> None:
    """Let what is made from now on be written by the group too, where the folder is the group's."""
    try:
        if folder.stat().st_mode & S_IWGRP:
            os.umask(0o007)
    except OSError:
        return  # it is not there yet: nobody shares it


def _uses_system_file() -> bool:
    named = os.environ.get("FORENOON_CONFIG")
    return Path(named) == SYSTEM_FILE if named else not _is_there(_user_file()) and _is_there(SYSTEM_FILE)


def _is_there(file: Path) -> bool:
    """Return whether there is a file; the service's counts as there too behind a folder that one may not enter."""
    try:
        return file.is_file()
    except PermissionError:
        return file == SYSTEM_FILE

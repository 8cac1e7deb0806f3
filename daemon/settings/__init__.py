"""Reads the farm's settings file, in the units of the file, into a `Farm` in SI units; reports all problems at once."""

from datetime import datetime
from pathlib import Path

from daemon.domain.farm import Farm
from daemon.settings.build import build_farm
from daemon.settings.overview import effective_settings_text, option_table, options
from daemon.settings.paths import find_settings_file, new_settings_file, share_with_group, state_folder
from daemon.settings.problems import Problem, Report, SettingsError
from daemon.settings.reader import Reader
from daemon.settings.warnings import settings_warnings

__all__ = [
    "Problem",
    "Report",
    "SettingsError",
    "check",
    "effective_settings_text",
    "find_settings_file",
    "load",
    "new_settings_file",
    "option_table",
    "options",
    "share_with_group",
    "state_folder",
]


def load(path: Path, *, in_service: bool = False) -> Farm:
    """Return the farm that a settings file describes.

    Parameters
    ----------
    path : Path
        The TOML file.
    in_service : bool
        Whether the credentials that the file refers to must be there; a command may be typed without them.

    Returns
    -------
    Farm
        In SI units.

    Raises
    ------
    SettingsError
        Its text names every problem in the file, one a line.
    """
    reader = Reader(path)
    farm = build_farm(reader.sections(), path.parent)
    unavailable = tuple(reader.unavailable_secrets()) if in_service else ()
    if unavailable:
        raise SettingsError(unavailable)
    return farm


def check(path: Path, now: datetime | None = None) -> Report:
    """Return the problems in a settings file or, when there are none, the warnings about it.

    Parameters
    ----------
    path : Path
        The TOML file.
    now : datetime, optional
        The time, against which the days in the file are checked; without it they are not.

    Returns
    -------
    Report
        Problems stop the program, warnings do not.
    """
    try:
        reader = Reader(path)
        farm = build_farm(reader.sections(), path.parent)
    except SettingsError as error:
        return Report(error.problems)
    today = now and now.astimezone(farm.place.timezone).date()
    conflicts = settings_warnings(farm, today, reader.is_written)
    warnings = (reader.problem_of(conflict) for conflict in conflicts)
    return Report((), (*reader.exposed_secrets(), *reader.unavailable_secrets(), *warnings))

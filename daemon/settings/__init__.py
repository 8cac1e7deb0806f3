"""From the farm's TOML file, in its own units and words, to a `Farm` in SI; every problem is reported at once."""

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
        Whether the credentials that it names must be at hand; other commands may be typed by who has none.

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
    if in_service and (missing := tuple(reader.unavailable_secrets())):
        raise SettingsError(missing)
    return farm


def check(path: Path, now: datetime | None = None) -> Report:
    """Return what is wrong in a settings file and, when nothing is, what should be thought over.

    Parameters
    ----------
    path : Path
        The TOML file.
    now : datetime, optional
        The time; left out: no day in the file is held against it.

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
    odd = (reader.problem_of(doubt) for doubt in settings_warnings(farm, today, reader.is_written))
    return Report((), (*reader.exposed_secrets(), *reader.unavailable_secrets(), *odd))

"""From the farm's TOML file, in its own units and words, to a `Farm` in SI; every problem is reported at once."""

from pathlib import Path

from daemon.farm import Farm
from daemon.settings.building import farm_from
from daemon.settings.doubts import doubts
from daemon.settings.places import find, share, state_folder
from daemon.settings.problems import Problem, Report, SettingsError
from daemon.settings.reading import Reader
from daemon.settings.showing import option_table, options, show

__all__ = [
    "Problem",
    "Report",
    "SettingsError",
    "check",
    "find",
    "load",
    "option_table",
    "options",
    "share",
    "show",
    "state_folder",
]


def load(path: Path) -> Farm:
    """Return the farm that a settings file describes.

    Parameters
    ----------
    path : Path
        The TOML file.

    Returns
    -------
    Farm
        In SI units.

    Raises
    ------
    SettingsError
        Its text names every problem in the file, one a line.
    """
    return farm_from(Reader(path).sections(), path.parent)


def check(path: Path) -> Report:
    """Return what is wrong in a settings file and, when nothing is, what should be thought over.

    Parameters
    ----------
    path : Path
        The TOML file.

    Returns
    -------
    Report
        Problems stop the program, warnings do not.
    """
    try:
        reader = Reader(path)
        farm = farm_from(reader.sections(), path.parent)
    except SettingsError as error:
        return Report(error.problems)
    return Report((), (*reader.exposed(), *(reader.problem(doubt) for doubt in doubts(farm))))

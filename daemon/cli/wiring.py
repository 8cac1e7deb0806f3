"""The farm, its stores, its outbox and its clock as a command needs them: the one place that knows all rooms.

What a function needs is loaded by it, and not before: `--help` must answer at once on a small board.
"""

from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from daemon.cli.progress_line import Stages

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.advice.advise import Stores
    from daemon.diary.store import Diary
    from daemon.domain.advice import Morning
    from daemon.domain.farm import Farm, Field, Person
    from daemon.domain.message import Message
    from daemon.domain.schedule import TaskKind
    from daemon.messages.outbox.store import Outbox
    from daemon.system.clock import Clock

    Compose = Callable[[Farm, Morning, TaskKind], dict[Person, Message]]


def expected_errors() -> tuple[type[Exception], ...]:
    """Return the errors that a command ends with in a sentence, and not with a traceback."""
    from daemon.cli.setup import SetupError
    from daemon.diary.parse import UsageError
    from daemon.diary.store import DiaryError
    from daemon.messages.outbox.store import OutboxError
    from daemon.settings import SettingsError
    from daemon.system.lock import AlreadyRunning

    return UsageError, AlreadyRunning, DiaryError, OutboxError, SettingsError, SetupError, OSError


def load_farm(config: Path | None) -> "Farm":
    """Return the farm of the settings file that is named, or of the usual one."""
    with Stages("reading the settings"):
        from daemon.settings import find_settings_file, load

        return load(find_settings_file(config))


def find_field(farm: "Farm", name: str, command: str) -> "Field":
    """Return the field of a name, in whatever case; `command` is named where there is none."""
    from daemon.diary.parse import UsageError
    from daemon.settings.problems import nearest_word

    for field in farm.fields:
        if field.name.casefold() == name.casefold():
            return field
    names = [field.name for field in farm.fields]
    nearest = nearest_word(name, names)
    fix = f'; the nearest is "{nearest}"' if nearest else ""
    raise UsageError(f"{command}: given {name!r}, allowed one of: {', '.join(names)}{fix}")


def make_clock(now: datetime | None) -> "Clock":
    """Return the clock of the world, or one that stands at the time to pretend."""
    from daemon.system.clock import FixedClock, SystemClock

    return SystemClock() if now is None else FixedClock(now)


def open_state_folder() -> Path:
    """Return the folder of what is remembered; what a command makes there is for its group too."""
    from daemon.settings import share_with_group, state_folder

    folder = state_folder()
    share_with_group(folder)
    return folder


def open_diary() -> "Diary":
    """Return the diary of the farm."""
    from daemon.diary.store import Diary

    return Diary(open_state_folder() / Diary.FILE_NAME)


def open_outbox() -> "Outbox":
    """Return the messages that wait to be sent and those that were."""
    from daemon.messages.outbox.store import Outbox

    return Outbox(open_state_folder() / Outbox.FILE_NAME)


def open_stores(*, is_recording: bool = False) -> "Stores":
    """Return all that a look reads and, where it is recording, adds to."""
    from daemon.advice.advise import Stores
    from daemon.learning import record
    from daemon.weather import archive

    folder = open_state_folder()
    return Stores(
        diary=open_diary(),
        forecast_record=record.ForecastRecord(folder / record.ForecastRecord.FILE_NAME),
        archive=archive.Archive(folder / archive.Archive.FILE_NAME),
        reply_folder=folder / "replies",
        is_recording=is_recording,
    )


def make_composer(clock: "Clock") -> "Compose":
    """Return what makes everybody's message of an advice, with a picture and links to answer by."""
    from daemon.diary.answers.links import Answers
    from daemon.service.compose import compose_with_picture

    return partial(compose_with_picture, add=Answers(open_state_folder(), clock).add_links)

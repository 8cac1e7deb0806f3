"""How the service stands, told from its settings file and its state folder alone, whether it runs or not."""

from collections.abc import Container, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any, Final

from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Units
from daemon.domain.message import QueuedMessage
from daemon.domain.schedule import Task, TaskHistory, TaskKind, due_tasks, send_window
from daemon.messages.outbox.store import Outbox, OutboxError
from daemon.service.health import take_snapshot
from daemon.service.heartbeat import missed_morning
from daemon.service.rounds import STUCK_AFTER
from daemon.service.state import ServiceState
from daemon.settings import SettingsError, load
from daemon.words.catalog import as_sentence
from daemon.words.numbers import day_text, time_text
from daemon.words.today import headline

ALIVE_FILE: Final = "alive"  # an empty file; when it was touched last, a round had come to its end
_MESSAGE_LIMIT: Final = 200  # looked through for what waits


@dataclass(frozen=True)
class StateOnDisk:
    """What the state folder holds; what it does not hold or cannot give is None or empty."""

    last_round: datetime | None = None  # when a round last came to its end
    morning: Morning | None = None
    messages: tuple[QueuedMessage, ...] = ()  # newest first
    tasks_done: frozenset[Task] = frozenset()
    missed_reason: str = ""  # why nobody was told anything this morning
    trouble: str = ""  # why it cannot be read


@dataclass(frozen=True)
class Status:
    """How things stand at a time; `farm` is None where the settings file has mistakes."""

    settings_file: Path
    state_folder: Path
    now: datetime
    farm: Farm | None
    on_disk: StateOnDisk
    next_due: tuple[datetime, TaskKind] | None
    problems: tuple[str, ...]  # sentences, none when all is well

    @property
    def waiting(self) -> tuple[QueuedMessage, ...]:
        """The messages that are still to be sent."""
        return tuple(row for row in self.on_disk.messages if row.is_waiting)

    @property
    def advice(self) -> str:
        """Today's advice in a sentence, empty without settings."""
        return headline(take_snapshot(self.farm, self.on_disk.morning, (), self.now)) if self.farm else ""


def read_status(settings: Path, state: Path, now: datetime) -> Status:
    """Return how the service stands.

    Parameters
    ----------
    settings : Path
        The settings file.
    state : Path
        The state folder; nothing is made in it, and nothing but SQLite's own locks is written.
    now : datetime
        The time, aware.

    Notes
    -----
    The page of a service that runs knows more: what it could not write to its disk stands there alone.
    """
    farm, mistakes = _load_farm(settings)
    kept = _read_state(state, farm, now)
    found = (*mistakes, *_service_problems(kept, now))
    if kept.trouble:
        return Status(settings, state, now, farm, kept, None, (*found, f"{kept.trouble}."))
    if farm is None:
        return Status(settings, state, now, None, kept, None, found)
    untold = (as_sentence(kept.missed_reason),) if kept.missed_reason else ()
    seen = take_snapshot(farm, kept.morning, kept.messages, now).problems
    return Status(settings, state, now, farm, kept, next_due(farm, kept.tasks_done, now), (*found, *untold, *seen))


def next_due(farm: Farm, done: Container[Task], now: datetime) -> tuple[datetime, TaskKind] | None:
    """Return when the next message falls due and of what kind, `now` for one that is due already."""
    zone, alerts = farm.place.timezone, farm.alerts
    today = now.astimezone(zone).date()
    days = (today + timedelta(days=ahead) for ahead in range(15))  # a Monday that the calendar leaves out included
    hours = {send_window(Task(kind, day), alerts, zone)[0] for day in days for kind in TaskKind}
    for at in (now, *sorted(hour for hour in hours if hour > now)):
        if tasks := due_tasks(at, TaskHistory(done, last_fetch=at), alerts, zone, farm.season):
            return at, tasks[0].kind
    return None


def touch_alive_file(state: Path) -> None:
    """Leave word that a round has come to its end; nothing else depends on it."""
    with suppress(OSError):
        (state / ALIVE_FILE).touch()


def status_text(status: Status) -> str:
    """Return how things stand, a line each."""
    lines = [*_status_lines(status), *(("problem", problem) for problem in status.problems)]
    return "\n".join(f"{name:<14}{said}" for name, said in lines)


def status_json(status: Status) -> dict[str, Any]:
    """Return how things stand as a JSON object; times are local with their offset, or in UTC without settings."""
    zone, kept = _zone(status), status.on_disk
    return {
        "settings": str(status.settings_file),
        "state_folder": str(status.state_folder),
        "last_round": _time_json(kept.last_round, zone),
        "last_look": _time_json(_advised_at(kept), zone),
        "advice": status.advice or None,
        "last_message": _message_json(kept.messages[0], zone) if kept.messages else None,
        "waiting": [_message_json(row, zone) for row in status.waiting],
        "next_due": status.next_due and {"at": _time_json(status.next_due[0], zone), "kind": status.next_due[1]},
        "problems": list(status.problems),
    }


def _load_farm(settings: Path) -> tuple[Farm | None, tuple[str, ...]]:
    try:
        return load(settings), ()
    except SettingsError as error:
        return None, tuple(str(problem) for problem in error.problems)


def _read_state(state: Path, farm: Farm | None, now: datetime) -> StateOnDisk:
    alive = None
    try:
        with suppress(FileNotFoundError):
            alive = datetime.fromtimestamp((state / ALIVE_FILE).stat().st_mtime, UTC)
        if not (state / Outbox.FILE_NAME).exists():
            return StateOnDisk(alive)
        bag = Outbox(state / Outbox.FILE_NAME)
        untold = missed_morning(farm, bag, now.astimezone(farm.place.timezone).date(), now) if farm else ""
        done = bag.tasks_done(now.date() - timedelta(days=3))
        return StateOnDisk(alive, ServiceState(bag).morning, bag.recent(_MESSAGE_LIMIT), done, untold)
    except (OutboxError, OSError) as error:
        return StateOnDisk(alive, trouble=str(error))


def _service_problems(on_disk: StateOnDisk, now: datetime) -> tuple[str, ...]:
    """Return whether the service seems not to run."""
    if on_disk.last_round is None:
        return ("The service has not run with this state folder; start it with `forenoon run` or its unit.",)
    silent = now - on_disk.last_round
    if silent <= STUCK_AFTER:
        return ()
    return (f"The service does not run or hangs: its last round ended {_duration_text(silent)} ago; see its log.",)


def _status_lines(status: Status) -> Iterator[tuple[str, str]]:
    kept, looked = status.on_disk, _advised_at(status.on_disk)
    yield "settings", str(status.settings_file)
    yield "state folder", str(status.state_folder)
    yield "last round", _time_ago_text(status, kept.last_round)
    yield "last look", _time_ago_text(status, looked)
    if status.advice:
        yield "advice", status.advice
    yield "last message", _message_line(status, kept.messages[0]) if kept.messages else "none"
    yield "waiting", str(len(status.waiting) or "none")
    yield from (("", _message_line(status, row)) for row in status.waiting)
    if status.next_due:
        at, kind = status.next_due
        yield "next due", f"{kind}, {'now' if at == status.now else _time_text(status, at)}"


def _message_line(status: Status, row: QueuedMessage) -> str:
    today = status.now.astimezone(_zone(status)).date()
    of = "" if row.day == today else f" of {_day_text(row.day, today)}"
    sent = f" {_time_text(status, row.sent_at)}" if row.sent_at else ""
    return f"{row.kind}{of}, {row.person} by {row.channel}: {row.state}{sent}{f', {row.reason}' if row.reason else ''}"


def _message_json(row: QueuedMessage, zone: tzinfo) -> dict[str, Any]:
    return {
        "day": row.day.isoformat(),
        "kind": str(row.kind),
        "person": row.person,
        "by": row.channel,
        "state": row.state,
        "attempts": row.attempts,
        "sent_at": _time_json(row.sent_at, zone),
        "next_try": _time_json(row.next_try, zone),
        "reason": row.reason,
    }


def _advised_at(on_disk: StateOnDisk) -> datetime | None:
    return on_disk.morning.prospect.at if on_disk.morning else None


def _zone(status: Status) -> tzinfo:
    return status.farm.place.timezone if status.farm else UTC


def _time_ago_text(status: Status, at: datetime | None) -> str:
    return "none" if at is None else f"{_time_text(status, at)}, {_duration_text(status.now - at)} ago"


def _time_text(status: Status, at: datetime) -> str:
    """Return a time on the farm's clock, with its day if that is another."""
    here, today = at.astimezone(_zone(status)), status.now.astimezone(_zone(status)).date()
    hour = time_text(here, status.farm.units if status.farm else Units.METRIC) + ("" if status.farm else " UTC")
    return hour if here.date() == today else f"{_day_text(here.date(), today)} {hour}"


def _day_text(day: date, today: date) -> str:
    return day_text(day) if abs(day - today) < timedelta(days=7) else day.isoformat()


def _duration_text(time: timedelta) -> str:
    minutes = max(time, timedelta(0)) // timedelta(minutes=1)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 48 * 60 else f"{minutes // 1440} days"


def _time_json(at: datetime | None, zone: tzinfo) -> str | None:
    return None if at is None else at.astimezone(zone).isoformat(timespec="minutes")

"""How the service stands, told from its settings file and its state folder alone, whether it runs or not."""

from collections.abc import Container, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from daemon.domain.advice import Morning
from daemon.domain.farm import Farm, Units
from daemon.domain.message import QueuedMessage
from daemon.domain.schedule import Task, TaskHistory, TaskKind, due_tasks, send_window
from daemon.messages.outbox.store import DATABASE, Postbag, PostbagError
from daemon.page.today import headline, take_snapshot
from daemon.service.heartbeat import missed
from daemon.service.rounds import STUCK
from daemon.settings import SettingsError, load
from daemon.words.catalog import as_sentence
from daemon.words.numbers import day_text, time_text

ALIVE: Final = "alive"  # an empty file; when it was touched last, a round had come to its end
_MESSAGES: Final = 200  # looked through for what waits
_MORNING: Final = TypeAdapter(Morning)


@dataclass(frozen=True)
class Kept:
    """What the state folder holds; what it does not hold or cannot give is None or empty."""

    alive: datetime | None = None  # when a round last came to its end
    morning: Morning | None = None
    messages: tuple[QueuedMessage, ...] = ()  # newest first
    done: frozenset[Task] = frozenset()
    untold: str = ""  # why nobody was told anything this morning
    trouble: str = ""  # why it cannot be read


@dataclass(frozen=True)
class Status:
    """How things stand at a time; `farm` is None where the settings file has mistakes."""

    settings: Path
    state: Path
    now: datetime
    farm: Farm | None
    kept: Kept
    next_due: tuple[datetime, TaskKind] | None
    problems: tuple[str, ...]  # sentences, none when all is well

    @property
    def waiting(self) -> tuple[QueuedMessage, ...]:
        """The messages that are still to be sent."""
        return tuple(row for row in self.kept.messages if row.is_waiting)

    @property
    def advice(self) -> str:
        """Today's advice in a sentence, empty without settings."""
        return headline(take_snapshot(self.farm, self.kept.morning, (), self.now)) if self.farm else ""


def status(settings: Path, state: Path, now: datetime) -> Status:
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
    farm, mistakes = _farm(settings)
    kept = _kept(state, farm, now)
    found = (*mistakes, *_of_service(kept, now))
    if kept.trouble:
        return Status(settings, state, now, farm, kept, None, (*found, f"{kept.trouble}."))
    if farm is None:
        return Status(settings, state, now, None, kept, None, found)
    untold = (as_sentence(kept.untold),) if kept.untold else ()
    seen = take_snapshot(farm, kept.morning, kept.messages, now).problems
    return Status(settings, state, now, farm, kept, next_due(farm, kept.done, now), (*found, *untold, *seen))


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


def mark_alive(state: Path) -> None:
    """Leave word that a round has come to its end; nothing else depends on it."""
    with suppress(OSError):
        (state / ALIVE).touch()


def words(found: Status) -> str:
    """Return how things stand, a line each."""
    lines = [*_lines(found), *(("problem", problem) for problem in found.problems)]
    return "\n".join(f"{name:<14}{said}" for name, said in lines)


def data(found: Status) -> dict[str, Any]:
    """Return how things stand as a JSON object; times are local with their offset, or in UTC without settings."""
    zone, kept = _zone(found), found.kept
    return {
        "settings": str(found.settings),
        "state_folder": str(found.state),
        "last_round": _time(kept.alive, zone),
        "last_look": _time(_looked_at(kept), zone),
        "advice": found.advice or None,
        "last_message": _message(kept.messages[0], zone) if kept.messages else None,
        "waiting": [_message(row, zone) for row in found.waiting],
        "next_due": found.next_due and {"at": _time(found.next_due[0], zone), "kind": found.next_due[1]},
        "problems": list(found.problems),
    }


def _farm(settings: Path) -> tuple[Farm | None, tuple[str, ...]]:
    try:
        return load(settings), ()
    except SettingsError as error:
        return None, tuple(str(problem) for problem in error.problems)


def _kept(state: Path, farm: Farm | None, now: datetime) -> Kept:
    alive = None
    try:
        with suppress(FileNotFoundError):
            alive = datetime.fromtimestamp((state / ALIVE).stat().st_mtime, UTC)
        if not (state / DATABASE).exists():
            return Kept(alive)
        bag = Postbag(state / DATABASE)
        untold = missed(farm, bag, now.astimezone(farm.place.timezone).date(), now) if farm else ""
        done = bag.done(now.date() - timedelta(days=3))
        return Kept(alive, _morning(bag), bag.recent(_MESSAGES), done, untold)
    except (PostbagError, OSError) as error:
        return Kept(alive, trouble=str(error))


def _morning(bag: Postbag) -> Morning | None:
    kept = bag.kept("morning")
    with suppress(ValidationError):
        return None if kept is None else _MORNING.validate_json(kept)
    return None


def _of_service(kept: Kept, now: datetime) -> tuple[str, ...]:
    """Return whether the service seems not to run."""
    if kept.alive is None:
        return ("The service has not run with this state folder; start it with `forenoon run` or its unit.",)
    silent = now - kept.alive
    if silent <= STUCK:
        return ()
    return (f"The service does not run or hangs: its last round ended {_span(silent)} ago; see its log.",)


def _lines(found: Status) -> Iterator[tuple[str, str]]:
    kept, looked = found.kept, _looked_at(found.kept)
    yield "settings", str(found.settings)
    yield "state folder", str(found.state)
    yield "last round", _ago(found, kept.alive)
    yield "last look", _ago(found, looked)
    if found.advice:
        yield "advice", found.advice
    yield "last message", _row(found, kept.messages[0]) if kept.messages else "none"
    yield "waiting", str(len(found.waiting) or "none")
    yield from (("", _row(found, row)) for row in found.waiting)
    if found.next_due:
        at, kind = found.next_due
        yield "next due", f"{kind}, {'now' if at == found.now else _when(found, at)}"


def _row(found: Status, row: QueuedMessage) -> str:
    today = found.now.astimezone(_zone(found)).date()
    of = "" if row.day == today else f" of {_day(row.day, today)}"
    sent = f" {_when(found, row.sent_at)}" if row.sent_at else ""
    return f"{row.kind}{of}, {row.person} by {row.channel}: {row.state}{sent}{f', {row.reason}' if row.reason else ''}"


def _message(row: QueuedMessage, zone: tzinfo) -> dict[str, Any]:
    return {
        "day": row.day.isoformat(),
        "kind": row.kind,
        "person": row.person,
        "by": row.channel,
        "state": row.state,
        "attempts": row.attempts,
        "sent_at": _time(row.sent_at, zone),
        "next_try": _time(row.next_try, zone),
        "reason": row.reason,
    }


def _looked_at(kept: Kept) -> datetime | None:
    return kept.morning.prospect.at if kept.morning else None


def _zone(found: Status) -> tzinfo:
    return found.farm.place.timezone if found.farm else UTC


def _ago(found: Status, at: datetime | None) -> str:
    return "none" if at is None else f"{_when(found, at)}, {_span(found.now - at)} ago"


def _when(found: Status, at: datetime) -> str:
    """Return a time on the farm's clock, with its day if that is another."""
    here, today = at.astimezone(_zone(found)), found.now.astimezone(_zone(found)).date()
    hour = time_text(here, found.farm.units if found.farm else Units.METRIC) + ("" if found.farm else " UTC")
    return hour if here.date() == today else f"{_day(here.date(), today)} {hour}"


def _day(day: date, today: date) -> str:
    return day_text(day) if abs(day - today) < timedelta(days=7) else day.isoformat()


def _span(time: timedelta) -> str:
    minutes = max(time, timedelta(0)) // timedelta(minutes=1)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h" if minutes < 48 * 60 else f"{minutes // 1440} days"


def _time(at: datetime | None, zone: tzinfo) -> str | None:
    return None if at is None else at.astimezone(zone).isoformat(timespec="minutes")

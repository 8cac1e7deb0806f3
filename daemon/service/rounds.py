"""One round of the service: do what is due, word it, deliver what waits."""

import logging
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime, timedelta
from functools import partial
from hashlib import sha256
from typing import Final

from daemon.domain.advice import AnnouncedField, Morning, WatchState
from daemon.domain.farm import Farm, Person
from daemon.domain.field_watch import changes, keep_last_watch, start_watch, with_changes_told
from daemon.domain.message import Message, QueuedMessage
from daemon.domain.message_kind import MessageKind, Topic
from daemon.domain.schedule import Task, TaskHistory, TaskKind, due_tasks, fetch_interval, send_window
from daemon.domain.snapshot import Snapshot
from daemon.messages.change import compose_change
from daemon.messages.daily import announcements
from daemon.messages.outbox.enqueue import Occasion, enqueue_for_all, late_notice
from daemon.messages.outbox.store import Outbox, OutboxError
from daemon.messages.settings_mistakes import compose_mistakes
from daemon.service.health import take_snapshot
from daemon.service.heartbeat import Heartbeat, missed_morning
from daemon.service.state import ServiceState
from daemon.system.clock import Clock
from daemon.system.memory import trim_heap
from daemon.words.catalog import as_sentence
from daemon.words.today import headline

log = logging.getLogger(__name__)

Advise = Callable[[Farm, datetime, Morning | None], Morning]
ComposeMessages = Callable[[Farm, Morning, TaskKind], Mapping[Person, Message]]

STUCK_AFTER: Final = timedelta(minutes=10)  # without the end of a round
MISTAKES_VALID_FOR: Final = timedelta(hours=24)
MIN_ADVISE_INTERVAL: Final = timedelta(minutes=5)  # not at every round, where a look or what follows it breaks down
SILENT_WEEK: Final = timedelta(days=7) - timedelta(hours=4)  # from one Monday's sign of life, which may have been late


class Service:
    """One farm's service; a round is all that it does, the scheduler only calls it.

    Parameters
    ----------
    farm : Farm
        The settings.
    outbox : Outbox
        Where messages and marks are kept.
    clock : Clock
        What says the time.
    advise : callable
        Takes the farm, the time and the morning that people were told today, if any; fetches the weather, makes the
        pass and returns a `Morning`.
    compose : callable
        Words a morning of a farm for a kind of task: each person's message, without those who hear nothing.
    """

    def __init__(self, farm: Farm, outbox: Outbox, clock: Clock, advise: Advise, compose: ComposeMessages) -> None:
        self._farm, self._outbox, self._clock, self._advise, self._compose = farm, outbox, clock, advise, compose
        self._state = ServiceState(outbox)
        self._heartbeat = Heartbeat(outbox)
        self._failed_at: datetime | None = None
        self._advised_at: datetime | None = None
        self._morning: Morning | None = None
        self._sent_morning: Morning | None = None
        self._outbox_is_whole = False  # whether the outbox was found whole since it last gave trouble
        self._trouble = self._newest_trouble = ""  # with the outbox, in the last round and in this one
        self._damage = ""  # what was done about a damaged outbox
        self._mistakes: tuple[str, ...] = ()  # in the settings file, of which an older state is in use
        self._settings_are_newer = False  # whether the settings are newer than the last look
        self._round_ended_at = clock.now()  # the last round
        with self._step("the postbag"):
            self._resume(clock.now())

    def round(self) -> None:
        """Do what is due and deliver what waits; a step that breaks down is logged and tried again later."""
        self._newest_trouble = ""
        self._round(self._clock.now())
        self._trouble, self._round_ended_at = self._newest_trouble, self._clock.now()

    def change_farm(self, farm: Farm) -> None:
        """Go on with other settings; the weather is fetched anew, since fields or their place may be others."""
        if farm != self._farm:
            self._farm = farm
            self.request_advice()
        self._mistakes = ()

    def request_advice(self) -> None:
        """Look at weather and fields in the next round, whenever the last look was: something else is known now."""
        self._advised_at, self._settings_are_newer = None, True

    def tell_mistakes(self, mistakes: tuple[str, ...]) -> None:
        """Show mistakes in the settings file and tell everybody of them once; the settings in use stay."""
        self._mistakes, now = mistakes, self._clock.now()
        day = now.astimezone(self._farm.place.timezone).date()
        kind = MessageKind(Topic.SETTINGS, tag=sha256("".join(mistakes).encode()).hexdigest()[:8])
        occasion = Occasion(day, kind, now, now + MISTAKES_VALID_FOR)
        with self._step("the mistakes in the settings"):
            enqueue_for_all(self._outbox, self._farm, occasion, partial(compose_mistakes, mistakes=mistakes), now)

    def _round(self, now: datetime) -> None:
        with self._step("the postbag"):
            self._resume(now)
        with self._step("this round"):
            self._do_due_tasks(now)
        with self._step("what became of the advice"):
            self._enqueue_after_all(now)
            self._enqueue_changes(now)
        with self._step("delivery"):
            alerts = self._farm.alerts
            self._outbox.deliver(self._clock.now(), (*alerts.people, *alerts.second_ways), late_notice(self._farm))
        with self._step("the call to who watches from outside"):
            self._heartbeat.report_morning(self._farm, self._clock.now())

    def _do_due_tasks(self, now: datetime) -> None:
        farm, zone = self._farm, self._farm.place.timezone
        interval = fetch_interval(farm.place)
        tasks = due_tasks(now, self._tasks_done(now), farm.alerts, zone, farm.season, interval=interval)
        morning = self._advise_if_due(now) if tasks else None
        if morning is None:
            return
        for task in tasks:
            with self._step(f"the {task.kind} task of {task.day}"):
                self._do_task(task, morning, now)

    def snapshot(self) -> Snapshot:
        """Return what the page shows now, where the outbox cannot be read too."""
        snapshot = self._base_snapshot()
        if not self._mistakes:
            return snapshot
        former = f"The settings file has mistakes, so what it said before is in use: {self._mistakes[0]}."
        return replace(snapshot, problems=(former, *snapshot.problems))

    def health(self) -> tuple[str, ...]:
        """Return what endangers the next message, nothing where all goes on.

        Notes
        -----
        Mistakes in the settings file do not: what it said before does its work.
        """
        return self._problems(self._base_snapshot())

    def status_line(self) -> str:
        """Return how things stand, in one line."""
        snapshot = self._base_snapshot()
        return "; ".join((headline(snapshot), *self._problems(snapshot)))

    def _problems(self, snapshot: Snapshot) -> tuple[str, ...]:
        silence = self._clock.now() - self._round_ended_at
        if silence <= STUCK_AFTER:
            return snapshot.problems
        return (f"No round has ended for {silence // timedelta(minutes=1)} minutes.", *snapshot.problems)

    def _base_snapshot(self) -> Snapshot:
        """Return what the page shows, but for mistakes in the settings."""
        now = self._clock.now()
        messages: tuple[QueuedMessage, ...] = ()
        missed, trouble = "", self._trouble
        try:
            messages = self._outbox.recent()
            missed = missed_morning(self._farm, self._outbox, now.astimezone(self._farm.place.timezone).date(), now)
        except OutboxError as error:
            trouble = str(error)
        blocked = f"No message can be sent, and all wait: {trouble}." if trouble else ""
        snapshot = take_snapshot(self._farm, self._morning, messages, now)
        own_problems = filter(None, (blocked, as_sentence(self._damage), as_sentence(missed)))
        return replace(snapshot, problems=(*own_problems, *snapshot.problems))

    def _resume(self, now: datetime) -> None:
        """Take up what the last run left, at the start and after any trouble with the outbox."""
        if self._outbox_is_whole:
            return
        if damage := self._outbox.set_aside_if_damaged(now):
            log.error(damage)
            self._damage = damage
        if unsure := self._outbox.recover(now):
            log.warning("%d messages were being sent when the service last ended", unsure)
        self._state.record_first_run(now)
        self._morning = self._morning or self._state.morning
        self._sent_morning = self._sent_morning or self._state.sent_morning
        if damage and self._sent_morning is not None:
            self._save_sent_morning(self._sent_morning)
        self._outbox_is_whole = True

    @contextmanager
    def _step(self, step: str) -> Iterator[None]:
        """Log a step that breaks down in one line, so that the others go on."""
        try:
            yield
        except Exception as error:
            if isinstance(error, OutboxError):
                self._outbox_is_whole, self._newest_trouble = False, str(error)
            log.error("%s broke down: %s: %s", step, type(error).__name__, " ".join(str(error).split()))
            log.debug("%s", step, exc_info=True)

    def _tasks_done(self, now: datetime) -> TaskHistory:
        since = now.date() - timedelta(days=3)
        # A disk that keeps nothing must not let the weather services be asked at every round.
        last_fetch = self._advised_at
        if last_fetch is None and not self._settings_are_newer:
            last_fetch = self._state.last_fetch
        return TaskHistory(self._outbox.tasks_done(since), last_fetch)

    def _advise_if_due(self, now: datetime) -> Morning | None:
        """Look at weather and fields, if not done a moment ago; None if that broke down now or a moment ago."""
        today = now.astimezone(self._farm.place.timezone).date()
        if _is_recent(self._failed_at, now):
            return None
        if _is_recent(self._advised_at, now) and self._morning is not None and self._morning.date == today:
            return self._morning
        self._failed_at = now
        with self._step("the look at weather and fields"):
            sent = self._sent_morning_on(today)
            self._morning = keep_last_watch(self._advise(self._farm, now, sent), sent, self._morning)
            self._failed_at, self._advised_at, self._settings_are_newer = None, now, False
            self._state.last_fetch, self._state.morning = now, self._morning
            trim_heap()
        return None if self._failed_at else self._morning

    def _do_task(self, task: Task, morning: Morning, now: datetime) -> None:
        if task.kind is TaskKind.FETCH:
            return  # the look was it
        before = self._sent_morning_on(task.day)
        if task.kind is TaskKind.MORNING and (before is None or not before.watched):
            # Before it is sent, so that no crash leaves a mow that nobody watches; worded again after one, it does not
            # push out what may have been sent.
            self._save_sent_morning(start_watch(morning))
        if task.kind is TaskKind.EVENING:
            self._state.announcements = task.day, announcements(morning)
        else:
            morning = replace(morning, announced=self._announcements_for(task.day))
        falls_due, too_late = send_window(task, self._farm.alerts, self._farm.place.timezone)
        occasion = Occasion(task.day, MessageKind.of_task(task.kind), falls_due, too_late, urgent=bool(morning.mows))
        enqueue_for_all(
            self._outbox,
            self._farm,
            occasion,
            partial(self._compose_for_task, morning=morning, task=task, now=now),
            now,
        )
        if task.kind is TaskKind.MORNING:
            self._outbox.prune(now)
        # Only now: a crash before this line words the message again, and the outbox refuses a second one.
        self._outbox.mark_done(task, now)

    def _compose_for_task(self, farm: Farm, morning: Morning, task: Task, now: datetime) -> Mapping[Person, Message]:
        """Return everybody's message; a sign of life only to who heard nothing else for a week."""
        messages = self._compose(farm, morning, task.kind)
        if task.kind is not TaskKind.SIGN_OF_LIFE:
            return messages
        since = now - SILENT_WEEK
        return {
            person: message for person, message in messages.items() if not self._outbox.was_told(person.name, since)
        }

    def _announcements_for(self, day: date) -> tuple[AnnouncedField, ...]:
        """Return what the evening before called likely for a day."""
        evening, fields = self._state.announcements or (day, ())
        return fields if evening == day - timedelta(days=1) else ()

    def _enqueue_after_all(self, now: datetime) -> None:
        """Say once what is to be mown where the morning's message had to say that nothing could be known."""
        newest = self._morning
        if newest is None or not newest.mows:
            return
        sent = self._sent_morning_on(newest.date)
        if sent is None or not sent.is_unknown:
            return
        task = Task(TaskKind.MORNING, newest.date)
        falls_due, too_late = send_window(task, self._farm.alerts, self._farm.place.timezone)
        if falls_due <= now <= too_late:
            occasion = Occasion(newest.date, MessageKind(Topic.AFTER_ALL), now, too_late, urgent=True)
            enqueue_for_all(
                self._outbox,
                self._farm,
                occasion,
                partial(self._compose_for_task, morning=newest, task=task, now=now),
                now,
            )
            self._save_sent_morning(start_watch(newest))

    def _enqueue_changes(self, now: datetime) -> None:
        """Say what the newest look found to have become of the advice; at every round, so that no crash swallows it."""
        morning = self._morning
        if morning is None or not timedelta(0) <= now - morning.prospect.at < fetch_interval(self._farm.place):
            return
        sent = self._sent_morning_on(morning.date)
        finish = datetime.combine(morning.date, self._farm.work.finish_by, tzinfo=self._farm.place.timezone)
        changed = list(changes(morning, sent))
        for watched in changed:
            # Each field's change of a kind goes out once a day, so that it cannot flap with every new forecast.
            kind = MessageKind.of_change(watched.state, watched.field)
            is_called_off = watched.state is WatchState.WILL_NOT_MAKE_IT
            occasion = Occasion(morning.date, kind, now, finish, urgent=is_called_off)
            enqueue_for_all(self._outbox, self._farm, occasion, partial(compose_change, watched=watched), now)
        if sent is not None and changed:
            self._save_sent_morning(with_changes_told(sent, changed))

    def _sent_morning_on(self, day: date) -> Morning | None:
        morning = self._sent_morning
        return morning if morning is not None and morning.date == day else None

    def _save_sent_morning(self, morning: Morning) -> None:
        self._state.sent_morning = self._sent_morning = morning


def _is_recent(moment: datetime | None, now: datetime) -> bool:
    return moment is not None and timedelta(0) <= now - moment < MIN_ADVISE_INTERVAL

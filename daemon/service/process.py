"""The process of the service: wakes it every minute, shows its page, minds signals and tells the service manager."""

import errno
import logging
import os
import signal
import socket
import sys
import threading
from pathlib import Path
from types import FrameType
from typing import Final, Protocol

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

from daemon.diary.answers.links import Answers
from daemon.diary.store import Diary, DiaryError
from daemon.domain.farm import Farm, PageAddress
from daemon.messages.outbox.store import Outbox
from daemon.page.answer_pages import answer_blueprint
from daemon.page.server import PageServer, create_app
from daemon.service.banner import running_line
from daemon.service.rounds import Advise, ComposeMessages, Service
from daemon.service.status import touch_alive_file
from daemon.system.clock import Clock, SystemClock
from daemon.system.lock import single_instance
from daemon.system.systemd import sd_notify, sd_notify_reloading
from daemon.words.catalog import Catalog, english, use_catalog

log = logging.getLogger(__name__)

ROUND_INTERVAL: Final = 60  # [s]
STOP_TIMEOUT: Final = 8.0  # [s] for a round to end when the service is stopped


class Settings(Protocol):
    """Where the farm comes from, and whether that has changed; see `daemon.settings.reload.SettingsFile`."""

    farm: Farm
    mistakes: tuple[str, ...]

    def request_reload(self) -> None:
        """Have them read anew."""

    def reload_if_changed(self) -> bool:
        """Return whether they were read anew."""


class ServiceProcess:
    """The service with its page and its settings.

    Parameters
    ----------
    settings : Settings
    service : Service
    state_folder : Path
        Where each round leaves word that it has ended, for `forenoon status`.
    answers : Answers
        Reads the links of the page and of emails.
    catalog : Catalog, optional
        The sentences of the farm's language. Left out: English.
    """

    def __init__(
        self,
        settings: Settings,
        service: Service,
        state_folder: Path,
        answers: Answers,
        catalog: Catalog | None = None,
    ) -> None:
        self._settings, self._service, self._state_folder = settings, service, state_folder
        self._answers = answers
        self._catalog = catalog or english()
        self._diary = Diary(state_folder / Diary.FILE_NAME)
        self._noted = self._note_ids(())
        self._at: PageAddress | None = None
        self._page: PageServer | None = None
        self._show_page()

    def round(self) -> None:
        """Take up new settings, let the service work, and tell the manager that it does."""
        with use_catalog(self._catalog):
            self._round()

    def _round(self) -> None:
        if self._settings.reload_if_changed():
            sd_notify_reloading()
            self._apply_settings()
        before, self._noted = self._noted, self._note_ids(self._noted)
        if self._noted != before:
            self._service.request_advice()  # who notes a cut or a sample looks at the page for what that changes
        self._service.round()
        # Only after a round that came to its end: one that hangs shall be ended by the manager.
        touch_alive_file(self._state_folder)
        sd_notify(READY=1, STATUS=self._service.status_line(), WATCHDOG=1)

    @property
    def page_address(self) -> str | None:
        """Where its page is, None where it has none."""
        return None if self._page is None else self._page.address

    def close(self) -> None:
        """Show the page no more."""
        if self._page is not None:
            self._page.close()

    def _apply_settings(self) -> None:
        if self._settings.mistakes:
            self._service.tell_mistakes(self._settings.mistakes)
        else:
            self._service.change_farm(self._settings.farm)
            self._show_page()

    def _note_ids(self, before: tuple[int, ...]) -> tuple[int, ...]:
        """Return the numbers of the diary's lines, those of before where it cannot be read."""
        try:
            return tuple(line.id for line in self._diary.notes())
        except DiaryError:
            return before

    def _show_page(self) -> None:
        """Serve the page where the settings say; without one the messages go on."""
        wanted = self._settings.farm.page
        if wanted == self._at:
            return
        self.close()
        self._at, self._page = wanted, None
        try:
            app = create_app(self._service.snapshot, self._service.health, self._answers.links, catalog=self._catalog)
            app.register_blueprint(answer_blueprint(self._answers, lambda: self._settings.farm))
            self._page = PageServer(app, wanted.host, wanted.port)
            if not sys.stdout.isatty():  # there one line tells all
                print(f"page at {self._page.address}", flush=True)
        except OSError as error:
            log.error("there is no page, but messages go out: %s", _no_page_reason(wanted, error))


def _no_page_reason(wanted: PageAddress, error: OSError) -> str:
    """Return why a page cannot be served, and what to do."""
    if error.errno == errno.EADDRINUSE:
        return f"something else on this machine has port {wanted.port}; write another port under [page] in the settings"
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"port {wanted.port} is not for everybody; write one over 1023 under [page] in the settings"
    if error.errno == errno.EADDRNOTAVAIL or isinstance(error, socket.gaierror):
        return f"this machine is not at {wanted.host}; write its own address as host under [page] in the settings"
    return f"{wanted.host} port {wanted.port} cannot be had ({error.strerror}); see [page] in the settings"


def serve(settings: Settings, state_folder: Path, clock: Clock, advise: Advise, compose: ComposeMessages) -> None:
    """Run the service until SIGTERM or SIGINT; call it from the main thread.

    Parameters
    ----------
    settings : Settings
        Read anew on SIGHUP and when their file changes.
    state_folder : Path
        Where the outbox lies; it is made if it is not there.
    clock, look, say
        As for `Service`.

    Raises
    ------
    AlreadyRuns
        Another one has the state folder.

    Notes
    -----
    An outbox that cannot be used is tried again at each round: a service that ended for it would say nothing when it
    can be used again. A page that cannot be served is logged and the messages go on. A round still running 8 s after
    the signal is left: all that it had to keep is on disk.
    """
    with single_instance(state_folder):
        _run_until_stopped(settings, state_folder, clock, advise, compose)


def _run_until_stopped(
    settings: Settings, state_folder: Path, clock: Clock, advise: Advise, compose: ComposeMessages
) -> None:
    stop = _stop_on_signal(settings)
    service = Service(settings.farm, Outbox(state_folder / Outbox.FILE_NAME), clock, advise, compose)
    process = ServiceProcess(settings, service, state_folder, Answers(state_folder, clock))
    scheduler = _start_scheduler(process)
    if sys.stdout.isatty():
        print(running_line(settings.farm, process.page_address, clock.now()), flush=True)
    sd_notify(READY=1, STATUS="takes its first look")  # which may take longer than the manager waits
    stop.wait()
    log.info("stopping")
    sd_notify(STOPPING=1, STATUS="stopping")
    process.close()
    _stop_scheduler(scheduler)


def _stop_on_signal(settings: Settings) -> threading.Event:
    stop = threading.Event()

    def on_signal(number: int, frame: FrameType | None) -> None:
        if number == signal.SIGHUP:
            settings.request_reload()
        else:
            stop.set()

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, on_signal)
    return stop


def _start_scheduler(process: ServiceProcess) -> BackgroundScheduler:
    # It wakes by the machine's clock and in UTC, whatever clock and zone the service lives by.
    defaults = {"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
    scheduler = BackgroundScheduler(timezone="UTC", job_defaults=defaults)
    trigger = IntervalTrigger(seconds=ROUND_INTERVAL, timezone="UTC")
    scheduler.add_job(process.round, trigger, next_run_time=SystemClock().now())
    scheduler.start()
    return scheduler


def _stop_scheduler(scheduler: BackgroundScheduler) -> None:
    """Wait for the round to end, but not for a server that does not answer."""
    waiter = threading.Thread(target=scheduler.shutdown, name="stop", daemon=True)
    waiter.start()
    waiter.join(STOP_TIMEOUT)
    if waiter.is_alive():
        log.warning("a round was still running after %g s and is left", STOP_TIMEOUT)
        logging.shutdown()
        os._exit(0)  # Python itself would wait for the round's threads

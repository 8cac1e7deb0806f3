"""How a picture is had from the process that draws, and kept for the pass that it belongs to."""

import logging
import os
import subprocess
import sys
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from threading import BoundedSemaphore, Lock
from typing import Final

from daemon.domain.advice import Morning
from daemon.domain.farm import Farm
from daemon.page.pictures import draw as drawing
from daemon.page.pictures.draw import PNG, SVG, Sheet, sheet_json
from daemon.page.pictures.sheets import drying_sheet, first_field_to_mow
from daemon.words.pictures import drying_picture_text

log = logging.getLogger(__name__)

DRAW_COMMAND: Final = (sys.executable, "-P", str(Path(drawing.__file__)))
TIME_LIMIT: Final = 20.0  # [s] on a small board; a picture that takes longer is none
RETRY_AFTER: Final = timedelta(minutes=10)  # after a failure
MAX_CACHED: Final = 100  # pictures, of some 10 kB each
MAX_WAITING: Final = 2  # requests for pictures at once, so that the page itself is never kept waiting
# All that the process gets of this one's surroundings: where its own things lie, and no secrets.
PASSED_ENVIRONMENT: Final = ("HOME", "PATH", "LANG", "TMPDIR", "XDG_CACHE_HOME", "SYSTEMROOT")


class DrawingFailed(Exception):
    """A picture could not be drawn; the reason is in the log."""


def email_picture(farm: Farm, morning: Morning) -> tuple[bytes, str] | None:
    """Return the picture of the first field to mow as PNG and the words that say the same.

    Returns
    -------
    tuple or None
        None where nothing is to be mown, or where it could not be drawn.
    """
    field = first_field_to_mow(morning)
    sheet = drying_sheet(farm, field) if field is not None else None
    if field is None or sheet is None:
        return None
    try:
        return run_drawing(sheet_json(sheet, PNG)), drying_picture_text(farm, field)
    except DrawingFailed:
        return None


def run_drawing(order: str, program: Sequence[str] = DRAW_COMMAND, time_limit: float = TIME_LIMIT) -> bytes:
    """Return a picture from a process of its own.

    Parameters
    ----------
    order : str
        From `daemon.page.pictures.draw.sheet_json`.
    program : sequence of str
        What draws.
    time_limit : float
        How long it may take [s]; then it is ended.

    Raises
    ------
    NoPicture
        If it fails or takes too long.
    """
    around = {name: os.environ[name] for name in PASSED_ENVIRONMENT if name in os.environ}
    around |= {"OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "agg"}
    try:
        done = subprocess.run(
            program, input=order.encode(), capture_output=True, timeout=time_limit, env=around, check=True
        )
    except subprocess.CalledProcessError as error:
        why = (error.stderr.decode(errors="replace").strip() or "it said nothing").splitlines()[-1]
        log.warning("a picture could not be drawn: %s", why)
        raise DrawingFailed from error
    except (OSError, subprocess.TimeoutExpired) as error:
        log.warning("a picture could not be drawn: %s", type(error).__name__)
        raise DrawingFailed from error
    return done.stdout


@dataclass(frozen=True)
class _CachedPicture:
    picture: bytes | None  # None: it could not be drawn
    at: datetime


class PictureCache:
    """Pictures that were drawn, kept so that a page that is loaded again costs nothing.

    Parameters
    ----------
    program, within
        As for `run_drawing`.

    Notes
    -----
    A picture is known by all that is drawn on it: those of an older pass are pushed out by newer ones. One is drawn at
    a time, and what failed is tried again after ten minutes.
    """

    def __init__(self, program: Sequence[str] = DRAW_COMMAND, time_limit: float = TIME_LIMIT) -> None:
        self._program, self._time_limit = program, time_limit
        self._cache: OrderedDict[str, _CachedPicture] = OrderedDict()
        self._waiting_slots, self._drawing_lock = BoundedSemaphore(MAX_WAITING), Lock()

    def svg(self, sheet: Sheet, now: datetime) -> bytes:
        """Return a picture of a sheet.

        Raises
        ------
        NoPicture
            If it could not be drawn, now or a moment ago, or if others are waiting already.
        """
        order = sheet_json(sheet, SVG)
        kept = self._cached(order, now) or self._draw_in_turn(order, now)
        if kept.picture is None:
            raise DrawingFailed
        return kept.picture

    def _cached(self, order: str, now: datetime) -> _CachedPicture | None:
        kept = self._cache.get(order)
        return None if kept is None or (kept.picture is None and now - kept.at > RETRY_AFTER) else kept

    def _draw_in_turn(self, order: str, now: datetime) -> _CachedPicture:
        if not self._waiting_slots.acquire(blocking=False):
            raise DrawingFailed
        try:
            with self._drawing_lock:
                kept = self._cached(order, now) or self._draw_new(order, now)
                self._cache[order] = kept
                while len(self._cache) > MAX_CACHED:
                    self._cache.popitem(last=False)
                return kept
        finally:
            self._waiting_slots.release()

    def _draw_new(self, order: str, now: datetime) -> _CachedPicture:
        try:
            return _CachedPicture(run_drawing(order, self._program, self._time_limit), now)
        except DrawingFailed:
            return _CachedPicture(None, now)

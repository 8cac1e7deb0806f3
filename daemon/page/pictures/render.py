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
from daemon.page.pictures.draw import PNG, SVG, Sheet, as_json
from daemon.page.pictures.sheets import drying_sheet, first_to_mow
from daemon.words.pictures import drying_picture_text

log = logging.getLogger(__name__)

PROGRAM: Final = (sys.executable, "-P", str(Path(drawing.__file__)))
WITHIN: Final = 20.0  # [s] on a small board; a picture that takes longer is none
AGAIN: Final = timedelta(minutes=10)  # after a failure
MOST_KEPT: Final = 100  # pictures, of some 10 kB each
MOST_WAITING: Final = 2  # requests for pictures at once, so that the page itself is never kept waiting
# All that the process gets of this one's surroundings: where its own things lie, and no secrets.
HANDED_ON: Final = ("HOME", "PATH", "LANG", "TMPDIR", "XDG_CACHE_HOME", "SYSTEMROOT")


class NoPicture(Exception):
    """A picture could not be drawn; the reason is in the log."""


def email_picture(farm: Farm, morning: Morning) -> tuple[bytes, str] | None:
    """Return the picture of the first field to mow as PNG and the words that say the same.

    Returns
    -------
    tuple or None
        None where nothing is to be mown, or where it could not be drawn.
    """
    field = first_to_mow(morning)
    sheet = drying_sheet(farm, field) if field is not None else None
    if field is None or sheet is None:
        return None
    try:
        return drawn(as_json(sheet, PNG)), drying_picture_text(farm, field)
    except NoPicture:
        return None


def drawn(order: str, program: Sequence[str] = PROGRAM, within: float = WITHIN) -> bytes:
    """Return a picture from a process of its own.

    Parameters
    ----------
    order : str
        From `daemon.page.pictures.draw.as_json`.
    program : sequence of str
        What draws.
    within : float
        How long it may take [s]; then it is ended.

    Raises
    ------
    NoPicture
        If it fails or takes too long.
    """
    around = {name: os.environ[name] for name in HANDED_ON if name in os.environ}
    around |= {"OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "agg"}
    try:
        done = subprocess.run(
            program, input=order.encode(), capture_output=True, timeout=within, env=around, check=True
        )
    except subprocess.CalledProcessError as error:
        why = (error.stderr.decode(errors="replace").strip() or "it said nothing").splitlines()[-1]
        log.warning("a picture could not be drawn: %s", why)
        raise NoPicture from error
    except (OSError, subprocess.TimeoutExpired) as error:
        log.warning("a picture could not be drawn: %s", type(error).__name__)
        raise NoPicture from error
    return done.stdout


@dataclass(frozen=True)
class _Kept:
    picture: bytes | None  # None: it could not be drawn
    at: datetime


class Pictures:
    """Pictures that were drawn, kept so that a page that is loaded again costs nothing.

    Parameters
    ----------
    program, within
        As for `drawn`.

    Notes
    -----
    A picture is known by all that is drawn on it: those of an older pass are pushed out by newer ones. One is drawn at
    a time, and what failed is tried again after ten minutes.
    """

    def __init__(self, program: Sequence[str] = PROGRAM, within: float = WITHIN) -> None:
        self._program, self._within = program, within
        self._kept: OrderedDict[str, _Kept] = OrderedDict()
        self._waiting, self._drawing = BoundedSemaphore(MOST_WAITING), Lock()

    def svg(self, sheet: Sheet, now: datetime) -> bytes:
        """Return a picture of a sheet.

        Raises
        ------
        NoPicture
            If it could not be drawn, now or a moment ago, or if others are waiting already.
        """
        order = as_json(sheet, SVG)
        kept = self._known(order, now) or self._draw(order, now)
        if kept.picture is None:
            raise NoPicture
        return kept.picture

    def _known(self, order: str, now: datetime) -> _Kept | None:
        kept = self._kept.get(order)
        return None if kept is None or (kept.picture is None and now - kept.at > AGAIN) else kept

    def _draw(self, order: str, now: datetime) -> _Kept:
        if not self._waiting.acquire(blocking=False):
            raise NoPicture
        try:
            with self._drawing:
                kept = self._known(order, now) or self._new(order, now)
                self._kept[order] = kept
                while len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
                return kept
        finally:
            self._waiting.release()

    def _new(self, order: str, now: datetime) -> _Kept:
        try:
            return _Kept(drawn(order, self._program, self._within), now)
        except NoPicture:
            return _Kept(None, now)

"""Replies kept on disk, so that a server is asked no sooner and for no more than it wishes.

References
----------
RFC 9111, HTTP Caching, as a private cache; RFC 9110, HTTP Semantics, section 13 (conditional requests).
MET Norway, Terms of Service and How To of its weather API: not before ``Expires``, then ``If-Modified-Since``.
"""

import json
import logging
import os
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from functools import cache
from hashlib import sha256
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Final

from daemon.system.clock import Clock

MAX_FRESHNESS: Final = timedelta(days=1)  # a wrong header must not hold back the forecast for a year
MAX_UNUSED_AGE: Final = timedelta(days=14)  # then a reply is thrown away
REPLY_SUFFIX: Final = ".reply"
PART_SUFFIX: Final = ".part"  # of a file that is still being written
OK_STATUSES: Final = (200, 203)
# What is kept of a reply's headers, and what is sent back of them when it has grown old.
STORED_HEADERS: Final = ("Cache-Control", "Expires", "Date", "Age", "Last-Modified", "ETag")
VALIDATORS: Final = {"Last-Modified": "If-Modified-Since", "ETag": "If-None-Match"}
MAX_AGE_PATTERN: Final = re.compile(r'(?:^|[,\s])max-age\s*=\s*"?(\d{1,9})\b', re.IGNORECASE)

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class CachedReply:
    """A good reply as it came.

    Parameters
    ----------
    validated_at : datetime
        When the server gave it, or last said that it still holds.
    headers : mapping of str to str
        Those of `STORED_HEADERS` that it had.
    body : bytes
        Unpacked.
    """

    validated_at: datetime
    headers: Mapping[str, str]
    body: bytes

    def is_fresh(self, now: datetime) -> bool:
        """Return whether the server need not be asked yet. A clock set back ends it too."""
        return self.validated_at <= now < self.validated_at + freshness_lifetime(self.headers, self.validated_at)

    @property
    def conditional_headers(self) -> dict[str, str]:
        """The headers that ask whether it still holds, with the server's own words byte for byte."""
        return {ask: self.headers[name] for name, ask in VALIDATORS.items() if name in self.headers}

    def freshen(self, headers: Mapping[str, str], validated_at: datetime) -> "CachedReply":
        """Return it with the newer headers of a reply "not modified"."""
        old = {name: text for name, text in self.headers.items() if name not in ("Date", "Age")}
        return CachedReply(validated_at, old | _select_headers(headers), self.body)


@dataclass(frozen=True)
class ReplyCache:
    """A folder with one file for each request.

    Parameters
    ----------
    folder : Path, optional
        Made when it is not there. None keeps nothing.
    clock : Clock
        Says until when a reply is fresh.

    Notes
    -----
    A file is replaced as a whole, so that two processes may share the folder: the last one wins. Its first line is
    the digest of all others: one that was cut or changed counts as absent. Its name is a digest too, because a query
    may hold a key. When the folder cannot be written, a warning says so once and nothing is kept.
    """

    folder: Path | None
    clock: Clock

    def find(self, request: str) -> CachedReply | None:
        """Return the reply kept for a request, fresh or not, if there is a whole one."""
        if self.folder is None:
            return None
        try:
            return _deserialize(self._path(self.folder, request).read_bytes())
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return None

    def store(self, request: str, status: int, headers: Mapping[str, str], body: bytes) -> None:
        """Keep a reply if it may and can be used again, else forget what was kept for this request."""
        kept = CachedReply(self.clock.now(), _select_headers(headers), body)
        usable = kept.conditional_headers or freshness_lifetime(kept.headers, kept.validated_at) > timedelta(0)
        if status in OK_STATUSES and usable and _is_storable(headers) and _is_complete(headers, body):
            self._write(request, kept)
        elif self.folder is not None:
            with suppress(OSError):
                self._path(self.folder, request).unlink()

    def confirm(self, request: str, cached: CachedReply, headers: Mapping[str, str]) -> None:
        """Keep a reply on, because the server says that it still holds."""
        self._write(request, cached.freshen(headers, self.clock.now()))

    def _write(self, request: str, cached: CachedReply) -> None:
        if self.folder is None:
            return
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            _write_atomically(self._path(self.folder, request), _serialize(cached), cached.validated_at)
            _prune(self.folder, cached.validated_at - MAX_UNUSED_AGE)
        except OSError as error:
            _warn_once(self.folder, error.strerror or type(error).__name__)

    @staticmethod
    def _path(folder: Path, request: str) -> Path:
        return folder / f"{sha256(request.encode()).hexdigest()}{REPLY_SUFFIX}"


def freshness_lifetime(headers: Mapping[str, str], received_at: datetime) -> timedelta:
    """Return for how long a reply needs no further asking.

    Parameters
    ----------
    headers : mapping of str to str
        Of the reply.
    received_at : datetime
        When it came.

    Notes
    -----
    ``max-age`` goes before ``Expires``, which is counted from the server's own ``Date``, so that a wrong clock here
    does no harm. Without either it is nothing: no guess is made from the age of the content. `MAX_FRESHNESS` at most.

    Examples
    --------
    >>> noon = datetime(2026, 6, 1, 12, tzinfo=UTC)
    >>> freshness_lifetime({"Cache-Control": "public, max-age=1800", "Age": "600"}, noon)
    datetime.timedelta(seconds=1200)
    """
    control = headers.get("Cache-Control", "")
    if "no-cache" in control.lower():
        return timedelta(0)
    if found := MAX_AGE_PATTERN.search(control):
        life = timedelta(seconds=int(found[1]))
    else:
        ends = _parse_http_date(headers.get("Expires"))
        life = ends - (_parse_http_date(headers.get("Date")) or received_at) if ends else timedelta(0)
    age = headers.get("Age", "")
    life -= timedelta(seconds=int(age) if re.fullmatch(r"[0-9]{1,9}", age) else 0)
    return min(max(life, timedelta(0)), MAX_FRESHNESS)


def _parse_http_date(text: str | None) -> datetime | None:
    """Return an HTTP date; a broken one, like the common "0", is none."""
    try:
        moment = parsedate_to_datetime(text or "")
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None


def _select_headers(headers: Mapping[str, str]) -> dict[str, str]:
    """Return the headers worth keeping; one with a line break in it could not be sent back."""
    return {name: headers[name] for name in STORED_HEADERS if headers.get(name, "\n").isprintable()}


def _is_storable(headers: Mapping[str, str]) -> bool:
    return "no-store" not in headers.get("Cache-Control", "").lower() and "*" not in headers.get("Vary", "")


def _is_complete(headers: Mapping[str, str], body: bytes) -> bool:
    """Return False for JSON that broke off: the server would confirm it for as long as it has nothing newer."""
    if "json" not in headers.get("Content-Type", ""):
        return True
    try:
        json.loads(body)
    except (ValueError, RecursionError):
        return False
    return True


def _serialize(cached: CachedReply) -> bytes:
    head = json.dumps({"asked": cached.validated_at.isoformat(), "headers": dict(cached.headers)}).encode()
    rest = head + b"\n" + cached.body
    return sha256(rest).hexdigest().encode() + b"\n" + rest


def _deserialize(content: bytes) -> CachedReply | None:
    digest, _, rest = content.partition(b"\n")
    if sha256(rest).hexdigest().encode() != digest:
        return None
    head, _, body = rest.partition(b"\n")
    told = json.loads(head)
    return CachedReply(datetime.fromisoformat(told["asked"]), _select_headers(told["headers"]), body)


def _write_atomically(path: Path, content: bytes, at: datetime) -> None:
    """Write a file beside and put it in place, dated by our clock."""
    with NamedTemporaryFile(dir=path.parent, suffix=PART_SUFFIX, delete=False) as part:
        written = Path(part.name)
        try:
            part.write(content)
            part.flush()
            os.utime(written, (at.timestamp(), at.timestamp()))
            written.replace(path)
        except OSError:
            written.unlink(missing_ok=True)
            raise


def _prune(folder: Path, before: datetime) -> None:
    """Remove what was not used for long, and what a process left half written."""
    for path in folder.iterdir():
        with suppress(OSError):  # another process may have been quicker
            if path.suffix in (REPLY_SUFFIX, PART_SUFFIX) and path.stat().st_mtime < before.timestamp():
                path.unlink()


@cache
def _warn_once(folder: Path, reason: str) -> None:
    """Say once that nothing can be kept."""
    log.warning(
        "replies of weather services cannot be kept in %s: %s. Let the program write there; "
        "until then it asks them more often than it needs to",
        folder,
        reason,
    )

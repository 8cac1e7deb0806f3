"""A cache of replies on disk, so that a server is asked no sooner and for no more than it wishes.

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
MAX_UNUSED_AGE: Final = timedelta(days=14)  # then a reply is deleted
REPLY_SUFFIX: Final = ".reply"
PART_SUFFIX: Final = ".part"  # of a file that is still being written
OK_STATUSES: Final = (200, 203)
# The headers of a reply that are stored, and those sent back as conditions once it is stale.
STORED_HEADERS: Final = ("Cache-Control", "Expires", "Date", "Age", "Last-Modified", "ETag")
VALIDATORS: Final = {"Last-Modified": "If-Modified-Since", "ETag": "If-None-Match"}
MAX_AGE_PATTERN: Final = re.compile(r'(?:^|[,\s])max-age\s*=\s*"?(\d{1,9})\b', re.IGNORECASE)

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class CachedReply:
    """A good reply of a server.

    Parameters
    ----------
    validated_at : datetime
        When the server sent it, or last confirmed that it is still valid.
    headers : mapping of str to str
        Those of `STORED_HEADERS` that it had.
    body : bytes
        Decompressed.
    """

    validated_at: datetime
    headers: Mapping[str, str]
    body: bytes

    def is_fresh(self, now: datetime) -> bool:
        """Return whether the server need not be asked yet; a clock that was set back ends that too."""
        return self.validated_at <= now < self.validated_at + freshness_lifetime(self.headers, self.validated_at)

    @property
    def conditional_headers(self) -> dict[str, str]:
        """The headers that ask whether it is still valid, with the server's validators byte for byte."""
        return {ask: self.headers[name] for name, ask in VALIDATORS.items() if name in self.headers}

    def freshen(self, headers: Mapping[str, str], validated_at: datetime) -> "CachedReply":
        """Update it with the headers of a reply "not modified"."""
        lasting = {name: text for name, text in self.headers.items() if name not in ("Date", "Age")}
        return CachedReply(validated_at, lasting | _select_headers(headers), self.body)


@dataclass(frozen=True)
class ReplyCache:
    """A folder with one file for each request.

    Parameters
    ----------
    folder : Path, optional
        Created when it does not exist. None stores nothing.
    clock : Clock
        For the freshness of replies.

    Notes
    -----
    A file is replaced as a whole, so that two processes may share the folder: the last one wins. Its first line is the
    digest of all others: a file that was cut or changed counts as absent. Its name is a digest too, because a query may
    hold a key. If the folder is not writable, a warning says so once and nothing is stored.
    """

    folder: Path | None
    clock: Clock

    def find(self, request: str) -> CachedReply | None:
        """Return the reply stored for a request, fresh or not, None if there is no intact one."""
        if self.folder is None:
            return None
        try:
            return _deserialize(self._path(self.folder, request).read_bytes())
        except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
            return None

    def store(self, request: str, status: int, headers: Mapping[str, str], body: bytes) -> None:
        """Store a reply if it may and can be used again, else delete what was stored for this request."""
        cached = CachedReply(self.clock.now(), _select_headers(headers), body)
        is_allowed = status in OK_STATUSES and _is_storable(headers)
        if is_allowed and _is_reusable(cached) and _is_complete(headers, body):
            self._write(request, cached)
        elif self.folder is not None:
            with suppress(OSError):
                self._path(self.folder, request).unlink()

    def confirm(self, request: str, cached: CachedReply, headers: Mapping[str, str]) -> None:
        """Extend the life of a reply that the server says is still valid."""
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
    """Return for how long a reply may be used without asking the server again.

    Parameters
    ----------
    headers : mapping of str to str
        Of the reply.
    received_at : datetime
        When it came.

    Notes
    -----
    ``max-age`` takes precedence over ``Expires``, which is counted from the server's own ``Date``, so that a wrong
    clock here does no harm. Without either it is zero: no guess is made from the age of the content. `MAX_FRESHNESS`
    at most.

    Examples
    --------
    >>> noon = datetime(2026, 6, 1, 12, tzinfo=UTC)
    >>> freshness_lifetime({"Cache-Control": "public, max-age=1800", "Age": "600"}, noon)
    datetime.timedelta(seconds=1200)
    """
    control = headers.get("Cache-Control", "")
    if "no-cache" in control.lower():
        return timedelta(0)
    match = MAX_AGE_PATTERN.search(control)
    lifetime = timedelta(seconds=int(match[1])) if match else _time_to_expiry(headers, received_at)
    age = headers.get("Age", "")
    if re.fullmatch(r"[0-9]{1,9}", age):
        lifetime -= timedelta(seconds=int(age))
    return min(max(lifetime, timedelta(0)), MAX_FRESHNESS)


def _time_to_expiry(headers: Mapping[str, str], received_at: datetime) -> timedelta:
    """Return the time from a reply's date to its expiry, zero where it does not say when it expires."""
    expires = _parse_http_date(headers.get("Expires"))
    if expires is None:
        return timedelta(0)
    return expires - (_parse_http_date(headers.get("Date")) or received_at)


def _parse_http_date(text: str | None) -> datetime | None:
    """Parse an HTTP date, None for a broken one like the common "0"."""
    try:
        moment = parsedate_to_datetime(text or "")
        return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).astimezone(UTC)
    except (ValueError, TypeError, IndexError, OverflowError):
        return None


def _select_headers(headers: Mapping[str, str]) -> dict[str, str]:
    """Return the headers worth storing; one with a line break in it could not be sent back."""
    return {name: headers[name] for name in STORED_HEADERS if headers.get(name, "\n").isprintable()}


def _is_reusable(cached: CachedReply) -> bool:
    """Return whether a reply can be used again: while it is fresh, or once the server confirms it."""
    if cached.conditional_headers:
        return True
    return freshness_lifetime(cached.headers, cached.validated_at) > timedelta(0)


def _is_storable(headers: Mapping[str, str]) -> bool:
    """Return whether the server allows a reply to be stored."""
    return "no-store" not in headers.get("Cache-Control", "").lower() and "*" not in headers.get("Vary", "")


def _is_complete(headers: Mapping[str, str], body: bytes) -> bool:
    """Return False for truncated JSON, which the server would confirm for as long as it has nothing newer."""
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
    meta = json.loads(head)
    return CachedReply(datetime.fromisoformat(meta["asked"]), _select_headers(meta["headers"]), body)


def _write_atomically(path: Path, content: bytes, at: datetime) -> None:
    """Write a temporary file, dated by our clock, and move it into place."""
    with NamedTemporaryFile(dir=path.parent, suffix=PART_SUFFIX, delete=False) as part:
        part_path = Path(part.name)
        try:
            part.write(content)
            part.flush()
            os.utime(part_path, (at.timestamp(), at.timestamp()))
            part_path.replace(path)
        except OSError:
            part_path.unlink(missing_ok=True)
            raise


def _prune(folder: Path, before: datetime) -> None:
    """Delete replies that were long unused, and files that a process left half written."""
    for path in folder.iterdir():
        if path.suffix not in (REPLY_SUFFIX, PART_SUFFIX):
            continue
        with suppress(OSError):  # another process may have been quicker
            if path.stat().st_mtime < before.timestamp():
                path.unlink()


@cache
def _warn_once(folder: Path, reason: str) -> None:
    """Log once that nothing can be stored."""
    log.warning(
        "replies of weather services cannot be kept in %s: %s. Let the program write there; "
        "until then it asks them more often than it needs to",
        folder,
        reason,
    )

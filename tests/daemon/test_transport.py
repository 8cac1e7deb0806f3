"""One bounded request, and replies kept as their servers wish: on real sockets, with a clock that is set by hand."""

import gzip
import json
import logging
import os
import subprocess
import sys
import tempfile
import threading
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Final

import pytest
import requests

from daemon.weather.contract import Refused
from daemon.weather.replies import Replies, fresh_for
from daemon.weather.transport import get, open_session

NOON: Final = datetime(2026, 6, 10, 12, tzinfo=UTC)
BODY: Final = b'{"air_temperature": 17.1}'
LAST: Final = "Wed,  10 Jun 2026 8:31:02 GMT"  # not as a program would write it: it must come back byte for byte
JSON: Final = {"Content-Type": "application/json"}
HALF_HOUR: Final = {**JSON, "Expires": "Wed, 10 Jun 2026 12:30:00 GMT", "Last-Modified": LAST}
DRIP: Final = 0.02  # [s] between two bytes


@dataclass
class HandClock:
    """A clock that is set by hand."""

    at: datetime = NOON

    def now(self) -> datetime:
        return self.at

    def wait(self, minutes: float) -> None:
        self.at += timedelta(minutes=minutes)


@dataclass
class Reply:
    """What the server answers next; with status 0 it hangs up without a word."""

    status: int = 200
    body: bytes = BODY
    headers: dict[str, str] = field(default_factory=lambda: dict(JSON))
    drip: bool = False
    endless: bool = False
    cut: bool = False


class Site:
    """A server that answers from a list, the last one for ever, and notes what it was asked."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.replies = [Reply()]
        self.asked: list[dict[str, str]] = []
        self.sent = 0
        self.stopped = threading.Event()
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), type("Handler", (_Handler,), {"site": self}))
        self.address = f"http://127.0.0.1:{self.server.server_address[1]}"

    def answers(self, *replies: Reply) -> None:
        self.replies = list(replies)

    def next(self) -> Reply:
        return self.replies.pop(0) if len(self.replies) > 1 else self.replies[0]


class _Handler(BaseHTTPRequestHandler):
    site: Site
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True

    def log_message(self, format: str, *args: Any) -> None:
        pass

    def do_GET(self) -> None:
        self.site.asked.append({"path": self.path, **{name.title(): text for name, text in self.headers.items()}})
        with suppress(ConnectionError):
            self._answer(self.site.next())

    def _answer(self, reply: Reply) -> None:
        if reply.status == 0:
            self.close_connection = True
            return
        headers = {"Date": format_datetime(self.site.clock.now(), usegmt=True), **reply.headers}
        if reply.status != 304 and not reply.endless and "Transfer-Encoding" not in headers:
            headers.setdefault("Content-Length", str(len(reply.body) + 10 * reply.cut))
        self.send_response_only(reply.status)
        for name, text in headers.items():
            self.send_header(name, text)
        self.end_headers()
        for piece in _pieces(reply):
            if self.site.stopped.is_set() or (reply.drip and self.site.stopped.wait(DRIP)):
                break
            self.wfile.write(piece)
            self.site.sent += len(piece)
        self.close_connection = reply.cut or reply.endless


def _pieces(reply: Reply) -> Iterator[bytes]:
    while reply.endless:
        yield reply.body
    if reply.drip:
        yield from (bytes([byte]) for byte in reply.body)
    elif reply.body:
        yield reply.body


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def site(clock: HandClock) -> Iterator[Site]:
    site = Site(clock)
    thread = threading.Thread(target=site.server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield site
    finally:
        site.stopped.set()
        site.server.shutdown()
        site.server.server_close()
        thread.join()


@dataclass
class Farm:
    """A program that asks the site, with one folder for its replies."""

    site: Site
    clock: HandClock
    folder: Path | None

    @contextmanager
    def session(self) -> Iterator[requests.Session]:
        with open_session("mail@farm.example.org", 0, self.folder, self.clock) as session:
            yield session

    def gets(self, path: str = "/", key: str = "1234-abcd", **named: Any) -> bytes:
        """Ask as after a restart: with a new session each time."""
        with self.session() as session:
            return get(session, self.site.address + path, {"apikey": key}, **named)


@pytest.fixture
def farm(site: Site, clock: HandClock, tmp_path: Path) -> Farm:
    return Farm(site, clock, tmp_path / "state" / "replies")


# --- What a server is asked -----------------------------------------------------------------------------------


def test_a_fresh_reply_is_not_asked_for_again_even_after_a_restart(farm: Farm, site: Site) -> None:
    site.answers(Reply(headers=HALF_HOUR), Reply(body=b'"newer"'))
    assert farm.gets() == BODY
    farm.clock.wait(29.9)
    assert farm.gets() == BODY
    assert len(site.asked) == 1
    farm.clock.wait(0.1)
    assert farm.gets() == b'"newer"'
    assert len(site.asked) == 2


def test_an_old_reply_is_asked_for_in_the_servers_own_words_and_confirmed(farm: Farm, site: Site) -> None:
    later = {"Expires": "Wed, 10 Jun 2026 13:10:00 GMT"}
    site.answers(Reply(headers={**HALF_HOUR, "ETag": 'W/"a1"'}), Reply(304, b"", later))
    farm.gets()
    assert "If-Modified-Since" not in site.asked[0]
    farm.clock.wait(40)
    assert farm.gets() == BODY
    assert (site.asked[1]["If-Modified-Since"], site.asked[1]["If-None-Match"]) == (LAST, 'W/"a1"')
    farm.clock.wait(29)  # the 304 is from 12:40 and good for half an hour
    assert farm.gets() == BODY
    assert len(site.asked) == 2
    farm.clock.wait(2)
    farm.gets()
    assert site.asked[2]["If-Modified-Since"] == LAST  # still known, though the 304 did not repeat it


def test_the_age_of_a_reply_ends_when_it_is_confirmed(farm: Farm, site: Site) -> None:
    site.answers(
        Reply(headers={**JSON, "Cache-Control": "max-age=600", "Age": "540", "ETag": "a"}), Reply(304, b"", {})
    )
    farm.gets()
    farm.clock.wait(2)
    farm.gets()
    farm.clock.wait(9.9)
    farm.gets()
    assert len(site.asked) == 2


def test_a_newer_reply_takes_the_place_of_the_old_one(farm: Farm, site: Site) -> None:
    newer = {**JSON, "Cache-Control": "max-age=60", "Last-Modified": "Wed, 10 Jun 2026 12:35:00 GMT"}
    site.answers(Reply(headers=HALF_HOUR), Reply(body=b'"newer"', headers=newer), Reply(304, b"", {}))
    farm.gets()
    farm.clock.wait(40)
    farm.gets()
    farm.clock.wait(2)
    assert farm.gets() == b'"newer"'
    assert site.asked[2]["If-Modified-Since"] == "Wed, 10 Jun 2026 12:35:00 GMT"


def test_another_query_or_type_is_another_reply_and_the_key_is_not_on_disk(farm: Farm, site: Site) -> None:
    site.answers(Reply(headers=HALF_HOUR))
    farm.gets(accept="application/geo+json")
    farm.gets()
    farm.gets(key="5678")
    farm.gets(accept="application/geo+json")
    assert [asked["Accept"] for asked in site.asked] == ["application/geo+json", "*/*", "*/*"]
    assert farm.folder is not None
    kept = list(farm.folder.iterdir())
    assert len(kept) == 3
    assert not any(b"1234-abcd" in path.name.encode() + path.read_bytes() for path in kept)


def test_the_program_names_itself_and_takes_gzip_only(farm: Farm, site: Site) -> None:
    farm.gets()
    assert site.asked[0]["User-Agent"].startswith("forenoon/")
    assert site.asked[0]["User-Agent"].endswith("(mail@farm.example.org)")
    assert site.asked[0]["Accept-Encoding"] == "gzip"


@pytest.mark.parametrize(
    ("headers", "minutes"),
    [
        ({"Expires": "Wed, 10 Jun 2026 12:30:00 GMT"}, 30),
        (
            {"Expires": "Wed, 10 Jun 2026 15:30:00 GMT", "Date": "Wed, 10 Jun 2026 15:00:00 GMT"},
            30,
        ),  # our clock is slow
        ({"Expires": "Wed, 10 Jun 2026 11:00:00 GMT"}, 0),
        ({"Expires": "0"}, 0),
        ({"Expires": "Wed, 99 Jun 2026 11:00:00 GMT"}, 0),
        ({"Cache-Control": "public, max-age=600, s-maxage=7200", "Expires": "Wed, 10 Jun 2026 12:30:00 GMT"}, 10),
        ({"Cache-Control": "s-maxage=7200"}, 0),  # for proxies, not for us
        ({"Cache-Control": "Max-Age=600", "Age": "300"}, 5),
        ({"Cache-Control": "max-age=600", "Age": "-1"}, 10),
        ({"Cache-Control": "max-age=60", "Age": "300"}, 0),
        ({"Cache-Control": "no-cache, max-age=600"}, 0),
        ({"Cache-Control": "max-age=31536000"}, 1440),  # a year without a forecast
        ({"Cache-Control": "max-age=soon"}, 0),
        ({"Last-Modified": LAST}, 0),
        ({}, 0),
    ],
)
def test_how_long_a_reply_is_fresh(headers: dict[str, str], minutes: float) -> None:
    assert fresh_for(headers, NOON) == timedelta(minutes=minutes)


def test_a_clock_that_was_ahead_does_not_hold_back_the_forecast(farm: Farm, site: Site) -> None:
    site.answers(Reply(headers={**JSON, "Cache-Control": "max-age=600"}))
    farm.gets()
    farm.clock.wait(-5)
    farm.gets()
    assert len(site.asked) == 2


# --- What is not kept -----------------------------------------------------------------------------------------

UNKEPT: Final = {
    "no-store": Reply(headers={**HALF_HOUR, "Cache-Control": "no-store, max-age=600"}),
    "vary by everything": Reply(headers={**HALF_HOUR, "Vary": "*"}),
    "no word on how long": Reply(),
    "JSON with an error text at its end": Reply(body=BODY[:-1] + b"Unexpected error", headers=HALF_HOUR),
}


@pytest.mark.parametrize("reply", UNKEPT.values(), ids=UNKEPT)
def test_some_replies_are_good_for_once_and_end_what_was_kept(farm: Farm, site: Site, reply: Reply) -> None:
    site.answers(Reply(headers=HALF_HOUR), reply)
    farm.gets()
    farm.clock.wait(31)
    assert farm.gets() == reply.body
    farm.gets()
    assert len(site.asked) == 3
    assert "If-Modified-Since" not in site.asked[2]


BAD: Final = {
    "an error": (Reply(404, headers=HALF_HOUR), "answered 404"),
    "cut": (Reply(headers=HALF_HOUR, cut=True), "broke off its reply"),
    "cut in chunks": (
        Reply(body=b'5\r\n{"a":\r\n', headers={**HALF_HOUR, "Transfer-Encoding": "chunked"}, cut=True),
        "broke off its reply",
    ),
    "100 MB": (Reply(body=b" " * 1_000_000, headers=HALF_HOUR, endless=True), "more than 50000000 bytes"),
    "a bomb of 200 MB": (
        Reply(body=gzip.compress(bytes(200_000_000), 1), headers={**HALF_HOUR, "Content-Encoding": "gzip"}),
        "more than 50000000 bytes",
    ),
    "no gzip": (Reply(headers={**HALF_HOUR, "Content-Encoding": "gzip"}), "cannot be unpacked"),
    "gzip cut": (
        Reply(body=gzip.compress(BODY)[:-4], headers={**HALF_HOUR, "Content-Encoding": "gzip"}),
        "cannot be unpacked",
    ),
    "another packing": (Reply(headers={**HALF_HOUR, "Content-Encoding": "br"}), "packed as 'br'; only gzip"),
}


@pytest.mark.parametrize(("reply", "words"), BAD.values(), ids=BAD)
def test_a_bad_reply_is_refused_and_never_kept(farm: Farm, site: Site, reply: Reply, words: str) -> None:
    site.answers(reply, Reply())
    with pytest.raises(Refused, match=words):
        farm.gets()
    site.answers(Reply())
    assert farm.gets() == BODY
    assert "If-Modified-Since" not in site.asked[-1]
    assert site.sent < 80_000_000  # what was not read yet may stand in buffers


def test_a_bad_reply_leaves_the_last_good_one_to_be_confirmed(farm: Farm, site: Site) -> None:
    site.answers(Reply(headers=HALF_HOUR), Reply(headers=HALF_HOUR, cut=True), Reply(304, b""))
    farm.gets()
    farm.clock.wait(31)
    with pytest.raises(Refused, match="broke off"):
        farm.gets()
    assert farm.gets() == BODY
    assert site.asked[2]["If-Modified-Since"] == LAST


@pytest.mark.parametrize("packing", ["identity", "gzip"])
def test_a_reply_that_drips_is_given_up(farm: Farm, site: Site, packing: str) -> None:
    body = bytes(5_000) if packing == "identity" else gzip.compress(os.urandom(5_000))
    site.answers(Reply(body=body, headers={**HALF_HOUR, "Content-Encoding": packing}, drip=True))
    with pytest.raises(Refused, match=r"took longer than 0\.2 s"):
        farm.gets(patience=0.2)
    assert site.sent < 1_000


def test_a_bomb_is_not_unpacked_whole(farm: Farm, site: Site) -> None:
    site.answers(Reply(body=gzip.compress(bytes(200_000_000), 1), headers={**JSON, "Content-Encoding": "gzip"}))
    tracemalloc.start()
    try:
        with pytest.raises(Refused, match="more than 1000000 bytes"):
            farm.gets(largest=1_000_000)
        assert tracemalloc.get_traced_memory()[1] < 10_000_000
    finally:
        tracemalloc.stop()


def test_gzip_is_unpacked_once_and_kept(farm: Farm, site: Site) -> None:
    site.answers(Reply(body=gzip.compress(BODY), headers={**HALF_HOUR, "Content-Encoding": "gzip"}))
    assert farm.gets() == BODY
    assert farm.gets() == BODY
    assert len(site.asked) == 1


# --- The folder -----------------------------------------------------------------------------------------------


def halved(content: bytes) -> bytes:
    return content[: len(content) // 2]


def one_bit_off(content: bytes) -> bytes:
    return content[:-3] + bytes([content[-3] ^ 1]) + content[-2:]


@pytest.mark.parametrize("change", [halved, one_bit_off, lambda _: b"", lambda _: b"\n", lambda _: os.urandom(200)])
def test_a_file_that_is_no_longer_whole_counts_as_absent(
    farm: Farm, site: Site, change: Callable[[bytes], bytes]
) -> None:
    site.answers(Reply(headers=HALF_HOUR))
    farm.gets()
    assert farm.folder is not None
    (kept,) = farm.folder.iterdir()
    kept.write_bytes(change(kept.read_bytes()))
    assert farm.gets() == BODY
    assert "If-Modified-Since" not in site.asked[1]
    assert farm.gets() == BODY
    assert len(site.asked) == 2


@contextmanager
def as_somebody() -> Iterator[None]:
    """Root may write anywhere: be nobody for a while."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


def test_a_folder_that_cannot_be_written_is_said_once_and_costs_no_forecast(
    site: Site, clock: HandClock, caplog: pytest.LogCaptureFixture
) -> None:
    site.answers(Reply(headers=HALF_HOUR))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o555)
        with as_somebody(), caplog.at_level(logging.WARNING):
            assert [Farm(site, clock, folder).gets() for _ in range(3)] == [BODY] * 3
        folder.chmod(0o755)
        assert list(folder.iterdir()) == []
    assert len(site.asked) == 3
    (said,) = caplog.messages
    assert said.startswith(f"replies of weather services cannot be kept in {folder}: Permission denied. Let ")


def test_a_folder_below_a_file_and_no_folder_cost_no_forecast(site: Site, clock: HandClock, tmp_path: Path) -> None:
    site.answers(Reply(headers=HALF_HOUR))
    (tmp_path / "file").write_bytes(b"")
    for folder in (tmp_path / "file" / "replies", None):
        assert [Farm(site, clock, folder).gets() for _ in range(2)] == [BODY] * 2
    assert len(site.asked) == 4


def test_what_was_not_used_for_two_weeks_goes_and_nothing_else(farm: Farm, site: Site) -> None:
    site.answers(Reply(headers=HALF_HOUR))
    farm.gets("/old")
    farm.clock.wait(2 * 1440)
    farm.gets("/newer")
    assert farm.folder is not None
    other = farm.folder / "diary.csv"
    other.write_bytes(b"")
    os.utime(other, (0, 0))
    farm.clock.wait(13 * 1440)
    farm.gets("/newest")
    kept = Replies(farm.folder, farm.clock)
    found = {path: kept.find(f"*/* {site.address}{path}?apikey=1234-abcd") for path in ("/old", "/newer", "/newest")}
    assert [path for path, reply in found.items() if reply] == ["/newer", "/newest"]
    assert other.exists()


WRITER: Final = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from daemon.clock import FixedClock
from daemon.weather.replies import Replies
replies = Replies(Path(sys.argv[1]), FixedClock(datetime(2026, 6, 10, 12, tzinfo=UTC)))
body = sys.argv[2].encode() * 50_000
for _ in range(100):
    replies.keep("one", 200, {"Cache-Control": "max-age=60"}, body)
    found = replies.find("one")
    assert found and len(set(found.body)) == 1 and len(found.body) == 50_000, "mixed or lost"
"""


def test_two_processes_share_a_folder(tmp_path: Path) -> None:
    commands = [[sys.executable, "-c", WRITER, str(tmp_path), letter] for letter in "ab"]
    running = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for command in commands]
    assert [(one.communicate(timeout=60)[1], one.returncode) for one in running] == [("", 0)] * 2
    assert len(list(tmp_path.iterdir())) == 1


# --- Tries, leads and failures --------------------------------------------------------------------------------


@pytest.mark.parametrize("status", [500, 502, 503, 504])
def test_what_often_passes_is_asked_again_twice(farm: Farm, site: Site, status: int) -> None:
    failure = Reply(status, b"", {"Retry-After": "0"})
    site.answers(failure, failure, Reply())
    assert farm.gets() == BODY
    site.asked.clear()
    site.answers(failure)
    with pytest.raises(Refused, match=f"answered {status}$"):
        farm.gets()
    assert len(site.asked) == 3


def test_a_server_that_hangs_up_is_asked_again_twice(farm: Farm, site: Site) -> None:
    site.answers(Reply(0), Reply(0), Reply())
    assert farm.gets() == BODY
    site.answers(Reply(0))
    with pytest.raises(Refused, match="could not be reached"):
        farm.gets()
    assert len(site.asked) == 6


@pytest.mark.parametrize(
    ("status", "wait", "asked"),
    [(429, "0", 3), (429, "61", 1), (503, "3600", 1), (503, "soon", 3), (429, None, 1), (403, "0", 1), (422, None, 1)],
)
def test_a_server_says_when_it_may_be_asked_again(
    farm: Farm, site: Site, status: int, wait: str | None, asked: int
) -> None:
    site.answers(Reply(status, b"", {"Retry-After": wait} if wait else {}))
    with pytest.raises(Refused, match=f"answered {status}$"):
        farm.gets()
    assert len(site.asked) == asked


@pytest.mark.parametrize(("status", "headers"), [(503, {}), (404, {}), (301, {"Location": "/moved"})])
def test_the_endless_body_of_a_failure_or_a_redirect_is_left(
    farm: Farm, site: Site, status: int, headers: dict[str, str]
) -> None:
    site.answers(Reply(status, b"x" * 100_000, headers, endless=True))
    with pytest.raises(Refused, match="answered" if not headers else "redirects without end"):
        farm.gets()
    assert len(site.asked) == {503: 3, 404: 1, 301: 4}[status]
    assert site.sent < 40_000_000


def test_a_redirect_within_the_host_is_followed_and_what_it_leads_to_is_kept(farm: Farm, site: Site) -> None:
    lead = Reply(301, b"", {"Location": "/points/45,-90"})
    site.answers(lead, Reply(headers=HALF_HOUR), lead)
    assert farm.gets("/points/45.0000,-90.0000") == BODY
    assert farm.gets("/points/45.0000,-90.0000") == BODY
    assert [asked["path"] for asked in site.asked].count("/points/45,-90") == 1  # without the query


def test_beta_data_are_good_and_a_warning(farm: Farm, site: Site, caplog: pytest.LogCaptureFixture) -> None:
    site.answers(Reply(203, headers=HALF_HOUR))
    with caplog.at_level(logging.WARNING):
        assert farm.gets("/beta") == BODY
        assert farm.gets("/beta") == BODY
    assert len(site.asked) == 1
    (said,) = caplog.messages
    assert "/beta answered 203" in said
    assert "1234-abcd" not in said


PROBLEM: Final = {
    "correlationId": "1a2b3c",
    "title": "Forecast Grid Expired",
    "type": "https://weather.example.org/problems/ForecastGridExpired",
    "status": 404,
    "detail": "The requested forecast grid was issued 2026-06-08T02:50:40+00:00\nand has expired.",
}
FAILURES: Final = [
    (
        json.dumps(PROBLEM).encode(),
        ": Forecast Grid Expired: The requested forecast grid was issued 2026-06-08T02:50:40+00:00 and has expired. "
        "(correlationId 1a2b3c)",
    ),
    (json.dumps({**PROBLEM, "title": "x" * 9_999, "detail": None}).encode(), f": {'x' * 300} (correlationId 1a2b3c)"),
    (b'{"error":true,"reason":"No data"}', ": No data"),
    (b"<!doctype html><html><head><title>400 Bad\nRequest &amp; more</title></head>", ": 400 Bad Request & more"),
    (b"<html><body><h1 class=x>No such place</h1><p>/?apikey=1234-abcd</p>", ": No such place"),
    (b"GET /?apikey=1234-abcd went wrong", ""),
    (b'["reason"]', ""),
    (b"[" * 100_000, ""),
    (b"x" * 100_000, ""),
    (b"\xff\xfe", ""),
    (b"", ""),
]


@pytest.mark.parametrize(("body", "words"), FAILURES)
def test_what_the_server_says_of_its_failure_is_told_short(farm: Farm, site: Site, body: bytes, words: str) -> None:
    site.answers(Reply(404, body, {"Content-Type": "text/html"}))
    with pytest.raises(Refused) as refused:
        farm.gets("/grid")
    assert str(refused.value) == f"{site.address.removeprefix('http://')}/grid answered 404{words}"

"""One bounded request, on real sockets."""

import gzip
import json
import logging
import os
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

from daemon.domain.refusal import RefusalKind
from daemon.weather.contract import Refused
from daemon.weather.http.client import get, open_session
from tests.loopback.scripted import BODY, HALF_HOUR, JSON, NOON, Farm, Reply, Site
from tests.support.hand_clock import HandClock


@pytest.fixture
def clock() -> HandClock:
    return HandClock(NOON)


@pytest.fixture
def site(clock: HandClock) -> Iterator[Site]:
    with Site(clock) as site:
        yield site


@pytest.fixture
def farm(site: Site, clock: HandClock, tmp_path: Path) -> Farm:
    return Farm(site, clock, tmp_path / "state" / "replies")


# --- Its bounds ------------------------------------------------------------------------------------------------


def test_a_host_that_has_taken_its_time_is_asked_for_nothing_more(site: Site, farm: Farm) -> None:
    site.answers(Reply(body=b" " * 50, drip=True))
    with Site(farm.clock) as other, open_session("mail@farm.example.org", 0, host_limit=0.2) as session:
        with pytest.raises(Refused, match=r"took longer than 0\.\d+ s to send its reply"):
            get(session, site.address, {})
        with pytest.raises(Refused, match=r"/more is not asked again in this look"):
            get(session, site.address + "/more", {})
        assert get(session, other.address, {}) == BODY
    assert len(site.asked) == 1


def test_a_session_that_has_taken_all_its_time_asks_for_nothing_more(site: Site) -> None:
    with (
        open_session("mail@farm.example.org", 0, session_limit=0.0) as session,
        pytest.raises(Refused, match="is not asked in this look: the servers before took all of its time"),
    ):
        get(session, site.address, {})
    assert site.asked == []


def test_no_wait_for_another_try_goes_beyond_the_time_of_a_host(site: Site) -> None:
    site.answers(Reply(503, headers={**JSON, "Retry-After": "50"}))
    with (
        open_session("mail@farm.example.org", 0, host_limit=49.0) as session,
        pytest.raises(Refused, match="answered 503"),
    ):
        get(session, site.address, {})
    assert len(site.asked) == 1


def test_the_program_names_itself_and_takes_gzip_only(farm: Farm, site: Site) -> None:
    farm.gets()
    assert site.asked[0]["User-Agent"].startswith("forenoon/")
    assert site.asked[0]["User-Agent"].endswith("(mail@farm.example.org)")
    assert site.asked[0]["Accept-Encoding"] == "gzip"


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


@pytest.mark.parametrize("packing", ["identity", "gzip"])
def test_a_reply_that_drips_is_given_up(farm: Farm, site: Site, packing: str) -> None:
    body = bytes(5_000) if packing == "identity" else gzip.compress(os.urandom(5_000))
    site.answers(Reply(body=body, headers={**HALF_HOUR, "Content-Encoding": packing}, drip=True))
    with pytest.raises(Refused, match=r"took longer than 0\.2 s"):
        farm.gets(body_timeout=0.2)
    assert site.sent < 1_000


def test_a_bomb_is_not_unpacked_whole(farm: Farm, site: Site) -> None:
    site.answers(Reply(body=gzip.compress(bytes(200_000_000), 1), headers={**JSON, "Content-Encoding": "gzip"}))
    tracemalloc.start()
    try:
        with pytest.raises(Refused, match="more than 1000000 bytes"):
            farm.gets(max_bytes=1_000_000)
        assert tracemalloc.get_traced_memory()[1] < 10_000_000
    finally:
        tracemalloc.stop()


def test_gzip_is_unpacked_once_and_kept(farm: Farm, site: Site) -> None:
    site.answers(Reply(body=gzip.compress(BODY), headers={**HALF_HOUR, "Content-Encoding": "gzip"}))
    assert farm.gets() == BODY
    assert farm.gets() == BODY
    assert len(site.asked) == 1


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
    with pytest.raises(Refused, match="could not be reached") as refused:
        farm.gets()
    assert [refusal.kind for refusal in refused.value.refusals] == [RefusalKind.UNREACHABLE]
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

"""Replies kept as their servers wish: on real sockets and files, with a clock that is set by hand."""

import logging
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Final

import pytest

from daemon.weather.contract import Refused
from daemon.weather.http.cache import ReplyCache, freshness_lifetime
from tests.loopback.scripted import BODY, HALF_HOUR, JSON, LAST, NOON, Farm, Reply, Site
from tests.support.hand_clock import HandClock
from tests.support.processes import run_at_once


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


def test_a_reply_known_to_be_wrong_is_passed_over_and_replaced(farm: Farm, site: Site) -> None:
    site.answers(Reply(headers=HALF_HOUR), Reply(body=b'"moved"', headers=HALF_HOUR))
    assert farm.gets() == BODY
    assert farm.gets(bypass_cache=True) == b'"moved"'
    assert "If-Modified-Since" not in site.asked[1]
    assert farm.gets() == b'"moved"'
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
    assert freshness_lifetime(headers, NOON) == timedelta(minutes=minutes)


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


def test_a_bad_reply_leaves_the_last_good_one_to_be_confirmed(farm: Farm, site: Site) -> None:
    site.answers(Reply(headers=HALF_HOUR), Reply(headers=HALF_HOUR, cut=True), Reply(304, b""))
    farm.gets()
    farm.clock.wait(31)
    with pytest.raises(Refused, match="broke off"):
        farm.gets()
    assert farm.gets() == BODY
    assert site.asked[2]["If-Modified-Since"] == LAST


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
    kept = ReplyCache(farm.folder, farm.clock)
    found = {path: kept.find(f"*/* {site.address}{path}?apikey=1234-abcd") for path in ("/old", "/newer", "/newest")}
    assert [path for path, reply in found.items() if reply] == ["/newer", "/newest"]
    assert other.exists()


WRITER: Final = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from daemon.system.clock import FixedClock
from daemon.weather.http.cache import ReplyCache
replies = ReplyCache(Path(sys.argv[1]), FixedClock(datetime(2026, 6, 10, 12, tzinfo=UTC)))
body = sys.argv[2].encode() * 50_000
for _ in range(100):
    replies.store("one", 200, {"Cache-Control": "max-age=60"}, body)
    found = replies.find("one")
    assert found and len(set(found.body)) == 1 and len(found.body) == 50_000, "mixed or lost"
"""


def test_two_processes_share_a_folder(tmp_path: Path) -> None:
    assert run_at_once(WRITER, *([str(tmp_path), letter] for letter in "ab")) == [(0, "")] * 2
    assert len(list(tmp_path.iterdir())) == 1

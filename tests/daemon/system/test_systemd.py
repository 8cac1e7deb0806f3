import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from daemon.system.systemd import sd_notify, sd_notify_reloading


@contextmanager
def manager(name: str) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(name)
        listening.settimeout(2.0)
        yield listening


def test_one_datagram_of_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with manager(str(tmp_path / "notify")) as listening:
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        assert sd_notify(READY=1, STATUS="mow 20 acres\nof Long\tMeadow")
        assert listening.recv(4096) == b"READY=1\nSTATUS=mow 20 acres of Long Meadow"


def test_an_abstract_address(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    name = f"forenoon-test-{tmp_path.name}"
    with manager(f"\0{name}") as listening:
        monkeypatch.setenv("NOTIFY_SOCKET", f"@{name}")
        assert sd_notify(WATCHDOG=1)
        assert listening.recv(4096) == b"WATCHDOG=1"


def test_a_reload_says_since_when(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with manager(str(tmp_path / "notify")) as listening:
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        assert sd_notify_reloading()
        first, second = listening.recv(4096).decode().splitlines()
    assert first == "RELOADING=1"
    assert second.startswith("MONOTONIC_USEC=")
    assert int(second.partition("=")[2]) > 0


@pytest.mark.parametrize("address", ["", "nowhere", "/nowhere/at/all"])
def test_no_manager_is_no_trouble(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    assert not sd_notify(READY=1)

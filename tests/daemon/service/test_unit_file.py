"""The unit file: as the service manager's own tool sees it, and in step with the program."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from daemon.service.process import STOP_TIMEOUT
from daemon.settings.paths import SYSTEM_FILE, SYSTEM_STATE
from daemon.weather.http.client import SESSION_TIME_LIMIT

UNIT = Path(__file__).parents[3] / "systemd" / "forenoon.service"
LINES = dict(re.findall(r"^(\w+)=(.*)$", UNIT.read_text(encoding="utf-8"), re.MULTILINE))
TOOL = shutil.which("systemd-analyze")
MOST_EXPOSED = 2.0
with_tool = pytest.mark.skipif(TOOL is None, reason="systemd-analyze is not at hand")


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The file with a program that is there."""
    path = tmp_path / UNIT.name
    path.write_text(UNIT.read_text(encoding="utf-8").replace("/opt/forenoon/bin/forenoon", sys.executable))
    return path


def analyzed(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([str(TOOL), *arguments], capture_output=True, text=True, timeout=60, check=False)


@with_tool
def test_the_service_manager_has_nothing_to_say_against_it(unit: Path) -> None:
    found = analyzed("verify", str(unit))
    assert (found.returncode, found.stdout, found.stderr) == (0, "", "")


@with_tool
def test_a_mistake_in_it_would_be_found(unit: Path) -> None:
    unit.write_text(unit.read_text().replace("WatchdogSec=15min", "WatchdogSec=often"))
    assert "Failed to parse" in analyzed("verify", str(unit)).stderr


@with_tool
def test_what_is_left_open_is_little(unit: Path) -> None:
    found = analyzed("security", "--offline=true", str(unit)).stdout
    exposed = re.search(r"Overall exposure level for \S+: ([\d.]+)", found)
    assert exposed is not None
    assert float(exposed[1]) <= MOST_EXPOSED


def test_it_is_in_step_with_the_program() -> None:
    assert Path("/var/lib", LINES["StateDirectory"]) == SYSTEM_STATE
    assert Path("/etc", LINES["ConfigurationDirectory"]) / "config.toml" == SYSTEM_FILE
    assert LINES["Type"] == "notify"
    assert float(LINES["TimeoutStopSec"]) > STOP_TIMEOUT
    minutes = re.fullmatch(r"(\d+)min", LINES["WatchdogSec"])
    assert minutes is not None
    assert 60.0 * int(minutes[1]) > 3.0 * SESSION_TIME_LIMIT, (
        "a look, messages and another look that all wait for silent servers"
    )


def test_its_group_may_write_what_it_writes() -> None:
    assert int(LINES["StateDirectoryMode"], 8) == 0o2770
    assert int(LINES["UMask"], 8) == 0o007
    assert LINES["User"] == LINES["Group"] == "forenoon"


def test_its_steps_are_those_of_the_readme() -> None:
    readme = UNIT.parents[1] / "README.md"
    if not readme.exists():  # only the program was installed
        pytest.skip("there is no README.md here")
    live = readme.read_text(encoding="utf-8").partition("## Going live on a small board")[2]
    block = live.partition("```sh\n")[2].partition("```")[0]
    head = UNIT.read_text(encoding="utf-8").partition("[Unit]")[0]
    assert re.findall(r"^#   (.*)$", head, re.MULTILINE) == block.splitlines()

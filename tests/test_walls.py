"""The walls between the parts: data flows one way, and models know nothing but numbers."""

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SOURCES = sorted(path for part in ("daemon", "models") for path in (ROOT / part).rglob("*.py"))
CLOCK = "daemon/system/clock.py"
# Readers of the time, by the module they are found in.
TIME_READERS = {
    "time": {"time", "time_ns", "localtime", "gmtime", "ctime", "strftime"},
    "datetime": {"now", "utcnow", "today"},
    "date": {"today"},
    "Timestamp": {"now", "utcnow", "today"},
    "pd.Timestamp": {"now", "utcnow", "today"},
    "pandas.Timestamp": {"now", "utcnow", "today"},
}
NOT_FOR_MODELS = {"socket", "urllib", "http", "ssl", "smtplib", "sqlite3", "logging", "time", "subprocess", "threading"}


def name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def module(path: Path) -> str:
    return name(path).removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def imported(path: Path) -> Iterator[str]:
    """Yield every module that a file imports, `from a import b` both as a and as a.b, wherever it stands."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = module(path).split(".")[: -node.level or None] if node.level else []
            base = ".".join([*above, *([node.module] if node.module else [])])
            yield base
            yield from (f"{base}.{alias.name}" for alias in node.names)


def time_reads(source: str) -> list[str]:
    """Return the calls and imports in a source by which it would learn the time."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and node.attr in TIME_READERS.get(_owner(node.value), set()):
            found.append(ast.unparse(node))
        if isinstance(node, ast.Call) and _owner(node.func) == "datetime64":
            found += [word for word in map(_word, node.args) if word in ("now", "today")]
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            found += [alias.name for alias in node.names if alias.name in TIME_READERS["time"]]
    return found


def _word(node: ast.expr) -> str:
    return str(node.value) if isinstance(node, ast.Constant) else ""


def _owner(node: ast.expr) -> str:
    """Return the name before the dot: `datetime` of datetime.now as of datetime.datetime.now."""
    written = ast.unparse(node)
    return written if written in TIME_READERS else written.rsplit(".", maxsplit=1)[-1]


def test_there_is_something_to_look_at() -> None:
    named = {name(path) for path in SOURCES}
    assert {CLOCK, "daemon/planning/prospect.py", "daemon/weather/contract.py", "models/swath.py"} <= named


@pytest.mark.parametrize("path", [path for path in SOURCES if name(path).startswith("models/")], ids=name)
def test_models_import_numpy_and_the_standard_library(path: Path) -> None:
    tops = {found.split(".")[0] for found in imported(path)}
    assert not tops - {"numpy", "models"} - set(sys.stdlib_module_names)
    assert not tops & NOT_FOR_MODELS


@pytest.mark.parametrize("path", [path for path in SOURCES if name(path) != CLOCK], ids=name)
def test_only_the_clock_reads_the_time(path: Path) -> None:
    assert time_reads(path.read_text(encoding="utf-8")) == []


def test_a_test_outside_is_named_after_a_package_that_is_installed_for_it() -> None:
    """Else it would be left out everywhere."""
    lines = (ROOT / "tests/outside/requirements.txt").read_text(encoding="utf-8").splitlines()
    packages = {line.split("==")[0] for line in lines if line and not line.startswith("#")}
    named = {path.stem.split("_")[1] for path in (ROOT / "tests/outside").glob("test_*.py")}
    assert {"supy", "pyet"} <= named <= packages


@pytest.mark.parametrize(
    ("source", "reads"),
    [
        ("import time\ntime.time()", ["time.time"]),
        ("from time import time", ["time"]),
        ("import datetime\ndatetime.datetime.now()", ["datetime.datetime.now"]),
        ("from datetime import date\ndate.today()", ["date.today"]),
        ("import pandas as pd\npd.Timestamp.now()", ["pd.Timestamp.now"]),
        ("import numpy as np\nnp.datetime64('now', 's')", ["now"]),
        ("import time\ntime.monotonic()\nclock.now()", []),
    ],
)
def test_reading_the_time_is_seen(source: str, reads: list[str]) -> None:
    assert time_reads(source) == reads

"""Names the tests that are left out: those in tests/outside need packages that cannot live beside the newest numpy."""

import ast
from importlib.util import find_spec
from pathlib import Path

import pytest

OUTSIDE = Path(__file__).parent / "outside"


def _package(file: Path) -> str:
    """Return the package that a file of tests/outside is named after, and needs: test_<package>_<what>.py."""
    return file.stem.removeprefix("test_").split("_")[0]


def _tests(file: Path) -> int:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    return sum(isinstance(node, ast.FunctionDef) and node.name.startswith("test_") for node in ast.walk(tree))


LEFT_OUT = [file for file in sorted(OUTSIDE.glob("test_*.py")) if find_spec(_package(file)) is None]
collect_ignore = [str(file) for file in LEFT_OUT]


def _asked_for(file: Path, config: pytest.Config) -> bool:
    asked = (config.invocation_params.dir / argument.split("::")[0] for argument in config.args)
    return any(file.is_relative_to(path.resolve()) for path in asked)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    missed = [file for file in LEFT_OUT if _asked_for(file, terminalreporter.config)]
    if not missed:
        return
    terminalreporter.section("left out")
    for file in missed:
        name, count = file.relative_to(OUTSIDE.parent.parent), _tests(file)
        terminalreporter.line(f"{name}: {count} test functions, because {_package(file)} is not installed here")
    total = sum(map(_tests, missed))
    terminalreporter.line(f"{total} test functions left out; `bash .ci/run` runs them in an environment of their own")

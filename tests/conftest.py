"""Names the tests that are left out, and fails a run that leaves a secret in a file.

Those in tests/outside need packages that cannot live beside the newest numpy.
"""

import ast
import logging
from importlib.util import find_spec
from pathlib import Path

import pytest

from tests.support.secret_leaks import keep_log, leaks

LOGGED = pytest.StashKey[logging.Handler]()
LEAKED = pytest.StashKey[list[Path]]()
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


def pytest_sessionstart(session: pytest.Session) -> None:
    session.config.stash[LOGGED] = keep_log(_written_to(session.config))


def pytest_sessionfinish(session: pytest.Session) -> None:
    logged = session.config.stash[LOGGED]
    logging.getLogger().removeHandler(logged)
    logged.close()
    found = session.config.stash[LEAKED] = list(leaks(_written_to(session.config)))
    if found and session.exitstatus in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def _written_to(config: pytest.Config) -> Path:
    """Return the folder that holds what all tests write."""
    factory: pytest.TempPathFactory = config._tmp_path_factory  # type: ignore[attr-defined]
    return factory.getbasetemp()


def _tell_leaks(terminalreporter: pytest.TerminalReporter) -> None:
    found = terminalreporter.config.stash.get(LEAKED, [])
    if found:
        terminalreporter.section("a secret of the tests was written")
        for file in found:
            terminalreporter.line(str(file))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    _tell_leaks(terminalreporter)
    missed = [file for file in LEFT_OUT if _asked_for(file, terminalreporter.config)]
    if not missed:
        return
    terminalreporter.section("left out")
    for file in missed:
        name, count = file.relative_to(OUTSIDE.parent.parent), _tests(file)
        terminalreporter.line(f"{name}: {count} test functions, because {_package(file)} is not installed here")
    total = sum(map(_tests, missed))
    terminalreporter.line(f"{total} test functions left out; `bash .ci/run` runs them in an environment of their own")

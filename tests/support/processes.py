"""Programs that tests start: each wait for one has an end, and fails with what the program printed."""

import os
import select
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from threading import Timer
from time import monotonic, sleep
from typing import Final

ROOT: Final = Path(__file__).parents[2]
LONGEST: Final = 30.0  # [s]
Process = subprocess.Popen[str]


def wait_until(
    condition: Callable[[], object], process: Process, *, seconds: float = LONGEST, log: Path | None = None
) -> None:
    """Wait until a condition holds while a program runs; `log` is the file that it writes to instead of a pipe."""
    ends = monotonic() + seconds
    while not condition():
        if process.poll() is not None or monotonic() > ends:
            raise AssertionError(f"exit code {process.returncode}: {_printed(process, log)}")
        sleep(0.01)


def _printed(process: Process, log: Path | None) -> str:
    """Kill a program and return what it printed since it was last read from."""
    process.kill()
    if log is not None:
        return log.read_text(encoding="utf-8")
    with suppress(subprocess.TimeoutExpired):
        return "\n".join(filter(None, process.communicate(timeout=5.0)))
    return "a child of it holds its output"


def next_line(process: Process, start: str = "") -> str:
    """Return the next line of a program's output that begins with a text, without its end."""
    assert process.stdout is not None
    others = []
    timer = Timer(LONGEST, process.kill)  # which ends its output
    timer.start()
    try:
        for line in process.stdout:
            if line.startswith(start):
                return line.strip()
            others.append(line)
    finally:
        timer.cancel()
    raise AssertionError(f"no line begins with {start!r}: {''.join(others)}")


def terminal_text(master: int, end: str | None = None) -> str:
    """Return what a program shows on a terminal up to a text, or until it leaves the terminal."""
    shown = b""
    while end is None or end.encode() not in shown:
        assert select.select([master], [], [], LONGEST)[0], shown.decode()
        try:
            shown += os.read(master, 4096)
        except OSError:  # the program has closed its end
            break
    assert end is None or end.encode() in shown, shown.decode()
    return shown.decode()


def run_python(program: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a program in a process of its own to its end."""
    command = [sys.executable, "-c", program, *arguments]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=60.0)


def run_at_once(program: str, *arguments: Sequence[str]) -> list[tuple[int, str]]:
    """Run a program once for each list of arguments, all from the same moment; return exit codes and complaints.

    The program waits for a line of its standard input before it begins.
    """
    pipe = subprocess.PIPE
    commands = [[sys.executable, "-c", program, *each] for each in arguments]
    running = [subprocess.Popen(command, stdin=pipe, stderr=pipe, text=True, cwd=ROOT) for command in commands]
    for process in running:
        assert process.stdin is not None
        process.stdin.write("\n")
        process.stdin.flush()
    complaints = [process.communicate(timeout=60.0)[1] for process in running]
    return [(process.returncode, complaint) for process, complaint in zip(running, complaints, strict=True)]

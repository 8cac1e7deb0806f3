"""What the program costs, beside what it may cost: `python -m tests.bench`, or with `--quick` in some seconds.

Times are processor time, the best of several runs, so that others on the machine change little.
"""

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.bench import drying, evaporation, morning
from tests.bench.table import Line, seconds

POINTS = (10**6, 10**7)
WAIT = 60  # [s] from the last pass until memory is read
PASS_MOST, IDLE_MOST, PEAK_MOST = 1.5, 170.0, 300.0  # [s], [MiB], [MiB]


def main() -> None:
    quick = "--quick" in sys.argv[1:]
    size = (2, 15, 3) if quick else (morning.FIELDS, morning.MEMBERS, morning.DAYS)
    show_here((10**5,) if quick else POINTS, *size)
    show_processes(0 if quick else WAIT, *size)


def show_here(points: tuple[int, ...], fields: int, members: int, days: int) -> None:
    """Print what is timed in this process, each figure as soon as it is taken."""
    for count in points:
        _print(evaporation.lines(count))
    _print([evaporation.one_by_one(), evaporation.by_pyet()])
    farm, weather = morning.made(fields, members, days)
    _print(drying.lines(farm, weather, days))
    shown = f"{fields} fields x {members} members x 4 draws x {days} days, all starts"
    taken = seconds(lambda: morning.looked(farm, weather), 3)
    _print([Line(f"whole pass, {shown}", f"{taken:.2f} s", f"at most {PASS_MOST} s", taken <= PASS_MOST)])
    print(f"the pass found: {morning.told(morning.looked(farm, weather))}")


def show_processes(wait: int, fields: int, members: int, days: int) -> None:
    """Print what fresh processes take to start and to hold."""
    _print(_cold_starts())
    _print(_memory(wait, fields, members, days))


def _print(lines: Iterator[Line] | list[Line]) -> None:
    for line in lines:
        print(line, flush=True)


def _cold_starts() -> Iterator[Line]:
    """Yield the processor time of fresh processes."""
    with tempfile.TemporaryDirectory() as folder:
        page = str(Path(folder) / "page.html")
        for words in (["--help"], ["demo", "--page", page]):
            command = [sys.executable, "-m", "daemon.cli.commands", *words]
            taken = min(_processor_time(command) for _ in range(3))
            yield Line(f"cold start, forenoon {words[0]}", f"{taken:.2f} s")


def _processor_time(command: list[str]) -> float:
    before = os.times()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def _memory(wait: int, fields: int, members: int, days: int) -> Iterator[Line]:
    command = [sys.executable, "-m", "tests.bench.memory", *map(str, (wait, fields, members, days))]
    found = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    yield Line("memory with all that the service loads", f"{found['loaded']:.0f} MiB")
    idle, peak = found["idle"], found["peak"]
    when = f"memory idle, {wait} s after the third pass"
    yield Line(when, f"{idle:.0f} MiB", f"at most {IDLE_MOST:.0f} MiB", idle <= IDLE_MOST)
    yield Line("memory at its peak", f"{peak:.0f} MiB", f"at most {PEAK_MOST:.0f} MiB", peak <= PEAK_MOST)


if __name__ == "__main__":
    main()

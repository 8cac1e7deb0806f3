"""How figures are taken and shown."""

import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Line:
    """A figure beside its target; `met` is None where there is none."""

    what: str
    measured: str
    target: str = ""
    met: bool | None = None

    def __str__(self) -> str:
        verdict = "" if self.met is None else "met" if self.met else "NOT MET"
        return f"{self.what:<78}{self.measured:>20}  {self.target:<16}{verdict}".rstrip()


def seconds(work: Callable[[], object], times: int = 5) -> float:
    """Return the least processor time of several runs [s]: others on the machine can only make a run slower."""
    taken = []
    for _ in range(times):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return min(taken)

import sys

import pytest

from tests.support.processes import run_python

# Two lots of small arrays, laid in turn: those that are freed stay between those that are kept.
PROGRAM = """
import numpy as np
from daemon.system.memory import trim_heap
from tests.support.process_memory import mebibytes

kept, freed = [], []
for _ in range(400):
    freed.append(np.ones(12_000))
    kept.append(np.ones(100))
freed.clear()
held = mebibytes("VmRSS")
trim_heap()
print(held - mebibytes("VmRSS"))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not tell their memory this way")
def test_what_was_freed_is_given_back() -> None:
    done = run_python(PROGRAM)
    assert done.returncode == 0, done.stderr
    assert float(done.stdout) > 20.0, "of 37 MiB freed"

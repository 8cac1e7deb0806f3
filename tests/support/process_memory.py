"""Memory of this process as the kernel tells it."""

from pathlib import Path


def mebibytes(name: str) -> float:
    """Return VmRSS (now) or VmHWM (at its peak) [MiB]."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) / 1024.0 for line in lines if line.startswith(f"{name}:"))

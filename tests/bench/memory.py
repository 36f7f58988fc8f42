"""The most memory that a process has held since its program began."""

import os
import sys
from pathlib import Path


def peak_bytes(pid: int | None = None) -> int:
    """Of a process, this one by default; 0 where the system does not tell it of another.

    On Linux not by getrusage(2): its ru_maxrss survives the beginning of a program, so a small one that a large one
    began seems to have been as large.
    """
    status = Path(f"/proc/{pid or os.getpid()}/status")
    if status.exists():
        held = (line.split()[1] for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return 1024 * int(next(held, 0))
    if pid is not None:
        return 0
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)

"""Handing memory back to the system, and what it has left."""

import ctypes
import sys
from pathlib import Path

_SYSTEM, _GROUP = Path("/proc/meminfo"), Path("/sys/fs/cgroup")


def give_back() -> None:
    """Hand back what was freed, where the C library can be asked to (glibc's malloc_trim); changes no result.

    It keeps freed blocks for the next time. After a mix is measured these are as much as a song, and would lie beside
    what comes then.
    """
    if sys.platform == "linux":
        trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
        if trim is not None:
            trim(0)


def available_bytes(system: Path = _SYSTEM, group: Path = _GROUP) -> int | None:
    """Memory that a program can have without others going to disk: of the machine, or of its control group if less.

    None where the system (Linux alone) does not say.
    """
    try:
        lines = (line.split() for line in system.read_text(encoding="ascii").splitlines())
        free = next(1024 * int(line[1]) for line in lines if line[0] == "MemAvailable:")
    except (OSError, ValueError, IndexError, StopIteration):
        return None
    try:  # version 2; what it counts as used holds pages of files, which go where room is needed
        most = int((group / "memory.max").read_text(encoding="ascii"))
        kinds = (line.split() for line in (group / "memory.stat").read_text(encoding="ascii").splitlines())
        return max(0, min(free, most - next(int(line[1]) for line in kinds if line[0] == "anon")))
    except (OSError, ValueError, IndexError, StopIteration):  # ValueError: "max", which is no limit
        return free

"""Whether the machine has the memory that a volume will take, asked before it is taken."""

from __future__ import annotations

from pathlib import Path

from cotyle.errors import InputError

MEMINFO = Path("/proc/meminfo")
CGROUP = Path("/sys/fs/cgroup")
"""Where Linux tells what is free, and what the container we run in may take (cgroup version 2)."""


def require_memory(needed_bytes: int) -> None:
    """Refuse what will not fit; where the system does not tell what is free, nothing is refused.

    Raises
    ------
    InputError
        ``memory``.
    """
    free = free_bytes()
    if free is not None and needed_bytes > free:
        gib = 2**30
        raise InputError(
            "memory",
            f"reading the scan takes {needed_bytes / gib:.1f} GiB of memory, {free / gib:.1f} GiB are free",
            "Close other programs, export only the pelvis, or use a larger machine",
        )


def free_bytes() -> int | None:
    """Return what can still be had without swapping, within the container's limit; None if unknown."""
    known = [free for free in (_of_machine(), _of_container()) if free is not None]
    return min(known, default=None)


def _of_machine() -> int | None:
    try:
        for line in MEMINFO.read_text().splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    except (OSError, ValueError, IndexError):
        pass
    return None


def _of_container() -> int | None:
    """Files kept in memory count as free: the system drops them first."""
    try:
        most = int((CGROUP / "memory.max").read_text())  # "max" where there is no limit
        used = int((CGROUP / "memory.current").read_text())
        lines = (CGROUP / "memory.stat").read_text().splitlines()
        files = next(int(line.split()[1]) for line in lines if line.startswith("file "))
    except (OSError, ValueError, IndexError, StopIteration):
        return None
    return max(0, most - used + files)

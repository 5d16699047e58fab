"""How many worker processes a machine carries: `--jobs auto`."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

WORKER_BYTES = 450 << 20
"""Memory of one worker at a frame of 24 megapixels (`python -m benchmarks.speed`); larger frames take more."""
SPARE = 0.8
"""Share of the free memory that workers may take."""
_CGROUP = Path("/sys/fs/cgroup")


@dataclass(frozen=True, slots=True)
class Capacity:
    """Processors that this process may use, and free memory in bytes (None: the system does not say)."""

    cores: int
    free_bytes: int | None

    @property
    def n_workers(self) -> int:
        """One for each processor, fewer where the memory does not hold them, at least one."""
        if self.free_bytes is None:
            return self.cores
        return max(1, min(self.cores, int(SPARE * self.free_bytes / WORKER_BYTES)))

    @property
    def remark(self) -> str | None:
        """Why there are fewer workers than processors; None where there are not."""
        if self.free_bytes is None or self.n_workers == self.cores:
            return None
        return (
            f"{self.n_workers} of {self.cores} processors are used: each worker needs about {WORKER_BYTES >> 20} MB, "
            f"and {self.free_bytes >> 20} MB are free. --jobs N decides otherwise."
        )


def capacity() -> Capacity:
    """Of this machine, now; a container's bounds count."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    with suppress(OSError, ValueError):
        quota, period = (_CGROUP / "cpu.max").read_text(encoding="ascii").split()
        if quota != "max":
            cores = max(1, min(cores, round(int(quota) / int(period))))
    free = [n for n in (_system_bytes(), _container_bytes()) if n is not None]
    return Capacity(cores, min(free, default=None))


def _system_bytes() -> int | None:
    """Linux: MemAvailable (proc(5)); elsewhere half of what is built in."""
    if sys.platform == "linux":
        with suppress(OSError, ValueError, IndexError):
            for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
                if line.startswith("MemAvailable:"):
                    return int(line.split()[1]) * 1024
    with suppress(AttributeError, OSError, ValueError):
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2
    return None


def _container_bytes() -> int | None:
    """What is left of a control group's memory (cgroup v2: memory.max, memory.current)."""
    with suppress(OSError, ValueError):
        largest = (_CGROUP / "memory.max").read_text(encoding="ascii").strip()
        if largest != "max":
            used = int((_CGROUP / "memory.current").read_text(encoding="ascii"))
            cached = _inactive_file()
            return max(0, int(largest) - used + cached)
    return None


def _inactive_file() -> int:
    """Cache that the system gives back at once (memory.stat)."""
    with suppress(OSError, ValueError):
        for line in (_CGROUP / "memory.stat").read_text(encoding="ascii").splitlines():
            name, _, value = line.partition(" ")
            if name == "inactive_file":
                return int(value)
    return 0

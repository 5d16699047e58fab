"""What differs between operating systems, behind one name each: durable sync, kernel locks, who runs a process."""

from __future__ import annotations

import errno
import os
import platform
import subprocess
import sys
from pathlib import Path

NOT_SUPPORTED = frozenset({errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EBADF, errno.ENOTTY})
"""What file systems answer when they do not know a call (a network share asked to sync a folder, say)."""
LOCK_NOT_SUPPORTED = (NOT_SUPPORTED | {errno.ENOLCK}) - {errno.EBADF}

if sys.platform == "win32":
    import ctypes
    import msvcrt

    _LOCK_AT = 1 << 30  # far behind the text: locked bytes cannot be read by others on Windows
    _QUERY = 0x1000  # PROCESS_QUERY_LIMITED_INFORMATION
    _STILL_ACTIVE = 259

    def full_sync(fd: int) -> None:
        os.fsync(fd)

    def try_lock(fd: int) -> bool | None:
        os.lseek(fd, _LOCK_AT, os.SEEK_SET)
        try:
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        except OSError as error:
            return None if error.errno in LOCK_NOT_SUPPORTED else False
        return True

    def process_started(pid: int) -> str | None:
        kernel = ctypes.windll.kernel32
        handle = kernel.OpenProcess(_QUERY, False, pid)
        if not handle:
            return None
        try:
            code, times = ctypes.c_ulong(), [ctypes.c_ulonglong() for _ in range(4)]
            if kernel.GetExitCodeProcess(handle, ctypes.byref(code)) and code.value != _STILL_ACTIVE:
                return None
            kernel.GetProcessTimes(handle, *(ctypes.byref(time) for time in times))
            return str(times[0].value)
        finally:
            kernel.CloseHandle(handle)

else:
    import fcntl

    def full_sync(fd: int) -> None:
        """Bring a file's bytes to the medium itself. On macOS fsync stops at the drive's cache: ask for more."""
        full = getattr(fcntl, "F_FULLFSYNC", None)
        if full is not None:
            try:
                fcntl.fcntl(fd, full)
                return
            except OSError as error:
                if error.errno not in NOT_SUPPORTED:
                    raise
        os.fsync(fd)

    def try_lock(fd: int) -> bool | None:
        """True: the kernel gave us the lock; False: somebody holds it; None: this file system knows no locks."""
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError as error:
            if error.errno in LOCK_NOT_SUPPORTED:
                return None
            raise
        return True

    def process_started(pid: int) -> str | None:
        """A word that names this very process, not a later one with the same number; None if no such process runs."""
        if Path("/proc/self/stat").exists():
            return _started_from_proc(pid)
        return _started_from_ps(pid)

    def _started_from_proc(pid: int) -> str | None:
        try:
            line = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
        except (FileNotFoundError, ProcessLookupError):
            return None
        fields = line.rpartition(")")[2].split()
        if fields[0] in "ZX":  # proc(5): dead, and its parent has not asked for its end yet
            return None
        ticks = fields[19]  # field 22: start time in ticks since boot
        boot = Path("/proc/sys/kernel/random/boot_id")
        return f"{boot.read_text(encoding='ascii').strip() if boot.exists() else ''}:{ticks}"

    def _started_from_ps(pid: int) -> str | None:
        found = subprocess.run(
            ["ps", "-o", "stat=,lstart=", "-p", str(pid)], capture_output=True, text=True, check=False, timeout=10
        )
        state, _, started = found.stdout.strip().partition(" ")
        return None if state.startswith("Z") else started.strip() or None


def own_process() -> int:
    """The number of this process."""
    return os.getpid()


def host_name() -> str:
    """The name of this machine as it calls itself."""
    return platform.node() or "unknown"

"""Read files before their turn comes, so that a slow disk or share works while the frames before them are decoded."""

from __future__ import annotations

import os
import queue
import stat
import threading
from contextlib import suppress
from pathlib import Path

LARGEST_BYTES = 512 << 20
"""Larger files are left to their own turn."""
_PIECE = 1 << 20


class ReadAhead:
    """One thread that asks the system for files, in order; what it cannot read is left to whoever needs it."""

    def __init__(self) -> None:
        self._wanted: queue.SimpleQueue[Path | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="read ahead", daemon=True)
        self._thread.start()

    def want(self, path: Path) -> None:
        """Have a file read some time soon."""
        self._wanted.put(path)

    def close(self) -> None:
        """Stop after the file at hand; does not wait."""
        self._wanted.put(None)

    def _work(self) -> None:
        while (path := self._wanted.get()) is not None:
            with suppress(OSError):
                touch(path)


def touch(path: Path) -> None:
    """Bring a file into the system's cache: asked for where the system can be asked, read and dropped elsewhere."""
    if not stat.S_ISREG(path.stat().st_mode):
        return
    with path.open("rb", buffering=0) as file:
        if os.fstat(file.fileno()).st_size > LARGEST_BYTES:
            return
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_WILLNEED)
            return
        piece = bytearray(_PIECE)
        while file.readinto(piece):
            pass

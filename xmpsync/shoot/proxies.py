"""The small pictures of a shoot's frames, for pages: from the store one by one, since together they fill the memory."""

from __future__ import annotations

import threading
from pathlib import Path

from xmpsync.errors import DiskNeedsAttention
from xmpsync.measuring.frames import STORE_NAME
from xmpsync.shoot.request import Stand
from xmpsync.store.database import Store


class Proxies:
    """Reads proxies; a context manager. Any thread may ask. The store is opened, and checked, when first needed.

    `state`: the folder of the store.
    """

    def __init__(self, state: Path) -> None:
        self._path, self._lock = state / STORE_NAME, threading.Lock()
        self._store: Store | None = None

    def __enter__(self) -> Proxies:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the store; the next question opens it again."""
        with self._lock:
            if self._store is not None:
                self._store.close()
                self._store = None

    def of(self, stand: Stand, frame_id: str) -> bytes:
        """The proxy of a frame: held by its measurement where there is no store, read from the store otherwise.

        Raises DiskNeedsAttention where the store does not hold it any more.
        """
        held = stand.frames[frame_id].measurement.proxy
        if held:
            return held
        with self._lock:
            if self._store is None:
                self._store = Store(self._path, read_only=True)
            found = self._store.proxy(frame_id)
        if found is None:
            raise DiskNeedsAttention(
                f"The picture of {frame_id} is no longer in the measurement store {self._path}.",
                next_step="Run the same command again: what is missing is measured anew.",
            )
        return found

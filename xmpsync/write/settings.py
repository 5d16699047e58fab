"""The few waiting times and sizes of the writer, each with unit, default and reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class WriteSettings:
    """Thresholds of this room."""

    lock_settle_s: float = 0.2
    """Seconds between writing and re-reading the lock where the file system knows no locks (docs/crash-safety.md)."""
    chunk_bytes: int = 1 << 22
    """Bytes read at once when a whole RAW file is hashed: large enough for full disk speed, small in memory."""


DEFAULT = WriteSettings()

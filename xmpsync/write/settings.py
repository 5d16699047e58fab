"""The few waiting times and sizes of the writer, each with unit, default and reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Settings:
    """Thresholds of this room."""

    sharing_retry_s: float = 4.0
    """Seconds to keep trying a file that another program has open (Windows): a save takes well under a second."""
    sharing_pause_s: float = 0.05
    """Seconds between two such tries."""
    lock_settle_s: float = 0.2
    """Seconds between writing and re-reading the lock where the file system knows no locks (docs/crash-safety.md)."""
    chunk_bytes: int = 1 << 22
    """Bytes read at once when a whole RAW file is hashed: large enough for full disk speed, small in memory."""
    mtime_step_s: float = 2.0
    """How far a new modification time must lie after the old one: FAT keeps times in steps of two seconds."""


DEFAULT = Settings()

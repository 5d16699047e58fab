"""Waiting times and bounds of everything that is opened, each with unit, default and reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DiskSettings:
    """Thresholds of this room."""

    sharing_retry_s: float = 4.0
    """Seconds to keep trying a file that another program has open (Windows): a save takes well under a second."""
    sharing_pause_s: float = 0.05
    """Seconds between two such tries."""
    mtime_step_s: float = 2.0
    """How far a new modification time must lie after the old one: FAT keeps times in steps of two seconds."""
    whole_bytes: int = 64 << 20
    """Largest file that is read whole: sidecars end at 8 MiB, packets and the documents of a run below this."""
    lock_bytes: int = 4096
    """Largest text of a lock file: four short fields."""
    cached_folders: int = 16
    """Folders kept open: a run goes back and forth between a card's folder, its backups and the run's folder."""


DEFAULT = DiskSettings()

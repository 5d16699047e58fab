"""Where the bytes of a change live: one interface for a sidecar, which is a whole small file, and for a DNG's packet.

Whoever looks at a file before a run, writes it, takes it back after a crash or rolls it back asks its target
(`targets.target_of`) and does not ask which kind it is. Backups hold what the target calls the original.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from xmpsync.disk.files import FileStat, FileSystem
from xmpsync.write.journal import Run
from xmpsync.write.manifest import Entry, Result
from xmpsync.write.patch import Patch
from xmpsync.write.plan import FileChange


class Unwritable(Exception):
    """The file cannot or must not be written; the others go on."""


class ChangedSince(Exception):
    """The file is not what the plan was made from."""


class ChangedMeanwhile(Exception):
    """The file is not what it was a moment ago: another program is at work on it."""


class HalfWritten(OSError):
    """New bytes stand in part of the file, and the disk does not let us take them back now."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """What a run keeps of a file (`original`), the bytes that it writes, and the hash of the whole file after it.

    None: there is no file before, or none after. `patch`: of an embedded packet, whose bytes are parts of the file.
    """

    original: bytes | None
    written: bytes | None
    after_sha256: str | None
    patch: Patch | None = None


@dataclass(frozen=True, slots=True)
class Present:
    """A file as it is now: hash of all its bytes (None: it is not there), and its XMP packet when asked for."""

    sha256: str | None
    packet: Callable[[], bytes | None]


class Target(Protocol):
    """One kind of place that a packet is written to. `path` is where the file really lies.

    `renames`: whether writing changes a name in the folder, which has to be synced then. `no_packet`: why our fields
    cannot go back where there is no packet any more.
    """

    renames: bool
    no_packet: str

    def why_not(self, found: FileStat) -> str | None:
        """Why this file must not be written, as far as the system tells of it; None if nothing does."""
        ...

    def check_structure(self, fs: FileSystem, path: Path) -> None:
        """FrameError where the file's own structure leaves no safe place for a packet."""
        ...

    def look(self, fs: FileSystem, path: Path) -> Present:
        """The file as it is. Unwritable where it is larger than may be read."""
        ...

    def prepare(self, fs: FileSystem, path: Path, change: FileChange, state: Path) -> Prepared | None:
        """What writing the change means; None where the bytes are there already. Reads only.

        Raises ChangedSince where the file is not what the plan was made from, Unwritable, FrameError, BackupDamaged.
        """
        ...

    def write(self, fs: FileSystem, path: Path, prepared: Prepared, before_sha256: str | None, temporary: Path) -> bool:
        """Write it; False if owner or mode could not be kept. The folder is not synced.

        Raises ChangedMeanwhile where the file's hash is not `before_sha256` right before the step that counts; OSError
        with the old bytes or the new in place; HalfWritten.
        """
        ...

    def take_back(self, fs: FileSystem, path: Path, run: Run, entry: Entry, temporary: Path) -> Result:
        """Undo what an interrupted run did to the file, if its bytes are the run's. BackupDamaged, ChangedMeanwhile."""
        ...

    def undo(self, fs: FileSystem, run: Run, entry: Entry, now_sha256: str | None) -> FileChange | None:
        """The change that puts the original bytes back; None where that cannot be done to a file that is gone."""
        ...

    def packets(self, fs: FileSystem, run: Run, entry: Entry) -> tuple[bytes | None, bytes | None]:
        """The packet before the run's change and the packet that it wrote, as the run keeps them. BackupDamaged."""
        ...


def compare(change: FileChange, now_sha256: str | None) -> None:
    """ChangedSince unless the file has the bytes that the change was made from."""
    if now_sha256 != change.before_sha256:
        raise ChangedSince("gone" if now_sha256 is None else "new" if change.before_sha256 is None else "other bytes")

"""A sidecar: one small file replaced, created or removed, so that its name always stands for a whole file."""

from __future__ import annotations

from pathlib import Path

from xmpsync.disk.files import FileStat, FileSystem
from xmpsync.write import journal
from xmpsync.write.journal import Run, phrase
from xmpsync.write.manifest import Entry, Fate, Result
from xmpsync.write.plan import ChangeKind, FileChange, sha256
from xmpsync.write.target import ChangedMeanwhile, Prepared, Present, compare


class Sidecar:
    """`write.target.Target` of sidecars."""

    renames = True
    no_packet = "removed by the run, and there is a new one"

    def why_not(self, found: FileStat) -> str | None:
        return None

    def check_structure(self, fs: FileSystem, path: Path) -> None:
        return None

    def look(self, fs: FileSystem, path: Path) -> Present:
        data = None if fs.stat(path) is None else fs.read(path)
        return Present(None if data is None else sha256(data), lambda: data)

    def prepare(self, fs: FileSystem, path: Path, change: FileChange, state: Path) -> Prepared | None:
        original = None if fs.stat(path) is None else fs.read(path)
        compare(change, None if original is None else sha256(original))
        if change.after == original:
            return None
        return Prepared(original, change.after, None if change.after is None else sha256(change.after))

    def write(self, fs: FileSystem, path: Path, prepared: Prepared, before_sha256: str | None, temporary: Path) -> bool:
        return _put(fs, path, temporary, prepared.written, before_sha256)

    def take_back(self, fs: FileSystem, path: Path, run: Run, entry: Entry, temporary: Path) -> Result:
        try:
            current = _sha256(fs, path)
        except OSError as error:
            return Result(Fate.LEFT_ALONE, f"it cannot be read: {phrase(error)}")
        if current == entry.before_sha256:
            return Result(Fate.UNTOUCHED)
        if current != entry.after_sha256:
            why = "it is gone" if current is None else "it holds neither the old nor the new bytes"
            return Result(Fate.LEFT_ALONE, why)
        _put(fs, path, temporary, journal.original(fs, run, entry), current)
        return Result(Fate.TAKEN_BACK)

    def undo(self, fs: FileSystem, run: Run, entry: Entry, now_sha256: str | None) -> FileChange | None:
        original = journal.original(fs, run, entry)
        if original is None and now_sha256 is None:
            return None
        return FileChange(entry.path, ChangeKind.SIDECAR, now_sha256, original)

    def packets(self, fs: FileSystem, run: Run, entry: Entry) -> tuple[bytes | None, bytes | None]:
        before = journal.original(fs, run, entry)
        if entry.basis is not None:
            before = journal.piece(fs, run, entry.basis)
        return before, None if entry.written is None else journal.piece(fs, run, entry.written)


def _sha256(fs: FileSystem, path: Path) -> str | None:
    """Hash of a file's bytes; None if there is no such file."""
    try:
        return sha256(fs.read(path))
    except (FileNotFoundError, NotADirectoryError):
        return None


def _put(fs: FileSystem, target: Path, temporary: Path, data: bytes | None, expected: str | None) -> bool:
    """Make `target` hold `data` (None: not exist). The folder is not synced. False if the owner could not be kept.

    ChangedMeanwhile if the target's hash is not `expected` right before the step that counts; nothing is changed then.
    """
    kept = True
    if data is None:
        _compare(fs, target, expected)
        fs.remove(target)
        return kept
    clear(fs, temporary)
    try:
        with fs.create(temporary) as file:
            file.write(data)
            if expected is not None:
                kept = fs.copy_attributes(target, temporary)
            file.sync()
        _compare(fs, target, expected)
        fs.replace(temporary, target)
    except (OSError, ChangedMeanwhile):
        clear(fs, temporary, strict=False)
        raise
    return kept


def clear(fs: FileSystem, temporary: Path, *, strict: bool = True) -> None:
    """Remove a temporary file of ours if it is there; a folder of that name is somebody else's."""
    try:
        found = fs.stat(temporary)
        if found is not None and not found.is_dir:
            fs.remove(temporary)
    except OSError:
        if strict:
            raise


def _compare(fs: FileSystem, target: Path, expected: str | None) -> None:
    if _sha256(fs, target) != expected:
        raise ChangedMeanwhile

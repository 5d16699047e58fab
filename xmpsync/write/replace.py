"""One small file on the disk replaced, created or removed, so that its name always stands for a whole file."""

from __future__ import annotations

from pathlib import Path

from xmpsync.disk.files import FileSystem
from xmpsync.write.plan import sha256


class ChangedMeanwhile(Exception):
    """The file is not what it was a moment ago: somebody else is at work on it."""


def current_sha256(fs: FileSystem, path: Path) -> str | None:
    """Hash of a file's bytes; None if there is no such file."""
    try:
        return sha256(fs.read(path))
    except (FileNotFoundError, NotADirectoryError):
        return None


def put(fs: FileSystem, target: Path, temporary: Path, data: bytes | None, expected: str | None) -> bool:
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
    if current_sha256(fs, target) != expected:
        raise ChangedMeanwhile

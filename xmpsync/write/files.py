"""The small file system seam: every step that touches the disk goes through it, so that tests can take the power away.

`FileSystem` is what the writer needs; `RealFileSystem` does it on the machine at hand. Paths are absolute `Path`s.
Each method is one step. Errors are the operating system's own (`OSError` and its children).
"""

from __future__ import annotations

import os
import shutil
import stat
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self, TypeVar

from xmpsync.write import system
from xmpsync.write.settings import DEFAULT, Settings

T = TypeVar("T")

SHARING_VIOLATIONS = frozenset({5, 32, 33})
"""Windows error numbers while another program holds a file: access denied, sharing violation, lock violation."""


@dataclass(frozen=True, slots=True)
class FileStat:
    """What the writer wants to know about a file; links are followed."""

    size: int
    is_dir: bool
    is_regular: bool
    read_only: bool
    """No write bit at all (POSIX), the read-only attribute (Windows)."""
    n_names: int
    """Hard links: how many names the same bytes have."""


class OpenFile(Protocol):
    """A file open for writing. Nothing is durable before `sync` returned."""

    def write(self, data: bytes) -> None: ...
    def write_at(self, offset: int, data: bytes) -> None: ...
    def truncate(self, size: int) -> None: ...
    def sync(self) -> None: ...
    def close(self) -> None: ...
    def __enter__(self) -> Self: ...
    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...


class LockFile(Protocol):
    """An open lock file. `owned`: True the kernel gave it to us, False another process holds it, None cannot tell."""

    owned: bool | None

    def read(self) -> bytes: ...
    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


class FileSystem(Protocol):
    """Every step that the writer takes on a disk."""

    def stat(self, path: Path) -> FileStat | None: ...
    def real_path(self, path: Path) -> Path: ...
    def read(self, path: Path, offset: int = 0, size: int | None = None) -> bytes: ...
    def list_dir(self, path: Path) -> tuple[str, ...]: ...
    def make_dir(self, path: Path) -> None: ...
    def create(self, path: Path) -> OpenFile: ...
    def open_in_place(self, path: Path) -> OpenFile: ...
    def copy_attributes(self, model: Path, target: Path) -> bool: ...
    def replace(self, source: Path, target: Path) -> None: ...
    def remove(self, path: Path) -> None: ...
    def remove_dir(self, path: Path) -> None: ...
    def sync_dir(self, path: Path) -> bool: ...
    def open_lock(self, path: Path) -> LockFile: ...
    def pause(self, seconds: float) -> None: ...


class _Closing:
    """An open descriptor that closes once."""

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def close(self) -> None:
        if self._fd >= 0:
            fd, self._fd = self._fd, -1
            os.close(fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class RealOpenFile(_Closing):
    """A real file open for writing."""

    def write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[os.write(self._fd, view) :]

    def write_at(self, offset: int, data: bytes) -> None:
        os.lseek(self._fd, offset, os.SEEK_SET)
        self.write(data)

    def truncate(self, size: int) -> None:
        os.ftruncate(self._fd, size)

    def sync(self) -> None:
        system.full_sync(self._fd)


class RealLockFile(_Closing):
    """A real lock file; the kernel frees the lock when the process ends, however it ends."""

    def __init__(self, fd: int) -> None:
        super().__init__(fd)
        self.owned = system.try_lock(fd)

    def read(self) -> bytes:
        os.lseek(self._fd, 0, os.SEEK_SET)
        return os.read(self._fd, 1 << 16)

    def write(self, data: bytes) -> None:
        os.lseek(self._fd, 0, os.SEEK_SET)
        os.ftruncate(self._fd, 0)
        os.write(self._fd, data)


class RealFileSystem:
    """The disk of this machine.

    `windows` is a parameter so that its branches can be tested anywhere: there folders cannot be synced, and files
    that another program has open are retried for a few seconds.
    """

    def __init__(self, settings: Settings = DEFAULT, *, windows: bool = sys.platform == "win32") -> None:
        self._settings = settings
        self._windows = windows

    def stat(self, path: Path) -> FileStat | None:
        try:
            found = path.stat()
        except (FileNotFoundError, NotADirectoryError):
            return None
        return FileStat(
            size=found.st_size,
            is_dir=stat.S_ISDIR(found.st_mode),
            is_regular=stat.S_ISREG(found.st_mode),
            read_only=not found.st_mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH),
            n_names=found.st_nlink,
        )

    def real_path(self, path: Path) -> Path:
        return Path(os.path.realpath(path))  # Path.resolve raises RuntimeError for a link to itself

    def read(self, path: Path, offset: int = 0, size: int | None = None) -> bytes:
        def once() -> bytes:
            with path.open("rb") as file:
                file.seek(offset)
                return file.read() if size is None else file.read(size)

        return self._patiently(once)

    def list_dir(self, path: Path) -> tuple[str, ...]:
        return tuple(sorted(entry.name for entry in path.iterdir()))

    def make_dir(self, path: Path) -> None:
        path.mkdir()

    def create(self, path: Path) -> OpenFile:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        return RealOpenFile(os.open(path, flags, 0o666))

    def open_in_place(self, path: Path) -> OpenFile:
        return self._patiently(lambda: RealOpenFile(os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))))

    def copy_attributes(self, model: Path, target: Path) -> bool:
        """Give `target` the owner, mode and extended attributes of `model`, and a modification time later than its.

        False if some of that could not be kept: the system lets only its administrator give files away, and some
        network file systems know neither owners nor modes.
        """
        old = model.stat()
        kept = True
        try:
            if hasattr(os, "chown"):
                os.chown(target, old.st_uid, old.st_gid)
        except OSError as error:
            kept = _forgiven(error)
        try:
            shutil.copystat(model, target)
        except OSError as error:
            kept = _forgiven(error)
        now_ns = time.time_ns()
        if now_ns <= old.st_mtime_ns:
            now_ns = old.st_mtime_ns + int(self._settings.mtime_step_s * 1e9)
        os.utime(target, ns=(now_ns, now_ns))
        return kept

    def replace(self, source: Path, target: Path) -> None:
        self._patiently(lambda: source.replace(target))

    def remove(self, path: Path) -> None:
        self._patiently(path.unlink)

    def remove_dir(self, path: Path) -> None:
        path.rmdir()

    def sync_dir(self, path: Path) -> bool:
        """True if the folder's names are durable now; False where the system or the file system cannot promise it."""
        if self._windows:
            return False
        try:
            fd = os.open(path, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
        except PermissionError:  # a folder that we may write into but not list
            return False
        try:
            system.full_sync(fd)
        except OSError as error:
            if error.errno in system.NOT_SUPPORTED:
                return False
            raise
        finally:
            os.close(fd)
        return True

    def open_lock(self, path: Path) -> LockFile:
        fd = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
        try:
            return RealLockFile(fd)
        except OSError:
            os.close(fd)
            raise

    def pause(self, seconds: float) -> None:
        time.sleep(seconds)

    def _patiently(self, action: Callable[[], T]) -> T:
        """Do it; on Windows, while another program holds the file, again for a few seconds."""
        until = time.monotonic() + self._settings.sharing_retry_s
        while True:
            try:
                return action()
            except PermissionError as error:
                busy = self._windows and getattr(error, "winerror", None) in SHARING_VIOLATIONS
                if not busy or time.monotonic() >= until:
                    raise
                time.sleep(self._settings.sharing_pause_s)


def _forgiven(error: OSError) -> bool:
    """False for an attribute that this system does not let us keep; any other trouble is raised again."""
    if isinstance(error, PermissionError) or error.errno in system.NOT_SUPPORTED:
        return False
    raise error


def make_dirs(fs: FileSystem, path: Path) -> list[Path]:
    """Make a folder and the missing ones above it; the folders whose lists of names changed, for syncing."""
    missing = []
    while fs.stat(path) is None:
        missing.append(path)
        path = path.parent
    for folder in reversed(missing):
        fs.make_dir(folder)
    return [folder.parent for folder in reversed(missing)]


def make_dirs_durably(fs: FileSystem, path: Path) -> None:
    """Make a folder and the missing ones above it, each name durable before the next is made.

    The deepest folder that is there already is synced too: whoever made it may have been killed before that.
    """
    missing = []
    while fs.stat(path) is None:
        missing.append(path)
        path = path.parent
    fs.sync_dir(path.parent)
    for folder in reversed(missing):
        fs.make_dir(folder)
        fs.sync_dir(folder.parent)

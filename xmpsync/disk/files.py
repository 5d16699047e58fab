"""The small file system seam: every step that touches the disk goes through it, so that tests can take the power away.

`FileSystem` is what the writer needs; `RealFileSystem` does it on the machine at hand, and only below the shoot and the
state folder (`fence`). Each method is one step. Errors are the operating system's own (`OSError` and its children,
`Fenced` among them).
"""

from __future__ import annotations

import os
import shutil
import stat
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol, Self, TypeVar

from xmpsync.disk import system
from xmpsync.disk.fence import DEFAULT, DiskSettings, Fence, Fenced, is_link
from xmpsync.disk.plain import IN_PLACE, NEW, READ, open_plain, read_open
from xmpsync.errors import Refused

T = TypeVar("T")

SHARING_VIOLATIONS = frozenset({5, 32, 33})
"""Windows error numbers while another program holds a file: access denied, sharing violation, lock violation."""


@dataclass(frozen=True, slots=True)
class FileStat:
    """What the writer wants to know about a name; a link is a link (the roots themselves are followed)."""

    size: int
    is_dir: bool
    is_regular: bool
    """A plain file: no folder, link, pipe or device."""
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
    """An open lock file. `owned`: True the kernel gave it to us, False another process holds it, None unknown."""

    owned: bool | None

    def read(self) -> bytes: ...
    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


class FileSystem(Protocol):
    """Every step that the writer takes on a disk."""

    def stat(self, path: Path) -> FileStat | None: ...
    def real_path(self, path: Path) -> Path: ...
    def follow(self, path: Path) -> Path: ...
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


def _write_all(fd: int, data: bytes) -> None:
    """All of it, however little the system takes at a time."""
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]


class RealOpenFile(_Closing):
    """A real file open for writing."""

    def write(self, data: bytes) -> None:
        _write_all(self._fd, data)

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
        return os.read(self._fd, DEFAULT.lock_bytes)

    def write(self, data: bytes) -> None:
        os.lseek(self._fd, 0, os.SEEK_SET)
        os.ftruncate(self._fd, 0)
        _write_all(self._fd, data)


class RealFileSystem:
    """The disk of this machine, below `roots`.

    `windows` is a parameter so that its branches can be tested anywhere: there folders cannot be synced, and files
    that another program has open are retried for a few seconds.
    """

    def __init__(self, *roots: Path, settings: DiskSettings = DEFAULT, windows: bool = sys.platform == "win32") -> None:
        self._fence = Fence(*roots)
        self._settings = settings
        self._windows = windows

    @classmethod
    def around(cls, state: Path, shoot: Path | None = None, *, settings: DiskSettings = DEFAULT) -> Self:
        """The disk below the shoot and below the folder that holds the state folder: that one must be real itself."""
        roots = (state.parent,) if shoot is None else (shoot, state.parent)
        return cls(*roots, settings=settings)

    def stat(self, path: Path) -> FileStat | None:
        try:
            with self._fence.at(path) as spot:
                found = os.stat(spot.name, dir_fd=spot.folder, follow_symlinks=spot.given)
        except (FileNotFoundError, NotADirectoryError):
            return None
        mode = found.st_mode
        return FileStat(
            size=found.st_size,
            is_dir=stat.S_ISDIR(mode) and not is_link(found),
            is_regular=stat.S_ISREG(mode),
            read_only=not mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH) and not is_link(found),
            n_names=found.st_nlink,
        )

    def real_path(self, path: Path) -> Path:
        """The same path from the real root; `Fenced` where a folder on the way is a link."""
        return self._fence.real(path)

    def follow(self, path: Path) -> Path:
        """The same with a link to a file followed, as far as it stays inside; `Fenced` otherwise."""
        return self._fence.follow(path)

    def read(self, path: Path, offset: int = 0, size: int | None = None) -> bytes:
        def once() -> bytes:
            with self._opened(path, READ) as fd:
                return read_open(fd, offset, size, self._settings.whole_bytes, path)

        return self._patiently(once)

    def list_dir(self, path: Path) -> tuple[str, ...]:
        with self._open_folder(path) as folder:
            return tuple(sorted(os.listdir(folder)))  # noqa: PTH208 (of a descriptor)

    def make_dir(self, path: Path) -> None:
        with self._fence.at(path) as spot:
            os.mkdir(spot.name, dir_fd=spot.folder)

    def create(self, path: Path) -> OpenFile:
        with self._fence.at(path) as spot:
            return RealOpenFile(open_plain(spot, NEW))

    def open_in_place(self, path: Path) -> OpenFile:
        def once() -> OpenFile:
            with self._fence.at(path) as spot:
                return RealOpenFile(open_plain(spot, IN_PLACE, one_name=True))

        return self._patiently(once)

    def copy_attributes(self, model: Path, target: Path) -> bool:
        """Give `target` the owner, mode and extended attributes of `model`, and a modification time later than its.

        False if some of that could not be kept: the system lets only its administrator give files away, and some
        network file systems know neither owners nor modes.
        """
        with self._opened(model, READ) as source, self._opened(target, IN_PLACE) as made:
            old = os.fstat(source)
            kept = True
            for step in _attribute_steps(source, made, old, model, target):
                try:
                    step()
                except OSError as error:
                    kept = _forgiven(error)
            now_ns = time.time_ns()
            if now_ns <= old.st_mtime_ns:
                now_ns = old.st_mtime_ns + int(self._settings.mtime_step_s * 1e9)
            os.utime(made if os.utime in os.supports_fd else target, ns=(now_ns, now_ns))
        return kept

    def replace(self, source: Path, target: Path) -> None:
        def once() -> None:
            with self._fence.at(source) as old, self._fence.at(target) as new:
                os.replace(old.name, new.name, src_dir_fd=old.folder, dst_dir_fd=new.folder)

        self._patiently(once)

    def remove(self, path: Path) -> None:
        def once() -> None:
            with self._fence.at(path) as spot:
                os.unlink(spot.name, dir_fd=spot.folder)

        self._patiently(once)

    def remove_dir(self, path: Path) -> None:
        with self._fence.at(path) as spot:
            os.rmdir(spot.name, dir_fd=spot.folder)

    def sync_dir(self, path: Path) -> bool:
        """True if the folder's names are durable now; False where the system or the file system cannot promise it."""
        if self._windows or not self._fence.relative:
            return False
        try:
            with self._open_folder(path) as fd:
                system.full_sync(fd)
        except PermissionError:  # a folder that we may write into but not list
            return False
        except OSError as error:
            if error.errno in system.NOT_SUPPORTED:
                return False
            raise
        return True

    def open_lock(self, path: Path) -> LockFile:
        with self._fence.at(path) as spot:
            with suppress(FileExistsError):
                os.close(open_plain(spot, NEW))
            fd = open_plain(spot, IN_PLACE, one_name=True)
        try:
            return RealLockFile(fd)
        except OSError:
            os.close(fd)
            raise

    def pause(self, seconds: float) -> None:
        time.sleep(seconds)

    @contextmanager
    def _opened(self, path: Path, flags: int) -> Iterator[int]:
        with self._fence.at(path) as spot:
            fd = open_plain(spot, flags)
        try:
            yield fd
        finally:
            os.close(fd)

    @contextmanager
    def _open_folder(self, path: Path) -> Iterator[Any]:
        """A descriptor of a folder, to list or sync it; its path where the system has none."""
        with self._fence.at(path) as spot:
            if not self._fence.relative:
                if not Path(spot.name).is_dir() or (not spot.given and is_link(os.lstat(spot.name))):
                    raise Fenced("it is not a folder", path)
                yield spot.name
                return
            follow = 0 if spot.given else os.O_NOFOLLOW
            fd = os.open(spot.name, os.O_RDONLY | os.O_DIRECTORY | follow | os.O_CLOEXEC, dir_fd=spot.folder)
        try:
            yield fd
        finally:
            os.close(fd)

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


def _attribute_steps(
    source: int, made: int, old: os.stat_result, model: Path, target: Path
) -> Iterator[Callable[[], object]]:
    """Owner, extended attributes (access lists among them), mode, flags: each may fail on its own."""
    if not hasattr(os, "fchmod") or not hasattr(os, "fchown"):
        yield lambda: shutil.copystat(model, target, follow_symlinks=False)
        return
    yield lambda: os.fchown(made, old.st_uid, old.st_gid)
    if hasattr(os, "listxattr"):
        for name in os.listxattr(source):
            yield lambda name=name: os.setxattr(made, name, os.getxattr(source, name))  # type: ignore[misc]
    yield lambda: os.fchmod(made, stat.S_IMODE(old.st_mode))
    if getattr(old, "st_flags", 0):  # macOS
        yield lambda: getattr(os, "chflags")(target, old.st_flags, follow_symlinks=False)  # type: ignore[attr-defined]  # noqa: B009


def _forgiven(error: OSError) -> bool:
    """False for an attribute that this system does not let us keep; any other trouble is raised again."""
    if isinstance(error, PermissionError) or error.errno in system.NOT_SUPPORTED:
        return False
    raise error


def make_dirs(fs: FileSystem, path: Path) -> list[Path]:
    """Make a folder and the missing ones above it; the folders whose lists of names changed, for syncing."""
    missing = _missing(fs, path)
    for folder in missing:
        fs.make_dir(folder)
    return [folder.parent for folder in missing]


def make_dirs_durably(fs: FileSystem, path: Path) -> None:
    """Make a folder and the missing ones above it, each name durable before the next is made.

    The deepest folder that is there already is synced too: whoever made it may have been killed before that.
    """
    missing = _missing(fs, path)
    fs.sync_dir(missing[0].parent.parent if missing else path.parent)
    for folder in missing:
        fs.make_dir(folder)
        fs.sync_dir(folder.parent)


def _missing(fs: FileSystem, path: Path) -> list[Path]:
    """The folders that are not there, the highest first; NotADirectoryError where something else has such a name."""
    missing: list[Path] = []
    while (found := fs.stat(path)) is None:
        missing.insert(0, path)
        path = path.parent
    if not found.is_dir:
        raise Fenced("it is not a folder", path)
    return missing


def require_real_folder(state: Path) -> None:
    """Refused where the state folder's name stands for a link or a file; a missing one is well."""
    try:
        found = RealFileSystem.around(state).stat(state)
    except OSError as error:
        raise Refused(f"{state} cannot be looked at: {error.strerror}.", next_step="Check its permissions.") from error
    if found is not None and not found.is_dir:
        raise Refused(
            f"{state} is a link or a file; state is kept in a real folder only.",
            next_step="Move it away, or name a folder: --state DIR.",
        )

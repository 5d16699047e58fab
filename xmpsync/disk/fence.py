"""Where a path below the shoot or the state folder really leads: folders that are folders, never a link.

A shoot folder may come from anybody. A path below a fence's root is walked folder by folder, each opened relative to
the one above it and never through a link (`openat` with `O_NOFOLLOW`, POSIX.1-2017); what is done then is done
relative to the folder that was opened, so that a name that is exchanged in between leads nowhere else. Where a system
has no such calls (Windows), each folder is looked at first and links and junctions are refused; a program that
exchanges a folder between look and use is not kept out there.

The roots themselves, and what lies above them, are the user's own word: links in them are followed.
"""

from __future__ import annotations

import errno
import os
import stat
import weakref
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path


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


RELATIVE = hasattr(os, "O_NOFOLLOW") and {os.open, os.stat, os.mkdir, os.unlink, os.rmdir, os.rename} <= (
    os.supports_dir_fd
)
"""Whether this system opens relative to an open folder and without following links."""
_FOLDER_FLAGS = (
    getattr(os, "O_PATH", os.O_RDONLY) | getattr(os, "O_DIRECTORY", 0) | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_CLOEXEC", 0)
)  # fmt: skip
_MOUNT_POINT = 0xA0000003  # IO_REPARSE_TAG_MOUNT_POINT (ntifs.h): a junction


class Fenced(OSError):
    """Something that is not opened: a link, not a plain file, too large, outside. `strerror` is a phrase for people."""

    def __init__(self, why: str, path: Path | str) -> None:
        super().__init__(errno.ELOOP, why, str(path))


@dataclass(frozen=True, slots=True)
class Spot:
    """A name in a folder that is open: pass both to `os` functions as `name, dir_fd=folder`.

    `given`: a root or a folder above one, where links are followed.
    """

    name: str
    folder: int | None
    full: str
    given: bool = False

    @property
    def path(self) -> Path:
        """The same from the real root."""
        return Path(self.full)


def is_link(found: os.stat_result) -> bool:
    """Whether a result of `lstat` is a symbolic link or a junction."""
    return stat.S_ISLNK(found.st_mode) or getattr(found, "st_reparse_tag", 0) == _MOUNT_POINT


class Fence:
    """What may be reached: the roots and everything below them through real folders.

    `relative`: whether that is done relative to open folders, as this system can (`RELATIVE`).
    """

    def __init__(self, *roots: Path, cached: int = DEFAULT.cached_folders) -> None:
        self._roots = tuple((root, Path(os.path.realpath(root))) for root in roots)
        self._starts = tuple(
            (start, len(start.parts), str(real)) for root, real in self._roots for start in (root, real)
        )
        self.relative = RELATIVE
        self._cached = cached
        self._open: dict[str, tuple[int, tuple[int, int]]] = {}
        weakref.finalize(self, _close_all, self._open)

    @contextmanager
    def at(self, path: Path) -> Iterator[Spot]:
        """The name in its folder, which stays open meanwhile. `Fenced` where a folder on the way is a link.

        FileNotFoundError or NotADirectoryError where a folder on the way is missing or a file.
        """
        root, parts = self._below(path)
        if not parts:  # the root itself, or above it: the user's word
            yield Spot(str(path), None, root, given=True)
            return
        full = _joined(root, parts)
        if self.relative:
            yield Spot(parts[-1], self._folder(root, parts[:-1]), full)
        else:
            _look_at_each(Path(root), parts[:-1])
            yield Spot(full, None, full)

    def real(self, path: Path) -> Path:
        """The path from the real root; every folder on the way is a real one. The last name may be missing, or a link.

        Errors as `at`'s.
        """
        with self.at(path) as spot:
            return spot.path

    def follow(self, path: Path) -> Path:
        """The same, with a link to a file followed as far as it stays below the same root."""
        with self.at(path) as spot:
            try:
                found = os.stat(spot.name, dir_fd=spot.folder, follow_symlinks=False)
            except FileNotFoundError:
                return spot.path
            if not is_link(found):
                return spot.path
            root = self._below(path)[0]
            real = Path(os.path.realpath(spot.path))
        if not real.is_relative_to(root):
            raise Fenced("it is a link that leads out of the shoot", path)
        if not os.path.lexists(real):
            raise Fenced("it is a link to a file that does not exist", path)
        return self.real(real)

    def _below(self, path: Path) -> tuple[str, tuple[str, ...]]:
        """The real root and the names below it; no names for a root itself or a folder above one."""
        names = path.parts
        for start, length, real in self._starts:
            if len(names) > length and names[:length] == start.parts:
                parts = names[length:]
                if ".." in parts or "\0" in str(path):
                    raise Fenced("its path leads out of its folder", path)
                return real, parts
        for root, kept in self._roots:
            if path in (root, kept):
                return str(kept), ()
        for root, kept in self._roots:
            if root.is_relative_to(path) or kept.is_relative_to(path):
                return str(path), ()
        raise Fenced("it lies outside the shoot and its state folder", path)

    def _folder(self, root: str, parts: tuple[str, ...]) -> int:
        """A descriptor of the folder; kept for the next time, as long as its path still leads to it."""
        path = _joined(root, parts)
        known = self._open.pop(path, None)
        if known is not None:
            with suppress(OSError):
                if _same(os.lstat(path)) == known[1]:
                    self._open[path] = known  # the last one used is closed last
                    return known[0]
            os.close(known[0])
        fd = _walk(root, parts)
        while len(self._open) >= self._cached:
            os.close(self._open.pop(next(iter(self._open)))[0])
        self._open[path] = fd, _same(os.fstat(fd))
        return fd


def _joined(root: str, parts: tuple[str, ...]) -> str:
    """As text: a `Path` would be parsed again at every step."""
    return os.sep.join((root.rstrip(os.sep), *parts)) or os.sep  # noqa: PTH118


def _same(found: os.stat_result) -> tuple[int, int]:
    return found.st_dev, found.st_ino


def _close_all(opened: dict[str, tuple[int, tuple[int, int]]]) -> None:
    for fd, _ in opened.values():
        os.close(fd)
    opened.clear()


def _walk(root: str, parts: tuple[str, ...]) -> int:
    fd = os.open(root, _FOLDER_FLAGS)
    try:
        for part in parts:
            below = _step(fd, part, root)
            os.close(fd)
            fd = below
    except OSError:
        os.close(fd)
        raise
    return fd


def _step(fd: int, part: str, root: str) -> int:
    try:
        return os.open(part, _FOLDER_FLAGS, dir_fd=fd)
    except OSError as error:
        if error.errno in (errno.ENOTDIR, errno.ELOOP, getattr(errno, "EMLINK", 0)):
            found = os.stat(part, dir_fd=fd, follow_symlinks=False)
            if is_link(found):
                raise Fenced("it is reached through a folder link", f"{root}{os.sep}{part}") from error
        raise


def _look_at_each(root: Path, parts: tuple[str, ...]) -> None:
    path = root
    for part in parts:
        path = path / part
        found = os.lstat(path)
        if is_link(found):
            raise Fenced("it is reached through a folder link", path)
        if not stat.S_ISDIR(found.st_mode):
            raise NotADirectoryError(errno.ENOTDIR, "not a folder", str(path))

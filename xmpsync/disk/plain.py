"""Plain files opened once and looked at while open: no link, pipe, device or folder, and never more than a bound."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from xmpsync.disk.fence import Fenced, Spot

READ = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
IN_PLACE = os.O_RDWR | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
_CAREFUL = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
"""Never through a link; a pipe without a writer answers at once instead of waiting."""
_PIECE = 1 << 20


def open_plain(spot: Spot, flags: int, *, one_name: bool = False) -> int:
    """A descriptor of a plain file. `one_name`: also refuse one with hard links elsewhere, for writing in place.

    `Fenced` for anything else; FileNotFoundError where there is nothing.
    """
    found = None if flags & os.O_CREAT else os.stat(spot.name, dir_fd=spot.folder, follow_symlinks=False)
    if found is not None and not stat.S_ISREG(found.st_mode):  # some devices act when they are opened
        raise Fenced("it is not a plain file", spot.full)
    fd = os.open(spot.name, flags | _CAREFUL, 0o666, dir_fd=spot.folder)
    try:
        opened = os.fstat(fd)
        if not stat.S_ISREG(opened.st_mode) or (found is not None and not os.path.samestat(found, opened)):
            raise Fenced("it is not a plain file", spot.full)
        if one_name and opened.st_nlink != 1:
            raise Fenced("it has other names elsewhere (hard links)", spot.full)
    except OSError:
        os.close(fd)
        raise
    return fd


def read_open(fd: int, offset: int, size: int | None, at_most: int, path: Path) -> bytes:
    """Bytes of an open file: `size` of them from `offset`, or all; never more than the file holds or `at_most`."""
    length = os.fstat(fd).st_size
    rest = max(0, length - offset)
    wanted = rest if size is None else min(size, rest)
    if wanted > at_most:
        raise Fenced(f"it is larger than {at_most // 2**20} MiB", path)
    if offset:
        os.lseek(fd, offset, os.SEEK_SET)
    data = os.read(fd, wanted)
    if len(data) < wanted:
        parts = [data]
        while data and (wanted := wanted - len(data)):
            data = os.read(fd, min(wanted, _PIECE))
            parts.append(data)
        data = b"".join(parts)
    return data


def read_named(path: Path, at_most: int) -> bytes:
    """A whole plain file by its given name; links are followed. `Fenced` for pipes, devices and what is too large."""
    real = os.path.realpath(path)
    fd = open_plain(Spot(real, None, real), READ)
    try:
        return read_open(fd, 0, None, at_most, path)
    finally:
        os.close(fd)

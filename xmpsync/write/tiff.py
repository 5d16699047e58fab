"""The few TIFF structures that hold a DNG's own XMP packet: header, first directory, tag 700.

Sources: TIFF 6.0, section 2 (header, directory, entry); XMP Specification part 3, TIFF (tag 700, BYTE or UNDEFINED,
in the first directory). Anything odd is refused: a writer must understand every byte that it moves.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass

from xmpsync.errors import FrameError

XMP_TAG = 700
BYTE, UNDEFINED = 1, 7
TYPE_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
"""Bytes per value of each TIFF field type (13 is IFD, TIFF Technical Note 1)."""
INLINE = 4
"""Values up to this many bytes stand in the entry itself."""
HEADER_SIZE, ENTRY_SIZE = 8, 12
MAX_LENGTH = 0xFFFF_FFFF

ReadAt = Callable[[int, int], bytes]
"""`read_at(offset, size)`: up to `size` bytes of the file."""


class EmbedRefused(FrameError):
    """The file's structure is not one in which a packet can be written safely."""


@dataclass(frozen=True, slots=True)
class TiffEntry:
    """One 12-byte directory entry; `at` is where it stands in the file."""

    at: int
    tag: int
    kind: int
    count: int
    value: int

    @property
    def size(self) -> int:
        """Bytes of the value; 0 for an unknown type."""
        return TYPE_SIZES.get(self.kind, 0) * self.count


@dataclass(frozen=True, slots=True)
class Directory:
    """The first directory. `order` is struct's letter for the byte order: `<` or `>`."""

    order: str
    at: int
    entries: tuple[TiffEntry, ...]
    next_at: int

    @property
    def size(self) -> int:
        return 2 + ENTRY_SIZE * len(self.entries) + 4

    @property
    def xmp(self) -> TiffEntry | None:
        """The entry of tag 700, if there is one."""
        return next((entry for entry in self.entries if entry.tag == XMP_TAG), None)


def first_directory(read_at: ReadAt, length: int, name: str) -> Directory:
    """The first directory of a classic TIFF file of `length` bytes; EmbedRefused, naming `name`, for anything odd."""
    header = read_at(0, HEADER_SIZE)
    order = {b"II": "<", b"MM": ">"}.get(header[:2])
    if order is None or len(header) < HEADER_SIZE:
        raise EmbedRefused(f"{name}: not a TIFF or DNG file")
    magic, at = struct.unpack(order + "HI", header[2:])
    if magic == 43:  # BigTIFF's version number
        raise EmbedRefused(f"{name}: a BigTIFF file; only classic TIFF structure can be written into")
    if magic != 42:
        raise EmbedRefused(f"{name}: not a TIFF or DNG file")
    directory = read_directory(read_at, order, at, length, name)
    _check(directory, length, name)
    return directory


def read_directory(read_at: ReadAt, order: str, at: int, length: int, name: str) -> Directory:
    """The directory at byte `at`; EmbedRefused where it lies outside the file or is cut off."""
    raw_count = read_at(at, 2) if HEADER_SIZE <= at < length else b""
    if len(raw_count) < 2:
        raise EmbedRefused(f"{name}: a directory lies outside the file")
    (n_entries,) = struct.unpack(order + "H", raw_count)
    body = read_at(at + 2, n_entries * ENTRY_SIZE + 4)
    if len(body) < n_entries * ENTRY_SIZE + 4:
        raise EmbedRefused(f"{name}: a directory is cut off")
    entries = tuple(
        TiffEntry(at + 2 + nth * ENTRY_SIZE, *struct.unpack_from(order + "HHII", body, nth * ENTRY_SIZE))
        for nth in range(n_entries)
    )
    (next_at,) = struct.unpack_from(order + "I", body, n_entries * ENTRY_SIZE)
    return Directory(order, at, entries, next_at)


def _check(directory: Directory, length: int, name: str) -> None:
    tags = [entry.tag for entry in directory.entries]
    if tags != sorted(set(tags)):
        raise EmbedRefused(f"{name}: the first directory's tags are repeated or out of order")
    xmp = directory.xmp
    if xmp is None:
        return
    if xmp.kind not in (BYTE, UNDEFINED):
        raise EmbedRefused(f"{name}: the XMP tag has the field type {xmp.kind}, not BYTE or UNDEFINED")
    if xmp.size <= INLINE:
        return
    end = xmp.value + xmp.size
    if end > length:
        raise EmbedRefused(f"{name}: the embedded packet reaches past the end of the file")
    others = [(entry.value, entry.size) for entry in directory.entries if entry is not xmp and entry.size > INLINE]
    for at, size in [(0, HEADER_SIZE), (directory.at, directory.size), *others]:
        if xmp.value < at + size and at < end:
            raise EmbedRefused(f"{name}: the embedded packet overlaps another structure at byte {at}")

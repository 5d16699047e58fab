"""Whether a file was cut off: what its own directory or boxes point at lies past its end.

Asked only of files that cannot be read, so that the answer is "the file ends too early" and not "an unknown format".
Containers: TIFF 6.0 and its relatives with a magic number of their own (CR2, NEF, ARW, PEF, 3FR, DNG; ORF, RW2), ISO
base media (ISO/IEC 14496-12; CR3), RAF (fixed header) and CIFF (CRW: Canon's CIFF specification 1.0). The last two as
the decoders that read them document them.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from xmpsync.tiff_layout import (
    DATA,
    EXIF_IFD,
    INLINE,
    SUB_IFDS,
    Directory,
    Malformed,
    PastTheEnd,
    read_directory,
    whole_numbers,
)

_MAX_DIRECTORIES, _MAX_ENTRIES, _MAX_VALUES, _MAX_BOXES = 32, 4096, 65536, 512

_RAF_MAGIC = b"FUJIFILMCCD-RAW"
_RAF_PLACES = (84, 92, 100)
"""JPEG, meta data and sensor data: offset and length each, big-endian."""
_RAF_HEADER = 108
_CIFF_MAGIC = b"HEAPCCDR"
_CIFF_HEADER = 26
_ISO_PARTS = (b"moov", b"mdat")


def ends_too_early(path: Path) -> bool:
    """True where the file was cut off; False where nothing proves it, or the container is none of these.

    Raises OSError where the file cannot be read.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(_RAF_HEADER)
        if head[4:8] == b"ftyp":
            return _iso_media(file, size)
        if head.startswith(_RAF_MAGIC):
            return _raf(head, size)
        if head[6:14] == _CIFF_MAGIC:
            return _ciff(file, head, size)
        if head[:2] in (b"II", b"MM") and len(head) >= 8:
            return _tiff(file, "<" if head[:2] == b"II" else ">", size)
    return False


def _tiff(file: BinaryIO, order: str, size: int) -> bool:
    """A directory, its long values, or strips, tiles, previews and directories that it points at lie past the end."""

    def read_at(at: int, n: int) -> bytes:
        file.seek(at)
        return file.read(n)

    def numbers(directory: Directory, tag: int) -> tuple[int, ...]:
        entry = directory.entry(tag)
        try:
            return () if entry is None else whole_numbers(read_at, order, entry, most=_MAX_VALUES)
        except Malformed:
            return ()

    waiting = [struct.unpack(order + "I", read_at(4, 4))[0]]
    seen: set[int] = set()
    while waiting and len(seen) < _MAX_DIRECTORIES:
        place = waiting.pop()
        if place in seen or not place:
            continue
        seen.add(place)
        try:
            directory = read_directory(read_at, order, place, size)
        except PastTheEnd:
            return True
        if len(directory.entries) > _MAX_ENTRIES:
            continue
        if any(entry.size > INLINE and entry.value + entry.size > size for entry in directory.entries):
            return True
        for starts, lengths in DATA.items():
            pairs = zip(numbers(directory, starts), numbers(directory, lengths), strict=False)
            if any(start + length > size for start, length in pairs):
                return True
        waiting += [directory.next_at, *(p for tag in (SUB_IFDS, EXIF_IFD) for p in numbers(directory, tag))]
    return False


def _iso_media(file: BinaryIO, size: int) -> bool:
    """A box reaches past the end, or the file ends before its boxes of tables and of data."""
    kinds = set()
    for kind, end in _boxes(file, size):
        kinds.add(kind)
        if end > size:
            return True
    return any(kind not in kinds for kind in _ISO_PARTS)


def _boxes(file: BinaryIO, size: int) -> Iterator[tuple[bytes, int]]:
    """Kind and end of each box at the top of the file; an end past the file for one whose head is cut."""
    at = 0
    for _ in range(_MAX_BOXES):
        if at >= size:
            return
        file.seek(at)
        head = file.read(16)
        if len(head) < 8:
            yield b"", size + 1
            return
        length, kind = int.from_bytes(head[:4], "big"), head[4:8]
        if length == 1:
            length = int.from_bytes(head[8:16], "big")
        elif length == 0:
            length = size - at
        if length < 8:
            return
        yield kind, at + length
        at += length


def _raf(head: bytes, size: int) -> bool:
    if len(head) < _RAF_HEADER:
        return True
    return any(sum(struct.unpack_from(">II", head, place)) > size for place in _RAF_PLACES)


def _ciff(file: BinaryIO, head: bytes, size: int) -> bool:
    """The root heap fills the file up to its end, where the place of its own directory stands; the directory, its
    entries of ten bytes and that place end together."""
    order = "<" if head[:2] == b"II" else ">"
    (start,) = struct.unpack_from(order + "I", head, 2)
    if size < max(start, _CIFF_HEADER) + 6:
        return True
    file.seek(-4, os.SEEK_END)
    (offset,) = struct.unpack(order + "I", file.read(4))
    place = start + offset
    if place + 6 > size:
        return True
    file.seek(place)
    (count,) = struct.unpack(order + "H", file.read(2))
    return bool(count == 0 or place + 2 + 10 * count + 4 != size)

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

# Places of data with their lengths: strips and tiles (TIFF 6.0), JPEG previews (Exif).
_DATA = ((273, 279), (324, 325), (513, 514))
_POINTERS = (330, 34665)
"""SubIFDs and the Exif directory."""
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
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
    file.seek(4)
    waiting = [struct.unpack(order + "I", file.read(4))[0]]
    seen: set[int] = set()
    while waiting and len(seen) < _MAX_DIRECTORIES:
        place = waiting.pop()
        if place in seen or not place:
            continue
        seen.add(place)
        entries = _directory(file, order, place, size)
        if entries is None:
            return True
        tags, following = entries
        for starts, lengths in _DATA:
            pairs = zip(tags.get(starts, ()), tags.get(lengths, ()), strict=False)
            if any(start + length > size for start, length in pairs):
                return True
        waiting += [following, *(p for tag in _POINTERS for p in tags.get(tag, ()))]
    return False


def _directory(file: BinaryIO, order: str, place: int, size: int) -> tuple[dict[int, tuple[int, ...]], int] | None:
    """The whole numbers in a directory and where the next one lies; None where it reaches past the end."""
    if place + 2 > size:
        return None
    file.seek(place)
    (count,) = struct.unpack(order + "H", file.read(2))
    if count > _MAX_ENTRIES:
        return {}, 0
    table = file.read(12 * count + 4)
    if len(table) < 12 * count:
        return None
    tags: dict[int, tuple[int, ...]] = {}
    for k in range(count):
        tag, kind, n = struct.unpack_from(order + "HHI", table, 12 * k)
        length = _SIZES.get(kind, 0) * n
        if length > 4:
            (at,) = struct.unpack_from(order + "I", table, 12 * k + 8)
            if at + length > size:
                return None
        if kind not in (3, 4, 13) or n > _MAX_VALUES:
            continue
        letter = "H" if kind == 3 else "I"
        if length <= 4:
            tags[tag] = struct.unpack_from(f"{order}{n}{letter}", table, 12 * k + 8)
        else:
            file.seek(at)
            tags[tag] = struct.unpack(f"{order}{n}{letter}", file.read(length))
    following = table[12 * count :]
    return tags, struct.unpack(order + "I", following)[0] if len(following) == 4 else 0


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

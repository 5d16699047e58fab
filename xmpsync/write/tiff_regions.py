"""Everything that a TIFF file's directories point at, so that no packet is written over pixels or other structures.

Sources: TIFF 6.0, sections 2, 8 and 15 (directories, strips, tiles); TIFF Technical Note 1 (SubIFDs, tag 330); Exif
3.0, 4.6.3 (Exif, GPS and interoperability directories); TIFF 6.0, section 22 (tags 513 and 514).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

from xmpsync.write.tiff import (
    ENTRY_SIZE,
    HEADER_SIZE,
    INLINE,
    Directory,
    EmbedRefused,
    ReadAt,
    TiffEntry,
    read_directory,
)

DIRECTORIES = (330, 34665, 34853, 40965)
DATA = {273: 279, 324: 325, 513: 514}
"""Tags with offsets of data -> tags with their sizes in bytes: strips, tiles, a JPEG thumbnail."""
MAX_DIRECTORIES = 64
"""A DNG has a main directory, a handful of previews and masks, Exif and GPS."""
MAX_VALUES = 1_000_000
"""Strips or tiles of one picture: a strip for each row of 100,000 would be far below."""

Region = tuple[int, int]
"""Offset and size in bytes."""


def check_apart(read_at: ReadAt, first: Directory, length: int, name: str) -> None:
    """EmbedRefused where the packet's bytes, or the first directory that points at it, belong to something else too."""
    xmp = first.xmp
    ours: list[Region] = [(0, HEADER_SIZE), (first.at, first.size)]
    if xmp is not None and xmp.size > INLINE:
        ours.append((xmp.value, xmp.size))
    for what, at, size in _regions(read_at, first, length, name):
        for our_at, our_size in ours:
            if our_at < at + size and at < our_at + our_size:
                raise EmbedRefused(f"{name}: the embedded packet or its directory overlaps {what} at byte {at}")


def _regions(read_at: ReadAt, first: Directory, length: int, name: str) -> Iterator[tuple[str, int, int]]:
    """What it is, offset and size, of everything but the header, the first directory and the packet."""
    seen, waiting = {first.at}, [first]
    while waiting:
        directory = waiting.pop()
        if directory is not first:
            yield "another directory", directory.at, directory.size
        by_tag = {entry.tag: entry for entry in directory.entries}
        for entry in directory.entries:
            if entry.size > INLINE and entry is not first.xmp:
                yield "another tag's value", entry.value, entry.size
        below = [directory.next_at] if directory.next_at else []
        for tag, size_tag in DATA.items():
            if tag in by_tag:
                places = _numbers(read_at, directory.order, by_tag[tag], name)
                sizes = _numbers(read_at, directory.order, by_tag[size_tag], name) if size_tag in by_tag else []
                if len(places) != len(sizes):
                    raise EmbedRefused(f"{name}: it is not clear which bytes are pixels")
                for at, size in zip(places, sizes, strict=True):
                    yield "image data", at, size
        for tag in DIRECTORIES:
            if tag in by_tag:
                below += _numbers(read_at, directory.order, by_tag[tag], name)
        for at in below:
            if at in seen:
                continue  # a directory may be both listed as a sub-directory and chained to its neighbour
            seen.add(at)
            if len(seen) > MAX_DIRECTORIES:
                raise EmbedRefused(f"{name}: it holds more than {MAX_DIRECTORIES} directories")
            waiting.append(read_directory(read_at, directory.order, at, length, name))


def _numbers(read_at: ReadAt, order: str, entry: TiffEntry, name: str) -> list[int]:
    letter = {3: "H", 4: "I", 13: "I"}.get(entry.kind)
    if letter is None or entry.count > MAX_VALUES:
        raise EmbedRefused(f"{name}: the tag {entry.tag} cannot be read")
    at = entry.at + ENTRY_SIZE - INLINE if entry.size <= INLINE else entry.value
    data = read_at(at, entry.size)
    if len(data) < entry.size:
        raise EmbedRefused(f"{name}: the tag {entry.tag} reaches past the end of the file")
    return list(struct.unpack(f"{order}{entry.count}{letter}", data))

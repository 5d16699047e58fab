"""Whether a packet can be written into a DNG safely: its first directory, tag 700, and everything else in the file.

Source: XMP Specification part 3, TIFF (tag 700, BYTE or UNDEFINED, in the first directory). Anything odd is refused: a
writer must understand every byte that it moves, and no packet is written over pixels or other structures.
"""

from __future__ import annotations

from collections.abc import Iterator

from xmpsync.errors import FrameError
from xmpsync.tiff_layout import (
    BIG,
    BYTE,
    CLASSIC,
    DATA,
    EXIF_IFD,
    GPS_IFD,
    HEADER_SIZE,
    INLINE,
    INTEROPERABILITY_IFD,
    SUB_IFDS,
    UNDEFINED,
    Directory,
    Malformed,
    ReadAt,
    TiffEntry,
    read_directory,
    read_header,
    whole_numbers,
)

XMP_TAG = 700
MAX_DIRECTORIES = 64
"""A DNG has a main directory, a handful of previews and masks, Exif and GPS."""
MAX_VALUES = 1_000_000
"""Strips or tiles of one picture: a strip for each row of 100,000 would be far below."""

Region = tuple[int, int]
"""Offset and size in bytes."""


class EmbedRefused(FrameError):
    """The file's structure is not one in which a packet can be written safely."""


def packet_entry(directory: Directory) -> TiffEntry | None:
    """The entry of the XMP packet, if there is one."""
    return directory.entry(XMP_TAG)


def first_directory(read_at: ReadAt, length: int, name: str) -> Directory:
    """The first directory of a classic TIFF file of `length` bytes; EmbedRefused, naming `name`, for anything odd."""
    try:
        order, magic, at = read_header(read_at)
        if magic == BIG:
            raise Malformed("a BigTIFF file; only classic TIFF structure can be written into")
        if magic != CLASSIC:
            raise Malformed("not a TIFF or DNG file")
        directory = read_directory(read_at, order, at, length)
        _check(directory, length)
    except Malformed as error:
        raise EmbedRefused(f"{name}: {error}") from error
    return directory


def check_apart(read_at: ReadAt, first: Directory, length: int, name: str) -> None:
    """EmbedRefused where the packet's bytes, or the first directory that points at it, belong to something else too."""
    xmp = packet_entry(first)
    ours: list[Region] = [(0, HEADER_SIZE), (first.at, first.size)]
    if xmp is not None and xmp.size > INLINE:
        ours.append((xmp.value, xmp.size))
    try:
        for what, at, size in _regions(read_at, first, length):
            for our_at, our_size in ours:
                if our_at < at + size and at < our_at + our_size:
                    raise Malformed(f"the embedded packet or its directory overlaps {what} at byte {at}")
    except Malformed as error:
        raise EmbedRefused(f"{name}: {error}") from error


def _check(directory: Directory, length: int) -> None:
    tags = [entry.tag for entry in directory.entries]
    if tags != sorted(set(tags)):
        raise Malformed("the first directory's tags are repeated or out of order")
    xmp = packet_entry(directory)
    if xmp is None:
        return
    if xmp.kind not in (BYTE, UNDEFINED):
        raise Malformed(f"the XMP tag has the field type {xmp.kind}, not BYTE or UNDEFINED")
    if xmp.size <= INLINE:
        return
    end = xmp.value + xmp.size
    if end > length:
        raise Malformed("the embedded packet reaches past the end of the file")
    others = [(entry.value, entry.size) for entry in directory.entries if entry is not xmp and entry.size > INLINE]
    for at, size in [(0, HEADER_SIZE), (directory.at, directory.size), *others]:
        if xmp.value < at + size and at < end:
            raise Malformed(f"the embedded packet overlaps another structure at byte {at}")


def _regions(read_at: ReadAt, first: Directory, length: int) -> Iterator[tuple[str, int, int]]:
    """What it is, offset and size, of everything but the header, the first directory and the packet."""

    def values(entry: TiffEntry) -> tuple[int, ...]:
        return whole_numbers(read_at, first.order, entry, most=MAX_VALUES)

    seen, waiting, packet = {first.at}, [first], packet_entry(first)
    while waiting:
        directory = waiting.pop()
        if directory is not first:
            yield "another directory", directory.at, directory.size
        by_tag = {entry.tag: entry for entry in directory.entries}
        for entry in directory.entries:
            if entry.size > INLINE and entry is not packet:
                yield "another tag's value", entry.value, entry.size
        below = [directory.next_at] if directory.next_at else []
        for tag, size_tag in DATA.items():
            if tag in by_tag:
                places = values(by_tag[tag])
                sizes = values(by_tag[size_tag]) if size_tag in by_tag else ()
                if len(places) != len(sizes):
                    raise Malformed("it is not clear which bytes are pixels")
                for at, size in zip(places, sizes, strict=True):
                    yield "image data", at, size
        for tag in (SUB_IFDS, EXIF_IFD, GPS_IFD, INTEROPERABILITY_IFD):
            if tag in by_tag:
                below += values(by_tag[tag])
        for at in below:
            if at in seen:
                continue  # a directory may be both listed as a sub-directory and chained to its neighbour
            seen.add(at)
            if len(seen) > MAX_DIRECTORIES:
                raise Malformed(f"it holds more than {MAX_DIRECTORIES} directories")
            waiting.append(read_directory(read_at, directory.order, at, length))

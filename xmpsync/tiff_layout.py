"""How TIFF structures are laid out in bytes: header, directories, entries, values. Read and written here alone.

Source: TIFF 6.0, section 2; field type 13 (IFD) is of TIFF Technical Note 1. Only classic TIFF, whose offsets have four
bytes; other magic numbers than 42 with the same structures (makers' formats) are the caller's business.

tifffile reads tags and pixels for `read`. It is not used where a file may be hostile or cut off, or is going to be
changed: it passes over what it does not understand, and it writes at once, while a run needs every byte beforehand.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, IFD = 1, 2, 3, 4, 5, 7, 13
SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
"""Bytes per value of each field type."""
_WHOLE = {SHORT: "H", LONG: "I", IFD: "I"}
INLINE = 4
"""Values of up to this many bytes stand in the entry itself."""
HEADER_SIZE, ENTRY_SIZE = 8, 12
MAX_LENGTH = 0xFFFF_FFFF
"""Bytes of the largest file that four-byte offsets reach."""
CLASSIC, BIG = 42, 43
"""The magic numbers of classic TIFF and of BigTIFF."""

SUB_IFDS, EXIF_IFD, GPS_IFD, INTEROPERABILITY_IFD = 330, 34665, 34853, 40965
"""Tags that point at directories (TIFF Technical Note 1; Exif 3.0, 4.6.3)."""
DATA = {273: 279, 324: 325, 513: 514}
"""Tags with places of data -> tags with their sizes in bytes: strips, tiles, a JPEG thumbnail (TIFF 6.0, 8, 15, 22)."""

ReadAt = Callable[[int, int], bytes]
"""`read_at(offset, size)`: up to `size` bytes of the file."""


class Malformed(ValueError):
    """A structure that is not one of classic TIFF; the text is a phrase."""


class PastTheEnd(Malformed):
    """A structure lies outside the file, or is cut off by its end."""


@dataclass(frozen=True, slots=True)
class TiffEntry:
    """One 12-byte directory entry; `at` is where it stands in the file, `value` its last four bytes as a number."""

    at: int
    tag: int
    kind: int
    count: int
    value: int

    @property
    def size(self) -> int:
        """Bytes of the value; 0 for an unknown type."""
        return SIZES.get(self.kind, 0) * self.count

    @property
    def value_at(self) -> int:
        """Where the value's bytes stand: in the entry itself, or where it points."""
        return self.at + ENTRY_SIZE - INLINE if self.size <= INLINE else self.value


@dataclass(frozen=True, slots=True)
class Directory:
    """A directory. `order` is struct's letter for the byte order: `<` or `>`; `next_at` 0 ends the chain."""

    order: str
    at: int
    entries: tuple[TiffEntry, ...]
    next_at: int

    @property
    def size(self) -> int:
        return 2 + ENTRY_SIZE * len(self.entries) + 4

    def entry(self, tag: int) -> TiffEntry | None:
        """The first entry of a tag, if there is one."""
        return next((entry for entry in self.entries if entry.tag == tag), None)


def read_header(read_at: ReadAt) -> tuple[str, int, int]:
    """Byte order, magic number and the place of the first directory. Raises Malformed."""
    header = read_at(0, HEADER_SIZE)
    order = {b"II": "<", b"MM": ">"}.get(header[:2])
    if order is None or len(header) < HEADER_SIZE:
        raise Malformed("not a TIFF or DNG file")
    magic, at = struct.unpack(order + "HI", header[2:])
    return order, magic, at


def read_directory(read_at: ReadAt, order: str, at: int, length: int) -> Directory:
    """The directory at byte `at` of a file of `length` bytes. Raises PastTheEnd."""
    raw_count = read_at(at, 2) if HEADER_SIZE <= at < length else b""
    if len(raw_count) < 2:
        raise PastTheEnd("a directory lies outside the file")
    (n_entries,) = struct.unpack(order + "H", raw_count)
    body = read_at(at + 2, n_entries * ENTRY_SIZE + 4)
    if len(body) < n_entries * ENTRY_SIZE + 4:
        raise PastTheEnd("a directory is cut off")
    entries = tuple(
        TiffEntry(at + 2 + nth * ENTRY_SIZE, *struct.unpack_from(order + "HHII", body, nth * ENTRY_SIZE))
        for nth in range(n_entries)
    )
    (next_at,) = struct.unpack_from(order + "I", body, n_entries * ENTRY_SIZE)
    return Directory(order, at, entries, next_at)


def whole_numbers(read_at: ReadAt, order: str, entry: TiffEntry, *, most: int) -> tuple[int, ...]:
    """The values of a SHORT, LONG or IFD entry, at most `most` of them. Raises Malformed."""
    letter = _WHOLE.get(entry.kind)
    if letter is None or entry.count > most:
        raise Malformed(f"the tag {entry.tag} cannot be read")
    data = read_at(entry.value_at, entry.size)
    if len(data) < entry.size:
        raise PastTheEnd(f"the tag {entry.tag} reaches past the end of the file")
    return struct.unpack(f"{order}{entry.count}{letter}", data)


class TiffField(NamedTuple):
    """A tag to write: field type and the bytes of its value in the file's byte order."""

    tag: int
    kind: int
    value: bytes


def entry_bytes(order: str, tag: int, kind: int, count: int, value: int | bytes) -> bytes:
    """The 12 bytes of an entry: `value` a number (or a place) of four bytes, or up to four bytes as they are."""
    end = struct.pack(order + "I", value) if isinstance(value, int) else value.ljust(INLINE, b"\0")
    return struct.pack(order + "HHI", tag, kind, count) + end


def directory_bytes(order: str, entries: Iterable[bytes], next_at: int = 0) -> bytes:
    """A directory of ready entries, in the order given (TIFF wants rising tags)."""
    entries = tuple(entries)
    return struct.pack(order + "H", len(entries)) + b"".join(entries) + struct.pack(order + "I", next_at)


def written_out(order: str, at: int, fields: Iterable[TiffField]) -> bytes:
    """A directory at byte `at` (even) with its longer values behind it, each on an even byte."""
    fields = tuple(fields)
    heap_at, heap, entries = at + 2 + ENTRY_SIZE * len(fields) + 4, b"", []
    for tag, kind, value in fields:
        place: int | bytes = value
        if len(value) > INLINE:
            place = heap_at + len(heap)
            heap += value + bytes(len(value) % 2)
        entries.append(entry_bytes(order, tag, kind, len(value) // SIZES[kind], place))
    return directory_bytes(order, entries) + heap


def header_bytes(order: str, first_at: int) -> bytes:
    """The header of a classic TIFF file."""
    return (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", CLASSIC, first_at)

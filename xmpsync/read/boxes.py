"""Exif blocks inside the two RAW containers that TIFF readers do not open, handed on to the Exif reader.

CR3 is an ISO base-media file (ISO/IEC 14496-12): its `moov` box holds a `uuid` box with small TIFFs in boxes CMT1
(IFD0), CMT2 (Exif), CMT3 (maker note), CMT4 (GPS); a top-level `uuid` box holds the XMP packet. RAF has a fixed header
with the place of a JPEG that carries Exif and XMP.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

# The user type of an XMP packet in ISO base-media files (XMP Specification part 3, table of ISO formats).
_XMP_UUID = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")
_RAF_MAGIC = b"FUJIFILMCCD-RAW"
_RAF_JPEG_PLACE = 84
_JPEG_START = b"\xff\xd8"
_XMP_IN_JPEG = b"http://ns.adobe.com/xap/1.0/\0"
_MAX_BLOCK = 64 * 1024 * 1024
_MAX_BOXES = 512
# Other containers (old makers' formats) hold an Exif TIFF near the start.
_SEARCHED_BYTES = 1024 * 1024


@dataclass(frozen=True, slots=True)
class Embedded:
    """Exif TIFFs (or one JPEG with Exif) found in a file and the XMP packet, if any."""

    exif: tuple[bytes, ...] = ()
    xmp: bytes | None = None


def read_embedded(path: Path) -> Embedded:
    """What a file that is not TIFF holds. Raises OSError where it cannot be read."""
    with path.open("rb") as file:
        start = file.read(96)
        if start[4:8] == b"ftyp":
            return _iso_media(file, path.stat().st_size)
        if start.startswith(_RAF_MAGIC):
            return _raf(file, start)
        file.seek(0)
        head = file.read(_SEARCHED_BYTES)
    places = [place for magic in (b"II*\0", b"MM\0*") if (place := head.find(magic)) >= 0]
    return Embedded(tuple(head[place:] for place in sorted(places)))


def _iso_media(file: BinaryIO, size: int) -> Embedded:
    exif: list[bytes] = []
    xmp: bytes | None = None
    for kind, start, end in _boxes(file, 0, size):
        if kind == b"moov":
            for inner, inner_start, inner_end in _boxes(file, start, end):
                if inner == b"uuid":
                    exif += [
                        _bytes(file, at, stop)
                        for name, at, stop in _boxes(file, inner_start + 16, inner_end)
                        if name in (b"CMT1", b"CMT2")
                    ]
        elif kind == b"uuid" and _bytes(file, start, start + 16) == _XMP_UUID:
            xmp = _bytes(file, start + 16, end)
    return Embedded(tuple(exif), xmp)


def _boxes(file: BinaryIO, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """(kind, first byte of the content, end) of the boxes between two offsets; ends at the first damaged one."""
    at = start
    for _ in range(_MAX_BOXES):
        if at + 8 > end:
            return
        head = _bytes(file, at, at + 16)
        length, kind, content = int.from_bytes(head[:4], "big"), head[4:8], at + 8
        if length == 1:
            length, content = int.from_bytes(head[8:16], "big"), at + 16
        elif length == 0:
            length = end - at
        if at + length < content:
            return
        yield kind, content, min(at + length, end)
        at += length


def _bytes(file: BinaryIO, start: int, end: int) -> bytes:
    file.seek(start)
    return file.read(max(0, min(end - start, _MAX_BLOCK)))


def _raf(file: BinaryIO, start: bytes) -> Embedded:
    place = int.from_bytes(start[_RAF_JPEG_PLACE : _RAF_JPEG_PLACE + 4], "big")
    length = int.from_bytes(start[_RAF_JPEG_PLACE + 4 : _RAF_JPEG_PLACE + 8], "big")
    jpeg = _bytes(file, place, place + length)
    return Embedded((jpeg,), _xmp_of_jpeg(jpeg)) if jpeg.startswith(_JPEG_START) else Embedded()


def _xmp_of_jpeg(jpeg: bytes) -> bytes | None:
    """The packet in an APP1 segment (XMP Specification part 3, 1.1.3)."""
    at = 2
    while at + 4 <= len(jpeg) and jpeg[at] == 0xFF and jpeg[at + 1] not in (0xDA, 0xD9):
        length = int.from_bytes(jpeg[at + 2 : at + 4], "big")
        content = jpeg[at + 4 : at + 2 + length]
        if jpeg[at + 1] == 0xE1 and content.startswith(_XMP_IN_JPEG):
            return content[len(_XMP_IN_JPEG) :]
        at += 2 + max(length, 2)
    return None

"""Exif that leaves something out: sensitivity in a list or in another tag, serial numbers in maker notes only.

Layouts: Exif 2.32 (CIPA DC-008); maker notes as the metadata library that reads them documents their tags.
"""

from __future__ import annotations

import struct

import pytest

from xmpsync.read.exif import capture_from_exif, read_exif
from xmpsync.records import Capture

ASCII, SHORT, LONG, UNDEFINED = 2, 3, 4, 7


def directory(entries: list[tuple[int, int, bytes]], at: int) -> bytes:
    """One little-endian TIFF directory that stands at offset `at`, its long values behind it (TIFF 6.0, section 2)."""
    size = {ASCII: 1, SHORT: 2, LONG: 4, UNDEFINED: 1}
    behind = at + 2 + 12 * len(entries) + 4
    head, tail = struct.pack("<H", len(entries)), b""
    for tag, kind, value in entries:
        head += struct.pack("<HHI", tag, kind, len(value) // size[kind])
        if len(value) <= 4:
            head += value.ljust(4, b"\0")
        else:
            head += struct.pack("<I", behind + len(tail))
            tail += value + b"\0" * (len(value) % 2)
    return head + struct.pack("<I", 0) + tail


def exif_file(make: bytes, tags: list[tuple[int, int, bytes]]) -> bytes:
    first = [(0x010F, ASCII, make + b"\0"), (0x0110, ASCII, b"Model\0")]
    length = len(directory([*first, (0x8769, LONG, bytes(4))], 8))
    return (
        b"II*\0"
        + struct.pack("<I", 8)
        + directory([*first, (0x8769, LONG, struct.pack("<I", 8 + length))], 8)
        + directory(sorted(tags), 8 + length)
    )


def capture(make: bytes, *tags: tuple[int, int, bytes]) -> Capture:
    return capture_from_exif(read_exif([exif_file(make, list(tags))]), orientation=1, width=3, height=2)


def shorts(*values: int) -> bytes:
    return struct.pack(f"<{len(values)}H", *values)


@pytest.mark.parametrize(
    ("tags", "iso"),
    [
        ([(0x8827, SHORT, shorts(400))], 400),
        ([(0x8827, SHORT, shorts(0, 800))], 800),
        ([(0x8827, SHORT, shorts(800, 0))], 800),
        # 65535: the value is in the tag that SensitivityType names (Exif 2.32, PhotographicSensitivity)
        ([(0x8827, SHORT, shorts(65535)), (0x8832, LONG, struct.pack("<I", 102400))], 102400),
        ([(0x8827, SHORT, shorts(65535))], None),
        ([(0x8827, SHORT, shorts(0))], None),
    ],
)
def test_the_sensitivity_is_found_wherever_it_stands(tags: list[tuple[int, int, bytes]], iso: float | None) -> None:
    assert capture(b"Maker", *tags).iso == iso


NIKON = b"Nikon\0\2\x10\0\0II*\0" + struct.pack("<I", 8)
MAKER_NOTES = {
    # a directory whose offsets count from the whole file; the number is whole
    b"Canon": directory([(0x000C, LONG, struct.pack("<I", 2713001234))], 0),
    # a TIFF of its own behind ten bytes
    b"NIKON CORPORATION": NIKON + directory([(0x001D, ASCII, b"6031234\0")], 8),
    # offsets count from the note itself
    b"FUJIFILM": b"FUJIFILM" + struct.pack("<I", 12) + directory([(0x0010, ASCII, b"FF02B1234567\0")], 12),
}
SERIALS = {b"Canon": "2713001234", b"NIKON CORPORATION": "6031234", b"FUJIFILM": "FF02B1234567"}


@pytest.mark.parametrize("make", MAKER_NOTES)
def test_a_serial_number_comes_from_the_maker_note_where_exif_has_none(make: bytes) -> None:
    note = (0x927C, UNDEFINED, MAKER_NOTES[make])
    assert capture(make, note).serial == SERIALS[make]
    assert capture(make, note, (0xA431, ASCII, b"EX77\0")).serial == "EX77"


def test_a_serial_number_of_zeros_is_none() -> None:
    assert capture(b"Maker", (0xA431, ASCII, b"0000000\0")).serial is None
    assert capture(b"Maker").serial is None


UUID = b"7d444840-9dc0-11d1-b245-5ffdce74fad2"


def test_a_uuid_is_no_name_and_a_serial_number_only_with_its_first_group() -> None:
    found = capture(UUID, (0xA431, ASCII, UUID + b"\0"))
    assert (found.make, found.model, found.serial) == ("", "Model", "7d444840")

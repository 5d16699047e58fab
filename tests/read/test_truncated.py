"""Files that were cut off say so, whichever family of formats they are of and wherever the cut lies.

Small whole files of each container, made here from its description: TIFF 6.0, section 2 (with the magic numbers that
makers give it), ISO/IEC 14496-12 for CR3, RAF and CIFF (CRW) as the decoders that read them document them.
"""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from xmpsync.errors import RawUnreadable
from xmpsync.read.cut_off import ends_too_early
from xmpsync.read.raw import open_raw

SIZES = [(256, 1, 64), (257, 1, 64), (258, 1, 8), (259, 1, 1), (262, 1, 32803), (277, 1, 1), (278, 1, 64)]


def tiff_file(
    entries: list[tuple[int, int, int]], behind: bytes = b"", order: str = "<", magic: bytes | None = None
) -> bytes:
    """A TIFF of one directory with single LONG values: (tag, count, value), then `behind`."""
    head = (magic or (b"II*\0" if order == "<" else b"MM\0*")) + struct.pack(f"{order}I", 8)
    rows = b"".join(struct.pack(f"{order}HHII", tag, 4, count, value) for tag, count, value in sorted(entries))
    return head + struct.pack(f"{order}H", len(entries)) + rows + bytes(4) + behind


def whole_tiff(magic: bytes, *more: tuple[int, int, int]) -> bytes:
    """One strip of 4,096 numbers that ends the file."""
    entries = [*SIZES, *more, (273, 1, 0), (279, 1, 4096)]
    order = "<" if magic[:2] == b"II" else ">"
    place = len(tiff_file(entries, order=order))
    entries[-2] = (273, 1, place)
    return tiff_file(entries, bytes(range(256)) * 16, order, magic)


def box(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", 8 + len(content)) + kind + content


def whole_raf() -> bytes:
    parts = [b"\xff\xd8" + bytes(300), bytes(200), bytes(4000)]
    head, place = b"FUJIFILMCCD-RAW 0201".ljust(84, b"\0"), 108
    for part in parts:
        head += struct.pack(">II", place, len(part))
        place += len(part)
    return head + b"".join(parts)


def whole_crw() -> bytes:
    """CIFF: a heap with one record of 3,000 bytes, its directory, and the directory's place as the last number."""
    data = bytes(3000)
    directory = struct.pack("<H", 1) + struct.pack("<HII", 0x2005, len(data), 0)
    head = b"II" + struct.pack("<I", 26) + b"HEAPCCDR" + bytes(12)
    return head + data + directory + struct.pack("<I", len(data))


WHOLE = {
    "dng": whole_tiff(b"II*\0", (50706, 1, 0x0401)),
    "cr2": whole_tiff(b"II*\0"),
    "nef": whole_tiff(b"MM\0*"),
    "arw": whole_tiff(b"II*\0"),
    "pef": whole_tiff(b"MM\0*"),
    "3fr": whole_tiff(b"II*\0"),
    "orf": whole_tiff(b"IIRO"),
    "rw2": whole_tiff(b"IIU\0"),
    "cr3": box(b"ftyp", b"crx \0\0\0\1crx isom") + box(b"moov", bytes(400)) + box(b"mdat", bytes(2000)),
    "raf": whole_raf(),
    "crw": whole_crw(),
}


@pytest.mark.parametrize("family", WHOLE)
def test_a_cut_anywhere_behind_the_first_bytes_is_one_and_the_whole_file_is_not(tmp_path: Path, family: str) -> None:
    data, path = WHOLE[family], tmp_path / f"a.{family}"
    path.write_bytes(data)
    assert not ends_too_early(path)
    lengths = [*range(26, min(len(data), 200)), *range(200, len(data), 97), len(data) - 1]
    for length in lengths:
        path.write_bytes(data[:length])
        assert ends_too_early(path), length


@pytest.mark.parametrize("family", WHOLE)
@pytest.mark.parametrize("share", [0.03, 0.5, 0.98])
def test_the_reader_says_that_the_file_ends_too_early(tmp_path: Path, family: str, share: float) -> None:
    data, path = WHOLE[family], tmp_path / f"a.{family}"
    path.write_bytes(data[: max(30, int(share * len(data)))])
    with pytest.raises(RawUnreadable, match=r"the file ends too early") as caught:
        open_raw(path)
    assert "Copy the file again" in caught.value.next_step


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("entries", "cut"),
    [
        ([(273, 1, 200), (279, 1, 64)], False),
        ([(273, 1, 200), (279, 1, 65)], True),
        ([(273, 1, 200), (279, 1, 64), (330, 1, 5000)], True),
        ([(273, 1, 200), (279, 1, 64), (34665, 1, 263)], True),
        ([(273, 30, 200), (279, 1, 64)], True),
    ],
)
def test_a_place_past_the_end_is_a_cut(
    tmp_path: Path, order: str, entries: list[tuple[int, int, int]], cut: bool
) -> None:
    path = tmp_path / "a.nef"
    data = tiff_file(SIZES + entries, order=order)
    path.write_bytes(data + bytes(264 - len(data)))
    assert ends_too_early(path) is cut


def test_directories_that_point_at_each_other_and_foreign_files_come_to_an_end(tmp_path: Path) -> None:
    path = tmp_path / "a.cr2"
    path.write_bytes(tiff_file([(330, 1, 8), (34665, 1, 8)]))
    assert not ends_too_early(path)
    for data in (b"", b"II", bytes(5000), b"\xff\xd8\xff\xe1" + bytes(500), b"PK\3\4" + bytes(500)):
        path.write_bytes(data)
        assert not ends_too_early(path)

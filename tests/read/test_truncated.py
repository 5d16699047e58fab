"""Files that were cut off say so, wherever the cut lies (TIFF 6.0, section 2: what a directory points at)."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from xmpsync.errors import RawUnreadable
from xmpsync.read.raw import open_raw
from xmpsync.read.tiff import ends_too_early


def tiff_file(entries: list[tuple[int, int, int]], behind: bytes = b"", order: str = "<") -> bytes:
    """A TIFF of one directory with single LONG values: (tag, count, value), then `behind`."""
    head = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(f"{order}I", 8)
    rows = b"".join(struct.pack(f"{order}HHII", tag, 4, count, value) for tag, count, value in sorted(entries))
    return head + struct.pack(f"{order}H", len(entries)) + rows + bytes(4) + behind


SIZES = [(256, 1, 8), (257, 1, 8), (258, 1, 8), (259, 1, 1), (262, 1, 32803), (277, 1, 1), (278, 1, 8)]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("entries", "cut"),
    [
        ([(273, 1, 200), (279, 1, 64)], False),
        ([(273, 1, 200), (279, 1, 65)], True),
        ([(273, 1, 200), (279, 1, 64), (330, 1, 5000)], True),
    ],
)
def test_a_place_past_the_end_is_a_cut(
    tmp_path: Path, order: str, entries: list[tuple[int, int, int]], cut: bool
) -> None:
    path = tmp_path / "a.nef"
    data = tiff_file(SIZES + entries, order=order)
    path.write_bytes(data + bytes(264 - len(data)))
    assert ends_too_early(path) is cut


def test_a_cut_before_the_first_directory_is_one_and_other_formats_are_not_judged(tmp_path: Path) -> None:
    path = tmp_path / "a.cr2"
    path.write_bytes(b"II*\0" + struct.pack("<I", 4000) + bytes(100))
    assert ends_too_early(path)
    with pytest.raises(RawUnreadable, match="ends too early"):
        open_raw(path)
    for data in (b"", b"II", b"FUJIFILMCCD-RAW 0201" + bytes(50)):
        path.write_bytes(data)
        assert not ends_too_early(path)

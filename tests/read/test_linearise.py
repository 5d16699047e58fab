"""Tone curves of lossy linear DNGs: by hand from the specification, and against LibRaw where it follows it."""

from __future__ import annotations

import os
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import rawpy

from tests.read.raw_files import SHORT, UNDEFINED, mosaic_of, opcode_list, polynomial, write_dng
from xmpsync.errors import RawUnreadable
from xmpsync.read.linearise import NotLinearisable, plane_tables
from xmpsync.read.opcodes import AreaSpec, ValueMap
from xmpsync.read.raw import open_raw

SIZE = (48, 64)
WHOLE = AreaSpec(0, 0, 48, 64, 0, 3, 1, 1)
TAGS = {256: (64.0,), 257: (48.0,)}


def test_levels_then_polynomial_give_the_table() -> None:
    # x = (v - 51) / (255 - 51), then 0.1 x + 0.4 x^3: v 255 -> 0.5, v 153 -> x 0.5 -> 0.05 + 0.05 = 0.1, v <= 51 -> 0
    tags = TAGS | {50714: (51.0,), 50717: (255.0,)}
    maps = [ValueMap(WHOLE, polynomial=(0.0, 0.1, 0.0, 0.4))]
    (table,) = plane_tables(tags, maps, planes=1, bits=8, curve=True)
    assert table[255] == round(0.5 * 65535) and table[153] == round(0.1 * 65535)
    assert table[51] == table[0] == 0 and len(table) == 256


def test_a_linearisation_table_comes_first_and_its_last_entry_goes_on() -> None:
    tags = TAGS | {50712: (0.0, 100.0, 400.0), 50717: (400.0,)}
    (table,) = plane_tables(tags, [], planes=1, bits=8, curve=True)
    assert [table[0], table[1], table[2], table[200]] == [0, round(0.25 * 65535), 65535, 65535]
    (raw,) = plane_tables(tags, [], planes=1, bits=16, curve=False)
    assert raw[100] == round(0.25 * 65535)


def test_a_map_table_looks_values_up_and_serves_its_planes_alone() -> None:
    doubled = tuple(min(65535, 2 * v) for v in range(65536))
    maps = [ValueMap(AreaSpec(0, 0, 48, 64, 1, 1, 1, 1), table=doubled)]
    tables = plane_tables(TAGS | {50717: (255.0,)}, maps, planes=3, bits=8, curve=True)
    assert [t[51] for t in tables] == [13107, 26214, 13107]


@pytest.mark.parametrize("area", [(1, 0, 48, 64, 0, 3, 1, 1), (0, 0, 40, 64, 0, 3, 1, 1), (0, 0, 48, 64, 0, 3, 2, 1)])
def test_a_map_for_a_part_of_the_picture_is_refused(area: tuple[int, ...]) -> None:
    with pytest.raises(NotLinearisable, match="part"):
        plane_tables(TAGS, [ValueMap(AreaSpec(*area), polynomial=(0, 1))], planes=3, bits=8, curve=True)
    with pytest.raises(NotLinearisable, match="white"):
        plane_tables(TAGS | {50714: (255.0,)}, [], planes=3, bits=8, curve=True)


def curve_opcodes(planes: int = 3) -> bytes:
    return opcode_list(*(polynomial((0.0, 0.1, 0.0, 0.4), plane, SIZE) for plane in range(planes)))


def lossy_dng(path: Path, compression: int, black: int = 0) -> Path:
    """A linear DNG of 8-bit lossy JPEG, quality 100, with a curve, one strip."""
    pixels = np.empty((*SIZE, 3), np.uint8)
    pixels[:] = (153, 204, 255)
    write_dng(path, pixels, white=255, raw={259: (SHORT, compression), 51009: (UNDEFINED, curve_opcodes()),
                                            50714: (SHORT, (black,) * 3)})  # fmt: skip
    jpeg = imagecodecs.jpeg8_encode(pixels, level=100, colorspace="RGB", outcolorspace="RGB")
    data = path.read_bytes()
    start = len(data) - pixels.size
    path.write_bytes(data[:start] + jpeg.ljust(pixels.size, b"\0"))
    return path


@pytest.mark.parametrize("compression", [7, 34892])
def test_eight_bit_linear_pictures_are_linearised(tmp_path: Path, compression: int) -> None:
    raw = open_raw(lossy_dng(tmp_path / "a.dng", compression))
    x = np.array([153, 204, 255]) / 255
    cells = raw.cells()
    assert cells.camera == pytest.approx(np.broadcast_to(0.1 * x + 0.4 * x**3, (*SIZE, 3)), abs=1e-4)
    assert cells.clipped.all()  # the third plane is at its largest number, though only at half of white


def test_their_black_level_comes_off_before_the_curve(tmp_path: Path) -> None:
    x = (np.array([153, 204, 255]) - 51) / 204
    cells = open_raw(lossy_dng(tmp_path / "a.dng", 34892, black=51)).cells()
    assert cells.camera == pytest.approx(np.broadcast_to(0.1 * x + 0.4 * x**3, (*SIZE, 3)), abs=1e-4)


@pytest.mark.parametrize("planes", [1, 3])
def test_value_maps_on_sixteen_bits_are_applied(tmp_path: Path, planes: int) -> None:
    pixels = np.full((*SIZE, 3), 30000, np.uint16) if planes == 3 else mosaic_of((30000, 30000, 30000), *SIZE)
    path = write_dng(tmp_path / "a.dng", pixels, white=60000, raw={51009: (UNDEFINED, curve_opcodes(planes))})
    assert open_raw(path).cells().camera == pytest.approx(0.1 * 0.5 + 0.4 * 0.125, abs=1e-4)


def test_a_curve_that_cannot_be_undone_is_refused(tmp_path: Path) -> None:
    part = opcode_list(polynomial((0.0, 1.0), 0, (10, 10)))
    path = write_dng(tmp_path / "a.dng", np.full((*SIZE, 3), 99, np.uint16), raw={51009: (UNDEFINED, part)})
    with pytest.raises(RawUnreadable, match=r"a\.dng.*tone curve"):
        open_raw(path)


SAMPLES = os.environ.get("XMPSYNC_RAW_SAMPLES")


@pytest.mark.skipif(SAMPLES is None, reason="XMPSYNC_RAW_SAMPLES names no folder of real RAW files")
def test_real_lossy_files_without_black_come_out_as_libraw_linearises_them() -> None:
    assert SAMPLES is not None
    compared = 0
    for path in sorted(Path(SAMPLES).rglob("*.dng")):
        try:
            raw = open_raw(path)
        except RawUnreadable:
            continue
        if raw.header.raw_tags.get(259) != (34892.0,) or max(raw.header.raw_tags.get(50714, (0,))) > 0:
            continue
        with rawpy.imread(str(path)) as second:
            expected = second.raw_image_visible[..., :3].copy()
        # another JPEG decoder may round a number of 255 differently: compare means closely and pixels loosely
        ours = raw.photosites.reshape(expected.shape).astype(float)
        assert np.median(np.abs(ours - expected)) <= 2
        assert ours.mean(axis=(0, 1)) == pytest.approx(expected.mean(axis=(0, 1)), rel=1e-3)
        compared += 1
    assert compared >= 1

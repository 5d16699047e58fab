"""Files read in parts give LibRaw's numbers, number for number; the judge is LibRaw's own unpack of the same file."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
import rawpy
import tifffile

from demo_shoot.dng import DngProfile, write_dng
from tests.read import raw_files
from tests.read.raw_files import LONG, RATIONAL, SHORT, mosaic_of
from xmpsync.errors import RawUnreadable
from xmpsync.read import blocks, opcodes
from xmpsync.read.decode import _in_parts
from xmpsync.read.header import read_header
from xmpsync.read.overview import overview
from xmpsync.read.partial import PartlyRead
from xmpsync.read.raw import open_raw
from xmpsync.records import Box

PROFILE = DngProfile(color_matrix_1=np.eye(3).tolist(), as_shot_neutral=(0.5, 1.0, 0.6))


def random_mosaic(height: int, width: int, largest: int = 16383) -> np.ndarray:
    return np.random.default_rng(height + width).integers(0, largest + 1, (height, width)).astype(np.uint16)


def partly(path: Path) -> PartlyRead | None:
    header = read_header(path)
    found = _in_parts(header, opcodes.parse(header.opcode_list_2))
    if found is None:
        return None
    assert isinstance(found.pixels, PartlyRead)
    return found.pixels


def unpacked(path: Path) -> np.ndarray:
    with rawpy.imread(str(path)) as raw:
        return np.array(raw.raw_image)


def assert_same_as_libraw(path: Path) -> PartlyRead:
    ours, theirs = partly(path), unpacked(path)
    assert ours is not None, "read as a whole: nothing was compared"
    assert ours.shape == theirs.shape
    height, width = theirs.shape
    for top, bottom, left, right in (
        (0, height, 0, width), (3, 41, 17, 90), (height - 5, height, width - 7, width), (20, 20, 0, width),
        (9, 10, 9, 10),
    ):  # fmt: skip
        np.testing.assert_array_equal(ours[top:bottom, left:right], theirs[top:bottom, left:right])
    assert ours._fallback is None
    return ours


def tiled(path: Path, mosaic: np.ndarray, side: int, encode: object, bits: int = 14, *, strips: bool = False) -> Path:
    """A DNG whose tiles are made by `encode`; IFD0 holds the picture (TIFF 6.0, DNG 1.4)."""
    height, width = mosaic.shape
    across = width if strips else side
    padded = np.pad(mosaic, ((0, -height % side), (0, -width % across)), mode="symmetric")
    tiles = [
        encode(np.ascontiguousarray(padded[top : top + side, left : left + across]))  # type: ignore[operator]
        for top in range(0, height, side)
        for left in range(0, width, across)
    ]
    tags = [
        (271, 2, 0, "Village Optics", True), (272, 2, 0, "Choir One", True), (274, 3, 1, 1, True),
        (33421, 3, 2, (2, 2), True), (33422, 1, 4, bytes((0, 1, 1, 2)), True), (50706, 1, 4, bytes((1, 4, 0, 0)), True),
        (50708, 2, 0, "Village Optics Choir One", True), (50717, 4, 1, 2**bits - 1, True),
        (50721, 10, 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        (50728, 5, 3, (1, 2, 1, 1, 3, 5), True), (50778, 3, 1, 21, True),
    ]  # fmt: skip
    with tifffile.TiffWriter(path) as tiff:
        tiff.write(
            iter(tiles), shape=mosaic.shape, dtype=np.uint16, photometric=32803, compression=7,
            **({"rowsperstrip": side} if strips else {"tile": (side, side)}),
            subfiletype=0, extratags=tags, metadata=None, software=False,
        )  # fmt: skip
    return path


@pytest.mark.parametrize(
    "how",
    [
        {"compress": False},
        {"compress": False, "big_endian": True},
        {"compress": False, "tile": 64},
        {"compress": False, "tile": 64, "big_endian": True},
        {"tile": 32},
        {"tile": 64},
        {},
    ],
)
def test_strips_and_tiles_are_read_as_libraw_reads_them(tmp_path: Path, how: dict) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, random_mosaic(150, 226), profile=PROFILE, black=512, **how)
    assert_same_as_libraw(path)


@pytest.mark.parametrize("predictor", range(1, 8))
@pytest.mark.parametrize("fold", ["two rows in one line", "two components", "as it is"])
def test_every_predictor_and_folding_of_lossless_tiles(tmp_path: Path, predictor: int, fold: str) -> None:
    def encode(tile: np.ndarray) -> bytes:
        height, width = tile.shape
        shape = {"two rows in one line": (height // 2, 2 * width), "two components": (height, width // 2, 2)}
        folded = tile.reshape(shape.get(fold, tile.shape))
        return bytes(imagecodecs.jpeg8_encode(folded, lossless=True, predictor=predictor, bitspersample=14))

    assert_same_as_libraw(tiled(tmp_path / "a.dng", random_mosaic(150, 226), 64, encode))


@pytest.mark.parametrize("fold", ["two rows in one line", "two components", "as it is"])
def test_a_lossless_stream_of_the_whole_picture(tmp_path: Path, fold: str) -> None:
    def encode(strip: np.ndarray) -> bytes:
        height, width = strip.shape
        shape = {"two rows in one line": (height // 2, 2 * width), "two components": (height, width // 2, 2)}
        folded = strip.reshape(shape.get(fold, strip.shape))
        return bytes(imagecodecs.jpeg8_encode(folded, lossless=True, predictor=1, bitspersample=14))

    assert_same_as_libraw(tiled(tmp_path / "a.dng", random_mosaic(150, 226), 150, encode, strips=True))


@pytest.mark.parametrize("largest", [4095, 21845, 65535])
@pytest.mark.parametrize("reduce", [1, 3, 7])
def test_cells_from_rows_in_the_file_are_those_of_the_unpacked_frame(
    tmp_path: Path, largest: int, reduce: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The judges: LibRaw's array, and plain means of it in double precision (sums of large numbers must not wrap)."""
    monkeypatch.setattr(blocks, "_STRIPE_PHOTOSITES", 5000)
    path = tmp_path / "a.dng"
    write_dng(path, random_mosaic(150, 226, largest), profile=PROFILE, compress=False, black=0, white=65535)
    raw, whole = open_raw(path), unpacked(path)
    assert isinstance(raw.photosites, PartlyRead) and raw.photosites.by_rows
    for box in (None, Box(0.21, 0.33, 0.4, 0.5), Box(2.0, 2.0, 0.1, 0.1)):
        ours, theirs = (r.cells(box, reduce) for r in (raw, replace(raw, photosites=whole)))
        np.testing.assert_array_equal(ours.camera, theirs.camera)
        np.testing.assert_array_equal(ours.clipped, theirs.clipped)
    down, across = (n // (2 * reduce) for n in whole.shape)
    red = whole[: down * 2 * reduce : 2, : across * 2 * reduce : 2].astype(np.float64)
    means = red.reshape(down, reduce, across, reduce).mean(axis=(1, 3)) / 65535
    np.testing.assert_allclose(raw.cells(reduce=reduce).camera[..., 0], means, rtol=1e-5, atol=1e-6)


def lossless_strip(strip: np.ndarray) -> bytes:
    return bytes(imagecodecs.ljpeg_encode(strip, bitspersample=14))


@pytest.mark.parametrize("rows", [30, 64])
@pytest.mark.parametrize("padded", [False, True])
def test_several_lossless_strips_are_all_read(tmp_path: Path, rows: int, padded: bool) -> None:
    """LibRaw decodes the first only; the judges are tifffile and the numbers that were written."""
    mosaic = random_mosaic(150, 226)

    def encode(strip: np.ndarray) -> bytes:
        last = rows == 64 and not padded and np.array_equal(strip[:22], mosaic[128:])
        return lossless_strip(strip[:22] if last else strip)

    path = tiled(tmp_path / "a.dng", mosaic, rows, encode, strips=True)
    if rows == 30 or not padded:
        np.testing.assert_array_equal(tifffile.imread(path), mosaic)
    found = partly(path)
    assert found is not None and found.shape == mosaic.shape
    for part in (np.s_[0:150, 0:226], np.s_[25:70, 11:40], np.s_[126:150, 0:5], np.s_[149:150, 225:226]):
        np.testing.assert_array_equal(found[part], mosaic[part])
    assert open_raw(path).cells().camera.mean(axis=(1, 2)).min() > 0.3, "rows that were never read"


def test_lossless_strips_that_cannot_be_read_are_refused_instead_of_read_as_black(tmp_path: Path) -> None:
    made: list[int] = []

    def damaged_third(strip: np.ndarray) -> bytes:
        made.append(len(made))
        return b"\xff\xd8 damaged" if len(made) == 3 else lossless_strip(strip)

    later = tiled(tmp_path / "a.dng", random_mosaic(150, 226), 30, damaged_third, strips=True)
    with pytest.raises(RawUnreadable, match="several lossless strips"):
        open_raw(later).cells()
    never = tiled(tmp_path / "b.dng", random_mosaic(150, 226), 30, lambda _: b"\xff\xd8 damaged", strips=True)
    with pytest.raises(RawUnreadable, match="several lossless strips"):
        open_raw(never)


def test_one_tile_of_the_whole_picture_is_no_uncompressed_strip(tmp_path: Path) -> None:
    def encode(tile: np.ndarray) -> bytes:
        return bytes(imagecodecs.ljpeg_encode(tile, bitspersample=14))

    assert_same_as_libraw(tiled(tmp_path / "a.dng", random_mosaic(160, 160), 160, encode))


def test_a_stream_with_a_cell_for_each_preview_pixel_is_looked_at_whole(tmp_path: Path) -> None:
    """A cropped area holds no whole piece of it, so that no preview is compared."""
    path = tmp_path / "a.dng"
    write_dng(path, random_mosaic(160, 240), profile=PROFILE, active_area=(2, 2, 158, 238))
    raw = open_raw(path)
    assert isinstance(raw.photosites, PartlyRead)
    assert not overview(raw, 64).from_preview


@pytest.mark.parametrize("bits", [10, 12, 16])
def test_lossless_tiles_of_other_depths(tmp_path: Path, bits: int) -> None:
    def encode(tile: np.ndarray) -> bytes:
        return bytes(imagecodecs.ljpeg_encode(tile, bitspersample=bits))

    assert_same_as_libraw(tiled(tmp_path / "a.dng", random_mosaic(130, 194, 2**bits - 1), 64, encode, bits))


@pytest.mark.parametrize("width", [226, 230])
@pytest.mark.parametrize("bits", [10, 12, 14])
def test_packed_rows_are_read_as_libraw_reads_them(tmp_path: Path, bits: int, width: int) -> None:
    mosaic = random_mosaic(150, width, 2**bits - 1)
    digits = (mosaic[:, :, None] >> np.arange(bits - 1, -1, -1)) & 1
    rows = np.packbits(digits.reshape(150, -1).astype(np.uint8), axis=1)  # TIFF 6.0: highest bit first, rows padded
    path = raw_files.write_dng(tmp_path / "a.dng", mosaic, white=2**bits - 1, raw={258: (SHORT, bits)})
    data = path.read_bytes()
    header, plain = data[: -mosaic.nbytes], rows.tobytes()
    path.write_bytes(header + plain + bytes(mosaic.nbytes - len(plain)))
    assert_same_as_libraw(path)


def test_cells_and_levels_are_the_same_as_of_the_whole_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.dng"
    area = (3, 5, 149, 221)
    write_dng(
        path, random_mosaic(150, 226), profile=PROFILE, black=(500, 510, 520, 530), tile=64, orientation=6,
        active_area=area,
    )  # fmt: skip
    in_parts = open_raw(path)
    assert isinstance(in_parts.photosites, PartlyRead)
    monkeypatch.setattr("xmpsync.read.decode._in_parts", lambda *_: None)
    whole = open_raw(path)
    assert isinstance(whole.photosites, np.ndarray)
    for box, reduce in ((None, 1), (None, 3), (Box(0.2, 0.3, 0.2, 0.1), 1)):
        ours, theirs = in_parts.cells(box, reduce), whole.cells(box, reduce)
        np.testing.assert_array_equal(ours.camera, theirs.camera)
        np.testing.assert_array_equal(ours.clipped, theirs.clipped)
        assert ours.box == theirs.box


@pytest.mark.parametrize(
    "raw",
    [
        {50712: (SHORT, tuple(range(100)))},  # linearisation table: LibRaw applies it
        {317: (SHORT, 2)},
        {266: (SHORT, 2)},
        {50715: (RATIONAL, tuple(range(80)))},  # black that does not repeat
    ],
)
def test_layouts_that_are_not_plain_are_left_to_libraw(tmp_path: Path, raw: dict) -> None:
    path = raw_files.write_dng(tmp_path / "a.dng", mosaic_of((1000, 2000, 3000), 60, 80), raw=raw)
    assert partly(path) is None


def test_a_file_without_white_balance_asks_libraw(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, random_mosaic(60, 80), profile=DngProfile(color_matrix_1=np.eye(3).tolist()), compress=False)
    assert partly(path) is None


def test_a_tile_that_is_not_what_its_directory_says_falls_back_to_libraw(tmp_path: Path) -> None:
    """The third tile is encoded at half its height; LibRaw decides what that means."""
    count = 0

    def encode(tile: np.ndarray) -> bytes:
        nonlocal count
        count += 1
        return bytes(imagecodecs.ljpeg_encode(tile[: 32 if count == 3 else 64], bitspersample=14))

    path = tiled(tmp_path / "a.dng", random_mosaic(128, 192), 64, encode)
    ours = partly(path)
    assert ours is not None
    np.testing.assert_array_equal(ours[:10, :10], unpacked(path)[:10, :10])
    assert ours._fallback is None
    found, expected = ours[:, :], unpacked(path)
    assert ours._fallback is not None
    for part in (np.s_[:, :128], np.s_[:32, 128:], np.s_[64:, :]):  # the rest of the third tile is nobody's number
        np.testing.assert_array_equal(found[part], expected[part])


def test_a_tile_cut_off_at_the_end_of_the_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, random_mosaic(150, 226), profile=PROFILE, compress=False)
    path.write_bytes(path.read_bytes()[:30000])
    with pytest.raises(RawUnreadable, match=r"a\.dng.*(too early|damaged)"):
        open_raw(path).cells()


def test_tiles_wider_than_the_picture_are_left_to_libraw(tmp_path: Path) -> None:
    path = tiled(tmp_path / "a.dng", random_mosaic(64, 48), 64, lambda t: bytes(imagecodecs.ljpeg_encode(t)))
    assert partly(path) is None


def test_a_file_that_goes_away_between_header_and_cells_is_named(tmp_path: Path) -> None:
    path = raw_files.write_dng(
        tmp_path / "a.dng", mosaic_of((1000, 2000, 3000), 60, 80), raw={50829: (LONG, (0, 0, 60, 80))}
    )
    raw = open_raw(path)
    path.unlink()
    with pytest.raises(RawUnreadable, match=r"a\.dng.*No such file"):
        raw.cells()

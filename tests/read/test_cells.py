"""Cells are the means of their photosites: checked photosite by photosite, and against LibRaw's own pipeline."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rawpy
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_shoot import dng as demo_dng
from tests.read.raw_files import (
    BYTE,
    DOUBLE,
    LONG,
    RATIONAL,
    RGGB,
    SHORT,
    SRATIONAL,
    UNDEFINED,
    XTRANS,
    gain_map,
    mosaic_of,
    opcode_list,
    vignette,
    write_dng,
    write_maker_raw,
)
from xmpsync.read.blocks import Sensor, cell_means
from xmpsync.read.orientation import upright_array
from xmpsync.read.raw import RawImage, open_raw
from xmpsync.read.sensor_levels import Area, pile_up_dn
from xmpsync.records import Box

WHITE = 16383


def noise_mosaic(height: int, width: int, seed: int = 1, high: int = 15000, low: int = 300) -> np.ndarray:
    return np.random.default_rng(seed).integers(low, high, (height, width)).astype(np.uint16)


def by_hand(linear: np.ndarray, colours: np.ndarray, cell: int) -> np.ndarray:
    """(n, m, 3) means per colour of cell x cell photosites, one by one. `colours` has the shape of `linear`."""
    n, m = linear.shape[0] // cell, linear.shape[1] // cell
    out = np.empty((n, m, 3))
    for i in range(n):
        for j in range(m):
            part = linear[i * cell : (i + 1) * cell, j * cell : (j + 1) * cell]
            kinds = colours[i * cell : (i + 1) * cell, j * cell : (j + 1) * cell]
            out[i, j] = [part[kinds == c].mean() for c in range(3)]
    return out


def colours_of(cfa: bytes, height: int, width: int) -> np.ndarray:
    side = 2 if len(cfa) == 4 else 6
    rows, columns = np.indices((height, width))
    return np.array(list(cfa)).reshape(side, side)[rows % side, columns % side]


# ---- mosaics, photosite by photosite


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("letters", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_every_bayer_order_gives_the_means_of_its_photosites(tmp_path: Path, letters: str, order: str) -> None:
    cfa = bytes("RGB".index(c) for c in letters)
    mosaic = noise_mosaic(36, 50)
    cells = open_raw(write_dng(tmp_path / "a.dng", mosaic, cfa=cfa, order=order)).cells()
    expected = by_hand(mosaic / WHITE, colours_of(cfa, 36, 50), 2)
    assert cells.camera.shape == (18, 25, 3)
    assert cells.camera == pytest.approx(expected, abs=1e-6)  # float32
    assert cells.n_photosites == (1, 2, 1)
    assert not cells.clipped.any()


def test_a_six_by_six_pattern_gives_three_by_three_cells(tmp_path: Path) -> None:
    mosaic = noise_mosaic(36, 54)
    cells = open_raw(write_dng(tmp_path / "a.dng", mosaic, cfa=XTRANS)).cells()
    expected = by_hand(mosaic / WHITE, colours_of(XTRANS, 36, 54), 3)
    assert cells.camera == pytest.approx(expected, abs=1e-6)
    assert cells.n_photosites == pytest.approx((2, 5, 2))


@pytest.mark.parametrize("down", range(6))
@pytest.mark.parametrize("across", [0, 1, 4])
def test_six_by_six_cells_hold_every_colour_wherever_the_picture_starts(tmp_path: Path, down: int, across: int) -> None:
    mosaic = mosaic_of((1000, 2000, 4000), 48, 60, XTRANS)
    area = (down, across, 48, 60)
    shifted = np.roll(np.array(list(XTRANS)).reshape(6, 6), (-down, -across), (0, 1))
    raw = open_raw(
        write_dng(tmp_path / "a.dng", mosaic, cfa=bytes(shifted.ravel().tolist()), raw={50829: (LONG, area)})
    )
    cells = raw.cells()
    assert cells.camera == pytest.approx(np.broadcast_to(np.array([1000, 2000, 4000]) / WHITE, cells.camera.shape))
    assert min(cells.camera.shape[:2]) >= 13
    whole = raw.cells(reduce=2)
    assert whole.camera == pytest.approx(np.broadcast_to(np.array([1000, 2000, 4000]) / WHITE, whole.camera.shape))


def test_a_linear_picture_gives_its_pixels(tmp_path: Path) -> None:
    pixels = np.random.default_rng(2).integers(0, WHITE, (24, 30, 3)).astype(np.uint16)
    cells = open_raw(write_dng(tmp_path / "a.dng", pixels)).cells()
    assert cells.camera == pytest.approx(pixels / WHITE, abs=1e-6)
    assert cells.n_photosites == (1, 1, 1)


# ---- black and white levels


@pytest.mark.parametrize("top,left", [(0, 0), (1, 0), (0, 1), (3, 5)])
def test_unequal_blacks_and_pattern_count_from_the_active_area_wherever_it_starts(
    tmp_path: Path, top: int, left: int
) -> None:
    # DNG 1.7, BlackLevel and CFAPattern: the origin is the top left of ActiveArea.
    black = np.array([[512.0, 600.5], [530.25, 700.0]])
    raw = {
        50829: (LONG, (top, left, 40, 60)),
        50713: (SHORT, (2, 2)),
        50714: (RATIONAL, tuple(black.ravel())),
    }
    mosaic = noise_mosaic(40, 60)
    cells = open_raw(write_dng(tmp_path / "a.dng", mosaic, raw=raw)).cells()
    part = mosaic[top:40, left:60].astype(float)
    part = part[: part.shape[0] // 2 * 2, : part.shape[1] // 2 * 2]
    own = np.tile(black, (part.shape[0] // 2, part.shape[1] // 2))
    expected = by_hand((part - own) / (WHITE - own), colours_of(RGGB, *part.shape), 2)
    assert cells.camera == pytest.approx(expected, abs=1e-6)


def test_a_crop_on_an_odd_place_moves_the_pattern_and_its_blacks(tmp_path: Path) -> None:
    black = np.array([[512.0, 600.0], [530.0, 700.0]])
    raw = {
        50829: (LONG, (1, 2, 41, 62)),
        50719: (LONG, (3, 5)),  # left, top
        50720: (LONG, (48, 30)),  # width, height
        50713: (SHORT, (2, 2)),
        50714: (SHORT, tuple(int(v) for v in black.ravel())),
    }
    mosaic = noise_mosaic(41, 62)
    image = open_raw(write_dng(tmp_path / "a.dng", mosaic, raw=raw))
    own = np.tile(black, (20, 30))
    linear = (mosaic[1:41, 2:62] - own) / (WHITE - own)
    part, kinds = linear[5:35, 3:51], colours_of(RGGB, 40, 60)[5:35, 3:51]
    assert image.cells().camera == pytest.approx(by_hand(part, kinds, 2), abs=1e-6)
    assert (image.header.capture.width, image.header.capture.height) == (48, 30)


def test_blacks_of_a_whole_six_by_six_pattern_are_taken_off_one_by_one(tmp_path: Path) -> None:
    black = np.arange(500, 536).reshape(6, 6)
    raw = {50713: (SHORT, (6, 6)), 50714: (SHORT, tuple(black.ravel().tolist()))}
    mosaic = noise_mosaic(36, 48)
    cells = open_raw(write_dng(tmp_path / "a.dng", mosaic, cfa=XTRANS, raw=raw)).cells()
    own = np.tile(black, (6, 8))
    expected = by_hand((mosaic - own) / (WHITE - own), colours_of(XTRANS, 36, 48), 3)
    assert cells.camera == pytest.approx(expected, abs=1e-6)


def test_black_that_does_not_repeat_with_the_pattern_and_differs_by_row_and_column(tmp_path: Path) -> None:
    height, width = 40, 60
    rows, columns = np.arange(height) % 7, -(np.arange(width) % 5)
    repeat = np.array([[500, 520, 540]])  # 1 x 3 does not divide 2 x 2
    raw = {
        50713: (SHORT, (1, 3)),
        50714: (SHORT, (500, 520, 540)),
        50715: (SRATIONAL, tuple(float(v) for v in columns)),
        50716: (SRATIONAL, tuple(float(v) for v in rows)),
    }
    mosaic = noise_mosaic(height, width)
    cells = open_raw(write_dng(tmp_path / "a.dng", mosaic, raw=raw)).cells()
    own = np.tile(repeat, (height, width // 3)) + rows[:, None] + columns[None, :]
    expected = by_hand((mosaic - own) / (WHITE - own.mean()), colours_of(RGGB, height, width), 2)
    # numbers stay whole (0.5 DN of 16383), and each position has one scale for all its blacks
    assert cells.camera == pytest.approx(expected, abs=2e-4)
    assert abs((cells.camera - expected).mean()) < 0.5 / WHITE


def test_black_and_white_of_a_linear_picture_are_per_plane(tmp_path: Path) -> None:
    pixels = np.random.default_rng(3).integers(600, 9000, (24, 30, 3)).astype(np.uint16)
    raw = {50714: (SHORT, (256, 300, 512)), 50717: (LONG, (9000, 10000, 12000))}
    cells = open_raw(write_dng(tmp_path / "a.dng", pixels, raw=raw)).cells()
    black, white = np.array([256, 300, 512]), np.array([9000, 10000, 12000])
    assert cells.camera == pytest.approx((pixels - black) / (white - black), abs=1e-6)


def test_values_below_black_stay_negative_so_that_noise_has_no_bias(tmp_path: Path) -> None:
    mosaic = np.full((40, 40), 500, np.uint16)
    cells = open_raw(write_dng(tmp_path / "a.dng", mosaic, raw={50714: (SHORT, 512)})).cells()
    assert cells.camera == pytest.approx(-12 / (WHITE - 512))


@pytest.mark.parametrize("bad", [{50714: (SHORT, WHITE)}, {50717: (LONG, 100), 50714: (SHORT, 200)}])
def test_levels_that_cannot_be_meant_are_refused(tmp_path: Path, bad: dict) -> None:
    from xmpsync.errors import RawUnreadable

    path = write_dng(tmp_path / "a.dng", noise_mosaic(40, 40), raw=bad)
    with pytest.raises(RawUnreadable, match=r"a\.dng.*white level"):
        open_raw(path)


# ---- clipping


def test_one_saturated_photosite_flags_its_cell_and_its_block(tmp_path: Path) -> None:
    mosaic = np.full((40, 40), 3000, np.uint16)
    mosaic[5, 8] = WHITE
    raw = open_raw(write_dng(tmp_path / "a.dng", mosaic))
    expected = np.zeros((20, 20), bool)
    expected[2, 4] = True
    assert np.array_equal(raw.cells().clipped, expected)
    assert np.array_equal(raw.cells(reduce=4).clipped, expected.reshape(5, 4, 5, 4).any(axis=(1, 3)))
    mosaic[5, 8] = WHITE - 1
    assert not open_raw(write_dng(tmp_path / "b.dng", mosaic)).cells().clipped.any()


def test_a_heap_of_equal_largest_numbers_below_the_tables_white_counts_as_saturated() -> None:
    rng = np.random.default_rng(4)
    scene = rng.normal(9000, 2500, (400, 600)).clip(0, 15000).astype(np.uint16)
    heap = np.where(scene > 13500, 13500, scene).astype(np.uint16)
    area, colours, white = Area(0, 0, 400, 600), np.array([[0, 1], [1, 2]]), np.full((2, 2), 16383.0)
    assert np.all(pile_up_dn(heap, area, colours, white) == 13500)
    bright = rng.normal(11000, 1200, (400, 600)).clip(0, 16000).astype(np.uint16)
    assert np.isnan(pile_up_dn(bright, area, colours, white)).all()  # a slope without a heap
    dark = (heap // 3).astype(np.uint16)
    assert np.isnan(pile_up_dn(dark, area, colours, white)).all()  # far from white: the scene, not the sensor


# ---- boxes, reduction, orientation


def sensor_of(cfa: bytes) -> Sensor:
    side = 2 if len(cfa) == 4 else 6
    colours = np.array(list(cfa)).reshape(side, side)
    black = 500.0 + np.arange(side * side).reshape(side, side)
    full = np.full((side, side), float(WHITE))
    return Sensor(colours, black, full, full, 2 if side == 2 else 3, 2 if side == 2 else 3)


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([RGGB, XTRANS]), st.integers(1, 5), st.integers(20, 90), st.integers(20, 90), st.integers(0, 999)
)
def test_reduced_cells_are_means_of_cells(cfa: bytes, reduce: int, height: int, width: int, seed: int) -> None:
    sensor, photosites = sensor_of(cfa), noise_mosaic(height, width, seed, WHITE + 2)
    single, clipped = cell_means(photosites, sensor, 1)
    camera, over = cell_means(photosites, sensor, reduce)
    n, m = single.shape[0] // reduce, single.shape[1] // reduce
    blocks = single[: n * reduce, : m * reduce].reshape(n, reduce, m, reduce, 3)
    assert camera == pytest.approx(blocks.mean(axis=(1, 3)), abs=1e-6)
    assert np.array_equal(over, clipped[: n * reduce, : m * reduce].reshape(n, reduce, m, reduce).any(axis=(1, 3)))


@settings(max_examples=80, deadline=None)
@given(
    st.sampled_from(["bayer", "six"]),
    st.integers(1, 8),
    st.builds(Box, st.floats(-0.3, 1.2), st.floats(-0.3, 1.2), st.floats(0.02, 1), st.floats(0.02, 1)),
)
def test_cells_of_a_box_are_the_same_cells_of_the_whole(
    raw_images: dict[str, RawImage], kind: str, orientation: int, box: Box
) -> None:
    image = raw_images[f"{kind}{orientation}"]
    whole, part = image.cells(), image.cells(box)
    if part.camera.size == 0:
        # nothing of it lies in the whole cells; with an odd size a strip at one edge belongs to none
        right, bottom = whole.box.left + whole.box.width, whole.box.top + whole.box.height
        assert (
            box.left >= right - 1e-6
            or box.top >= bottom - 1e-6
            or box.left + box.width <= whole.box.left + 1e-6
            or box.top + box.height <= whole.box.top + 1e-6
        )
        return
    down, across = whole.camera.shape[:2]
    top = round((part.box.top - whole.box.top) / whole.box.height * down)
    left = round((part.box.left - whole.box.left) / whole.box.width * across)
    n, m = part.camera.shape[:2]
    assert np.array_equal(part.camera, whole.camera[top : top + n, left : left + m])
    # it covers the box as far as the picture's whole cells go, and not more than a cell around it
    cell_w, cell_h = whole.box.width / across, whole.box.height / down
    for start, length, got, got_length, low, high, cell in (
        (box.left, box.width, part.box.left, part.box.width, whole.box.left, whole.box.left + whole.box.width, cell_w),
        (box.top, box.height, part.box.top, part.box.height, whole.box.top, whole.box.top + whole.box.height, cell_h),
    ):
        assert got <= max(start, low) + 1e-5 * cell and got >= max(start, low) - cell * 1.001
        end = min(start + length, high)
        assert got + got_length >= end - 1e-5 * cell and got + got_length <= end + cell * 1.001


@pytest.fixture(scope="module")
def raw_images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, RawImage]:
    folder = tmp_path_factory.mktemp("boxes")
    out = {}
    for orientation in range(1, 9):
        for name, cfa, size in (("bayer", RGGB, (61, 85)), ("six", XTRANS, (67, 91))):
            path = write_dng(folder / f"{name}{orientation}.dng", noise_mosaic(*size), cfa=cfa, orientation=orientation)
            out[path.stem] = open_raw(path)
    return out


@pytest.mark.parametrize("orientation", range(1, 9))
def test_cells_and_boxes_are_upright_for_every_orientation(tmp_path: Path, orientation: int) -> None:
    mosaic = noise_mosaic(40, 60)
    mosaic[0:2, 0:2] = WHITE  # a mark in the stored top left corner
    plain = open_raw(write_dng(tmp_path / "a.dng", mosaic)).cells()
    image = open_raw(write_dng(tmp_path / "b.dng", mosaic, orientation=orientation))
    turned = image.cells()
    assert np.array_equal(turned.camera, upright_array(plain.camera, orientation))
    assert turned.camera.shape[:2] == image.cells_shape
    row, column = np.argwhere(turned.clipped)[0]
    height, width = turned.clipped.shape
    mark = Box((column + 0.25) / width, (row + 0.25) / height, 0.5 / width, 0.5 / height)
    found = image.cells(mark)
    assert found.camera.shape == (1, 1, 3) and found.clipped.all()


def test_a_box_beside_the_picture_gives_no_cells(tmp_path: Path) -> None:
    image = open_raw(write_dng(tmp_path / "a.dng", noise_mosaic(40, 60)))
    for box in (Box(1.2, 0, 0.1, 1), Box(-0.5, 0, 0.4, 1), Box(0, 1.5, 1, 1)):
        cells = image.cells(box)
        assert cells.camera.shape[0] * cells.camera.shape[1] == 0 and cells.camera.shape[2] == 3
    with pytest.raises(ValueError, match="finite"):
        image.cells(Box(float("nan"), 0, 1, 1))
    with pytest.raises(ValueError, match="reduce"):
        image.cells(reduce=0)


# ---- noise and shading


def test_noise_profile_is_taken_from_the_file_or_by_iso(tmp_path: Path) -> None:
    mosaic = noise_mosaic(40, 40)
    one = open_raw(write_dng(tmp_path / "a.dng", mosaic, raw={51041: (DOUBLE, (1e-4, 1e-7))})).noise
    assert one.scale == (1e-4,) * 3 and one.offset == (1e-7,) * 3
    three = open_raw(
        write_dng(tmp_path / "b.dng", mosaic, first={51041: (DOUBLE, (1e-4, 1e-7, 2e-4, 2e-7, 3e-4, 3e-7))})
    )
    assert three.noise.scale == (1e-4, 2e-4, 3e-4) and three.noise.offset == (1e-7, 2e-7, 3e-7)
    low = open_raw(write_dng(tmp_path / "c.dng", mosaic, exif={34855: (SHORT, 100)})).noise
    high = open_raw(write_dng(tmp_path / "d.dng", mosaic, exif={34855: (SHORT, 6400)})).noise
    assert high.scale[1] == pytest.approx(64 * low.scale[1])
    broken = open_raw(write_dng(tmp_path / "e.dng", mosaic, raw={51041: (DOUBLE, (float("nan"), -1.0))})).noise
    assert broken == open_raw(write_dng(tmp_path / "f.dng", mosaic)).noise


@pytest.mark.parametrize("orientation", [1, 6])
def test_shading_opcodes_are_applied_to_the_cells_where_they_lie(tmp_path: Path, orientation: int) -> None:
    height, width = 80, 120
    mosaic = mosaic_of((2000, 4000, 3000), height, width)
    maps = [
        gain_map([[1.0, 2.0]], (row, column, height, width), pitch=(2, 2)) for row in range(2) for column in range(2)
    ]
    raw = {51009: (UNDEFINED, opcode_list(*maps)), 51022: (UNDEFINED, opcode_list(vignette((0.5, 0, 0, 0, 0))))}
    path = write_dng(tmp_path / "a.dng", mosaic, raw=raw, orientation=orientation)
    image = open_raw(path)
    x, y = np.meshgrid((np.arange(60) + 0.5) * 2, (np.arange(40) + 0.5) * 2)
    r2 = ((x - 60) ** 2 + (y - 40) ** 2) / (60**2 + 40**2)
    gain = (1 + x / width) * (1 + 0.5 * r2)
    expected = np.array([2000, 4000, 3000]) / WHITE * gain[:, :, None]
    cells = image.cells()
    assert cells.camera == pytest.approx(upright_array(expected, orientation), rel=1e-5)
    box = Box(0.5, 0.25, 0.2, 0.2)
    part = image.cells(box)
    assert part.camera == pytest.approx(_cut(upright_array(expected, orientation), part.box), rel=1e-5)
    # a gain g makes the variance of a value g^2: scale g, offset g^2
    assert part.noise.scale[1] / image.noise.scale[1] == pytest.approx(
        _cut(upright_array(gain, orientation), part.box).mean(), rel=1e-2
    )
    reduced = image.cells(reduce=4)
    n, m = reduced.camera.shape[:2]
    means = upright_array(expected, orientation).reshape(n, 4, m, 4, 3).mean(axis=(1, 3))
    assert reduced.camera == pytest.approx(means, rel=2e-3)  # one gain per block instead of one per cell


def _cut(whole: np.ndarray, box: Box) -> np.ndarray:
    n, m = whole.shape[:2]
    top, left = round(box.top * n), round(box.left * m)
    return whole[top : top + round(box.height * n), left : left + round(box.width * m)]


def test_opcodes_count_from_the_active_area_not_from_the_crop(tmp_path: Path) -> None:
    mosaic = mosaic_of((4000, 4000, 4000), 100, 100)
    raw = {
        50829: (LONG, (10, 10, 90, 90)),
        50719: (LONG, (20, 20)),
        50720: (LONG, (40, 40)),
        51022: (UNDEFINED, opcode_list(gain_map([[1.0], [3.0]], (0, 0, 80, 80), planes=3))),
    }
    cells = open_raw(write_dng(tmp_path / "a.dng", mosaic, raw=raw)).cells()
    y = 20 + (np.arange(20) + 0.5) * 2  # rows of the cells' centres in the active area, 80 high
    assert cells.camera[:, 7, 1] == pytest.approx(4000 / WHITE * (1 + 2 * y / 80), rel=1e-5)


# ---- LibRaw as the second pipeline


def libraw_half_size(path: Path) -> np.ndarray:
    """LibRaw's own black, white and half-size binning, linear, no white balance, camera colours, upright, 0..1."""
    with rawpy.imread(str(path)) as raw:
        half = raw.postprocess(
            half_size=True, gamma=(1, 1), no_auto_bright=True, output_bps=16, user_wb=[1, 1, 1, 1],
            output_color=rawpy.ColorSpace.raw, use_camera_wb=False, adjust_maximum_thr=0,
        )  # fmt: skip
    return half / 65535


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("compress", [False, True])
def test_bayer_cells_are_what_libraw_renders_at_half_size(tmp_path: Path, orientation: int, compress: bool) -> None:
    path = tmp_path / "a.dng"
    profile = demo_dng.DngProfile(color_matrix_1=np.eye(3).tolist(), illuminant_1=21)
    demo_dng.write_dng(
        path, noise_mosaic(64, 96, low=600), black=512, orientation=orientation, compress=compress, profile=profile
    )
    cells = open_raw(path).cells()
    assert cells.camera == pytest.approx(libraw_half_size(path), abs=4e-5)  # LibRaw rounds to 16 bits twice


def test_linear_cells_are_what_libraw_renders(tmp_path: Path) -> None:
    pixels = np.random.default_rng(5).integers(600, 15000, (40, 60, 3)).astype(np.uint16)
    path = write_dng(tmp_path / "a.dng", pixels)
    with rawpy.imread(str(path)) as raw:
        full = raw.postprocess(
            gamma=(1, 1), no_auto_bright=True, output_bps=16, user_wb=[1, 1, 1, 1],
            output_color=rawpy.ColorSpace.raw, adjust_maximum_thr=0,
        )  # fmt: skip
    assert open_raw(path).cells().camera == pytest.approx(full / 65535, abs=4e-5)


def test_a_makers_format_is_read_through_libraws_levels(tmp_path: Path) -> None:
    mosaic = noise_mosaic(100, 140, high=15000)
    path = write_maker_raw(tmp_path / "a.arw", mosaic, make="SONY", model="ILCE-7M3")
    image = open_raw(path)
    assert not image.header.is_dng
    assert image.cells().camera == pytest.approx(libraw_half_size(path), abs=4e-5)
    assert image.camera_from_xyz is not None


# colour codes of TIFF/EP and DNG (CFAPattern): 0..6 red, green, blue, cyan, magenta, yellow, white
FOUR_COLOURS = {"RGEB": (0, 1, 3, 2), "GMCY": (1, 4, 3, 5), "RGBW": (0, 1, 2, 6)}


@pytest.mark.parametrize("colours", FOUR_COLOURS)
def test_four_channel_sensors_are_refused(tmp_path: Path, colours: str) -> None:
    from xmpsync.errors import RawUnreadable

    pattern = FOUR_COLOURS[colours]
    raw = {33422: (BYTE, bytes(pattern)), 50710: (BYTE, bytes(sorted(pattern)))}
    path = write_dng(tmp_path / "a.dng", noise_mosaic(40, 60), raw=raw)
    with pytest.raises(RawUnreadable, match=r"a\.dng") as caught:
        open_raw(path)
    assert "by hand" in caught.value.next_step

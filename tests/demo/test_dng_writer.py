"""What the DNG writer stores, LibRaw, exifread and tifffile read back exactly."""

from __future__ import annotations

import io
from datetime import datetime
from pathlib import Path

import exifread
import numpy as np
import pytest
import rawpy
import tifffile
from PIL import Image, ImageOps

from demo_shoot.dng import XTRANS_6X6, DngExif, DngProfile, mosaic_from_rgb, stored_from_upright, write_dng

CM_A = ((0.9, -0.3, -0.1), (-0.4, 1.2, 0.2), (-0.05, 0.2, 0.6))
CM_D65 = ((0.8, -0.2, -0.1), (-0.5, 1.3, 0.2), (-0.1, 0.2, 0.7))
PROFILE = DngProfile(
    color_matrix_1=CM_A,
    color_matrix_2=CM_D65,
    forward_matrix_1=CM_A,
    forward_matrix_2=CM_D65,
    camera_calibration_1=((1.01, 0, 0), (0, 1, 0), (0, 0, 0.99)),
    camera_calibration_2=((1.02, 0, 0), (0, 1, 0), (0, 0, 0.98)),
    analog_balance=(1.1, 1.0, 0.9),
    as_shot_neutral=(0.5, 1.0, 0.6),
    baseline_exposure_ev=0.25,
    noise_profile=[(1e-4, 1e-7)] * 3,
)
EXIF = DngExif(
    time=datetime(2031, 6, 7, 18, 5, 9, 120000),
    exposure_s=1 / 250,
    f_number=2.8,
    iso=800,
    focal_mm=85,
    flash_fired=True,
    utc_offset="+02:00",
    serial="CHOIR-7",
)


def _noise(height: int = 96, width: int = 128, planes: int | None = None, seed: int = 3) -> np.ndarray:
    shape = (height, width) if planes is None else (height, width, planes)
    return np.random.default_rng(seed).integers(0, 16384, shape).astype(np.uint16)


def _read(path: Path) -> tuple[np.ndarray, np.ndarray, int]:
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image_visible.copy(), np.asarray(raw.raw_colors_visible).copy(), raw.sizes.flip


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG", XTRANS_6X6])
@pytest.mark.parametrize("tile", [None, 32])
@pytest.mark.parametrize("compress", [True, False])
@pytest.mark.parametrize("big_endian", [True, False])
def test_libraw_reads_the_exact_mosaic_and_pattern_back(
    tmp_path: Path, cfa: str, tile: int | None, compress: bool, big_endian: bool
) -> None:
    mosaic = _noise()
    write_dng(tmp_path / "a.dng", mosaic, profile=PROFILE, cfa=cfa, tile=tile, compress=compress, big_endian=big_endian)
    pixels, colours, _ = _read(tmp_path / "a.dng")
    np.testing.assert_array_equal(pixels, mosaic)
    side = 2 if len(cfa) == 4 else 6
    letters = "".join("RGBG"[c] for c in colours[:side, :side].ravel())
    assert letters == cfa


@pytest.mark.parametrize("tile", [None, 32])
def test_linear_frames_come_back_exactly(tmp_path: Path, tile: int | None) -> None:
    linear = _noise(planes=3)
    write_dng(tmp_path / "a.dng", linear, profile=PROFILE, tile=tile)
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        np.testing.assert_array_equal(raw.raw_image_visible[..., :3], linear)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_turns_the_stored_picture_upright_as_exif_says(tmp_path: Path, orientation: int) -> None:
    upright = np.arange(96 * 128, dtype=np.uint16).reshape(96, 128)
    preview = np.zeros((96, 128, 3), np.uint8)
    preview[:32, :32] = 255, 0, 0  # red marks the upright picture's top left corner
    write_dng(
        tmp_path / "a.dng",
        stored_from_upright(upright, orientation),
        profile=PROFILE,
        orientation=orientation,
        preview_rgb=stored_from_upright(preview, orientation),
    )
    # LibRaw's flips of Exif 1..8
    assert _read(tmp_path / "a.dng")[2] == (0, 1, 3, 2, 4, 6, 7, 5)[orientation - 1]
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        thumb = raw.extract_thumb()
    picture = Image.open(io.BytesIO(thumb.data))
    picture.getexif()[0x0112] = orientation
    # Pillow's own reading of Exif orientation is the judge
    exif = Image.Exif()
    exif[0x0112] = orientation
    turned = io.BytesIO()
    picture.save(turned, "png", exif=exif)
    seen = np.asarray(ImageOps.exif_transpose(Image.open(turned)))
    assert seen.shape == (96, 128, 3)
    assert seen[10, 10, 0] > 200 and seen[-10, -10, 0] < 50


def test_exif_comes_back_through_another_reader(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", _noise(), profile=PROFILE, exif=EXIF, make="Maker", model="Body")
    with (tmp_path / "a.dng").open("rb") as file:
        tags = exifread.process_file(file, details=False)
    assert str(tags["EXIF DateTimeOriginal"]) == "2031:06:07 18:05:09"
    assert str(tags["EXIF SubSecTimeOriginal"]) == "120"
    assert float(tags["EXIF ExposureTime"].values[0]) == pytest.approx(1 / 250)
    assert float(tags["EXIF FNumber"].values[0]) == pytest.approx(2.8)
    assert tags["EXIF ISOSpeedRatings"].values == [800]
    assert float(tags["EXIF FocalLength"].values[0]) == 85
    assert tags["EXIF Flash"].values[0] & 1 == 1
    assert str(tags["EXIF OffsetTimeOriginal"]) == "+02:00"
    assert str(tags["EXIF BodySerialNumber"]) == "CHOIR-7"
    assert (str(tags["Image Make"]), str(tags["Image Model"])) == ("Maker", "Body")


def test_colour_tags_come_back_through_another_reader(tmp_path: Path) -> None:
    write_dng(
        tmp_path / "a.dng", _noise(), profile=PROFILE, exif=EXIF, xmp=b"<x/>", black=[64, 65, 66, 67], white=16000
    )
    with tifffile.TiffFile(tmp_path / "a.dng") as tiff:
        tags = {tag.code: tag.value for tag in tiff.pages[0].tags}
        raw_page = tiff.pages[0].pages[0]
        raw_tags = {tag.code: tag.value for tag in raw_page.tags}

    def reals(code: int, source: dict[int, object]) -> np.ndarray:
        flat = np.asarray(source[code], float).ravel()
        return flat[0::2] / flat[1::2]

    for code, matrix in ((50721, CM_A), (50722, CM_D65), (50964, CM_A), (50965, CM_D65)):
        np.testing.assert_allclose(reals(code, tags), np.ravel(matrix), atol=1e-6)
    np.testing.assert_allclose(reals(50723, tags), [1.01, 0, 0, 0, 1, 0, 0, 0, 0.99], atol=1e-6)
    np.testing.assert_allclose(reals(50727, tags), PROFILE.analog_balance, atol=1e-6)
    np.testing.assert_allclose(reals(50728, tags), PROFILE.as_shot_neutral, atol=1e-6)
    assert reals(50730, tags)[0] == pytest.approx(0.25)
    assert (tags[50778], tags[50779]) == (17, 21)
    assert bytes(tags[700]) == b"<x/>"
    np.testing.assert_allclose(reals(50714, raw_tags), [64, 65, 66, 67])
    assert int(raw_tags[50717]) == 16000


def test_libraw_sees_levels_and_neutral(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", _noise(), profile=PROFILE, exif=EXIF, black=512, white=16000)
    with rawpy.imread(str(tmp_path / "a.dng")) as raw:
        raw.raw_image_visible.sum()
        neutral = np.array(raw.camera_whitebalance[:3])
        assert list(raw.black_level_per_channel) == [512] * 4
        assert raw.white_level == 16000
    np.testing.assert_allclose((1 / neutral) / (1 / neutral[1]), [0.5, 1.0, 0.6], rtol=1e-4)


def test_a_mosaic_is_one_colour_per_photosite() -> None:
    rgb = _noise(planes=3)
    mosaic = mosaic_from_rgb(rgb, "GBRG")
    assert mosaic[0, 0] == rgb[0, 0, 1] and mosaic[0, 1] == rgb[0, 1, 2] and mosaic[1, 0] == rgb[1, 0, 0]


@pytest.mark.parametrize(
    ("mosaic", "more"),
    [
        (_noise().astype(np.int32), {}),
        (_noise(), {"cfa": "RGGX"}),
        (_noise(), {"orientation": 9}),
        (_noise(), {"black": [1, 2, 3]}),
        (_noise(95, 128), {}),
    ],
)
def test_what_cannot_be_stored_is_refused_and_no_file_appears(tmp_path: Path, mosaic: np.ndarray, more: dict) -> None:
    with pytest.raises(ValueError):
        write_dng(tmp_path / "a.dng", mosaic, **more)
    assert not list(tmp_path.iterdir())

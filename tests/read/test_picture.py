"""Embedded previews come out upright and bounded; JPEG in and out; no picture of any size does harm."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from demo_shoot import dng as demo_dng
from tests.read.raw_files import mosaic_of, write_dng
from xmpsync.errors import RawUnreadable
from xmpsync.read import libraw
from xmpsync.read.header import read_header
from xmpsync.read.picture import PictureDamaged, decode_jpeg, encode_jpeg, preview, resize

MOSAIC = mosaic_of((1000, 2000, 3000), 80, 120)


def upright_picture() -> np.ndarray:
    """Red top left, green top right, blue bottom left, white bottom right; wider than tall."""
    picture = np.zeros((160, 240, 3), np.uint8)
    picture[:80, :120, 0] = picture[:80, 120:, 1] = picture[80:, :120, 2] = picture[80:, 120:] = 255
    return picture


def corners(picture: np.ndarray) -> list[str]:
    h, w = picture.shape[:2]
    names = {(1, 0, 0): "red", (0, 1, 0): "green", (0, 0, 1): "blue", (1, 1, 1): "white"}
    places = ((h // 4, w // 4), (h // 4, 3 * w // 4), (3 * h // 4, w // 4), (3 * h // 4, 3 * w // 4))
    return [names[tuple(int(v > 127) for v in picture[y, x])] for y, x in places]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_previews_are_upright_for_every_orientation(tmp_path: Path, orientation: int) -> None:
    stored = demo_dng.stored_from_upright(upright_picture(), orientation)
    mosaic = demo_dng.stored_from_upright(mosaic_of((1, 2, 3), 80, 120), orientation)
    demo_dng.write_dng(tmp_path / "a.dng", mosaic, orientation=orientation, preview_rgb=stored)
    found = preview(tmp_path / "a.dng")
    assert found is not None and found.shape == (160, 240, 3) and found.dtype == np.uint8
    assert corners(found) == ["red", "green", "blue", "white"]


def test_a_preview_that_is_stored_upright_is_not_turned_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC, orientation=6)  # upright: 80 wide, 120 tall
    tall = np.rot90(upright_picture(), -1)
    monkeypatch.setattr(libraw, "thumbnail", lambda _: encode_jpeg(np.ascontiguousarray(tall)))
    found = preview(path)
    assert found is not None and found.shape == tall.shape and corners(found) == corners(tall)


def test_a_square_picture_is_turned_too(tmp_path: Path) -> None:
    square = np.ascontiguousarray(upright_picture()[:, ::3][:, :80])
    square = np.ascontiguousarray(np.repeat(square, 2, axis=1))
    assert square.shape == (160, 160, 3)
    stored = demo_dng.stored_from_upright(square, 6)
    demo_dng.write_dng(tmp_path / "a.dng", mosaic_of((1, 2, 3), 80, 80), orientation=6, preview_rgb=stored)
    found = preview(tmp_path / "a.dng")
    assert found is not None and corners(found) == ["red", "green", "blue", "white"]


def test_the_long_side_is_bounded_and_nothing_is_enlarged(tmp_path: Path) -> None:
    demo_dng.write_dng(tmp_path / "a.dng", MOSAIC, preview_rgb=np.zeros((1600, 2400, 3), np.uint8))
    small = preview(tmp_path / "a.dng", long_side=300)
    assert small is not None and small.shape == (200, 300, 3)
    whole = preview(tmp_path / "a.dng", long_side=9000)
    assert whole is not None and whole.shape == (1600, 2400, 3)
    assert resize(small, 600) is small
    assert resize(np.zeros((3, 900, 3), np.uint8), 100).shape == (1, 100, 3)


def test_a_file_without_a_usable_preview_gives_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC)
    assert preview(path) is None
    header = read_header(path)
    for broken in (b"", b"\xff\xd8\xff", b"GIF89a" + bytes(50), encode_jpeg(upright_picture())[:900]):
        monkeypatch.setattr(libraw, "thumbnail", lambda _, b=broken: b)
        assert preview(header) is None
    (tmp_path / "b.dng").write_bytes(b"nothing")
    with pytest.raises(RawUnreadable, match=r"b\.dng"):
        preview(tmp_path / "b.dng")


def test_a_bitmap_preview_serves_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_dng(tmp_path / "a.dng", MOSAIC)
    monkeypatch.setattr(libraw, "thumbnail", lambda _: upright_picture())
    found = preview(path, long_side=120)
    assert found is not None and found.shape == (80, 120, 3) and corners(found) == ["red", "green", "blue", "white"]


def test_jpeg_round_trip_keeps_smooth_pictures() -> None:
    rows, columns = np.indices((64, 96))
    picture = np.stack([rows * 3, columns * 2, (rows + columns)], axis=-1).astype(np.uint8)
    data = encode_jpeg(picture, 95)
    back = decode_jpeg(data)
    assert np.abs(back.astype(int) - picture).mean() < 2  # quality 95: within two steps of 255 on a gradient
    with Image.open(io.BytesIO(data)) as second:
        assert second.format == "JPEG" and second.size == (96, 64)


@pytest.mark.parametrize("data", [b"", b"\xff\xd8\xff\xe0", b"BM" + bytes(100)])
def test_bytes_that_are_no_picture_are_refused(data: bytes) -> None:
    with pytest.raises(PictureDamaged):
        decode_jpeg(data)


def test_a_picture_that_claims_to_be_huge_is_refused_before_it_is_decoded() -> None:
    # a PNG header of 60000 x 60000 pixels with nothing in it (ISO/IEC 15948)
    chunk = struct.pack(">2I5B", 60000, 60000, 8, 2, 0, 0, 0)
    body = b"IHDR" + chunk
    data = b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + body + struct.pack(">I", zlib.crc32(body))
    data += struct.pack(">I", 0) + b"IDAT" + struct.pack(">I", zlib.crc32(b"IDAT"))
    with pytest.raises(PictureDamaged):
        decode_jpeg(data)

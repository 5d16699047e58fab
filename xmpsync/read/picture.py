"""Finished pictures: the embedded preview, JPEG in and out, resizing. The home of Pillow."""

from __future__ import annotations

import io
import warnings
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageCms

from xmpsync.read import libraw, limits
from xmpsync.read.header import RawHeader, read_header, unreadable_file
from xmpsync.read.orientation import TRANSPOSED, upright_array, valid_orientation

Picture = npt.NDArray[np.uint8]
_EXIF_ORIENTATION = 0x0112


class PictureDamaged(ValueError):
    """Bytes that are no picture, a damaged one, or one of a size that no camera makes."""


def preview(source: Path | RawHeader, long_side: int = 2048) -> Picture | None:
    """The largest embedded preview, upright, (h, w, 3) uint8 sRGB-like, its long side at most `long_side`.

    None where the file has none that can be decoded. Raises `RawUnreadable` where the file itself cannot be read.
    """
    header = read_header(source) if isinstance(source, Path) else source
    try:
        thumbnail = libraw.thumbnail(header.path)
    except OSError as error:
        raise unreadable_file(header.path, error) from error
    if thumbnail is None:
        return None
    try:
        if isinstance(thumbnail, bytes):
            stored, own_orientation = _decode(thumbnail, long_side)
        else:
            stored, own_orientation = resize(thumbnail, long_side), 1
    except PictureDamaged:
        return None
    return np.ascontiguousarray(upright_array(stored, _turn(stored, own_orientation, header)))


def _turn(stored: Picture, own_orientation: int, header: RawHeader) -> int:
    """The orientation to apply: the RAW's, unless the preview is upright already, as a few cameras store it."""
    orientation = header.capture.orientation
    upright_tallness = header.capture.height - header.capture.width
    same_way = (stored.shape[0] - stored.shape[1]) * upright_tallness > 0
    return 1 if orientation in TRANSPOSED and own_orientation == 1 and same_way else orientation


@cache
def _srgb_profile() -> bytes:
    """An ICC profile of sRGB, about 600 bytes."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


def encode_jpeg(picture: Picture, quality: int = 90, *, srgb: bool = False) -> bytes:
    """A JPEG of a (h, w, 3) uint8 picture, with the ICC profile of sRGB inside where it is `srgb`."""
    out = io.BytesIO()
    profile = _srgb_profile() if srgb else None
    Image.fromarray(np.ascontiguousarray(picture)).save(out, "JPEG", quality=quality, icc_profile=profile)
    return out.getvalue()


def decode_jpeg(data: bytes, long_side: int | None = None) -> Picture:
    """The picture (h, w, 3) uint8 of a JPEG, not turned. Raises `PictureDamaged`."""
    return _decode(data, long_side)[0]


def resize(picture: Picture, long_side: int) -> Picture:
    """The picture with its long side at most `long_side` pixels; never enlarged."""
    if max(picture.shape[:2]) <= long_side:
        return picture
    return np.asarray(_resized(Image.fromarray(np.ascontiguousarray(picture)), long_side)).copy()


def _resized(image: Image.Image, long_side: int) -> Image.Image:
    scale = long_side / max(image.size)
    if scale >= 1:
        return image
    size = max(1, round(image.width * scale)), max(1, round(image.height * scale))
    return image.resize(size, Image.Resampling.HAMMING)


def _decode(data: bytes, long_side: int | None) -> tuple[Picture, int]:
    """Picture and the JPEG's own Exif orientation. The size is checked before anything is decoded."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "TIFF")) as image:
                if image.width * image.height > limits.DEFAULT.max_preview_pixels:
                    raise PictureDamaged(f"a picture of {image.width} x {image.height} pixels")
                orientation = valid_orientation(image.getexif().get(_EXIF_ORIENTATION))
                if long_side is not None:
                    image.draft("RGB", (long_side, long_side))
                shown = image.convert("RGB")
                picture = np.asarray(shown if long_side is None else _resized(shown, long_side)).copy()
    except PictureDamaged:
        raise
    except MemoryError:
        raise
    except Exception as error:  # Pillow raises many kinds on damaged files
        raise PictureDamaged(str(error)) from error
    return picture, orientation

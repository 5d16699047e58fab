"""LibRaw through rawpy: sizes without decoding, and everything that a decoded file gives, copied out of it.

LibRaw's arrays are views that die with the file, so that everything here is copied before the file is closed. LibRaw
numbers its colours R, G, B, second G.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from xmpsync.errors import RawUnreadable
from xmpsync.read import formats, limits

# LibRaw's flip code for the Exif orientations 1..8 (documented for libraw_image_sizes_t, and found by running).
_FLIP_OF_ORIENTATION = {1: 0, 2: 1, 3: 3, 4: 2, 5: 4, 6: 6, 7: 7, 8: 5}
_ORIENTATION_OF_FLIP = {flip: orientation for orientation, flip in _FLIP_OF_ORIENTATION.items()}


class FormatUnsupported(RawUnreadable):
    """LibRaw recognises the file but has no decoder for it (or does not recognise what is left of it)."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """Stored sizes in photosites: the whole array, the visible area's place in it, the crop meant to be shown."""

    raw_width: int
    raw_height: int
    left: int
    top: int
    width: int
    height: int
    crop_left: int
    crop_top: int
    crop_width: int
    crop_height: int
    orientation: int


@dataclass(frozen=True, slots=True, eq=False)
class Decoded:
    """One decoded file. `pixels` uint16: (h, w) of a mosaic, (h, w, 3) of a linear picture, the whole array.

    `colours`: the mosaic's period of colour indices (2 x 2 or 6 x 6) at the visible area's top left; None if linear.
    `black_dn` by colour index R, G, B, second G. `white_dn` scales, `linear_limit_dn` is where a channel stops being
    linear (by colour index; equal to `white_dn` where the file does not say). `camera_white_balance`: multipliers or
    None. `camera_from_xyz`: LibRaw's table matrix, None where it has none. `exposure_s` and the four after it: what
    LibRaw found in formats without Exif; None where it says 0. Its time stamp of those is the camera's clock as if UTC.
    """

    geometry: Geometry
    pixels: npt.NDArray[np.uint16]
    colours: npt.NDArray[np.uint8] | None
    black_dn: tuple[float, ...]
    white_dn: float
    linear_limit_dn: tuple[float, ...]
    camera_white_balance: tuple[float, float, float] | None
    camera_from_xyz: npt.NDArray[np.float64] | None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    time_s: float | None = None


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """The file in LibRaw. Raises OSError with the system's own reason, which says more than LibRaw's."""
    import rawpy

    with path.open("rb") as file:
        name = str(path)
        try:
            name.encode("utf-8")
        except UnicodeEncodeError:  # a name that is not UTF-8 reaches LibRaw only as contents
            source: Any = file
        else:
            source = name
        with rawpy.imread(source) as raw:
            yield raw


def geometry(path: Path) -> Geometry | None:
    """The sizes, without decoding; None where LibRaw does not know the file. Raises OSError if it cannot be opened."""
    import rawpy

    try:
        with _opened(path) as raw:
            return _geometry(raw.sizes)
    except rawpy.LibRawError:
        return None


def decode(path: Path) -> Decoded:
    """Decompress one file. Raises `RawUnreadable` with LibRaw's reason, OSError if the file cannot be opened."""
    import rawpy

    try:
        with _opened(path) as raw:
            sizes = _geometry(raw.sizes)
            limits.check_size(path, sizes.raw_width, sizes.raw_height)
            raw.unpack()
            return _copy(path, raw)
    except rawpy.LibRawError as error:
        raise _reason(path, error) from error


def _copy(path: Path, raw: Any) -> Decoded:
    import rawpy

    image = raw.raw_image
    sizes = _geometry(raw.sizes)
    if image is None or sizes.raw_height == 0:
        raise RawUnreadable(
            f"{limits.printable(path)}: damaged, its pixels cannot be decoded.",
            next_step="Copy the file again from the card or the backup.",
        )
    if raw.color_desc not in (b"RGBG", b"RGB", b"RGBE"[:3] + b"G") or raw.num_colors != 3:
        raise RawUnreadable(
            f"{limits.printable(path)}: a sensor with the colours {raw.color_desc.decode('ascii', 'replace')},"
            f" {raw.num_colors} of them; only red, green and blue sensors can be matched.",
            next_step="Set this frame by hand.",
        )
    linear = raw.raw_type == rawpy.RawType.Stack
    colours = None if linear else _colours(raw)
    pixels = np.ascontiguousarray(image[..., :3]) if linear else image.copy()
    limits_dn = raw.camera_white_level_per_channel
    white = float(raw.white_level)
    linear_limit = tuple(float(v) if 0 < v <= white else white for v in limits_dn) if limits_dn else (white,) * 4
    return Decoded(
        geometry=sizes,
        pixels=pixels,
        colours=colours,
        black_dn=tuple(float(v) for v in raw.black_level_per_channel),
        white_dn=white,
        linear_limit_dn=linear_limit,
        camera_white_balance=_white_balance(raw.camera_whitebalance),
        camera_from_xyz=_matrix(raw.rgb_xyz_matrix),
        **_other(raw),
    )


def _other(raw: Any) -> dict[str, float | None]:
    try:
        other = raw.other
    except (OverflowError, OSError, ValueError):  # a time stamp that is no time
        return {}
    time_s = other.timestamp.timestamp()
    found = {
        "exposure_s": other.shutter_speed,
        "f_number": other.aperture,
        "iso": other.iso_speed,
        "focal_mm": other.focal_length,
        "time_s": time_s,
    }
    return {name: float(v) if np.isfinite(v) and v > 0 else None for name, v in found.items()}


def _colours(raw: Any) -> npt.NDArray[np.uint8]:
    """The period of colour indices at the visible area's top left, read off the colour map itself."""
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    corner = np.array([[raw.raw_color(top + i, left + j) for j in range(12)] for i in range(12)])
    period = 2 if np.array_equal(corner[:-2, :-2], corner[2:, 2:]) else 6
    return np.ascontiguousarray(corner[:period, :period], dtype=np.uint8)


def _white_balance(multipliers: Any) -> tuple[float, float, float] | None:
    """Red, green and blue multipliers, or None: LibRaw gives [0, 1, 0, 0] or ones for `missing`, and may hold -1.

    No sensor has equal multipliers for a real light: its green is more sensitive than its red or blue.
    """
    red, green, blue = (float(v) for v in multipliers[:3])
    if red == green == blue:
        return None
    return (red, green, blue) if all(np.isfinite(v) and v > 0 for v in (red, green, blue)) else None


def _matrix(table: Any) -> npt.NDArray[np.float64] | None:
    matrix = np.array(table, dtype=np.float64)[:3]
    return matrix if matrix.shape == (3, 3) and np.isfinite(matrix).all() and abs(np.linalg.det(matrix)) > 0 else None


def _geometry(sizes: Any) -> Geometry:
    left, top, width, height = sizes.left_margin, sizes.top_margin, sizes.width, sizes.height
    crop = (sizes.crop_left_margin, sizes.crop_top_margin, sizes.crop_width, sizes.crop_height)
    inside = (
        crop[0] >= left and crop[1] >= top and crop[0] + crop[2] <= left + width and crop[1] + crop[3] <= top + height
    )
    # A crop of less than half a side is a teleconverter mode or nonsense; LibRaw itself shows the visible area then.
    if not (inside and 2 * crop[2] > width and 2 * crop[3] > height):
        crop = (left, top, width, height)
    return Geometry(
        raw_width=sizes.raw_width,
        raw_height=sizes.raw_height,
        left=left,
        top=top,
        width=width,
        height=height,
        crop_left=crop[0],
        crop_top=crop[1],
        crop_width=crop[2],
        crop_height=crop[3],
        orientation=_ORIENTATION_OF_FLIP.get(sizes.flip, 1),
    )


def _reason(path: Path, error: Exception) -> RawUnreadable:
    """LibRaw's error in words. Its own text is the repr of bytes."""
    import rawpy

    name = limits.printable(path)
    if isinstance(error, rawpy.LibRawFileUnsupportedError | rawpy.LibRawNotImplementedError):
        return FormatUnsupported(f"{name}: a RAW format that cannot be decoded here.", next_step=formats.OTHER.way_out)
    if isinstance(error, rawpy.LibRawIOError):
        return RawUnreadable(
            f"{name}: the file ends too early.", next_step="Copy the file again from the card or the backup."
        )
    if isinstance(error, rawpy.LibRawUnsufficientMemoryError | rawpy.LibRawTooBigError):
        return RawUnreadable(
            f"{name}: too large for the memory one frame may take.",
            next_step="Leave it out with --frames, or run on a machine with more memory.",
        )
    return RawUnreadable(
        f"{name}: damaged, its pixels cannot be decoded ({_words(error)}).",
        next_step="Copy the file again from the card or the backup.",
    )


def _words(error: Exception) -> str:
    argument = error.args[0] if error.args else type(error).__name__
    return argument.decode("utf-8", "replace") if isinstance(argument, bytes) else str(argument)


def thumbnail(path: Path) -> bytes | npt.NDArray[np.uint8] | None:
    """The largest embedded preview: a JPEG's bytes, or pixels (h, w, 3); None where there is none."""
    import rawpy

    try:
        with _opened(path) as raw:
            found = raw.extract_thumb()
            if found.format == rawpy.ThumbFormat.JPEG:
                return bytes(found.data)
            if found.format == rawpy.ThumbFormat.BITMAP and found.data.ndim == 3 and found.data.shape[2] == 3:
                return np.array(found.data, dtype=np.uint8)
            return None
    except (rawpy.LibRawError, rawpy.NotSupportedError, ValueError):
        return None

"""Resized, turned and cut-out pictures (uint8 RGB), with pixel centres at half integers throughout."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageFilter

from xmpsync.faces.records import Picture
from xmpsync.records import Box


def resized(picture: Picture, width: int, height: int) -> Picture:
    """The picture at `width` x `height` pixels, area-filtered when it shrinks, bilinear when it grows."""
    if (picture.shape[1], picture.shape[0]) == (width, height):
        return picture
    image = Image.fromarray(np.ascontiguousarray(picture))
    return np.asarray(image.resize((width, height), Image.Resampling.BILINEAR, reducing_gap=2.0))


def fitted(picture: Picture, long_side: int) -> Picture:
    """The picture with its longer side at `long_side` pixels, same shape."""
    height, width = picture.shape[:2]
    scale = long_side / max(height, width)
    return resized(picture, max(1, round(width * scale)), max(1, round(height * scale)))


def turned(picture: Picture, quarter_turns: int) -> Picture:
    """The picture turned anticlockwise by quarter turns."""
    return np.ascontiguousarray(np.rot90(picture, quarter_turns))


def unturned_points(points: npt.NDArray[np.float64], quarter_turns: int) -> npt.NDArray[np.float64]:
    """Fractions (..., 2) in the picture as it was, of points given in the picture turned by `turned`."""
    x, y = points[..., 0], points[..., 1]
    match quarter_turns % 4:
        case 1:
            return np.stack([1 - y, x], axis=-1)
        case 2:
            return np.stack([1 - x, 1 - y], axis=-1)
        case 3:
            return np.stack([y, 1 - x], axis=-1)
    return points


def cut(picture: Picture, box: Box) -> tuple[Picture, Box]:
    """The part of the picture under `box`, clipped to whole pixels, and the box that it really covers."""
    height, width = picture.shape[:2]
    left = min(max(0, int(np.floor(box.left * width))), width - 1)
    top = min(max(0, int(np.floor(box.top * height))), height - 1)
    right = min(width, int(np.ceil((box.left + box.width) * width)))
    bottom = min(height, int(np.ceil((box.top + box.height) * height)))
    right, bottom = max(right, left + 1), max(bottom, top + 1)
    covered = Box(left / width, top / height, (right - left) / width, (bottom - top) / height)
    return picture[top:bottom, left:right], covered


def calmed(picture: Picture, sigma: float) -> Picture:
    """The picture blurred by a Gaussian of `sigma` pixels."""
    return np.asarray(Image.fromarray(np.ascontiguousarray(picture)).filter(ImageFilter.GaussianBlur(sigma)))


SPAN, MIDDLE, MOST_GAIN = 130.0, 118.0, 5.0
"""Codes that the 5th and 95th percentile of a well exposed face lie apart, where its median lies, and the most that
contrast is raised by: beyond it only noise grows."""


def stretched(picture: Picture, box: Box) -> Picture:
    """The picture with the contrast under `box` (fractions) raised to that of a well exposed face, never lowered.

    So a face in deep shadow, and one behind a veil that lays its own light over it, look alike to the detector.
    """
    under, _ = cut(picture, box)
    level = under.mean(axis=-1)
    low, middle, high = np.percentile(level, [5, 50, 95])
    gain = float(np.clip(SPAN / max(float(high - low), 1.0), 1.0, MOST_GAIN))
    raised = (picture.astype(np.float32) - np.float32(middle)) * np.float32(gain) + np.float32(MIDDLE)
    return np.asarray(np.clip(raised, 0, 255), dtype=np.uint8)


EVENED_SPREAD, EVENED_MOST, EVENED_CELL_PX = 45.0, 5.0, 29.0
"""Standard deviation (codes) that the contrast around each place is raised to, the most it is raised by, and over how
many pixels it is measured: the spread of a triangle so wide on either side is 12 pixels."""
EVENED_CALM_PX = 1
"""Radius of the mean that calms: three pixels wide, as a blur of sigma 0.8."""


def evened(picture: Picture) -> Picture:
    """The picture calmed, with the same brightness and contrast everywhere: that of its surroundings is taken out.

    Faces before a bright ground, in deep shadow and behind a veil show features there that the whole picture hides. A
    local form of contrast normalisation (mean and deviation around each pixel); colour differences are kept.
    """
    image = Image.fromarray(np.ascontiguousarray(picture)).filter(ImageFilter.BoxBlur(EVENED_CALM_PX))
    calm = np.asarray(image)
    height, width = calm.shape[:2]
    grid = (max(2, round(width / EVENED_CELL_PX)), max(2, round(height / EVENED_CELL_PX)))
    level = np.asarray(image.convert("L"), dtype=np.float32)
    mean, square = (
        np.asarray(Image.fromarray(v).resize(grid, Image.Resampling.BILINEAR)) for v in (level, level * level)
    )
    gain = np.clip(EVENED_SPREAD / np.sqrt(np.maximum(square - mean * mean, 1.0)), 1.0, EVENED_MOST)
    gains, offsets = (
        np.asarray(Image.fromarray(v).resize((width, height), Image.Resampling.BILINEAR))
        for v in (gain, np.float32(MIDDLE) - mean * gain)
    )
    shown = np.empty_like(calm)
    for channel in range(3):
        raised = np.ascontiguousarray(calm[..., channel]) * gains
        raised += offsets
        shown[..., channel] = np.clip(raised, 0, 255, out=raised)
    return shown


def warped(picture: Picture, picture_from_crop: npt.NDArray[np.float64], size: int) -> Picture:
    """A `size` x `size` crop; `picture_from_crop` (2, 3) maps crop pixels to picture pixels. Outside is black.

    A crop that shrinks the picture is taken from a reduced copy, so that no detail aliases.
    """
    step = float(np.hypot(picture_from_crop[0, 0], picture_from_crop[1, 0]))
    corners = np.array([[0, 0, 1], [size, 0, 1], [0, size, 1], [size, size, 1]], dtype=np.float64)
    reach = corners @ picture_from_crop.T
    height, width = picture.shape[:2]
    left, top = (max(0, int(v) - 2) for v in reach.min(axis=0))
    right, bottom = (int(v) + 3 for v in reach.max(axis=0))
    right, bottom = min(width, max(right, left + 1)), min(height, max(bottom, top + 1))
    if left >= right or top >= bottom:
        return np.zeros((size, size, 3), np.uint8)
    image = Image.fromarray(np.ascontiguousarray(picture[top:bottom, left:right]))
    reduce = max(1, int(step))
    if reduce > 1:
        image = image.reduce(reduce)
    matrix = picture_from_crop.copy()
    matrix[:, 2] -= (left, top)
    matrix /= reduce
    return np.asarray(
        image.transform((size, size), Image.Transform.AFFINE, tuple(matrix.ravel()), Image.Resampling.BILINEAR)
    )

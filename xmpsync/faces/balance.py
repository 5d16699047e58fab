"""A picture that a face detector can work with, from linear camera values or from an embedded preview.

Detectors learn from finished photographs. A linear camera frame is dark and green, a backlit or 3 EV underexposed one
darker still. So: a neutral from the as-shot white and the frame's own grey average (each is wrong at times: the as-shot
white under stage light, the average before a red curtain), a level that puts the middle of the frame at mid-grey, local
compression of large-scale brightness so that faces before a bright window show, and a tone curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image

from xmpsync.faces.records import Picture
from xmpsync.records import Vec3

MID_GREY = 0.18
"""Linear value of mid-grey: the level that tone curves are built around."""

# Spreads chroma as a camera matrix does (rows sum to 1, so neutrals stay). Typical of mosaic sensors; enough for faces.
SRGB_FROM_BALANCED = np.array([[1.6, -0.45, -0.15], [-0.2, 1.45, -0.25], [0.0, -0.5, 1.5]], dtype=np.float32)


@dataclass(frozen=True, slots=True)
class BalanceSettings:
    """How a frame is balanced for the detector."""

    grey_world_weight: float = 0.5
    """0 takes the as-shot neutral alone, 1 the frame's average; half and half halves the harm of either."""
    largest_departure: float = 0.7
    """ln units that the average may pull a channel away from the as-shot neutral (about 1 EV)."""
    local_compression: float = 0.5
    """Exponent that large-scale brightness is compressed by: 0 flattens it, 1 leaves it."""
    base_px: int = 24
    """Longer side of the grid that large-scale brightness is measured on: smaller than a face, the face goes flat."""
    floor: float = 1e-5
    """Below this linear value there is only noise."""


def picture_for_detection(
    linear: npt.NDArray[np.floating],
    as_shot_neutral: Vec3 | None = None,
    *,
    settings: BalanceSettings | None = None,
) -> Picture:
    """A balanced picture, uint8 (h, w, 3), from linear camera values (h, w, 3), 1 = white level.

    `as_shot_neutral`: camera RGB of a neutral under the as-shot white, any scale; None where the file does not say.
    """
    s = settings or BalanceSettings()
    source = np.asarray(linear, dtype=np.float32)
    height, width = source.shape[:2]
    neutral = _neutral(source, as_shot_neutral, s)
    # past the level at which the first channel clips, colour is an artefact: highlights would turn magenta
    highest = np.float32(1.0 / float(neutral.max()))
    rgb, luminance = np.empty(source.shape, np.float32), np.empty((height, width), np.float32)
    by_line = np.tile(neutral, width)
    for rows in _stripes(height, width):
        balanced = np.fmax(source[rows], np.float32(s.floor))  # fmax leaves the floor where there is no number
        flat = balanced.reshape(len(balanced), -1)  # whole lines: numpy is slow along three values
        flat /= by_line
        np.minimum(balanced, highest, out=balanced)
        np.matmul(balanced.reshape(-1, 3), SRGB_FROM_BALANCED.T, out=rgb[rows].reshape(-1, 3))
        np.divide(balanced[..., 0] + balanced[..., 1] + balanced[..., 2], np.float32(3), out=luminance[rows])
    np.maximum(luminance, np.float32(s.floor), out=luminance)
    # large-scale brightness is smooth: worked out on a coarse picture, its gain is enlarged
    few = max(1, width // COARSE), max(1, height // COARSE)
    coarse = np.asarray(Image.fromarray(luminance).resize(few, Image.Resampling.BOX))
    base = _large_scale(np.log(np.clip(coarse, s.floor, None)), s.base_px)
    level = float(np.median(base))
    gain = np.exp(np.log(MID_GREY) - level + (s.local_compression - 1.0) * (base - level))
    enlarged = np.asarray(Image.fromarray(gain).resize((width, height), Image.Resampling.BILINEAR))
    shown = np.empty(source.shape, np.uint8)
    for rows in _stripes(height, width):
        part = rgb[rows]
        np.maximum(part, np.float32(s.floor), out=part)
        part *= np.repeat(enlarged[rows], 3, axis=1).reshape(part.shape)
        shown[rows] = _tone(part)
    return shown


def _stripes(height: int, width: int) -> list[slice]:
    """Rows to work on at a time, so that the numbers stay in the processor's cache."""
    rows = max(1, _STRIPE_PIXELS // max(1, width))
    return [slice(first, min(height, first + rows)) for first in range(0, height, rows)]


def picture_from_preview(preview: Picture) -> Picture:
    """A balanced picture from an embedded preview (sRGB, upright)."""
    return picture_for_detection(LINEAR_FROM_SRGB[preview], (1.0, 1.0, 1.0))


def _neutral(linear: npt.NDArray[np.float32], as_shot: Vec3 | None, s: BalanceSettings) -> npt.NDArray[np.float32]:
    """Camera RGB of the assumed neutral, green = 1."""
    small = linear[:: max(1, linear.shape[0] // 200), :: max(1, linear.shape[1] // 200)].reshape(-1, 3)
    small = np.clip(np.nan_to_num(small), s.floor, None)
    bright = small.max(axis=-1)
    usable = small[(bright < 0.95) & (bright >= np.percentile(bright, 25))]
    if len(usable) < 16:
        usable = small
    logs = np.log(usable)
    ratios = np.median(logs - logs[:, 1:2], axis=0)
    if as_shot is None:
        chosen = ratios
    else:
        shot = np.log(np.clip(np.asarray(as_shot, dtype=np.float64), s.floor, None))
        shot = shot - shot[1]
        chosen = shot + s.grey_world_weight * np.clip(ratios - shot, -s.largest_departure, s.largest_departure)
    return np.asarray(np.exp(chosen), dtype=np.float32)


def _large_scale(values: npt.NDArray[np.float32], base_px: int) -> npt.NDArray[np.float32]:
    """The values averaged over a coarse grid and interpolated back, same shape."""
    height, width = values.shape
    scale = base_px / max(height, width)
    grid = (max(2, round(width * scale)), max(2, round(height * scale)))
    image = Image.fromarray(values.astype(np.float32))
    coarse = image.resize(grid, Image.Resampling.BOX)
    return np.asarray(coarse.resize((width, height), Image.Resampling.BICUBIC))


def _tone(rgb: npt.NDArray[np.float32]) -> Picture:
    """A shoulder above mid-grey (x (1 + x / w^2) / (1 + x), Reinhard et al. 2002), then the sRGB encoding."""
    steps = len(TONE) - 1
    index = np.sqrt(np.clip(rgb, 0.0, TONE_WHITE / TONE_GAIN) * (TONE_GAIN / TONE_WHITE * steps * steps))
    return np.asarray(TONE[(index + np.float32(0.5)).astype(np.uint16)])


def _tone_table(steps: int) -> Picture:
    """The encoded value by the square root of the linear one: even steps to the eye, no power for each pixel."""
    scaled = (np.arange(steps + 1) / steps) ** 2 * TONE_WHITE
    shouldered = np.clip(scaled * (1 + scaled / TONE_WHITE**2) / (1 + scaled), 0, 1)
    encoded = np.where(shouldered <= 0.0031308, shouldered * 12.92, 1.055 * shouldered ** (1 / 2.4) - 0.055)
    return np.asarray(encoded * 255 + 0.5, dtype=np.uint8)


TONE_WHITE, TONE_GAIN = 6.0, 1.2
"""Linear value that becomes white, and the gain before the shoulder, which costs mid-grey about that much."""
TONE = _tone_table(4095)
_CODES = np.arange(256, dtype=np.float32) / 255
LINEAR_FROM_SRGB = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4).astype(np.float32)
_STRIPE_PIXELS = 16384
COARSE = 4
"""Pixels of the picture to one of the coarse picture, a side."""

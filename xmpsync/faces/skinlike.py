"""How skin-like a part of a balanced picture looks: a rough second opinion on faces, not a measurement.

Human skin of every tone reflects red more than green and green more than blue: melanin and haemoglobin absorb towards
the blue (Anderson & Parrish, "The optics of human skin", 1981). After balancing, residual casts move that by some
tenths of ln units, so the bounds are wide; they tell skin from grey walls, leaves and sky, not from wood or sand. Used
only where metadata claims a face and no network sees one: faces that are seen need no second opinion on colour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from xmpsync.faces.pixels import cut
from xmpsync.faces.records import Picture
from xmpsync.records import Box, Vec2


@dataclass(frozen=True, slots=True)
class SkinLikeSettings:
    """Bounds of ln ratios of linear sRGB: cheeks of light to dark skin lie at 0.3..1.2 and -1.5..-0.2 in good light."""

    red_green: tuple[float, float] = (0.05, 1.6)
    blue_green: tuple[float, float] = (-2.2, 0.15)
    darkest: float = 0.004
    """Linear value below which a pixel has no colour to speak of."""
    grid: int = 48
    """The patch is looked at on at most so many pixels a side."""


def skin_likeness(picture: Picture, polygon: Sequence[Vec2], settings: SkinLikeSettings | None = None) -> float:
    """Share (0..1) of the pixels inside `polygon` (fractions) that could be skin; 0 where it lies outside."""
    s = settings or SkinLikeSettings()
    rgb = _inside(picture, polygon, s.grid)
    if len(rgb) == 0:
        return 0.0
    linear = np.clip(((rgb / 255.0 + 0.055) / 1.055) ** 2.4, 1e-4, None)
    red = np.log(linear[:, 0] / linear[:, 1])
    blue = np.log(linear[:, 2] / linear[:, 1])
    good = (linear.max(axis=1) > s.darkest) & (red > s.red_green[0]) & (red < s.red_green[1])
    return float((good & (blue > s.blue_green[0]) & (blue < s.blue_green[1])).mean())


def _inside(picture: Picture, polygon: Sequence[Vec2], grid: int) -> npt.NDArray[np.float64]:
    """Colours (n, 3) inside a polygon."""
    points = np.array(polygon)
    low, high = points.min(axis=0), points.max(axis=0)
    if (high <= 0).any() or (low >= 1).any():
        return np.zeros((0, 3))
    part, covered = cut(picture, Box(float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])))
    step = max(1, max(part.shape[:2]) // grid)
    part = part[::step, ::step]
    mask = Image.new("L", (part.shape[1], part.shape[0]))
    scale = np.array([part.shape[1] / covered.width, part.shape[0] / covered.height])
    outline = (points - (covered.left, covered.top)) * scale
    ImageDraw.Draw(mask).polygon([(float(x), float(y)) for x, y in outline], fill=1)
    return np.asarray(part[np.asarray(mask) > 0], dtype=np.float64)

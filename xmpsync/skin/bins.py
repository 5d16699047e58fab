"""Cells averaged to at most about a hundred bins across a face, so that everything later is quick and less noisy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray
from xmpsync.records import Box, Vec2
from xmpsync.skin.records import Cells

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """Means of square blocks of cells. `camera`, `variance` (h, w, 3); `clipped` (h, w): any cell of the block is.

    `variance` is of the mean, photon and read noise. `cells_per_bin` counts the cells in one block. `box` is exactly
    the area covered.
    """

    camera: FloatArray
    variance: FloatArray
    clipped: Mask
    box: Box
    cells_per_bin: int

    @property
    def shape(self) -> tuple[int, int]:
        return self.camera.shape[0], self.camera.shape[1]


def crop(cells: Cells, left: float, top: float, right: float, bottom: float) -> Cells | None:
    """The cells that touch a rectangle given in fractions of the upright picture, or None if there are none."""
    h, w = cells.clipped.shape
    if h == 0 or w == 0 or cells.box.width <= 0 or cells.box.height <= 0:
        return None
    per_x, per_y = w / cells.box.width, h / cells.box.height
    x0 = max(0, int(np.floor((left - cells.box.left) * per_x)))
    x1 = min(w, int(np.ceil((right - cells.box.left) * per_x)))
    y0 = max(0, int(np.floor((top - cells.box.top) * per_y)))
    y1 = min(h, int(np.ceil((bottom - cells.box.top) * per_y)))
    if x1 <= x0 or y1 <= y0:
        return None
    box = Box(cells.box.left + x0 / per_x, cells.box.top + y0 / per_y, (x1 - x0) / per_x, (y1 - y0) / per_y)
    return Cells(cells.camera[y0:y1, x0:x1], cells.clipped[y0:y1, x0:x1], box, cells.noise, cells.n_photosites)


def bin_cells(cells: Cells, max_bins: int) -> Bins:
    """Cells averaged in square blocks so that the longer side has at most `max_bins`.

    A remainder at the right and lower border that does not fill a block is dropped. Cells that are not finite count as
    clipped.
    """
    h, w = cells.clipped.shape
    factor = max(1, -(-max(h, w) // max_bins))
    factor = min(factor, h, w)
    rows, columns = h // factor, w // factor
    given = cells.camera[: rows * factor, : columns * factor]
    clipped_cells: Mask = cells.clipped[: rows * factor, : columns * factor]
    camera = _block_sums(given, factor)
    if not np.isfinite(camera).all():
        finite: Mask = np.asarray(np.isfinite(given).all(axis=-1), dtype=bool)
        camera = _block_sums(np.where(finite[..., None], given, np.float32(0.0)), factor)
        clipped_cells = np.asarray(clipped_cells | ~finite, dtype=bool)
    camera /= factor**2
    clipped = _block_sums(clipped_cells[..., None].astype(np.float32), factor)[..., 0] > 0
    box = Box(
        cells.box.left,
        cells.box.top,
        cells.box.width * columns * factor / w,
        cells.box.height * rows * factor / h,
    )
    return Bins(camera, noise_variance(cells, camera) / factor**2, np.asarray(clipped, dtype=bool), box, factor**2)


def _block_sums(values: npt.NDArray[np.float32], factor: int) -> FloatArray:
    """Sums (rows, columns, k) over square blocks of `values` (rows x factor, columns x factor, k).

    Whole rows are added first: long contiguous runs, several times quicker than a sum over two inner axes. A sum of at
    most a few hundred numbers in single precision is good to 1e-6, noise is 1e-3.
    """
    height, width, k = values.shape
    rows, columns = height // factor, width // factor
    flat = np.ascontiguousarray(values).reshape(rows, factor, width * k)
    tall = flat.sum(axis=1).reshape(rows, columns, factor, k)
    answer: FloatArray = np.zeros((rows, columns, k))
    for i in range(factor):
        answer += tall[:, :, i]
    return answer


def noise_variance(cells: Cells, camera: FloatArray) -> FloatArray:
    """Variance of one cell's mean at the level `camera` (..., 3): DNG 1.7 NoiseProfile, S x value + O per photosite."""
    scale, offset = np.asarray(cells.noise.scale), np.asarray(cells.noise.offset)
    variance: FloatArray = (scale * np.maximum(camera, 0.0) + offset) / np.asarray(cells.n_photosites)
    return variance


def to_grid(polygon: tuple[Vec2, ...], box: Box, shape: tuple[int, int]) -> FloatArray:
    """A polygon (n, 2) in bin coordinates (x right, y down, bin i covers i..i+1)."""
    points = np.asarray(polygon, dtype=np.float64)
    scaled: FloatArray = (points - (box.left, box.top)) / (box.width, box.height) * (shape[1], shape[0])
    return scaled


def smooth(values: FloatArray, mask: Mask, size: int) -> FloatArray:
    """Mean over a size x size window of the bins inside `mask` (h, w); `values` (h, w, k) or (h, w)."""
    if size <= 1:
        return values
    weight = window_sum(mask.astype(np.float64), size)
    where = mask if values.ndim == 2 else mask[..., None]
    total = window_sum(np.where(where, values, 0.0), size)
    denominator = np.maximum(weight, 1.0)
    return total / (denominator if values.ndim == 2 else denominator[..., None])


def window_sum(values: FloatArray, size: int) -> FloatArray:
    """Sum over a centred window of odd `size` along the first two axes, zero outside."""
    half = size // 2
    for axis in (0, 1):
        pad = [(0, 0)] * values.ndim
        pad[axis] = (half + 1, half)
        summed = np.cumsum(np.pad(values, pad), axis=axis)
        n = values.shape[axis]
        upper = np.take(summed, np.arange(2 * half + 1, 2 * half + 1 + n), axis=axis)
        values = upper - np.take(summed, np.arange(n), axis=axis)
    return values

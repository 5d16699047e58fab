"""Which bins are this face's skin: first by place (polygons), then by colour.

By place: the share of each bin that a polygon covers, exact along x and sampled along y.

By colour: the chromaticity (ln R/G, ln B/G) of a body under one light does not depend on shading, so skin is one narrow
mode however the light falls on it. Hair, lips, eyes, beard, glasses, veil and hands of somebody else are other modes
or scattered. The mode is searched by mean shift with a shrinking kernel, started from each region's median, and bins
further than a few sd from it (own noise included) are left out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray
from xmpsync.skin.bins import Mask
from xmpsync.skin.settings import SkinSettings

FINE_ROWS, COARSE_ROWS, FINE_BELOW = 8, 3, 40


def coverage(polygon: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """Share of each bin (h, w) inside a polygon (n, 2) in bin coordinates, even-odd rule, 0..1.

    Scan lines at sub-row centres (8 per bin for small polygons, 3 for large ones); exact along each line.
    """
    h, w = shape
    result = np.zeros(shape)
    if len(polygon) < 3 or not np.isfinite(polygon).all():
        return result
    first = max(0, int(np.floor(polygon[:, 1].min())))
    last = min(h, int(np.ceil(polygon[:, 1].max())))
    if last <= first:
        return result
    sub = FINE_ROWS if last - first < FINE_BELOW else COARSE_ROWS
    y = first + (np.arange((last - first) * sub) + 0.5) / sub
    a, b = polygon, np.roll(polygon, -1, axis=0)
    crosses = (a[:, 1] <= y[:, None]) != (b[:, 1] <= y[:, None])
    dy = np.where(a[:, 1] == b[:, 1], 1.0, b[:, 1] - a[:, 1])
    x = a[:, 0] + (y[:, None] - a[:, 1]) / dy * (b[:, 0] - a[:, 0])
    x = np.sort(np.where(crosses, x, np.inf), axis=1)[:, : int(crosses.sum(axis=1).max(initial=0))]
    # The share of bin j right of a crossing at x is clip(j + 1 - x, 0, 1): a step of 1 - frac at floor(x), frac after.
    inside = np.isfinite(x)
    x = np.clip(np.where(inside, x, 0.0), 0.0, float(w))
    column = np.floor(x).astype(np.intp)
    fraction = x - column
    sign = np.where(inside, np.where(np.arange(x.shape[1]) % 2 == 0, 1.0, -1.0), 0.0)
    row = np.broadcast_to(np.arange(len(y))[:, None] // sub, x.shape)
    cell = (row * (w + 2) + column).ravel()
    where, by = np.concatenate([cell, cell + 1]), np.concatenate([sign * (1.0 - fraction), sign * fraction], axis=None)
    steps = np.bincount(where, by, minlength=(last - first) * (w + 2)).reshape(last - first, w + 2)
    result[first:last] = np.clip(np.cumsum(steps, axis=1)[:, :w] / sub, 0.0, 1.0)
    return result


def colour_mode(chroma: FloatArray, weight: FloatArray, starts: FloatArray, settings: SkinSettings) -> FloatArray:
    """The (2,) chromaticity around which most weight gathers. `chroma` (n, 2), `weight` (n,), `starts` (m, 2)."""
    step = -(-len(chroma) // settings.mode_sample)
    chroma, weight = chroma[::step], weight[::step]
    widths = np.geomspace(settings.mode_start, settings.mode_end, settings.mode_steps)
    centres = np.asarray(starts, dtype=np.float64)
    kernel = np.zeros((len(centres), len(chroma)))
    first, second = np.ascontiguousarray(chroma.T)  # sums over a last axis of two are slow
    for width in widths:
        distance2 = (first - centres[:, :1]) ** 2 + (second - centres[:, 1:]) ** 2
        kernel = weight * np.exp(-0.5 * distance2 / width**2)
        total = kernel.sum(axis=1, keepdims=True)
        centres = np.where(total > 0, kernel @ chroma / np.maximum(total, 1e-12), centres)
    best: FloatArray = centres[int(np.argmax(kernel.sum(axis=1)))]
    return best


def colour_trim(
    chroma: FloatArray, variance: FloatArray, weight: FloatArray, centre: FloatArray, settings: SkinSettings
) -> tuple[Mask, npt.NDArray[np.float64]]:
    """Bins of the mode's own colour (n,), and the mode's covariance (2, 2) without noise.

    `variance` (n,): noise of each bin's chromaticity, isotropic. Spread is estimated from the bins within 2.5 kernel
    widths, noise taken off, floored.
    """
    offset = chroma - centre
    near = (offset**2).sum(axis=1) < (2.5 * settings.mode_end) ** 2 + 9.0 * variance
    kept = weight * near
    total = max(float(kept.sum()), 1e-12)
    spread = (offset * kept[:, None]).T @ offset / total
    spread -= np.eye(2) * float((kept * variance).sum() / total)
    values, vectors = np.linalg.eigh(spread)
    values = np.clip(values, settings.min_spread**2, settings.mode_end**2)
    spread = (vectors * values) @ vectors.T
    along = offset @ vectors
    distance2 = (along**2 / (values + variance[:, None])).sum(axis=1)
    return np.asarray(distance2 < settings.trim_sd**2), spread

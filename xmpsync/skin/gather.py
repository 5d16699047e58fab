"""The bins inside the places, flattened: what the estimators of a face work on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from xmpsync.colour.arrays import FloatArray
from xmpsync.skin.bins import Bins, Mask, bin_cells, crop, smooth, to_grid, window_sum
from xmpsync.skin.mask import coverage
from xmpsync.skin.records import Cells, Place, Region, Unusable
from xmpsync.skin.settings import SkinSettings

TINY = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """One row per bin inside the places.

    `camera` (n, 3) and `variance` (n, 3) as measured; `smoothed` (n, 3) and `smoothed_variance` for judging a bin by
    its colour and level; `clipped` (n,); `spoiled` (n,): clipped or
    amid clipped bins; `region` (n,) index into `regions`; `x`, `y` (n,) in cells of the picture
    from its top left; `cells_per_bin`.
    """

    camera: FloatArray
    variance: FloatArray
    smoothed: FloatArray
    smoothed_variance: FloatArray
    clipped: Mask
    spoiled: Mask
    region: npt.NDArray[np.intp]
    regions: tuple[Region, ...]
    x: FloatArray
    y: FloatArray
    cells_per_bin: int

    usable: Mask
    """Bins (n,) free of clipping that hold light in every channel."""
    chroma: FloatArray
    """Smoothed (ln R/G, ln B/G) per bin (n, 2)."""
    chroma_variance: FloatArray
    """Noise variance of one chroma coordinate of the smoothed bin (n,), the mean of both."""
    log_level: FloatArray
    """ln of smoothed green per bin (n,); +inf where clipped."""


def gather(cells: Cells, places: tuple[Place, ...], settings: SkinSettings) -> Evidence | Unusable:
    """Bins inside the places, or why there are none: `few-pixels` when the places hold too few cells."""
    corners = [np.asarray(place.polygon) for place in places if len(place.polygon) >= 3]
    if not corners:
        return Unusable.FEW_PIXELS
    low = np.min([c.min(axis=0) for c in corners], axis=0)
    high = np.max([c.max(axis=0) for c in corners], axis=0)
    cut = crop(cells, float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    if cut is None:
        return Unusable.FEW_PIXELS
    bins = bin_cells(cut, settings.max_bins)
    cover = np.stack([coverage(to_grid(p.polygon, bins.box, bins.shape), bins.shape) for p in places])
    owner = cover.argmax(axis=0)
    inside = cover.max(axis=0) >= settings.min_coverage
    if int(inside.sum()) < settings.min_bins:
        return Unusable.FEW_PIXELS
    clipped = bins.clipped | near_clip(bins, settings)
    seen = inside & ~clipped
    crowd = window_sum(clipped.astype(np.float64), settings.clip_window) if clipped.any() else np.zeros(bins.shape)
    spoiled = clipped | (crowd > settings.clip_share * settings.clip_window**2)
    size = _smoothing(bins, seen, settings)
    smoothed = smooth(bins.camera, seen, size)
    counted = np.maximum(smooth_count(seen, size), 1.0)
    rows, columns = np.nonzero(inside)
    h, w = bins.shape
    chosen, chosen_clipped = smoothed[inside], clipped[inside]
    chosen_variance = bins.variance[inside] / counted[inside][:, None]
    logs = np.log(np.maximum(chosen, TINY))
    relative = chosen_variance / np.maximum(chosen, TINY) ** 2
    step_x = cut.clipped.shape[1] / cut.box.width
    step_y = cut.clipped.shape[0] / cut.box.height
    return Evidence(
        camera=bins.camera[inside],
        variance=bins.variance[inside],
        smoothed=chosen,
        smoothed_variance=chosen_variance,
        clipped=chosen_clipped,
        spoiled=spoiled[inside],
        usable=np.asarray(~spoiled[inside] & (chosen > TINY).all(axis=-1)),
        chroma=logs[:, (0, 2)] - logs[:, 1:2],
        chroma_variance=0.5 * (relative[:, 0] + relative[:, 2]) + relative[:, 1],
        log_level=np.where(chosen_clipped, np.inf, logs[:, 1]),
        region=owner[inside],
        regions=tuple(place.region for place in places),
        x=(bins.box.left + (columns + 0.5) / w * bins.box.width) * step_x,
        y=(bins.box.top + (rows + 0.5) / h * bins.box.height) * step_y,
        cells_per_bin=bins.cells_per_bin,
    )


def near_clip(bins: Bins, settings: SkinSettings) -> Mask:
    """Bins (h, w) so near the white level that noise of their cells was cut off there."""
    sd = np.sqrt(bins.variance * bins.cells_per_bin)
    near = bins.camera + settings.clip_margin_sd * sd >= 1.0
    return np.asarray(near[..., 0] | near[..., 1] | near[..., 2])


def smooth_count(mask: Mask, size: int) -> FloatArray:
    """Bins inside `mask` in each window (h, w)."""
    return window_sum(mask.astype(np.float64), size) if size > 1 else np.ones(mask.shape)


def _smoothing(bins: Bins, seen: Mask, settings: SkinSettings) -> int:
    """Odd window that brings the typical bin's colour noise down to what trimming wants, small against the face."""
    if not seen.any():
        return 1
    level = np.maximum(np.median(bins.camera[seen], axis=0), TINY)
    relative = np.median(bins.variance[seen], axis=0) / level**2
    noise = float(np.sqrt(0.5 * (relative[0] + relative[2]) + relative[1]))
    wanted = int(np.ceil(noise / settings.trim_noise))
    largest = min(settings.max_smooth, max(1, int(np.sqrt(seen.sum()) / 3)))
    size = max(1, min(wanted, largest))
    return size if size % 2 else size - 1 if size > largest - 1 else size + 1

"""Lit side and shadow side of a face, and the level of the side that dominates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xmpsync.colour.arrays import FloatArray
from xmpsync.skin.bins import Mask
from xmpsync.skin.settings import SkinSettings

LN2 = float(np.log(2.0))
N_CLASSES_BINS = 64


@dataclass(frozen=True, slots=True, eq=False)
class LevelSides:
    """Two classes of level: `lit` (n,) bool, whether they are really two, and the brighter one's share of the area."""

    lit: Mask
    two: bool
    lit_share: float
    separation_ev: float


def split_levels(log_level: FloatArray, settings: SkinSettings) -> LevelSides:
    """Bright and dark side of skin by Otsu's threshold (1979) on the log level (n,); +inf counts as brightest."""
    n = len(log_level)
    finite = log_level[np.isfinite(log_level)]
    everything = np.ones(n, dtype=bool)
    if len(finite) < 2 * settings.min_region_bins:
        return LevelSides(everything, False, 1.0, 0.0)
    low, high = np.quantile(finite, (0.01, 0.99))
    if high - low < 1e-9:
        return LevelSides(everything, False, 1.0, 0.0)
    level = np.clip(log_level, low, high)
    count, edges = np.histogram(level, N_CLASSES_BINS, (low, high))
    middle = 0.5 * (edges[1:] + edges[:-1])
    below = np.cumsum(count)[:-1] / n
    moment = np.cumsum(count * middle)[:-1] / n
    mean = float((count * middle).sum() / n)
    between = np.where(
        (below > 0) & (below < 1), (mean * below - moment) ** 2 / np.maximum(below * (1 - below), 1e-12), 0.0
    )
    cut = int(np.argmax(between))
    quality = float(between[cut] / max((count * (middle - mean) ** 2).sum() / n, 1e-12))
    lit = level > edges[cut + 1]
    if not lit.any() or lit.all():
        return LevelSides(everything, False, 1.0, 0.0)
    separation = float((level[lit].mean() - level[~lit].mean()) / LN2)
    two = separation > settings.side_separation_ev and quality > settings.side_quality
    return LevelSides(lit, two, float(lit.mean()), separation)


def rank_window(log_level: FloatArray, window: tuple[float, float]) -> Mask:
    """Bins (n,) whose rank by level lies inside `window` (0..1); +inf ranks highest, ties share a rank's place."""
    n = len(log_level)
    rank = np.empty(n)
    rank[np.argsort(log_level, kind="stable")] = (np.arange(n) + 0.5) / n
    return np.asarray((rank >= window[0]) & (rank <= window[1]))
